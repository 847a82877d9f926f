//! The built program in a pipe: the query from standard input, and a reader that goes away.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};

fn ampwake() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ampwake"));
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

#[test]
fn the_query_comes_from_standard_input_and_rows_go_out_as_they_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let (log, db) = (folder.path().join("trip.log"), folder.path().join("trip.db"));
    std::fs::write(&log, "(1757680800.110000) can0 19F21423#00D014CD00FFFFFF\n").unwrap();
    let imported = ampwake().arg("import").arg(&log).arg("--db").arg(&db).output().unwrap();
    assert!(imported.status.success(), "{}", String::from_utf8_lossy(&imported.stderr));

    let mut child = ampwake().arg("sql").arg(&db).spawn().unwrap();
    child.stdin.take().unwrap().write_all(b"SELECT value FROM sample WHERE unit = 'V'").unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stdout), "value\n53.28\n");
    assert!(output.status.success() && output.stderr.is_empty());

    // Rows without end: what has been found is there to read, and who stops reading stops the program.
    let endless = "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT x FROM n";
    let mut child = ampwake().arg("sql").arg(&db).arg(endless).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert_eq!(lines.nth(1000).unwrap().unwrap(), "1000");
    drop(lines);
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
}
