use super::*;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use proptest::prelude::*;
use std::path::Path;
use tar::{Builder, EntryType, Header};

type Outcome<T = ()> = Result<T, Box<dyn std::error::Error>>;

fn recorded(path: &Path) -> Outcome<Store> {
    let mut writer = Store::create(path)?;
    let id = writer.channel(&"can0/n2k/127508/0/battery_voltage".parse()?, Unit::Volt)?;
    writer.begin_segment("test");
    for n in 0..100_i64 {
        writer.append(id, Timestamp::from_millis(n * 1000), Reading::Value(n as f64));
    }
    writer.seal()?;
    Ok(Store::open(path)?)
}

fn packed(dir: &Path) -> Outcome<PathBuf> {
    let store = recorded(&dir.join("voyage.db"))?;
    let what = Pack {
        made: vec![("report.html", b"<p>a report".to_vec())],
        created: "2026-05-01T00:00:00Z".to_owned(),
        ..Pack::default()
    };
    let out = dir.join("out.ampwake");
    pack(&store, &what, &out)?;
    Ok(out)
}

/// Files of a folder, sorted.
fn names(dir: &Path) -> Outcome<Vec<String>> {
    let entries = std::fs::read_dir(dir)?.collect::<Result<Vec<_>, _>>()?;
    let mut names: Vec<String> = entries.iter().map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    Ok(names)
}

#[test]
fn what_was_packed_comes_back() -> Outcome {
    let dir = tempfile::tempdir()?;
    // What an interrupted run left.
    std::fs::write(dir.path().join("out.ampwake.part"), "half")?;
    std::fs::write(dir.path().join("out.ampwake.slice"), "half")?;
    let out = packed(dir.path())?;
    assert!(is_bundle(&out) && !is_bundle(&dir.path().join("voyage.db")));
    let left: Vec<String> = names(dir.path())?.into_iter().filter(|name| name.starts_with("out")).collect();
    assert_eq!(left, ["out.ampwake"]);
    let back = tempfile::tempdir()?;
    let db = back.path().join("ashore.db");
    let unpacked = unpack(&out, &db)?;
    assert_eq!(names(back.path())?, ["ashore.db", "ashore.report.html"]);
    assert_eq!(unpacked.list.files.len(), 2);
    assert_eq!(std::fs::read(back.path().join("ashore.report.html"))?, b"<p>a report");
    assert_eq!(Store::open(&db)?.channels()?[0].samples, 100);
    // Not over what is there.
    assert!(matches!(unpack(&out, &db), Err(BundleError::Exists(path)) if path == db));
    assert_eq!(names(back.path())?.len(), 2);
    Ok(())
}

/// An archive with these entries: name, kind, link's aim, data.
fn archive(path: &Path, entries: &[(&str, EntryType, &str, &[u8])]) -> Outcome {
    let mut out = Builder::new(zstd::Encoder::new(std::fs::File::create(path)?, 1)?);
    for (name, kind, aim, data) in entries {
        let mut header = Header::new_ustar();
        header.set_entry_type(*kind);
        header.set_size(data.len() as u64);
        // The library refuses to write such names: they are put in by hand.
        header.as_ustar_mut().ok_or("no such header")?.name[..name.len()].copy_from_slice(name.as_bytes());
        header.as_ustar_mut().ok_or("no such header")?.linkname[..aim.len()].copy_from_slice(aim.as_bytes());
        header.set_cksum();
        out.append(&header, *data)?;
    }
    out.into_inner()?.finish()?;
    Ok(())
}

fn list(files: &[(&str, &[u8])]) -> Outcome<Vec<u8>> {
    let entry = |(name, data): &(&str, &[u8])| -> Outcome<Entry> {
        let (sha256, bytes) = sum(&mut &data[..])?;
        Ok(Entry { name: (*name).to_owned(), bytes, sha256 })
    };
    let files = files.iter().map(entry).collect::<Outcome<_>>()?;
    let list = List { schema: SCHEMA.into(), version: "0".into(), created: "now".into(), period: None, files };
    Ok(serde_json::to_vec(&list)?)
}

/// What is said to an archive; nothing may be left behind.
fn refusal(entries: &[(&str, EntryType, &str, &[u8])]) -> Outcome<String> {
    let dir = tempfile::tempdir()?;
    let (path, inner) = (dir.path().join("a"), dir.path().join("inner"));
    std::fs::create_dir(&inner)?;
    archive(&path, entries)?;
    let said = unpack(&path, &inner.join("new.db")).err().ok_or("it was taken")?.to_string();
    assert!(names(&inner)?.is_empty() && names(dir.path())? == ["a", "inner"], "{said}: {:?}", names(&inner)?);
    Ok(said)
}

