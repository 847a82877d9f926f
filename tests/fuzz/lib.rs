//! What every target shares: the way in of its name, on ground that is made once.

use ampwake_tests::foreign::{Ground, way};

thread_local! {
    static GROUND: Ground = Ground::new(
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().expect("a runtime"),
    );
}

/// Runs the way in of this name.
pub fn run(name: &str, bytes: &[u8]) {
    GROUND.with(|ground| way(name)(ground, bytes));
}
