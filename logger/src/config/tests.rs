//! Whole configurations, and the slips that people make in them.

use super::*;
use ampwake_schemas::toml_read::Mistake;
use proptest::prelude::*;

const GOOD: &str = r#"schema = "ampwake-logger/1"
database = "data/voyage.db"
commit_every_s = 1
keep = { raw_days = 0, full_days = 400, max_gb = 4.5 }

[[can]]
name = "can0"
protocols = ["n2k"]
dbc = []
ask = false

[[can]]
name = "house-bus"
"#;

const EXAMPLE: &str = include_str!("../../../deploy/examples/logger.toml");

/// One for each kind of vessel.
const VESSELS: [&str; 3] = [
    include_str!("../../../deploy/examples/logger-sailing-yacht.toml"),
    include_str!("../../../deploy/examples/logger-hybrid-ferry.toml"),
    include_str!("../../../deploy/examples/logger-canal-boat.toml"),
];

const SHUNT: &str = include_str!("../../../deploy/examples/maps/shunt.toml");

#[track_caller]
fn sound(text: &str, base: &Path) -> Config {
    read("logger.toml", text, base).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// A folder with files, gone afterwards.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        std::fs::write(self.path().join(name), content).unwrap();
    }
}

fn mistakes(text: &str) -> Mistakes {
    read("logger.toml", text, Path::new("/nowhere")).unwrap_err()
}

#[track_caller]
fn only(text: &str) -> Mistake {
    let m = mistakes(text);
    assert_eq!(m.list.len() + m.more, 1, "{m}");
    m.list[0].clone()
}

#[test]
fn a_good_configuration_reads() {
    let config = sound(GOOD, Path::new("/etc/ampwake"));
    assert_eq!(config.database, Path::new("/etc/ampwake/data/voyage.db"));
    assert_eq!((config.commit_every_s, config.keep), (1, Keep { raw_days: 0, full_days: 400, max_gb: 4.5 }));
    let bus = |name: &str| CanBus {
        name: name.into(),
        protocols: vec![Protocol::N2k],
        dbc: vec![],
        definitions: Arc::default(),
        ask: false,
    };
    assert_eq!(config.can, [bus("can0"), bus("house-bus")]);
}

#[test]
fn the_example_reads_and_says_the_defaults() {
    let config = sound(EXAMPLE, Path::new("/etc/ampwake"));
    assert_eq!(config.database, Path::new("/var/lib/ampwake/voyage.db"));
    assert_eq!((config.commit_every_s, config.keep), (10, Keep::default()));
    let short = "schema = \"ampwake-logger/1\"\ndatabase = \"v.db\"\n[[can]]\nname = \"can0\"\n";
    let short = sound(short, Path::new(""));
    assert_eq!((short.commit_every_s, short.keep, short.can), (10, Keep::default(), config.can));
}

#[test]
fn slips_have_their_place_and_fix() {
    for (right, wrong, line, column, fix) in [
        ("database = \"data/voyage.db\"\n", "", 1, 1, "add `database = \"/var/lib/ampwake/voyage.db\"` at the top"),
        ("data/voyage.db", "data/", 2, 12, "write `database = \"data/voyage.db\"`"),
        ("commit_every_s = 1", "commit_every_s = 0", 3, 18, "write it like this: `commit_every_s = 10`"),
        ("commit_every_s = 1", "commit_every_s = 7200", 3, 18, "write it like this: `commit_every_s = 10`"),
        ("commit_every_s = 1", "commit_every = 1", 3, 1, "did you mean `commit_every_s`?"),
        ("raw_days = 0", "raw_days = -1", 4, 21, "write it like this: `raw_days = 7`"),
        ("[[can]]\nname = \"can0\"", "[[cann]]\nname = \"can0\"", 6, 3, "did you mean `can`?"),
        ("name = \"can0\"", "name = \"CAN0\"", 7, 8, "write `name = \"can0\"`"),
        ("name = \"can0\"", "name = \"a-very-long-interface\"", 7, 8, "write it like this: `name = \"can0\"`"),
        (
            "name = \"house-bus\"",
            "name = \"can0\"",
            13,
            8,
            "give each bus a name of its own; channel addresses begin with it",
        ),
        ("[\"n2k\"]", "\"n2k\"", 8, 13, "write `protocols = [\"n2k\"]`"),
        ("[\"n2k\"]", "[\"nk2\"]", 8, 14, "write `\"n2k\"`"),
        ("[\"n2k\"]", "[\"n2k\", \"n2k\"]", 8, 21, "take one of the two out"),
        ("[\"n2k\"]", "[]", 8, 13, "write `protocols = [\"n2k\"]`"),
        ("ask = false", "ask = False", 10, 7, "write `ask = false`"),
        (
            "ask = false",
            "keep = { raw_days = 1 }",
            10,
            1,
            "it belongs in the top of the file, before the first section",
        ),
        ("ampwake-logger/1", "ampwake-intent/1", 1, 10, "write `schema = \"ampwake-logger/1\"` as the first line"),
    ] {
        let m = only(&GOOD.replacen(right, wrong, 1));
        assert_eq!((m.line, m.column, m.fix.as_str()), (line, column, fix), "{wrong}: {}", m.problem);
    }
}

