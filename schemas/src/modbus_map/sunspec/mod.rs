//! SunSpec: a device says which models it holds and where; the models are maps that are built in.
//!
//! Marker, walk and "not implemented" codes: SunSpec device information model specification, as PyPI `pysunspec2`
//! 1.3.7 (Apache-2.0) carries it out; a block encoded by it is in `tests/vectors/sunspec.json`.

use super::{ModbusMap, Register, read};
use std::collections::BTreeMap;

/// Where the marker may stand.
pub const BASES: [u16; 3] = [40_000, 50_000, 0];
/// "SunS".
pub const MARKER: [u16; 2] = [0x5375, 0x6E53];
/// The model number behind the last model.
pub const END: u16 = 0xFFFF;
/// A device has a dozen models; a hostile one may not keep us walking.
pub const MOST_MODELS: usize = 64;
/// Blocks of one model that are read: strings, modules, ports.
const MOST_BLOCKS: u16 = 64;

const MAPS: &[&str] = &[
    include_str!("1.toml"),
    include_str!("160.toml"),
    include_str!("203.toml"),
    include_str!("401.toml"),
    include_str!("403.toml"),
    include_str!("404.toml"),
    include_str!("713.toml"),
    include_str!("714.toml"),
    include_str!("802.toml"),
];

/// The models that are built in. One that did not read would be missing here; a test counts them.
pub fn models() -> Vec<ModbusMap> {
    MAPS.iter().filter_map(|text| read("a built-in map", text).ok()).collect()
}

/// A model as a device holds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ModelHead {
    /// Its number.
    pub model: u16,
    /// The address of its number.
    pub address: u16,
    /// Registers behind number and length.
    pub length: u16,
}

/// What a step of the walk led to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// A model, and the address of the next head; without one where the address range ends.
    Model(ModelHead, Option<u16>),
    /// There are no more.
    End,
}

/// Reads the two registers at `address`, the head of a model.
pub fn step(address: u16, head: [u16; 2]) -> Step {
    let [model, length] = head;
    if model == END || model == 0 {
        return Step::End;
    }
    let next = address.checked_add(2).and_then(|a| a.checked_add(length)).filter(|next| *next <= u16::MAX - 2);
    Step::Model(ModelHead { model, address, length }, next)
}

/// The registers of the models that are built in, at the addresses where this device has them. Their instance is
/// the model's number (`802`); where a device has several of a model, `802_2` and so on; with the number of the
/// string, module or port behind it (`160-1`).
pub fn place(heads: &[ModelHead], models: &[ModbusMap]) -> Vec<Register> {
    let mut placed = Vec::new();
    let mut seen: BTreeMap<u16, u32> = BTreeMap::new();
    for head in heads {
        let Some(map) = models.iter().find(|m| m.sunspec_model == Some(head.model)) else { continue };
        let nth = seen.entry(head.model).or_default();
        *nth += 1;
        let instance = if *nth == 1 { head.model.to_string() } else { format!("{}_{nth}", head.model) };
        // A device of an older edition may hold less of a model.
        let end = u32::from(head.length) + 2;
        let mut put = |r: &Register, shift: u32, instance: String| {
            let from_head = u32::from(r.address) + shift;
            let address = u32::from(head.address) + from_head;
            let fits = from_head + u32::from(r.words) <= end && address + u32::from(r.words) <= 0x1_0000;
            // Its power of ten is always in the head part of the model.
            let factor = r.scale_factor.map(|f| head.address.checked_add(f).filter(|_| u32::from(f) < end));
            if let (Ok(address), true, true) = (u16::try_from(address), fits, factor != Some(None)) {
                placed.push(Register {
                    address,
                    scale_factor: factor.flatten(),
                    instance: Some(instance),
                    ..r.clone()
                });
            }
        };
        map.registers.iter().for_each(|r| put(r, 0, instance.clone()));
        let Some(repeat) = &map.repeat else { continue };
        let blocks = end.saturating_sub(u32::from(repeat.first)) / u32::from(repeat.length.max(1));
        for block in 0..blocks.min(u32::from(MOST_BLOCKS)) {
            let shift = u32::from(repeat.first) + block * u32::from(repeat.length);
            repeat.registers.iter().for_each(|r| put(r, shift, format!("{instance}-{}", block + 1)));
        }
    }
    placed
}
