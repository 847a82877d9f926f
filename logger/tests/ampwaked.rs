//! The daemon as its user meets it: exit status and words.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use std::path::Path;
use std::process::{Command, Output};

fn ampwaked(arguments: &[&str], dir: &Path) -> (i32, String) {
    let Output { status, stdout, stderr } =
        Command::new(env!("CARGO_BIN_EXE_ampwaked")).args(arguments).current_dir(dir).output().unwrap();
    let said = format!("{}{}", String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap());
    (status.code().unwrap(), said)
}

const CONFIGURATION: &str = "schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\n[[can]]\nname = \"nocan7\"\n";

#[test]
fn wrong_usage_and_configuration_are_2() {
    let dir = tempfile::tempdir().unwrap();
    for (arguments, says) in [
        (&[][..], "--config FILE"),
        (&["check"], "--config FILE"),
        (&["--config", "logger.toml"], "logger.toml: cannot read the configuration"),
        (&["--colour", "red"], "--colour"),
    ] {
        let (status, said) = ampwaked(arguments, dir.path());
        assert!(status == 2 && said.contains(says), "{status} {said}");
    }
    std::fs::write(dir.path().join("logger.toml"), CONFIGURATION.replace("database", "datenbank")).unwrap();
    let (status, said) = ampwaked(&["--config", "logger.toml"], dir.path());
    assert!(status == 2 && said.contains("logger.toml:2:1"), "{status} {said}");
}

#[test]
fn a_mistake_in_a_register_map_is_one_of_the_configuration() {
    let dir = tempfile::tempdir().unwrap();
    let line = "[[serial]]\nname = \"rs485\"\nport = \"/nowhere\"\nbaud = 9600\nmodbus = [{ unit = 7, map = \"shunt.toml\" }]\n";
    std::fs::write(dir.path().join("logger.toml"), format!("{CONFIGURATION}{line}")).unwrap();
    std::fs::write(dir.path().join("shunt.toml"), "schema = \"ampwake-modbus-map/1\"\nnam = \"shunt\"\n").unwrap();
    let (status, said) = ampwaked(&["--config", "logger.toml"], dir.path());
    assert!(status == 2 && said.contains("shunt.toml:2:1") && said.contains("did you mean `name`?"), "{status} {said}");
}

#[test]
fn what_cannot_be_done_is_1() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("logger.toml"), CONFIGURATION).unwrap();
    let (status, said) = ampwaked(&["--config", "logger.toml"], dir.path());
    assert!(status == 1 && said.contains("there is no interface `nocan7`"), "{status} {said}");
    let (status, said) = ampwaked(&["check", "--config", "logger.toml"], dir.path());
    assert!(status == 1 && said.contains("problem there is no interface `nocan7`"), "{status} {said}");
    assert!(said.contains("ok      database voyage.db: will be created"), "{said}");
    assert!(!dir.path().join("voyage.db").exists());
}

#[test]
fn help_is_0() {
    let (status, said) = ampwaked(&["--help"], Path::new("."));
    assert!(status == 0 && said.contains("check") && said.contains("--config <FILE>"), "{said}");
}

/// Records a line that is waited for, so that no interface is needed.
const LINE: &str = "schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\n[[serial]]\nname = \"aft\"\nport = \"/nowhere\"\n\
                    baud = 4800\nprotocol = \"nmea0183\"\n";

#[test]
fn a_second_one_is_refused_and_the_first_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("logger.toml"), LINE).unwrap();
    let mut first = Command::new(env!("CARGO_BIN_EXE_ampwaked"));
    let mut first = first.args(["--config", "logger.toml"]).current_dir(dir.path()).spawn().unwrap();
    let path = dir.path().join("voyage.db");
    while ampwake_store::writer_of(&path).is_none() {
        assert!(first.try_wait().unwrap().is_none(), "the first ended by itself");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let (status, said) = ampwaked(&["--config", "logger.toml"], dir.path());
    let alive = first.try_wait().unwrap().is_none();
    first.kill().unwrap();
    first.wait().unwrap();
    assert!(status == 1 && said.contains("already being written by process"), "{status} {said}");
    assert!(alive, "the first goes on");
}
