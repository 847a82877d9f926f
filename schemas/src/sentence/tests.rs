use super::*;
use proptest::prelude::*;

fn values(formatter: &str, fields: &str) -> Vec<String> {
    let fields: Vec<&str> = fields.split(',').collect();
    let shown = |r: &SentenceReading| {
        let instance = r.instance.as_ref().map_or(String::new(), |i| format!("{i}/"));
        let value = r.reading.value().map_or("-".to_owned(), |v| format!("{:.4} {}", v, r.unit));
        format!("{instance}{} {value}", r.field)
    };
    decode(formatter, &fields).unwrap().readings.iter().map(shown).collect()
}

#[test]
fn every_transducer_type() {
    let groups = [
        ("A,12.5,D,RUDDER", "rudder/angle 12.5000 deg"),
        ("C,27.5,C,BATT1", "batt1/temperature 27.5000 degC"),
        ("D,4.2,M,X", "x/depth 4.2000 m"),
        ("F,50.1,H,GEN", "gen/frequency 50.1000 Hz"),
        ("G,17,,X", "x/generic 17.0000 "),
        ("H,55,P,SALON", "salon/humidity 0.5500 fraction"),
        ("I,-8.3,A,BATT1", "batt1/current -8.3000 A"),
        ("L,35,S,X", "x/salinity 0.0350 fraction"),
        ("N,1200,N,SHEET", "sheet/force 1200.0000 "),
        ("P,1.02,B,BARO", "baro/pressure 102000.0000 Pa"),
        ("P,101325,P,BARO", "baro/pressure 101325.0000 Pa"),
        ("R,0.01,l,FUEL", "fuel/flow_rate 36.0000 L/h"),
        ("S,1,,BILGE", "bilge/switch 1.0000 code"),
        ("T,2400,R,ENG0", "eng0/tachometer 2400.0000 rpm"),
        ("U,13.42,V,BATT 1/A", "batt_1_a/voltage 13.4200 V"),
        ("V,0.2,M,TANK", "tank/volume 200.0000 L"),
    ];
    for (fields, shown) in groups {
        assert_eq!(values("XDR", fields), [shown]);
    }
    let all: Vec<&str> = groups.iter().map(|g| g.0).collect();
    assert_eq!(values("XDR", &all.join(",")), groups.map(|g| g.1));
}

#[test]
fn transducers_in_odd_shape() {
    let decoded = decode("XDR", &"C,27.5,F,A,U,,V,B,U,x,V,C,C,20,C".split(',').collect::<Vec<_>>()).unwrap();
    assert_eq!(values("XDR", "C,27.5,F,A,U,,V,B,U,x,V,C,C,20,C"), ["b/voltage -", "4/temperature 20.0000 degC"]);
    assert_eq!(decoded.unusable, 2, "degrees Fahrenheit are no unit of the standard, and x is no number");
    assert_eq!(values("XDR", "P,1.0,,BARO"), [] as [&str; 0], "bar or pascal is not to be guessed");
    assert_eq!(values("XDR", "U,12.5,,B"), ["b/voltage 12.5000 V"], "a voltage can only be in volts");
    assert_eq!(decode("XDR", &["", "", "", ""]).unwrap().unusable, 0);
}

#[test]
fn units_are_those_of_the_channels() {
    assert_eq!(
        values("RPM", "E,1,2400.0,50,A"),
        ["engine_1/speed 2400.0000 rpm", "engine_1/propeller_pitch 0.5000 fraction"]
    );
    assert_eq!(values("RPM", "S,0,300,,V"), ["shaft_0/speed -", "shaft_0/propeller_pitch -"]);
    assert_eq!(values("MTW", "18.5,C"), ["water_temperature 18.5000 degC"]);
    assert_eq!(values("VHW", ",T,,M,5.8,N,10.7,K"), ["heading_true -", "heading_magnetic -", "water_speed 2.9838 m/s"]);
    assert_eq!(
        values("VTG", "90.0,T,,M,,N,36.0,K,A")[2],
        "speed_over_ground 10.0000 m/s",
        "km/h where knots are missing"
    );
    assert_eq!(values("VTG", "90.0,T,,M,6.2,N,11.5,K,N")[2], "speed_over_ground -", "the receiver has no fix");
    assert_eq!(
        values("HDG", "101.1,,,7.1,W"),
        ["magnetic_sensor_heading 101.1000 deg", "magnetic_deviation -", "magnetic_variation -7.1000 deg"]
    );
    assert_eq!(
        values("RMC", "120000.00,A,6007.4074,N,02445.9279,W,6.2,90.0,010626,,,A"),
        [
            "latitude 60.1235 deg",
            "longitude -24.7655 deg",
            "speed_over_ground 3.1896 m/s",
            "course_over_ground_true 90.0000 deg",
            "magnetic_variation -"
        ]
    );
    assert!(decode("GSV", &["1"]).is_none());
}

#[test]
fn the_time_of_day() {
    let time = |formatter, fields: &str| {
        let fields: Vec<&str> = fields.split(',').collect();
        decode(formatter, &fields).unwrap().time.map(|t| t.to_string())
    };
    let noon = Some("2026-06-01T12:00:00.250Z".to_owned());
    assert_eq!(time("ZDA", "120000.25,01,06,2026,00,00"), noon);
    assert_eq!(time("RMC", "120000.25,A,,,,,,,010626,,,A"), noon);
    for (formatter, fields) in [
        ("RMC", "120000.25,V,,,,,,,010626,,,A"),
        ("RMC", "120000.25,A,,,,,,,010626,,,N"),
        ("RMC", "120000.25,A,,,,,,,0106é,,,A"),
        ("ZDA", "250000,01,06,2026,,"),
        ("ZDA", "120000,31,02,2026,,"),
        ("ZDA", ",,,,,"),
        ("ZDA", ""),
    ] {
        assert_eq!(time(formatter, fields), None, "{formatter} {fields}");
    }
}

proptest! {
    #[test]
    fn any_fields_decode(
        formatter in prop::sample::select(vec!["XDR", "RPM", "MTW", "VTG", "VHW", "HDT", "HDG", "RMC", "ZDA"]),
        fields in prop::collection::vec(
            prop_oneof!["[A-Za-z]", "[0-9.+-]{0,12}", "\\PC{0,8}", Just(String::new())], 0..40
        ),
    ) {
        let fields: Vec<&str> = fields.iter().map(String::as_str).collect();
        let decoded = decode(formatter, &fields).unwrap();
        prop_assert!(decoded.readings.len() <= fields.len().max(5));
        for r in &decoded.readings {
            let instance = r.instance.as_ref().map_or(String::new(), |i| format!("/{i}"));
            let address = format!("aft/nmea0183/{}{instance}/{}", decoded.message, r.field);
            prop_assert!(address.parse::<crate::channel::ChannelAddress>().is_ok(), "{}", address);
            prop_assert!(!matches!(r.reading, Reading::Value(v) if !v.is_finite()));
        }
    }
}
