//! Lines as they are on board, over pseudo-terminals and the network: noise, unplugging, devices that fall silent.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_logger::bus::modbus::{ModbusLine, Registers, UnitPlan};
use ampwake_logger::bus::sentences::SentenceLine;
use ampwake_logger::config::{self, serial::Port};
use ampwake_logger::run::run;
use ampwake_schemas::modbus_map::read;
use ampwake_store::Store;
use common::{Adapter, Bench, device};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, UdpSocket};
use tokio_modbus::server::{Service, rtu, tcp};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_serial::SerialStream;

const WATER: &str = "$IIMTW,18.5,C*1F\r\n";
const MAP: &str = include_str!("../../deploy/examples/maps/shunt.toml");

#[tokio::test(flavor = "multi_thread")]
async fn sentences_through_noise_unplugging_and_replugging() {
    let dir = tempfile::tempdir().unwrap();
    let port = dir.path().join("port");
    let water = "aft/nmea0183/mtw/water_temperature";
    // The recorder starts before the adapter is there.
    let bench = Bench::start(dir.path(), vec![Box::new(SentenceLine::new("aft", device(&port)))]);
    assert!(bench.event("bus_lost", 0).await.contains("cannot be opened"));
    let mut adapter = Adapter::plug_in(&port);
    bench.event("bus_back", 0).await;
    adapter.near.write_all(b"\x00\xFFnoise\r\n").await.unwrap();
    adapter.near.write_all(WATER.as_bytes()).await.unwrap();
    adapter.near.write_all(b"$IIMTW,99.9,C*00\r\n$IIXDR,U,13.4").await.unwrap();
    bench.heard(water, 1).await;
    drop(adapter);
    let text = bench.event("bus_lost", 1).await;
    assert!(text.contains("aft") && text.contains("failed"), "{text}");

    let mut adapter = Adapter::plug_in(&port);
    bench.event("bus_back", 1).await;
    adapter.near.write_all(b"2,V,BATT*00\r\n").await.unwrap();
    for _ in 0..2 {
        adapter.near.write_all(WATER.as_bytes()).await.unwrap();
    }
    let heard = bench.heard(water, 3).await;
    assert_eq!((heard.latest, heard.samples, heard.unit.text()), (Some(18.5), 3, "degC"));
    let store = bench.end().await;
    assert_eq!(store.channels().unwrap().len(), 1, "nothing from damaged sentences");
    assert_eq!(store.problems().unwrap()["sentence_checksum"], 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn sentences_from_the_network() {
    let dir = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let free = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let udp = free.local_addr().unwrap();
    drop(free);
    let bench = Bench::start(
        dir.path(),
        vec![
            Box::new(SentenceLine::new("tcp", Port::Tcp(listener.local_addr().unwrap().to_string()))),
            Box::new(SentenceLine::new("udp", Port::Udp(udp))),
        ],
    );
    let (mut connection, _) = listener.accept().await.unwrap();
    connection.write_all(&WATER.as_bytes()[..5]).await.unwrap();
    connection.write_all(&WATER.as_bytes()[5..]).await.unwrap();
    bench.heard("tcp/nmea0183/mtw/water_temperature", 1).await;
    drop(connection);
    let (mut connection, _) = listener.accept().await.unwrap();
    connection.write_all(WATER.as_bytes()).await.unwrap();
    bench.heard("tcp/nmea0183/mtw/water_temperature", 2).await;
    let sender = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    for _ in 0..600 {
        // Nobody says when the recorder listens.
        let _ = sender.send_to(WATER.as_bytes(), udp).await;
        tokio::time::sleep(Duration::from_millis(100)).await;
        if bench.channel("udp/nmea0183/mtw/water_temperature").is_some() {
            break;
        }
    }
    bench.heard("udp/nmea0183/mtw/water_temperature", 1).await;
    bench.end().await;
}

/// Holds what the example map asks for; unit 8 has no temperature, all others do not answer.
#[derive(Clone)]
struct Shunt;

impl Shunt {
    fn holds(unit: u8, address: u16, count: u16) -> Result<Vec<u16>, ExceptionCode> {
        let word = |address: u16| match address {
            256 => Ok(5120),
            257 => Ok(0xFFAD),
            258 if unit != 8 => Ok(215),
            259 => Ok(875),
            260 => Ok(0b1000),
            512 => Ok(0x4142),
            513..520 => Ok(0),
            _ => Err(ExceptionCode::IllegalDataAddress),
        };
        (address..address.saturating_add(count)).map(word).collect()
    }
}

impl Service for Shunt {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = std::future::Ready<Result<Option<Response>, ExceptionCode>>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        std::future::ready(match asked.request {
            _ if !(7..=8).contains(&asked.slave) => Ok(None),
            Request::ReadHoldingRegisters(address, count) => {
                Self::holds(asked.slave, address, count).map(|words| Some(Response::ReadHoldingRegisters(words)))
            }
            Request::ReadInputRegisters(16, 2) => Ok(Some(Response::ReadInputRegisters(vec![1, 0]))),
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

fn units(addresses: &[u8]) -> Vec<UnitPlan> {
    let map = read("shunt.toml", MAP).unwrap();
    let plan = |a: &u8| UnitPlan { address: *a, registers: Registers::Map(map.clone()), every_s: 0.2 };
    addresses.iter().map(plan).collect()
}

fn check_shunts(store: &Store) {
    let latest = |address: &str| store.find(&address.parse().unwrap()).unwrap().and_then(|c| c.latest);
    for (field, value) in [
        ("battery_voltage", 51.2),
        ("charge_current", -8.3),
        ("battery_temperature", 21.5),
        ("state_of_charge", 0.875),
        ("contactor_closed", 1.0),
        ("charge_total", 655.36),
    ] {
        assert_eq!(latest(&format!("rs485/modbus/7/{field}")), Some(value), "{field}");
    }
    assert_eq!(latest("rs485/modbus/8/battery_voltage"), Some(51.2), "its neighbour is missing, not this");
    assert_eq!(latest("rs485/modbus/8/battery_temperature"), None);
    let devices = store.devices().unwrap();
    assert_eq!(devices.iter().map(|d| d.address).collect::<Vec<_>>(), [7, 8]);
    assert!(devices[0].product.contains("\"serial_number\":\"AB\""), "{}", devices[0].product);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_modbus_line_with_a_dead_unit_unplugged_and_replugged() {
    let dir = tempfile::tempdir().unwrap();
    let port = dir.path().join("port");
    let voltage = "rs485/modbus/7/battery_voltage";
    let mut adapter = Adapter::plug_in(&port);
    let bench = Bench::start(dir.path(), vec![Box::new(ModbusLine::new("rs485", device(&port), units(&[7, 8, 9])))]);
    // A device that stops in mid-frame, and garbage: then the adapter is pulled out.
    let mut question = [0; 8];
    adapter.near.read_exact(&mut question).await.unwrap();
    adapter.near.write_all(&[7, 3, 6, 20]).await.unwrap();
    adapter.near.read_exact(&mut question).await.unwrap();
    adapter.near.write_all(&[0x55; 300]).await.unwrap();
    adapter.near.read_exact(&mut question).await.unwrap();
    drop(adapter);
    bench.event("bus_lost", 0).await;

    let mut adapter = Adapter::plug_in(&port);
    let (spare, _far) = SerialStream::pair().unwrap();
    let server = rtu::Server::new(std::mem::replace(&mut adapter.near, spare));
    let serving = tokio::spawn(async move { drop(server.serve_forever(Shunt).await) });
    bench.event("bus_back", 0).await;
    bench.heard(voltage, 5).await;
    bench.heard("rs485/modbus/8/battery_voltage", 3).await;
    let text = bench.event("device_silent", 0).await;
    assert!(text.contains("rs485: unit 9"), "{text}");
    assert!(bench.event("register_refused", 0).await.contains("unit 8 refuses address 258"));
    bench.heard("rs485/modbus/7/charge_total", 1).await;
    let store = bench.end().await;
    serving.abort();
    check_shunts(&store);
    let problems = store.problems().unwrap();
    for problem in ["modbus_answer_cut_short", "modbus_noise", "modbus_no_answer", "modbus_illegal_address"] {
        assert!(problems.get(problem).is_some_and(|n| *n > 0), "{problem} {problems:?}");
    }
}

async fn modbus_tcp() -> (String, tokio::task::JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let serving = tokio::spawn(async move {
        let server = tcp::Server::new(listener);
        let connected = |stream, socket| async move { tcp::accept_tcp_connection(stream, socket, |_| Ok(Some(Shunt))) };
        drop(server.serve(&connected, |_| ()).await);
    });
    (address, serving)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_configuration_with_both_kinds_of_line() {
    let dir = tempfile::tempdir().unwrap();
    let mux = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let (gateway, serving) = modbus_tcp().await;
    std::fs::create_dir(dir.path().join("maps")).unwrap();
    std::fs::write(dir.path().join("maps/shunt.toml"), MAP).unwrap();
    let text = format!(
        "schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\ncommit_every_s = 1\n\
         [[serial]]\nname = \"aft\"\nport = \"tcp://{}\"\nprotocol = \"nmea0183\"\n\
         [[serial]]\nname = \"rs485\"\nport = \"tcp://{gateway}\"\n\
         modbus = [{{ unit = 7, map = \"maps/shunt.toml\", every_s = 0.2 }}]\n",
        mux.local_addr().unwrap()
    );
    let config = config::read("logger.toml", &text, dir.path()).unwrap();
    let spoken = async {
        let (mut connection, _) = mux.accept().await.unwrap();
        connection.write_all(WATER.as_bytes()).await.unwrap();
        for _ in 0..1200 {
            tokio::time::sleep(Duration::from_millis(50)).await;
            let Ok(store) = Store::open(&config.database) else { continue };
            let heard = |address: &str| store.find(&address.parse().unwrap()).unwrap().is_some();
            if heard("aft/nmea0183/mtw/water_temperature") && heard("rs485/modbus/7/charge_current") {
                break;
            }
        }
    };
    let report = run(&config, spoken).await.unwrap();
    serving.abort();
    assert!(report.totals.samples > 1, "{report:?}");
    let store = Store::open(&config.database).unwrap();
    let latest = |address: &str| store.find(&address.parse().unwrap()).unwrap().and_then(|c| c.latest);
    assert_eq!(latest("aft/nmea0183/mtw/water_temperature"), Some(18.5));
    assert_eq!(latest("rs485/modbus/7/charge_current"), Some(-8.3));
    let started = &store.events().unwrap()[0];
    assert!(started.details.contains(&format!("tcp://{gateway}")), "{}", started.details);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_over_modbus_tcp() {
    let dir = tempfile::tempdir().unwrap();
    let (address, serving) = modbus_tcp().await;
    let bench = Bench::start(dir.path(), vec![Box::new(ModbusLine::new("rs485", Port::Tcp(address), units(&[7, 8])))]);
    bench.heard("rs485/modbus/7/battery_voltage", 5).await;
    bench.heard("rs485/modbus/8/battery_voltage", 3).await;
    bench.heard("rs485/modbus/7/charge_total", 1).await;
    let store = bench.end().await;
    serving.abort();
    check_shunts(&store);
}
