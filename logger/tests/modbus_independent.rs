//! Modbus and SunSpec with an independent library at the other end: PyPI `pymodbus`, which shares no code with the
//! client here.
//!
//! `AMPWAKE_PYTHON` names an interpreter that has the package. Without it `python3` is tried, and where that has no such
//! package the test is skipped, with the reason.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_logger::bus::modbus::{ModbusLine, Registers, UnitPlan};
use ampwake_logger::config::serial::Port;
use ampwake_schemas::modbus_map::read;
use ampwake_store::Store;
use common::{Adapter, Bench, device};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialStream};

struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts the server; `None`, with the reason on standard error, where it cannot be.
fn server(kind: &str, place: &str) -> Option<Server> {
    let named = std::env::var("AMPWAKE_PYTHON").ok();
    let python = named.clone().unwrap_or_else(|| "python3".to_owned());
    let probe = Command::new(&python).args(["-c", "import pymodbus.simulator, serial"]).stderr(Stdio::null()).status();
    if !probe.is_ok_and(|status| status.success()) {
        assert_eq!(named, None, "AMPWAKE_PYTHON names an interpreter without the packages `pymodbus` and `pyserial`");
        // Past the harness, which keeps to itself what a test prints that passes.
        let _ = std::io::Write::write_all(
            &mut std::io::stderr(),
            b"skipped: Modbus against an independent server. To run it: python3 -m pip install 'pymodbus[serial]==3.16.1'; \
             AMPWAKE_PYTHON=python3 cargo test -p ampwake-logger --test modbus_independent\n"
        );
        return None;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/modbus_server.py");
    let child = Command::new(python).arg(script).args([kind, place]).stdout(Stdio::null()).spawn().unwrap();
    Some(Server(child))
}

fn line(port: Port) -> ModbusLine {
    let map = read("shunt.toml", include_str!("../../deploy/examples/maps/shunt.toml")).unwrap();
    let unit = |address, registers| UnitPlan { address, registers, every_s: 0.2 };
    ModbusLine::new("rs485", port, vec![unit(7, Registers::Map(map)), unit(20, Registers::SunSpec)])
}

async fn listen(bench: &Bench) {
    bench.heard("rs485/modbus/7/battery_voltage", 10).await;
    bench.heard("rs485/modbus/7/charge_total", 1).await;
    bench.heard("rs485/modbus/20/802/state_of_charge", 10).await;
    bench.heard("rs485/modbus/20/160-2/dc_current", 10).await;
}

/// Every value of every sample is what the server holds.
fn check(store: &Store) {
    for (field, value) in [
        ("7/battery_voltage", Some(51.2)),
        ("7/charge_current", Some(-8.3)),
        ("7/battery_temperature", Some(21.5)),
        ("7/state_of_charge", Some(0.875)),
        ("7/contactor_closed", Some(1.0)),
        ("7/charge_total", Some(655.36)),
        ("20/802/external_battery_voltage", Some(13.42)),
        ("20/802/total_dc_current", Some(-8.3)),
        ("20/802/total_power", Some(-111.0)),
        ("20/802/state_of_charge", Some(0.875)),
        ("20/802/charge_status", Some(3.0)),
        ("20/802/state_of_health", None),
        ("20/160-1/dc_current", Some(8.1)),
        ("20/160-1/dc_voltage", Some(90.5)),
        ("20/160-1/operating_state", Some(4.0)),
        ("20/160-2/dc_current", None),
    ] {
        let address = format!("rs485/modbus/{field}").parse().unwrap();
        let channel = store.find(&address).unwrap().unwrap_or_else(|| panic!("{field} was not heard"));
        let samples = store.read_all(channel.id, None, None).unwrap();
        assert!(!samples.is_empty() && samples.iter().all(|s| s.1.value() == value), "{field} {samples:?}");
    }
    let devices = store.devices().unwrap();
    let product = &devices.iter().find(|d| d.address == 20).unwrap().product;
    assert!(product.contains("\"serial_number\":\"S42\"") && product.contains("\"model\":\"Model X\""), "{product}");
}

#[tokio::test(flavor = "multi_thread")]
async fn rtu_over_a_line_that_damages_every_fifth_answer() {
    let dir = tempfile::tempdir().unwrap();
    let mut ours = Adapter::plug_in(&dir.path().join("ours"));
    let (mut theirs, far) = SerialStream::pair().unwrap();
    let name = far.name().unwrap();
    let _held = std::fs::OpenOptions::new().read(true).write(true).open(&name).unwrap();
    drop(far);
    let Some(_server) = server("serial", &name) else { return };
    let port = device(&dir.path().join("ours"));
    let bench = Bench::start(dir.path(), vec![Box::new(line(port))]);
    let wire = tokio::spawn(async move {
        let (mut asked, mut answered) = ([0; 512], [0; 512]);
        let mut pieces = 0_u32;
        loop {
            tokio::select! {
                n = ours.near.read(&mut asked) => theirs.write_all(&asked[..n.unwrap()]).await.unwrap(),
                n = theirs.read(&mut answered) => {
                    let n = n.unwrap();
                    pieces += 1;
                    if pieces.is_multiple_of(5) {
                        answered[n / 2] ^= 0x11;
                    }
                    ours.near.write_all(&answered[..n]).await.unwrap();
                }
            }
        }
    });
    listen(&bench).await;
    let store = bench.end().await;
    wire.abort();
    check(&store);
    let problems = store.problems().unwrap();
    assert!(
        problems.keys().any(|k| matches!(k.as_str(), "modbus_crc" | "modbus_noise" | "modbus_answer_cut_short")),
        "{problems:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn modbus_tcp() {
    let dir = tempfile::tempdir().unwrap();
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = free.local_addr().unwrap();
    drop(free);
    let Some(_server) = server("tcp", &address.port().to_string()) else { return };
    // The recorder may come before the server: it tries again.
    let bench = Bench::start(dir.path(), vec![Box::new(line(Port::Tcp(address.to_string())))]);
    listen(&bench).await;
    check(&bench.end().await);
}
