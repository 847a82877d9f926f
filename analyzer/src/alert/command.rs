//! Running the user's command: no shell, the message on its standard input, and an end to waiting.

use super::AlertError;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Runs `words` and gives it `body`; it has taken the message when it ends with status 0 within `patience`.
///
/// # Errors
/// It cannot be started, fails, or does not end (then it is killed).
pub fn run_command(words: &[String], body: &str, patience: Duration) -> Result<(), AlertError> {
    let Some((program, arguments)) = words.split_first() else { return Ok(()) };
    let failed = |text: String| AlertError::NotTaken(format!("the command `{program}` {text}"));
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .map_err(|e| failed(format!("cannot be started: {e}")))?;
    if let Some(mut input) = child.stdin.take() {
        let body = body.to_owned();
        // One that does not read must not hold us up. One that has heard enough is no failure.
        std::thread::spawn(move || drop(input.write_all(body.as_bytes())));
    }
    let deadline = Instant::now() + patience;
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(failed(format!("failed ({status}); it is tried again"))),
            Ok(None) if Instant::now() < deadline => std::thread::sleep(Duration::from_millis(20)),
            Ok(None) => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(failed(format!("did not end within {} s and was killed", patience.as_secs())));
            }
            Err(e) => return Err(failed(format!("cannot be waited for: {e}"))),
        }
    }
}
