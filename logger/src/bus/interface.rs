//! The state of a CAN interface, as the kernel shows it in `/sys/class/net`, before anything is opened.

use crate::health::USUAL_BIT_RATE;
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
    /// It is set so that it cannot send, and the configuration says `ask = true`.
    #[error(
        "the CAN interface `{name}` is listen-only, so that `ask = true` could send nothing through it: set `ask = false`, or \
         let it send (as root): {}",
        change(name, bit_rate.unwrap_or(USUAL_BIT_RATE), "off")
    )]
    CannotAsk {
        /// The name asked for.
        name: String,
        /// At which it runs, bit/s, where that is known.
        bit_rate: Option<u32>,
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

/// How an interface is set, as far as the kernel says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Settings {
    /// bit/s; `None` for a virtual interface, and for adapters that do not say it.
    pub bit_rate: Option<u32>,
    /// It cannot send, not even an acknowledgement; `None` for a virtual interface.
    pub listen_only: Option<bool>,
    /// Milliseconds after which a controller that switched itself off tries again; 0: never.
    pub restart_ms: Option<u32>,
    /// What the controller says of itself, where that is not well.
    pub trouble: Option<&'static str>,
}

impl Settings {
    /// In one line what this means for the bus, where the recorder `asks` devices and where it does not.
    pub fn words(&self, asks: bool) -> String {
        let rate = match (self.bit_rate, self.listen_only) {
            (Some(rate), _) => format!("{rate} bit/s"),
            (None, None) => return "virtual, no bit rate".to_owned(),
            (None, Some(_)) => "bit rate not known".to_owned(),
        };
        match self.listen_only {
            Some(true) => format!("{rate}, listen-only: it cannot disturb the bus"),
            Some(false) if asks => {
                format!(
                    "{rate}, normal mode: it acknowledges what others send; only the requests of `ask = true` are sent"
                )
            }
            Some(false) => format!("{rate}, normal mode: it acknowledges what others send, and sends nothing else"),
            None => rate,
        }
    }

    /// What the user should know of it, with the way to change it; `usual` is the bit rate that the protocols of
    /// the bus prescribe, if they do; `asks` stands for `ask = true`. The flag is true for what has to be mended.
    pub fn remarks(&self, name: &str, usual: Option<u32>, asks: bool) -> Vec<(bool, String)> {
        let mut out = Vec::new();
        if let (Some(rate), Some(usual)) = (self.bit_rate, usual)
            && rate != usual
        {
            let text = format!(
                "{name} runs at {rate} bit/s, its protocol at {usual}: it hears nothing but errors, and in \
                normal mode disturbs the others; change it (as root): {}",
                change(name, usual, "on")
            );
            out.push((true, text));
        }
        if let Some(trouble) = self.trouble {
            out.push((
                true,
                format!("the controller of {name} says: {trouble}; check bit rate, wiring and terminators"),
            ));
        }
        let rate = self.bit_rate.or(usual).unwrap_or(USUAL_BIT_RATE);
        match self.listen_only {
            Some(true) if asks => {
                let refused = InterfaceError::CannotAsk { name: name.to_owned(), bit_rate: Some(rate) };
                out.push((true, refused.to_string()));
            }
            Some(true) => out.push((false, format!(
                "with one single other device on {name} nobody acknowledges that device's frames, so that it repeats them and \
                 falls silent; only then (as root): {}", change(name, rate, "off"))
            )),
            Some(false) => {
                let first = if asks { ", set `ask = false` and" } else { "" };
                out.push((
                    false,
                    format!("to make {name} unable to send{first} (as root): {}", change(name, rate, "on")),
                ));
                if self.restart_ms == Some(0) {
                    out.push((false, format!(
                        "once switched off by bus errors, {name} stays off; to make it try again after a second, add restart-ms 1000"
                    )));
                }
            }
            None => {}
        }
        out
    }
}

fn change(name: &str, bit_rate: u32, listen_only: &str) -> String {
    format!("ip link set {name} down; ip link set {name} up type can bitrate {bit_rate} listen-only {listen_only}")
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
    fn settings_are_told_with_their_consequences() {
        let listening = Settings { bit_rate: Some(250_000), listen_only: Some(true), ..Settings::default() };
        assert_eq!(listening.words(false), "250000 bit/s, listen-only: it cannot disturb the bus");
        let remarks = listening.remarks("can0", Some(250_000), false);
        let told = |text: &str| text.contains("nobody acknowledges") && text.ends_with("250000 listen-only off");
        assert!(matches!(&remarks[..], [(false, text)] if told(text)), "{remarks:?}");
        let refused = listening.remarks("can0", Some(250_000), true);
        let told = |text: &str| text.contains("`ask = true` could send nothing") && text.ends_with("listen-only off");
        assert!(matches!(&refused[..], [(true, text)] if told(text)), "{refused:?}");
        let wrong = Settings {
            bit_rate: Some(500_000),
            listen_only: Some(false),
            restart_ms: Some(0),
            trouble: Some("bus off"),
        };
        let remarks = wrong.remarks("can0", Some(250_000), false);
        assert_eq!(remarks.iter().filter(|(bad, _)| *bad).count(), 2, "{remarks:?}");
        assert!(
            remarks[0].1.ends_with("ip link set can0 down; ip link set can0 up type can bitrate 250000 listen-only on")
        );
        assert!(remarks.iter().any(|(_, text)| text.contains("restart-ms")));
        assert!(wrong.remarks("can0", None, false).iter().all(|(_, text)| !text.contains("its protocol")));
        assert_eq!(Settings::default().words(true), "virtual, no bit rate");
        assert!(Settings::default().remarks("vcan0", Some(250_000), true).is_empty());
        assert!(wrong.words(false).ends_with("sends nothing else") && wrong.words(true).contains("requests of `ask"));
        let remarks = wrong.remarks("can0", None, true);
        assert!(remarks.iter().any(|(_, text)| text.contains("set `ask = false` and (as root)")), "{remarks:?}");
    }

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
