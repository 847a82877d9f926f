//! The voyage in the registers of Modbus units, asked for by the recorder itself.
//!
//! Real: a server and the recorder's own polling over Modbus TCP on this computer, register maps, decoding, storing.
//! Not real: the hours. The recorder asks as fast as it is answered; whenever it comes round to the first unit the
//! voyage goes on by one step, and it is given the voyage's time for the time of day.

use crate::carrier::{Carrier, PERIOD, Resolution, START_S};
use ampwake_analyzer::analyze::Analysis;
use ampwake_analyzer::demo::{Instant, Trace};
use ampwake_logger::bus::modbus::{ModbusLine, Registers, UnitPlan};
use ampwake_logger::config::serial::Port;
use ampwake_logger::dialect::Dialects;
use ampwake_logger::record::{RecordOptions, record};
use ampwake_schemas::modbus_map;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use std::fmt::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio_modbus::server::{Service, tcp};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};

/// One register of a unit: instance, field, unit, step, what it holds, and the intent's address.
type Row = (Option<&'static str>, &'static str, &'static str, f64, fn(&Instant) -> f64, &'static str);

/// The battery's and the panel's instruments.
const SHUNTS: [Row; 10] = [
    (None, "battery_voltage", "V", 0.01, |i| i.plant.bus.0, "127508/1/battery_voltage"),
    (None, "battery_current", "A", 0.1, |i| i.plant.bank.0, "127508/1/battery_current"),
    (None, "battery_temperature", "degC", 0.1, |i| i.plant.temperature.0, "127508/1/battery_temperature"),
    (None, "state_of_charge", "fraction", 0.005, |i| i.plant.soc, "127506/1/state_of_charge"),
    (None, "propulsion_current", "A", 0.1, |i| i.loads[0].0, "127751/11/dc_current"),
    (None, "house_current", "A", 0.1, |i| i.loads[1].0, "127751/12/dc_current"),
    (None, "engine_speed", "rpm", 1.0, |i| i.engines[0], "127488/0/engine_speed"),
    (Some("port"), "supply_voltage", "V", 0.1, |i| i.ac[0].voltage.0, "127503/3/voltage"),
    (Some("stbd"), "supply_voltage", "V", 0.1, |i| i.ac[1].voltage.0, "127503/4/voltage"),
    (Some("port"), "supply_frequency", "Hz", 0.01, |i| i.ac[0].hertz, "127503/3/frequency"),
];
/// The sources'.
const SOURCES: [Row; 12] = [
    (Some("3"), "dc_current", "A", 0.1, |i| i.plant.sources[0].current.0, "127751/3/dc_current"),
    (Some("3"), "dc_voltage", "V", 0.01, |i| i.plant.sources[0].terminal.0, "127751/3/dc_voltage"),
    (Some("3"), "temperature", "degC", 0.1, |i| i.plant.sources[0].temperature.0, "130316/23/temperature"),
    (Some("4"), "dc_current", "A", 0.1, |i| i.plant.sources[1].current.0, "127751/4/dc_current"),
    (Some("4"), "dc_voltage", "V", 0.01, |i| i.plant.sources[1].terminal.0, "127751/4/dc_voltage"),
    (Some("4"), "temperature", "degC", 0.1, |i| i.plant.sources[1].temperature.0, "130316/24/temperature"),
    (Some("5"), "dc_current", "A", 0.1, |i| i.plant.sources[2].current.0, "127751/5/dc_current"),
    (Some("5"), "dc_voltage", "V", 0.01, |i| i.plant.sources[2].terminal.0, "127751/5/dc_voltage"),
    (Some("5"), "temperature", "degC", 0.1, |i| i.plant.sources[2].temperature.0, "130316/25/temperature"),
    (Some("6"), "dc_current", "A", 0.1, |i| i.plant.sources[3].current.0, "127751/6/dc_current"),
    (Some("6"), "dc_voltage", "V", 0.01, |i| i.plant.sources[3].terminal.0, "127751/6/dc_voltage"),
    (Some("6"), "temperature", "degC", 0.1, |i| i.plant.sources[3].temperature.0, "130316/26/temperature"),
];
const UNITS: [(u8, &[Row]); 2] = [(1, &SHUNTS), (2, &SOURCES)];

