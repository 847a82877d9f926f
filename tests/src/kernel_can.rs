//! Figures that the guest and the judge of the kernel test share.

/// Frames that are sent in step.
pub const PACED: u32 = 20_000;
/// So many of them a second; a full 250 kbit/s bus carries some 1,900.
pub const PER_SECOND: f64 = 8_000.0;
/// Frames that come in while the daemon is held and that the kernel keeps.
pub const HELD_BACK: u32 = 500;
/// Frames that come in while the daemon is held and that are more than the kernel keeps.
pub const CROWD: u32 = 25_000;
/// Frames that are sent while the configuration changes.
pub const UNBROKEN: u32 = 6_000;
/// The device that answers when it is asked, and its NAME.
pub const ANSWERS: u8 = 35;
/// See [`ANSWERS`].
pub const NAME: u64 = 0xC032_8200_22C0_0001;
/// The device that never answers.
pub const SILENT: u8 = 36;