#[test]
fn at_least_one_bus() {
    let m = only("schema = \"ampwake-logger/1\"\ndatabase = \"v.db\"\n");
    assert_eq!(
        (m.problem.as_str(), m.fix.as_str()),
        ("`can` is missing: a CAN interface to record", "add a section `[[can]]`")
    );
}

#[test]
fn dbc_files_are_read_with_the_configuration() {
    let dir = Folder::new();
    let pack = "BO_ 288 Pack: 8 A\n SG_ Volts : 0|16@1+ (0.1,0) [0|0] \"V\" A\n";
    dir.write("pack.dbc", pack);
    dir.write("motor.dbc", "BO_ 289 Motor: 8\n SG_ Speed 0|16\n");
    let with = |files: &str| GOOD.replacen("dbc = []", &format!("dbc = {files}"), 1);
    let config = sound(&with("[\"pack.dbc\"]"), dir.path());
    assert_eq!(config.can[0].protocols, [Protocol::Dbc, Protocol::N2k], "the user's own words come first");
    assert_eq!(config.can[0].definitions.messages()[0].name, "pack");
    let said = with("[\"pack.dbc\"]").replacen("[\"n2k\"]", "[\"n2k\", \"dbc\"]", 1);
    let config = sound(&said, dir.path());
    assert_eq!(config.can[0].protocols, [Protocol::N2k, Protocol::Dbc], "unless the file gives an order");

    let m = read("logger.toml", &with("[\"pack.dbc\", \"none.dbc\"]"), dir.path()).unwrap_err().list.remove(0);
    assert_eq!((m.text.as_str(), m.problem.as_str()), ("\"none.dbc\"", "there is no such file"));
    let m = read("logger.toml", &with("[\"motor.dbc\"]"), dir.path()).unwrap_err().list.remove(0);
    assert_eq!((m.line, m.column), (9, 7));
    assert!(m.problem.contains("motor.dbc:2: `SG_ Speed 0|16` is no signal"), "{}", m.problem);
    let m = only(&GOOD.replacen("[\"n2k\"]", "[\"n2k\", \"dbc\"]", 1));
    assert_eq!((m.line, m.fix.as_str()), (8, "add `dbc = [\"pack.dbc\"]` to this bus"));
}

/// A line behind the good configuration.
fn with_line(keys: &str) -> String {
    format!("{GOOD}\n[[serial]]\nname = \"aft\"\n{keys}\n")
}

fn port_of(keys: &str) -> String {
    let config = sound(&with_line(keys), Path::new("/nowhere"));
    config.serial[0].port.to_string()
}

#[test]
fn lines_have_their_usual_settings() {
    let nmea = |port: &str| port_of(&format!("protocol = \"nmea0183\"\n{port}"));
    assert_eq!(nmea("port = \"/dev/ttyUSB0\"\nbaud = 4800"), "/dev/ttyUSB0 4800 8N1");
    assert_eq!(nmea("port = \"tcp://mux.local:10110\""), "tcp://mux.local:10110");
    assert_eq!(nmea("port = \"udp://0.0.0.0:10110\""), "udp://0.0.0.0:10110");
    let modbus = |port: &str| port_of(&format!("modbus = [{{ unit = 7, sunspec = true }}]\n{port}"));
    assert_eq!(modbus("port = \"/dev/ttyUSB0\"\nbaud = 9600"), "/dev/ttyUSB0 9600 8E1");
    assert_eq!(
        modbus("port = \"/dev/ttyUSB0\"\nbaud = 9600\nparity = \"none\"\nstop_bits = 2"),
        "/dev/ttyUSB0 9600 8N2"
    );
    assert_eq!(modbus("port = \"rtu+tcp://10.0.0.2:4001\""), "rtu+tcp://10.0.0.2:4001");
}

