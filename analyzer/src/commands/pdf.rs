//! The report as PDF, printed by a browser that is installed. None of our own: a browser lays the page out as on the screen.

use super::Failure;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Names under which browsers that print without a window are installed.
const NAMES: [&str; 5] = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"];
/// A browser that has not printed by then does not.
const PATIENCE: Duration = Duration::from_secs(90);

/// Prints `html` to `target`.
///
/// # Errors
/// No browser on PATH, one that fails, or a place that cannot be written.
pub fn write(html: &[u8], target: &Path) -> Result<(), Failure> {
    let browser = find().ok_or_else(|| {
        Failure::CouldNot(format!(
            "--pdf needs a browser that prints, and none of these is on PATH: {}; install one, or open the --html file \
             and print it",
            NAMES.join(", ")
        ))
    })?;
    let folder = tempfile::tempdir()?;
    let (page, printed) = (folder.path().join("report.html"), folder.path().join("report.pdf"));
    std::fs::write(&page, html)?;
    let mut command = Command::new(&browser);
    command
        .args(["--headless", "--disable-gpu", "--no-first-run", "--disable-extensions", "--no-pdf-header-footer"])
        .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
        .arg(format!("--print-to-pdf={}", printed.display()))
        .arg(format!("file://{}", page.display()));
    if is_root() {
        // A browser refuses its own sandbox there. The page may not load or run anything but what stands in it.
        command.arg("--no-sandbox");
    }
    let name = browser.display();
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()?;
    let began = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait()? {
            break status;
        }
        if began.elapsed() > PATIENCE {
            child.kill()?;
            child.wait()?;
            return Err(Failure::CouldNot(format!("{name} did not print within {} s", PATIENCE.as_secs())));
        }
        std::thread::sleep(Duration::from_millis(50));
    };
    let pdf = std::fs::read(&printed).unwrap_or_default();
    if !pdf.starts_with(b"%PDF-") {
        return Err(Failure::CouldNot(format!(
            "{name} printed nothing ({status}); open the --html file and print it there"
        )));
    }
    crate::report::atomic::write(target, |out| out.write_all(&pdf)).map_err(|e| Failure::CouldNot(e.to_string()))
}

fn find() -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    let places: Vec<PathBuf> = std::env::split_paths(&path).collect();
    NAMES.iter().flat_map(|name| places.iter().map(move |p| p.join(name))).find(|p| p.is_file())
}

fn is_root() -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        std::fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0)
    }
    #[cfg(not(unix))]
    false
}
