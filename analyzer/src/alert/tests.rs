use super::*;
use ampwake_schemas::findings::{Cause, Kind};
use std::time::Duration;

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn finding(kind: Kind, source: &str, start_s: i64, end_s: i64) -> Finding {
    Finding {
        kind,
        cause: Some(Cause::LinkLost),
        severity: Severity::Caution,
        source: Some(source.to_owned()),
        channel: None,
        start: Timestamp::from_millis(start_s * 1000),
        end: Timestamp::from_millis(end_s * 1000),
        confidence: 0.9,
        summary: format!("{source} from {start_s}"),
        evidence: Default::default(),
        check_next: Vec::new(),
    }
}

fn said(told: &mut Told, findings: &[Finding]) -> Vec<String> {
    told.news(findings, Severity::Caution).into_iter().map(|f| f.summary.clone()).collect()
}

#[test]
fn what_goes_on_or_is_found_again_is_not_told_again() {
    let mut told = Told::default();
    let first = finding(Kind::NonContributingSource, "port", 100, 200);
    assert_eq!(said(&mut told, std::slice::from_ref(&first)), ["port from 100"]);
    assert!(said(&mut told, std::slice::from_ref(&first)).is_empty(), "found again");
    let longer = finding(Kind::NonContributingSource, "port", 150, 300);
    assert!(said(&mut told, &[longer]).is_empty(), "it goes on");
    let more = [
        finding(Kind::NonContributingSource, "port", 400, 500),
        finding(Kind::NonContributingSource, "starboard", 100, 200),
        finding(Kind::TemperatureExcursion, "port", 100, 200),
    ];
    assert_eq!(said(&mut told, &more).len(), 3);
    let mut mild = finding(Kind::DataGap, "aft", 0, 1);
    mild.severity = Severity::Info;
    assert!(said(&mut told, &[mild]).is_empty());
}

#[test]
fn the_queue_outlives_a_kill_and_has_a_bound() -> Outcome {
    let dir = tempfile::tempdir()?;
    let message = |n: i32| Message { run: true, mqtt: true, body: serde_json::json!({ "n": n }) };
    let queue = Queue::open(dir.path(), 3)?;
    assert!(matches!(Queue::open(dir.path(), 3), Err(AlertError::Busy(_))));
    for n in 0..3 {
        assert_eq!(queue.add(&message(n))?, 0);
    }
    assert_eq!(queue.add(&message(3))?, 1, "the oldest gives way");
    let mut told = Told::default();
    said(&mut told, &[finding(Kind::DataGap, "aft", 0, 1)]);
    queue.keep(&told)?;
    drop(queue);
    // What a power cut leaves of a file that was being written.
    std::fs::write(dir.path().join("wait-000000000099.json"), "{\"run\": tr")?;
    let queue = Queue::open(dir.path(), 3)?;
    assert_eq!(queue.told(), told);
    let waiting = queue.waiting()?;
    assert_eq!(waiting.iter().map(|(_, m)| m.body["n"].clone()).collect::<Vec<_>>(), [1, 2, 3]);
    let (number, mut first) = waiting[0].clone();
    first.run = false;
    queue.taken(number, &first)?;
    assert_eq!(queue.waiting()?[0].1, first, "the broker is left");
    first.mqtt = false;
    queue.taken(number, &first)?;
    assert_eq!(queue.waiting()?.len(), 2);
    std::fs::write(dir.path().join("told.json"), "damaged")?;
    assert_eq!(queue.told(), Told::default());
    Ok(())
}

#[test]
fn a_command_gets_the_message_and_no_shell() -> Outcome {
    let dir = tempfile::tempdir()?;
    let file = dir.path().join("got; touch x");
    let words = |words: &[&str]| words.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>();
    let tee = words(&["tee", &file.display().to_string()]);
    run_command(&tee, "{\"a\": 1}", Duration::from_secs(30))?;
    assert_eq!(std::fs::read_to_string(&file)?, "{\"a\": 1}");
    let long = "x".repeat(1 << 20);
    run_command(&words(&["true"]), &long, Duration::from_secs(30))?;
    for (command, says) in [
        (&["false"][..], "failed (exit status: 1)"),
        (&["/nowhere/at-all"], "cannot be started"),
        (&["sleep", "60"], "did not end within 0 s"),
    ] {
        let patience = Duration::from_millis(if command.len() == 2 { 50 } else { 30_000 });
        let error = run_command(&words(command), &long, patience).unwrap_err().to_string();
        assert!(error.contains(says), "{error}");
    }
    Ok(())
}

#[test]
fn a_broker_is_named_without_its_password() -> Outcome {
    let parse = |url: &str| Broker::parse(url, "boat/findings", Some("secret".to_owned()));
    let broker = parse("mqtt://skipper@broker.boat:1884")?;
    assert_eq!((broker.host.as_str(), broker.port), ("broker.boat", 1884));
    assert_eq!(broker.user, Some(("skipper".to_owned(), "secret".to_owned())));
    assert_eq!(parse("mqtt://127.0.0.1")?.port, 1883);
    for wrong in ["127.0.0.1", "mqtt://", "mqtt://a:b@host", "mqtt://host:0", "mqtt://host:x", "mqtts://host"] {
        assert!(parse(wrong).is_err(), "{wrong}");
    }
    for topic in ["", "boat/#", "+/x"] {
        assert!(Broker::parse("mqtt://host", topic, None).is_err(), "{topic}");
    }
    Ok(())
}

#[test]
fn a_broker_that_is_not_there_is_said() -> Outcome {
    let broker = Broker::parse("mqtt://127.0.0.1:1", "t", None)?;
    let error = publish(&broker, &["{}".to_owned()], Duration::from_secs(5), |_| Ok(())).unwrap_err();
    assert!(error.to_string().contains("the broker at 127.0.0.1:1 cannot be reached"), "{error}");
    Ok(())
}