/// The register map of a unit, as a file has it.
fn map(rows: &[Row]) -> String {
    let mut text = format!("schema = \"{}\"\nname = \"voyage\"\n", modbus_map::SCHEMA);
    for (address, (instance, field, unit, step, ..)) in rows.iter().enumerate() {
        let instance = instance.map_or(String::new(), |i| format!("instance = \"{i}\"\n"));
        write!(
            text,
            "[[register]]\nfield = \"{field}\"\n{instance}address = {address}\ntype = \"i16\"\nscale = {step}\nunit = \"{unit}\"\n"
        )
        .unwrap();
    }
    text
}

/// The units, at the present moment of the voyage.
#[derive(Clone)]
struct Vessel {
    trace: Arc<Trace>,
    /// How often the first unit was asked.
    asked: Arc<AtomicUsize>,
}

impl Vessel {
    fn second(&self) -> usize {
        (self.asked.load(Ordering::SeqCst).saturating_sub(1) * PERIOD).min(self.trace.instants.len() - 1)
    }

    fn is_over(&self) -> bool {
        self.asked.load(Ordering::SeqCst) * PERIOD > self.trace.instants.len()
    }

    fn time(&self) -> Timestamp {
        Timestamp::from_millis((START_S + self.second() as i64) * 1000)
    }
}

impl Service for Vessel {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = std::future::Ready<Result<Option<Response>, ExceptionCode>>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        let Some((unit, rows)) = UNITS.iter().find(|(unit, _)| *unit == asked.slave) else {
            return std::future::ready(Ok(None));
        };
        let Request::ReadHoldingRegisters(address, count) = asked.request else {
            return std::future::ready(Err(ExceptionCode::IllegalFunction));
        };
        if *unit == 1 {
            self.asked.fetch_add(1, Ordering::SeqCst);
        }
        let now = &self.trace.instants[self.second()];
        let wanted = rows.get(usize::from(address)..usize::from(address) + usize::from(count));
        let words = wanted.map(|rows| rows.iter().map(|r| (r.4(now) / r.3).round() as i16 as u16).collect());
        std::future::ready(words.map(Response::ReadHoldingRegisters).map(Some).ok_or(ExceptionCode::IllegalDataAddress))
    }
}

/// Records the voyage from its units and analyses it.
pub fn modbus(trace: &Trace) -> (Carrier, Analysis) {
    let mut c = Carrier::new(Resolution { current: 0.1, voltage: 0.01, temperature: Some(0.1) }, false);
    for j in 3..=6 {
        // A register's number is no state that a tool could know.
        c.addresses.insert(format!("can0/n2k/127507/{j}/operating_state"), None);
    }
    for (unit, rows) in UNITS {
        for (instance, field, .., from) in rows {
            let instance = instance.map_or(String::new(), |i| format!("{i}/"));
            c.addresses.insert(format!("can0/n2k/{from}"), Some(format!("rs485/modbus/{unit}/{instance}{field}")));
        }
    }
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("voyage.db");
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(record_from(trace, Store::create(&db).unwrap()));
    let store = Store::open(&db).unwrap();
    assert!(store.events().unwrap().iter().all(|e| e.kind != "device_silent" && e.kind != "register_refused"));
    let analysis = c.analysis_of(&store);
    (c, analysis)
}

async fn record_from(trace: &Trace, store: ampwake_store::Writer) {
    let vessel = Vessel { trace: Arc::new(trace.clone()), asked: Arc::default() };
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = Port::Tcp(listener.local_addr().unwrap().to_string());
    let service = vessel.clone();
    let serving = tokio::spawn(async move {
        let connected = |stream, socket| {
            let service = service.clone();
            async move { tcp::accept_tcp_connection(stream, socket, |_| Ok(Some(service.clone()))) }
        };
        drop(tcp::Server::new(listener).serve(&connected, |_| ()).await);
    });
    let units = UNITS.map(|(address, rows)| UnitPlan {
        address,
        registers: Registers::Map(modbus_map::read("voyage.toml", &map(rows)).unwrap()),
        every_s: 0.0,
    });
    let clock = vessel.clone();
    let line = ModbusLine::new("rs485", port, units.to_vec()).with_clock(Arc::new(move || clock.time()));
    let options = RecordOptions {
        bus_protocols: Dialects::new(),
        commit_every: Duration::from_secs(2),
        keep: None,
        raw: None,
        set_aside: None,
        configuration: serde_json::json!({}),
    };
    let over = async {
        while !vessel.is_over() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    record(vec![Box::new(line)], store, options, over).await.unwrap();
    serving.abort();
}