#[test]
fn slips_in_lines_have_their_place_and_fix() {
    let device = "port = \"/dev/ttyUSB1\"\nbaud = 9600\n";
    for (keys, line, problem, fix) in [
        ("protocol = \"nmea0183\"\nport = \"/dev/ttyS0\"".to_owned(), 15, "`baud` is missing", "add `baud = 4800`"),
        (device.to_owned(), 15, "neither `protocol` nor `modbus`", "nmea0183"),
        (format!("{device}protocol = \"nmea\""), 19, "none of the words", "write one of \"nmea0183\""),
        (format!("{device}modbus = []"), 19, "has nothing to ask", "modbus = [{"),
        (format!("{device}modbus = [{{ unit = 248, sunspec = true }}]"), 19, "should be from 1 to 247", "unit = 7"),
        (
            format!("{device}modbus = [{{ unit = 8, map = \"no.toml\" }}]"),
            19,
            "there is no such file",
            "correct the path",
        ),
        (format!("{device}modbus = [{{ unit = 8 }}]"), 19, "`map` is missing", "maps/shunt.toml"),
        (format!("{device}modbus = [{{ unit = 8, sunspec = false }}]"), 19, "SunSpec models", "write `sunspec = true`"),
        (
            format!("{device}modbus = [{{ unit = 8, sunspec = true }}, {{ unit = 8, sunspec = true }}]"),
            19,
            "twice",
            "one map",
        ),
        (
            format!("{device}protocol = \"nmea0183\"\nparity = \"N\""),
            20,
            "none of the words",
            "write `parity = \"none\"`",
        ),
        (
            "protocol = \"nmea0183\"\nport = \"tcp://mux\"".to_owned(),
            18,
            "ends in `host:port`",
            "tcp://192.168.1.20:10110",
        ),
        (
            "protocol = \"nmea0183\"\nport = \"http://mux:80\"".to_owned(),
            18,
            "is not known here",
            "`tcp://` or `udp://`",
        ),
        ("protocol = \"nmea0183\"\nport = \"udp://mux:80\"".to_owned(), 18, "not a name", "udp://0.0.0.0:10110"),
        (
            "modbus = [{ unit = 8, sunspec = true }]\nport = \"udp://0.0.0.0:80\"".to_owned(),
            18,
            "is not known here",
            "rtu+tcp",
        ),
        ("protocol = \"nmea0183\"\nport = \"tcp://mux:1\"\nbaud = 4800".to_owned(), 19, "has no `baud`", "take it out"),
    ] {
        let m = only(&with_line(&keys));
        assert!(m.line == line && m.problem.contains(problem) && m.fix.contains(fix), "{keys}\n{m:?}");
    }
    let twice = with_line(&format!("{device}protocol = \"nmea0183\"")).replace("\"aft\"", "\"can0\"");
    assert_eq!(only(&twice).problem, "`can0` is already the name of the bus in line 7");
}

#[test]
fn maps_report_all_their_mistakes() {
    let dir = Folder::new();
    let unit = |n: u32, map: &str| format!("{{ unit = {n}, map = \"{map}\" }}");
    let units =
        [unit(1, "good.toml"), unit(2, "good.toml"), unit(3, "bad.toml"), unit(4, "worse.toml"), unit(5, "bad.toml")];
    let keys = format!("port = \"/dev/ttyUSB1\"\nbaud = 9600\nmodbus = [{}]", units.join(", "));
    dir.write("good.toml", SHUNT);
    dir.write("bad.toml", "schema = \"ampwake-modbus-map/1\"\nname = 3\n");
    dir.write("worse.toml", [0xFF]);
    let config = sound(&with_line(&keys), dir.path());
    let error = maps::load(&config).unwrap_err().to_string();
    assert!(error.contains("bad.toml:2:8: `name = 3`") && error.contains("`register` is missing"), "{error}");
    assert!(error.contains("worse.toml:1:1") && error.matches("bad.toml:2:8").count() == 1, "{error}");
    dir.write("bad.toml", SHUNT);
    dir.write("worse.toml", SHUNT);
    assert_eq!(maps::load(&config).map(|maps| maps.len()).ok(), Some(3));
}

