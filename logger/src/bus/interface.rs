//! The state of a CAN interface, as the kernel shows it in `/sys/class/net`, before anything is opened.

use std::path::Path;

/// Where the kernel shows its interfaces.
pub const SYSTEM: &str = "/sys/class/net";

/// Kernel's number for CAN hardware (ARPHRD_CAN of linux/if_arp.h).
const CAN_HARDWARE: &str = "280";
/// The interface is up (IFF_UP of linux/if.h).
const UP: u32 = 1;

/// Why an interface cannot be recorded; the text says how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InterfaceError {
    /// There is none of this name.
    #[error(
        "there is no interface `{name}` ({}); plug the adapter in, correct the name, or load its driver; then: {}",
        list(others),
        bring_up(name)
    )]
    Missing {
        /// The name asked for.
        name: String,
        /// The CAN interfaces that there are.
        others: Vec<String>,
    },
    /// It is an Ethernet port or the like.
    #[error("`{name}` is no CAN interface ({})", list(others))]
    NotCan {
        /// The name asked for.
        name: String,
        /// The CAN interfaces that there are.
        others: Vec<String>,
    },
    /// It is switched off.
    #[error("the CAN interface `{name}` is down; bring it up (as root): {}", bring_up(name))]
    Down {
        /// The name asked for.
        name: String,
    },
}

fn list(others: &[String]) -> String {
    match others {
        [] => "this computer has no CAN interface".to_owned(),
        _ => format!("CAN interfaces here: {}", others.join(", ")),
    }
}

/// 250 kbit/s is the rate of NMEA 2000; listen-only cannot disturb the bus, not even by acknowledging.
fn bring_up(name: &str) -> String {
    format!("ip link set {name} up type can bitrate 250000 listen-only on")
}

/// Checks that `name` is a CAN interface and up; `system` is [`SYSTEM`].
///
/// # Errors
/// What is wrong with it.
pub fn check(system: &Path, name: &str) -> Result<(), InterfaceError> {
    let read = |name: &str, file: &str| std::fs::read_to_string(system.join(name).join(file)).unwrap_or_default();
    let is_can = |name: &str| read(name, "type").trim() == CAN_HARDWARE;
    let others = || {
        let entries = std::fs::read_dir(system).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries.filter_map(|e| e.file_name().into_string().ok()).collect();
        names.retain(|n| is_can(n));
        names.sort();
        names
    };
    let name = name.to_owned();
    if !system.join(&name).exists() {
        return Err(InterfaceError::Missing { name, others: others() });
    }
    if !is_can(&name) {
        return Err(InterfaceError::NotCan { name, others: others() });
    }
    let flags = read(&name, "flags");
    let flags = u32::from_str_radix(flags.trim().trim_start_matches("0x"), 16).unwrap_or(0);
    if flags & UP == 0 { Err(InterfaceError::Down { name }) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn states_are_told_apart_and_the_text_says_what_to_do() {
        let system = tempfile::tempdir().unwrap();
        for (name, kind, flags) in [("can0", "280", "0x40081"), ("can1", "280", "0x40080"), ("eth0", "1", "0x1003")] {
            let dir = system.path().join(name);
            std::fs::create_dir(&dir).unwrap();
            std::fs::write(dir.join("type"), format!("{kind}\n")).unwrap();
            std::fs::write(dir.join("flags"), format!("{flags}\n")).unwrap();
        }
        assert_eq!(check(system.path(), "can0"), Ok(()));
        let down = check(system.path(), "can1").unwrap_err();
        assert_eq!(down, InterfaceError::Down { name: "can1".into() });
        assert!(down.to_string().ends_with("ip link set can1 up type can bitrate 250000 listen-only on"));
        let missing = check(system.path(), "can7").unwrap_err().to_string();
        assert!(missing.contains("`can7`") && missing.contains("CAN interfaces here: can0, can1"), "{missing}");
        assert!(matches!(check(system.path(), "eth0"), Err(InterfaceError::NotCan { .. })));
        let none = check(&system.path().join("nothing"), "can0").unwrap_err().to_string();
        assert!(none.contains("this computer has no CAN interface"), "{none}");
    }
}
