//! What happens in the guest of the kernel test: scenes with the real daemon on real CAN interfaces.
//!
//! It only plays. Every scene leaves its database, the daemon's words and what else can be judged in /out; the judge is
//! `tests/kernel_can.rs` on the host. It fails where a scene cannot be played to its end.

mod adapter;
mod asking;
mod daemon;
mod scenes;
mod sender;

/// Anything that went wrong, in words.
type Outcome<T = ()> = Result<T, Box<dyn std::error::Error>>;

/// Where what the host is to judge is left.
const OUT: &str = "/out";

fn main() -> Outcome {
    for (name, scene) in scenes::ALL {
        let start = std::time::Instant::now();
        scene().map_err(|e| format!("scene {name}: {e}"))?;
        said(&format!("scene {name} took {:.1} s", start.elapsed().as_secs_f32()));
    }
    Ok(())
}

/// Into the guest's log.
#[allow(clippy::print_stdout)]
fn said(text: &str) {
    println!("{text}");
}

/// Whatever is waited for takes seconds; a computer that is busy with other things may take many times that.
const PATIENCE: std::time::Duration = std::time::Duration::from_secs(240);

/// Waits until `done`, looking often; an error after [`PATIENCE`].
fn wait_for(what: &str, mut done: impl FnMut() -> Outcome<bool>) -> Outcome {
    let begin = std::time::Instant::now();
    while !done()? {
        if begin.elapsed() > PATIENCE {
            return Err(format!("waited {} s for {what}", PATIENCE.as_secs()).into());
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    Ok(())
}