#[test]
fn a_bus_may_speak_several_protocols_unless_their_numbers_collide() {
    let with = |list: &str| GOOD.replacen("[\"n2k\"]", list, 1);
    let config = sound(&with("[\"j1939\", \"n2k\", \"canopen\"]"), Path::new(""));
    assert_eq!(config.can[0].protocols, [Protocol::J1939, Protocol::N2k, Protocol::CanOpen]);
    assert!(read("logger.toml", &with("[\"rvc\", \"j1939\"]"), Path::new("")).is_ok());
    let m = only(&with("[\"n2k\", \"rvc\"]"));
    assert_eq!((m.line, m.column), (8, 13));
    assert!(m.problem.starts_with("n2k and rvc give the same numbers"), "{}", m.problem);
}

#[test]
fn only_who_can_be_asked_is_asked() {
    for (protocols, asks) in
        [("[\"n2k\"]", true), ("[\"rvc\", \"canopen\"]", true), ("[\"j1939\"]", true), ("[\"canopen\"]", false)]
    {
        let text = GOOD.replacen("[\"n2k\"]", protocols, 1).replacen("ask = false", "ask = true", 1);
        match read("logger.toml", &text, Path::new("")) {
            Ok(config) => assert!(asks && config.can[0].ask && !config.can[1].ask),
            Err(m) => assert!(!asks && m.list[0].line == 10 && m.list[0].fix == "write `ask = false`", "{m}"),
        }
    }
}

#[test]
fn a_folder_is_no_database() {
    let dir = Folder::new();
    std::fs::create_dir(dir.path().join("data")).unwrap();
    let text = GOOD.replacen("data/voyage.db", "data", 1);
    let m = read("logger.toml", &text, dir.path()).unwrap_err();
    assert_eq!(m.list[0].fix, "write `database = \"data/voyage.db\"`");
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused_with_reasons(text in "\\PC{0,200}") {
        prop_assert!(!mistakes(&text).list.is_empty());
    }

    #[test]
    fn a_good_file_with_one_character_changed(at in any::<prop::sample::Index>(), c in any::<char>()) {
        let mut chars: Vec<char> = GOOD.chars().collect();
        let at = at.index(chars.len());
        chars[at] = c;
        let text: String = chars.into_iter().collect();
        if let Err(m) = read("f", &text, Path::new("/nowhere")) {
            prop_assert!(!m.list.is_empty() && m.list.len() <= 12, "{}", m);
        }
    }
}

#[test]
fn the_examples_of_vessels_are_sound() {
    let folder = Folder::new();
    std::fs::create_dir(folder.path().join("maps")).unwrap();
    std::fs::write(folder.path().join("maps/shunt.toml"), SHUNT).unwrap();
    let buses = VESSELS.map(|text| {
        let config = sound(text, folder.path());
        maps::load(&config).unwrap();
        (config.can.len(), config.serial.len())
    });
    assert_eq!(buses, [(1, 1), (2, 1), (0, 1)]);
}

#[test]
fn figures_are_shown_on_loopback_or_nowhere() {
    let with = |metrics: &str| {
        format!("schema = \"ampwake-logger/1\"\n{metrics}\ndatabase = \"v.db\"\n[[can]]\nname = \"can0\"\n")
    };
    let read_with = |metrics: &str| read("logger.toml", &with(metrics), Path::new("/boat"));
    assert_eq!(read_with("").unwrap().metrics, None);
    assert_eq!(read_with("metrics = \"127.0.0.1:9733\"").unwrap().metrics, "127.0.0.1:9733".parse().ok());
    assert!(read_with("metrics = \"[::1]:9733\"").is_ok());
    for (wrong, says) in [
        ("metrics = \"0.0.0.0:9733\"", "on a loopback address only"),
        ("metrics = \"192.168.1.7:9733\"", "on a loopback address only"),
        ("metrics = \"127.0.0.1:0\"", "no address and port"),
        ("metrics = \"localhost\"", "no address and port"),
        ("metrics = true", "metrics"),
    ] {
        let said = read_with(wrong).unwrap_err().to_string();
        assert!(said.contains("logger.toml:2:") && said.contains(says), "{said}");
    }
}
