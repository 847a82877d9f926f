#![allow(missing_docs, clippy::all, clippy::unwrap_used, clippy::print_stdout)]
use ampwake_analyzer::{analyze::analyze, recording::Recording, series::Series};
use ampwake_logger::framing::*;
use ampwake_schemas::{findings::Period, message::*, time::Timestamp};
use std::{collections::BTreeMap, io::BufRead};
fn main() {
    let a: Vec<String> = std::env::args().collect();
    let intent = ampwake_schemas::intent::read("vessel.toml", &std::fs::read_to_string(&a[2]).unwrap()).unwrap_or_else(|e| panic!("{e}"));
    let child = std::process::Command::new("zcat").arg(&a[1]).stdout(std::process::Stdio::piped()).spawn().unwrap();
    let mut fast: BTreeMap<String, FastPackets> = BTreeMap::new();
    let mut s: BTreeMap<String, Vec<(i64, f64)>> = BTreeMap::new();
    let (mut lo, mut hi) = (i64::MAX, i64::MIN);
    for line in std::io::BufReader::new(child.stdout.unwrap()).lines() {
        let line = line.unwrap();
        let p: Vec<&str> = line.split_whitespace().collect();
        let us = (p[0].trim_matches(|c| c == '(' || c == ')').parse::<f64>().unwrap() * 1e6) as i64;
        let (id, data) = p[2].split_once('#').unwrap();
        let Ok(raw) = u32::from_str_radix(id, 16) else { continue };
        let data: Vec<u8> = (0..data.len() / 2).map(|k| u8::from_str_radix(&data[2 * k..2 * k + 2], 16).unwrap()).collect();
        let id = CanId::from_raw(raw);
        let Some(def) = find(Protocol::N2k, id.pgn) else { continue };
        let t = Timestamp::from_micros(us);
        (lo, hi) = (lo.min(t.millis()), hi.max(t.millis()));
        let payload = match def.transport {
            Transport::Single => data,
            Transport::Fast => match fast.entry(p[1].into()).or_insert_with(Default::default).push(t, id, &data) {
                Outcome::Complete(p) => p.to_vec(),
                _ => continue,
            },
        };
        let d = decode(def, &payload);
        let inst = d.instance.map(|i| format!("/{i}")).unwrap_or_default();
        for (f, _, r) in d.channels() {
            s.entry(format!("{}/n2k/{}{}/{}", p[1], id.pgn, inst, f)).or_default().push((t.millis(), r.value().unwrap_or(f64::NAN)));
        }
    }
    let mut r = Recording::default();
    for (k, v) in s { let a: ampwake_schemas::channel::ChannelAddress = k.parse().unwrap(); r.heard.insert(a.clone()); r.series.insert(a, Series::from_points(v)); }
    r.period = Some(Period { start: Timestamp::from_millis(lo), end: Timestamp::from_millis(hi) });
    let out = analyze(&r, &intent);
    println!("{}", serde_json::to_string_pretty(&out.findings).unwrap());
}