#[test]
fn hostile_archives_are_refused_and_leave_nothing() -> Outcome {
    let file = EntryType::Regular;
    let db: &[u8] = b"no database";
    let good = list(&[(DATABASE, db)])?;
    for (list, entry, says) in [
        (list(&[("../../etc/passwd", db)])?, ("../../etc/passwd", file, "", db), "which none of ours holds"),
        (list(&[(DATABASE, db), ("/etc/passwd", db)])?, (DATABASE, file, "", db), "which none of ours holds"),
        (good.clone(), ("../voyage.db", file, "", db), "`../voyage.db` stands where"),
        (good.clone(), (DATABASE, EntryType::Symlink, "/etc/passwd", &[]), "no plain file"),
        (good.clone(), (DATABASE, EntryType::Link, "/etc/passwd", &[]), "no plain file"),
        (good.clone(), (DATABASE, EntryType::Fifo, "", &[]), "no plain file"),
        (good.clone(), (DATABASE, file, "", b"no datebase"), "is not what it was"),
        (good.clone(), (DATABASE, file, "", b"longer than it says"), "19 bytes instead of 11"),
        (list(&[("report.html", db)])?, ("report.html", file, "", db), "does not begin with a database"),
        (list(&[(DATABASE, db), (DATABASE, db)])?, (DATABASE, file, "", db), "names a file twice"),
        (b"{}".to_vec(), (DATABASE, file, "", db), "its list cannot be read"),
    ] {
        let said = refusal(&[(LIST, file, "", &list), entry, (SUMS, file, "", b"")])?;
        assert!(said.contains(says) && said.contains("nothing was taken"), "{said}");
    }
    let said = refusal(&[(LIST, file, "", &good), (DATABASE, file, "", db), (SUMS, file, "", b"")])?;
    assert!(said.contains("no SQLite database"), "{said}");
    let said =
        refusal(&[(LIST, file, "", &good), (DATABASE, file, "", db), (SUMS, file, "", b""), ("x", file, "", b"")])?;
    assert!(said.contains("more in it than its list says"), "{said}");
    assert!(refusal(&[(DATABASE, file, "", db)])?.contains("stands where `ampwake-bundle.json` is to be"));
    assert!(refusal(&[])?.contains("is missing"));
    Ok(())
}

#[test]
fn a_bomb_is_refused_before_it_is_unpacked() -> Outcome {
    let nothing = vec![0; (MOST_ANYWAY_PLUS) as usize];
    let said = refusal(&[
        (LIST, EntryType::Regular, "", &list(&[(DATABASE, &nothing)])?),
        (DATABASE, EntryType::Regular, "", &nothing),
    ])?;
    assert!(said.contains("it would unpack to"), "{said}");
    Ok(())
}

/// A little more than any archive may unpack to.
const MOST_ANYWAY_PLUS: u64 = (64 << 20) + 1;

#[test]
fn a_database_with_a_trigger_of_its_own_is_refused() -> Outcome {
    let dir = tempfile::tempdir()?;
    let path = dir.path().join("voyage.db");
    drop(recorded(&path)?);
    let connection = rusqlite::Connection::open(&path)?;
    connection.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()))?;
    connection.execute_batch("CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM block; END")?;
    drop(connection);
    let bytes = std::fs::read(&path)?;
    let file = EntryType::Regular;
    let said = refusal(&[
        (LIST, file, "", &list(&[(DATABASE, &bytes)])?),
        (DATABASE, file, "", &bytes),
        (SUMS, file, "", b""),
    ])?;
    assert!(said.contains("something that none of ours has: trigger t"), "{said}");
    Ok(())
}

/// A packed archive with other bits at a place, or cut off there.
fn whole_or_nothing(place: f64, bits: Option<u8>) -> Outcome {
    let dir = tempfile::tempdir()?;
    let out = packed(dir.path())?;
    let mut bytes = std::fs::read(&out)?;
    let at = ((bytes.len() - 1) as f64 * place) as usize;
    match bits {
        Some(bits) => bytes[at] ^= bits,
        None => bytes.truncate(at),
    }
    std::fs::write(&out, &bytes)?;
    let back = tempfile::tempdir()?;
    let db = back.path().join("ashore.db");
    match unpack(&out, &db) {
        Ok(_) => assert_eq!(Store::open(&db)?.channels()?[0].samples, 100),
        Err(_) => assert!(names(back.path())?.is_empty(), "{:?}", names(back.path())?),
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever byte is another, and wherever it ends: taken back whole, or not at all.
    #[test]
    fn a_damaged_archive_is_taken_whole_or_not_at_all(place in 0.0..1.0_f64, bits in 1..=255_u8, cut in any::<bool>()) {
        whole_or_nothing(place, (!cut).then_some(bits)).map_err(|e| TestCaseError::fail(e.to_string()))?;
    }
}
