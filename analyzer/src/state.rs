//! What a source says of itself, in one vocabulary for all protocols. Shown beside the stage that volts and
//! amps tell; never taken for it.

use ampwake_schemas::channel::ChannelAddress;

/// A source's own statement about its charging state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reported {
    /// It is on and does not charge.
    NotCharging,
    /// Constant current.
    Bulk,
    /// Constant voltage at the absorption set-point.
    Absorption,
    /// Deliberate overcharge or equalisation.
    Equalise,
    /// Constant voltage at the float set-point.
    Float,
    /// Constant voltage and current limit without stages.
    Constant,
    /// Switched off or disabled.
    Disabled,
    /// It reports a fault.
    Fault,
}

impl Reported {
    /// The word for the report.
    pub const fn text(self) -> &'static str {
        match self {
            Self::NotCharging => "not charging",
            Self::Bulk => "bulk",
            Self::Absorption => "absorption",
            Self::Equalise => "equalisation",
            Self::Float => "float",
            Self::Constant => "constant voltage and current",
            Self::Disabled => "disabled",
            Self::Fault => "fault",
        }
    }

    /// True where it claims to be charging, that is: where it has its input and is switched on.
    pub const fn is_on(self) -> bool {
        matches!(self, Self::Bulk | Self::Absorption | Self::Equalise | Self::Float | Self::Constant)
    }

    /// From the code of the state channel at `address`; `None` where the code or its meaning is not known.
    ///
    /// Codes: NMEA 2000 127507 and 127750 as the open message databases describe them (their enumerations
    /// differ: bulk is 1 in the first and 3 in the second); RV-C's charger and solar controller status and what a DC
    /// source asks for (its open specification: bulk is 2).
    pub fn from_code(address: &ChannelAddress, code: u16) -> Option<Self> {
        use Reported::*;
        match (address.protocol.as_str(), address.message.as_str()) {
            ("n2k", "127507") => Some(match code {
                0 => NotCharging,
                1 => Bulk,
                2 => Absorption,
                3 | 4 => Equalise,
                5 => Float,
                6 => NotCharging, // "no float": done, and not holding
                7 => Constant,
                8 => Disabled,
                9 => Fault,
                _ => return None,
            }),
            ("n2k", "127750") => Some(match code {
                0 => Disabled,
                1 => NotCharging,
                2 => Fault,
                3 => Bulk,
                4 => Absorption,
                5 | 6 => Float,
                7 => Equalise,
                8..=10 => NotCharging,
                _ => return None,
            }),
            ("rvc", "1ffc7" | "1feb3" | "1fec9") => Some(match code {
                1 => NotCharging,
                2 => Bulk,
                3 => Absorption,
                4 | 5 => Equalise,
                6 => Float,
                7 => Constant,
                // 0 is "undefined": the sender does not know it either.
                _ => return None,
            }),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_word_has_another_code_in_another_message() {
        let a = "can0/n2k/127507/1/operating_state".parse().unwrap();
        let b = "can0/n2k/127750/1/operating_state".parse().unwrap();
        assert_eq!(Reported::from_code(&a, 1), Some(Reported::Bulk));
        assert_eq!(Reported::from_code(&b, 3), Some(Reported::Bulk));
        assert_eq!(Reported::from_code(&a, 12), None);
        for (message, field) in [("1ffc7", "operating_state"), ("1feb3", "operating_state"), ("1fec9", "desired")] {
            let rvc = format!("can0/rvc/{message}/1/{field}").parse().unwrap();
            let said = [0, 1, 2, 3, 6, 255].map(|code| Reported::from_code(&rvc, code));
            use Reported::{Absorption, Bulk, Float, NotCharging};
            assert_eq!(said, [None, Some(NotCharging), Some(Bulk), Some(Absorption), Some(Float), None]);
        }
    }
}
