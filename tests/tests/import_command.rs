//! `ampwake import` as it is called: what it refuses leaves nothing behind.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use clap::Parser;

#[test]
fn what_is_no_recording_leaves_no_database() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(at("good.log"), "(1757680800.110000) can0 19F21423#00FB04FF7FFFFFFF\n").unwrap();
    std::fs::write(at("rubbish.log"), [0xA1, 0, 0x36, 0xBC, 0, 0x17]).unwrap();
    for wrong in ["rubbish.log", "nothing.log"] {
        let cli =
            Cli::try_parse_from(["ampwake", "import", &at("good.log"), &at(wrong), "--db", &at("trip.db")]).unwrap();
        let (mut out, mut err) = (Vec::new(), Vec::new());
        assert_eq!(run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false }), 2);
        assert!(String::from_utf8_lossy(&err).contains(wrong), "{}", String::from_utf8_lossy(&err));
        assert!(!std::path::Path::new(&at("trip.db")).exists(), "{wrong}");
    }
}
