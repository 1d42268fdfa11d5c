//! The archive: what is added is found again, and nothing can be changed without being found.

use crate::support::{crestbook, fixture, text};
use crestbook::archive::trend::Asked;
use crestbook::archive::{
    AddOptions, Archive, ArchiveError, FaultKind, Filter, Meaning, Outcome, Parcel, Place,
    PrivateKey, Stamp, Verification, VerifyOptions,
};
use crestbook::check::Verdict;
use rusqlite::Connection;
use rusqlite::types::Value as Column;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// The check of an invented unit, as the program writes it.
fn check() -> &'static Value {
    static CHECK: OnceLock<Value> = OnceLock::new();
    CHECK.get_or_init(|| {
        let (data, profile) =
            (fixture("harrow-fell/cut-80.csv"), fixture("harrow-fell/tarnbeck.toml"));
        let (data, profile) = (data.to_str().unwrap(), profile.to_str().unwrap());
        let done =
            crestbook(&["check", data, "--profile", profile, "--setting", "cut-80", "--json"]);
        serde_json::from_slice(&done.stdout).unwrap()
    })
}

/// The same of another unit, on another day, with another power.
fn document(serial: &str, day: &str, power: f64) -> Vec<u8> {
    let mut check = check().clone();
    let capture = &mut check["measurement"]["capture"];
    capture["subject"]["serial"] = json!(serial);
    capture["bench"]["taken_at"] = json!(day);
    capture["bench"]["operator"] = json!("bench engineer 1");
    capture["sha256"] =
        json!(format!("{:064x}", (power.to_bits() as u128) << 64 | day.len() as u128));
    capture.as_object_mut().unwrap().remove("files");
    for limit in check["limits"].as_array_mut().unwrap() {
        if limit["measure"] == "power_w" {
            limit["value"] = json!(power);
        }
    }
    check["measurement"]["kinds"]["cut"]["power_w"]["value"] = json!(power);
    serde_json::to_vec_pretty(&check).unwrap()
}

fn parcel(document: Vec<u8>) -> Parcel {
    Parcel::of_document("made".into(), document).unwrap()
}

fn by(name: &str) -> Stamp {
    Stamp { by: name.into(), ..Stamp::default() }
}

fn key() -> PrivateKey {
    PrivateKey::of_seed([9; 32])
}

fn signed() -> Stamp {
    Stamp { key: Some(key()), ..by("bench engineer 1") }
}

fn begun(folder: &Path) -> (Place, Archive) {
    let place = Place::File(folder.join("archive.db"));
    let archive = Archive::open_or_begin(&place, None, &signed()).unwrap();
    (place, archive)
}

fn add(archive: &mut Archive, document: Vec<u8>) -> u64 {
    match archive.add(&[parcel(document)], &AddOptions::default(), &signed()).unwrap()[0] {
        Outcome::Added(number) => number,
        Outcome::Already(number) => panic!("entry {number} is there already"),
    }
}

/// An archive of six results, a correction, a signature and a hold.
fn filled(folder: &Path) -> Place {
    let (place, mut archive) = begun(folder);
    for k in 0..6 {
        let document =
            document(&format!("SN-{}", k % 2), &format!("202{k}-03-02"), 80.0 + f64::from(k));
        add(&mut archive, document);
    }
    let replaces = AddOptions {
        replaces: Some(3),
        reason: Some("wrong load".into()),
        ..AddOptions::default()
    };
    let again = parcel(document("SN-0", "2020-03-02", 81.5));
    archive.add(&[again], &replaces, &signed()).unwrap();
    archive.sign(4, Meaning::Reviewed, None, &signed()).unwrap();
    archive.hold(5, "a claim is open".into(), &by("quality")).unwrap();
    place
}

fn verify(place: &Place) -> Result<Verification, ArchiveError> {
    Archive::open(place)?.verify(&VerifyOptions::default(), |_, _| Ok(()))
}

fn whole(found: &Verification) {
    assert!(found.intact, "{:?}", found.faults);
}

/// Copies the archive's files into another folder.
fn copy(place: &Place, folder: &Path) -> Place {
    let Place::File(file) = place else { unreachable!() };
    // What is in the log of the database, too.
    Connection::open(file).unwrap().execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    let target = folder.join("archive.db");
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(folder.join(format!("archive.db{ending}")));
    }
    std::fs::copy(file, &target).unwrap();
    Place::File(target)
}

fn sql(place: &Place) -> Connection {
    let Place::File(file) = place else { unreachable!() };
    Connection::open(file).unwrap()
}

#[test]
fn what_is_added_is_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let mut archive = Archive::open(&place).unwrap();
    let list = |archive: &mut Archive, filter: &Filter| {
        let mut all = Vec::new();
        archive
            .list(filter, |one| {
                all.push(one.entry);
                Ok(())
            })
            .unwrap();
        all
    };
    let all = Filter::default();
    // Entry 1 begins, 2 names the key; 3 was replaced by 9.
    assert_eq!(list(&mut archive, &all), [8, 7, 6, 5, 4, 9]);
    assert_eq!(
        list(&mut archive, &Filter { replaced: true, ..all.clone() }),
        [8, 7, 6, 5, 4, 9, 3]
    );
    let of = |filter: Filter, archive: &mut Archive| list(archive, &filter);
    assert_eq!(of(Filter { serial: Some("SN-1".into()), ..all.clone() }, &mut archive), [8, 6, 4]);
    assert_eq!(of(Filter { unit: Some("SN-1".into()), ..all.clone() }, &mut archive), [8, 6, 4]);
    assert_eq!(
        of(Filter { mode: Some("CUT-80".into()), most: Some(2), ..all.clone() }, &mut archive),
        [8, 7]
    );
    let days =
        Filter { from: Some("2022-01-01".into()), to: Some("2023-12-31".into()), ..all.clone() };
    assert_eq!(of(days, &mut archive), [6, 5]);
    let words = |words: &str| Filter { words: Some(words.into()), ..all.clone() };
    assert_eq!(of(words("cut-80 SN-0"), &mut archive), [7, 5, 9]);
    assert_eq!(of(words("nowhere"), &mut archive), [] as [u64; 0]);
    let verdict: Verdict = serde_json::from_value(check()["verdict"].clone()).unwrap();
    assert_eq!(of(Filter { verdicts: vec![verdict], ..all.clone() }, &mut archive).len(), 6);
    // The document comes back byte for byte, and by its hash.
    let (_, back) = archive.result(5).unwrap();
    assert_eq!(back, document("SN-0", "2022-03-02", 82.0));
    let hash = archive.found(5).unwrap().sha256.to_string();
    assert_eq!(archive.find(&hash[..8]).unwrap(), 5);
    assert_eq!(archive.found(3).unwrap().replaced_by, Some(9));
    assert_eq!(archive.about(4).unwrap().len(), 1);
    // The same once more is told, not repeated.
    let again = archive.add(&[parcel(back)], &AddOptions::default(), &signed()).unwrap();
    assert_eq!(again, [Outcome::Already(5)]);
    whole(&verify(&place).unwrap());
    let asked = Asked { serial: "SN-0".into(), measure: "power_w".into(), ..Asked::default() };
    let trend = archive.trend(&asked).unwrap();
    let values: Vec<f64> = trend.points.iter().map(|point| point.point.value).collect();
    assert_eq!(values, [81.5, 82.0, 84.0]);
}

#[test]
fn corrections_point_at_what_they_correct() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let mut archive = Archive::open(&place).unwrap();
    let refused =
        |archive: &mut Archive, document: Vec<u8>, replaces: Option<u64>, wanted: &str| {
            let options =
                AddOptions { replaces, reason: Some("x".into()), ..AddOptions::default() };
            let error = archive.add(&[parcel(document)], &options, &signed()).unwrap_err();
            assert!(error.to_string().contains(wanted), "{error}");
        };
    refused(
        &mut archive,
        document("SN-0", "2020-03-02", 99.0),
        Some(3),
        "replaced by entry 9 already",
    );
    refused(&mut archive, document("SN-7", "2020-03-02", 99.0), Some(4), "another unit");
    refused(&mut archive, document("SN-7", "2020-03-02", 99.0), Some(2), "holds no result");
    refused(&mut archive, document("SN-7", "2020-03-02", 99.0), Some(77), "no entry 77");
    // The same capture judged anew is a correction, or it would count twice.
    let mut twin: Value = serde_json::from_slice(&document("SN-0", "2022-03-02", 82.0)).unwrap();
    twin["rule"] = json!("another rule");
    refused(
        &mut archive,
        serde_json::to_vec(&twin).unwrap(),
        None,
        "entry 5 is a result of the same captures",
    );
    whole(&verify(&place).unwrap());
}

fn searched(place: &Place) -> Vec<u64> {
    let words = Filter { words: Some("SN-0".into()), ..Filter::default() };
    Archive::open(place).unwrap().numbers(&words).unwrap()
}

/// Every value of every row of every table, changed: found each time.
#[test]
fn a_change_in_any_column_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    whole(&verify(&place).unwrap());
    let elsewhere = tempfile::tempdir().unwrap();
    let tables = [
        "meta",
        "entry",
        "head",
        "document",
        "result",
        "person",
        "mode",
        "series",
        "value",
        "words_data",
        "words_docsize",
        "words_idx",
    ];
    let mut tried = 0;
    for table in tables {
        let columns: Vec<String> = sql(&place)
            .prepare(&format!("PRAGMA table_info({table})"))
            .unwrap()
            .query_map([], |row| row.get(1))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let key = columns[0].clone();
        let count: i64 = sql(&place)
            .query_row(&format!("SELECT COUNT(*) FROM {table}"), [], |row| row.get(0))
            .unwrap();
        assert!(count > 0, "{table} is empty");
        for column in &columns {
            for offset in [count / 2, count - 1] {
                let copied = copy(&place, elsewhere.path());
                let db = sql(&copied);
                let pick =
                    format!("SELECT {column} FROM {table} ORDER BY {key} LIMIT 1 OFFSET {offset}");
                let old: Column = db.query_row(&pick, [], |row| row.get(0)).unwrap();
                let new = match old.clone() {
                    Column::Null => Column::Integer(1),
                    Column::Integer(x) => Column::Integer(x + 1000),
                    Column::Real(x) => Column::Real(x * 1.000_001 + 1e-9),
                    Column::Text(x) => Column::Text(format!("{x}.")),
                    Column::Blob(mut x) if !x.is_empty() => {
                        let middle = x.len() / 2;
                        x[middle] ^= 4;
                        Column::Blob(x)
                    }
                    Column::Blob(_) => Column::Blob(vec![1]),
                };
                let change = format!(
                    "UPDATE {table} SET {column} = ?1 WHERE rowid_or_key IN (SELECT rowid_or_key FROM {table} ORDER BY {key} \
                     LIMIT 1 OFFSET {offset})"
                );
                let key_of_row = match table {
                    "value" => "(number, nth)",
                    "person" => "(number, role, name)",
                    "mode" => "(number, mode)",
                    "words_idx" => "(segid, term)",
                    _ => "rowid",
                };
                let inner = key_of_row.trim_matches(['(', ')']);
                let change = change
                    .replace("WHERE rowid_or_key", &format!("WHERE {key_of_row}"))
                    .replace("rowid_or_key", inner);
                match db.execute(&change, [&new]) {
                    Ok(count) => assert_eq!(count, 1),
                    // A key that is there already can't be given twice.
                    Err(_) => continue,
                }
                drop(db);
                tried += 1;
                let Ok(found) = verify(&copied) else { continue };
                if found.intact {
                    // What leads searches to their place may lead to the same place in another way.
                    let same = table == "words_idx" && searched(&copied) == searched(&place);
                    assert!(same, "{table}.{column}, row {offset}: {old:?} became {new:?}");
                }
            }
        }
    }
    assert!(tried > 100, "{tried}");
}

/// All that can be read of an archive.
fn dump(place: &Place) -> Option<Vec<Vec<Column>>> {
    let db = sql(place);
    let mut all = Vec::new();
    for table in
        ["meta", "entry", "head", "document", "result", "person", "mode", "series", "value"]
    {
        let mut rows = db.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2")).ok()?;
        let columns = rows.column_count();
        let rows = rows.query_map([], |row| {
            (0..columns).map(|k| row.get(k)).collect::<Result<Vec<Column>, _>>()
        });
        for row in rows.ok()? {
            all.push(row.ok()?);
        }
    }
    Some(all)
}

/// Any byte of the file, flipped: found, or nothing that can be read has changed.
#[test]
fn a_flipped_byte_of_the_file_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let elsewhere = tempfile::tempdir().unwrap();
    let copied = copy(&place, elsewhere.path());
    let before = dump(&copied).unwrap();
    let Place::File(file) = &copied else { unreachable!() };
    let bytes = std::fs::read(file).unwrap();
    let (mut found, mut nothing) = (0, 0);
    let step = bytes.len() / 150;
    for k in 0..150 {
        let at = k * step + (k * 7919) % step;
        let mut flipped = bytes.clone();
        flipped[at] ^= 1 << (k % 8);
        for ending in ["-wal", "-shm"] {
            let _ = std::fs::remove_file(elsewhere.path().join(format!("archive.db{ending}")));
        }
        std::fs::write(file, &flipped).unwrap();
        match verify(&copied) {
            Ok(verification) if verification.intact => {
                assert_eq!(dump(&copied).as_ref(), Some(&before), "byte {at}");
                nothing += 1;
            }
            _ => found += 1,
        }
    }
    assert!(found > 40, "{found} found, {nothing} in empty space");
}

#[test]
fn rows_that_are_gone_swapped_or_cut_off_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let kept = Archive::open(&place).unwrap().checkpoint().unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    let after = |statements: &str| {
        let copied = copy(&place, elsewhere.path());
        sql(&copied).execute_batch(statements).unwrap();
        verify(&copied).unwrap()
    };
    let told = |found: &Verification, kind: FaultKind, entry: Option<u64>| {
        let there = found
            .faults
            .iter()
            .any(|fault| fault.kind == kind && (entry.is_none() || fault.entry == entry));
        assert!(there, "{kind:?} of {entry:?} is not among {:?}", found.faults);
    };
    told(&after("DELETE FROM entry WHERE number = 5"), FaultKind::EntryMissing, Some(5));
    told(&after("DELETE FROM entry WHERE number = 11"), FaultKind::EntryMissing, Some(11));
    told(&after("DELETE FROM entry"), FaultKind::EntryMissing, None);
    told(&after("DELETE FROM result WHERE number = 5"), FaultKind::Row, Some(5));
    told(&after("DELETE FROM value WHERE number = 5 AND nth = 2"), FaultKind::Values, Some(5));
    told(
        &after(
            "DELETE FROM value WHERE number = 5 AND nth = (SELECT MAX(nth) FROM value WHERE number = 5)",
        ),
        FaultKind::Row,
        Some(5),
    );
    told(
        &after("DELETE FROM document WHERE sha256 = (SELECT sha256 FROM result WHERE number = 5)"),
        FaultKind::Document,
        Some(5),
    );
    told(&after("DELETE FROM head WHERE nth = 3"), FaultKind::Checkpoint, None);
    told(
        &after(
            "DELETE FROM series WHERE id = (SELECT series FROM value WHERE number = 5 AND nth = 0)",
        ),
        FaultKind::Values,
        None,
    );
    let extra = "INSERT INTO value SELECT 4000, nth, series, day, state, value, expanded, at_least, lower, upper, \
                 verdict, doubts FROM value WHERE number = 5";
    told(&after(extra), FaultKind::Extra, None);
    let swapped = "UPDATE entry SET number = 99 WHERE number = 5; UPDATE entry SET number = 5 WHERE number = 6; \
                   UPDATE entry SET number = 6 WHERE number = 99";
    let found = after(swapped);
    told(&found, FaultKind::EntryMoved, Some(5));
    told(&found, FaultKind::EntryMoved, Some(6));
    // Whoever cuts off the end with its checkpoints makes an archive that holds by itself; one that was kept
    // elsewhere tells.
    let copied = copy(&place, elsewhere.path());
    sql(&copied)
        .execute_batch("DELETE FROM entry WHERE number = 11; DELETE FROM head WHERE size = 11")
        .unwrap();
    whole(&verify(&copied).unwrap());
    let options = VerifyOptions { checkpoint: Some(kept.clone()), ..VerifyOptions::default() };
    let found = Archive::open(&copied).unwrap().verify(&options, |_, _| Ok(())).unwrap();
    told(&found, FaultKind::Elsewhere, None);
    // So it does where the archive was made anew with other content.
    let other = tempfile::tempdir().unwrap();
    let (made, mut archive) = begun(other.path());
    add(&mut archive, document("SN-0", "2020-03-02", 12.0));
    let found = archive.verify(&options, |_, _| Ok(())).unwrap();
    told(&found, FaultKind::Elsewhere, None);
    drop(made);
    // And it vouches for the archive that only grew.
    let mut archive = Archive::open(&place).unwrap();
    add(&mut archive, document("SN-5", "2026-03-02", 12.0));
    let found = archive.verify(&options, |_, _| Ok(())).unwrap();
    whole(&found);
    assert_eq!(found.kept_elsewhere_up_to, Some(11));
}

#[test]
fn signatures_and_keys_are_checked() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let mut archive = Archive::open(&place).unwrap();
    let with =
        |key: &PrivateKey| VerifyOptions { key: Some(key.public()), ..VerifyOptions::default() };
    let found = archive.verify(&with(&key()), |_, _| Ok(())).unwrap();
    // The hold came without a key.
    whole(&found);
    assert_eq!((found.signed_up_to, found.entries), (10, 11));
    let stranger = PrivateKey::of_seed([1; 32]);
    assert!(!archive.verify(&with(&stranger), |_, _| Ok(())).unwrap().intact);
    assert!(archive.sign_checkpoint(&signed()).unwrap().signed_by(&key().public()));
    assert_eq!(archive.verify(&with(&key()), |_, _| Ok(())).unwrap().signed_up_to, 11);
    // A checkpoint signed by nobody that the log knows.
    let text = archive.checkpoint().unwrap().to_string();
    let (body, _) = text.split_once("\n\n").unwrap();
    let body = crestbook::archive::Checkpoint::parse(&format!("{body}\n\n")).unwrap();
    let forged = body.signed(&stranger).to_string();
    sql(&place)
        .execute(
            "UPDATE head SET checkpoint = ?1 WHERE nth = (SELECT MAX(nth) FROM head)",
            [forged],
        )
        .unwrap();
    let found = verify(&place).unwrap();
    assert!(
        found.faults.iter().any(|fault| fault.kind == FaultKind::Signature),
        "{:?}",
        found.faults
    );
}

#[test]
fn proofs_hold_without_the_archive() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let mut archive = Archive::open(&place).unwrap();
    archive.sign_checkpoint(&signed()).unwrap();
    let older = archive.checkpoint().unwrap();
    for k in 0..5 {
        add(&mut archive, document("SN-9", &format!("2030-01-0{}", k + 1), 50.0));
    }
    let proof = archive.prove(5, Some(&older)).unwrap();
    let key = key().public();
    assert_eq!(proof.check(Some(&key)).unwrap().number, 5);
    let mut forged = proof.clone();
    forged.entry = forged.entry.replace("bench engineer 1", "bench engineer 2");
    assert!(forged.check(None).is_err());
    let mut other = proof.clone();
    other.consistency.reverse();
    assert!(other.check(None).is_err());
    assert!(proof.check(Some(&PrivateKey::of_seed([3; 32]).public())).is_err());
    assert!(archive.prove(999, None).is_err());
}

#[test]
fn a_clock_that_goes_back_is_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let (place, mut archive) = begun(folder.path());
    let at = |text: &str| Stamp { at: Some(text.parse().unwrap()), ..by("bench engineer 1") };
    let options = AddOptions::default();
    archive
        .add(&[parcel(document("A", "2020-01-01", 1.0))], &options, &at("2090-01-02T00:00:00Z"))
        .unwrap();
    archive
        .add(&[parcel(document("B", "2020-01-01", 2.0))], &options, &at("2090-01-01T00:00:00Z"))
        .unwrap();
    let entry = archive.entry(4).unwrap();
    assert_eq!(entry.clock_behind_s, Some(86_400));
    whole(&verify(&place).unwrap());
}

#[test]
fn archives_of_other_versions_are_refused_or_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let elsewhere = tempfile::tempdir().unwrap();
    let newer = copy(&place, elsewhere.path());
    sql(&newer).execute("UPDATE meta SET value = '999' WHERE key = 'form'", []).unwrap();
    assert!(matches!(Archive::open(&newer), Err(ArchiveError::Newer { found: 999, .. })));
    // Form 1 had no index of words.
    let older = copy(&place, elsewhere.path());
    sql(&older)
        .execute_batch("DROP TABLE words; UPDATE meta SET value = '1' WHERE key = 'form'")
        .unwrap();
    let mut archive = Archive::open(&older).unwrap();
    let words = Filter { words: Some("SN-0".into()), ..Filter::default() };
    assert_eq!(archive.numbers(&words).unwrap(), [7, 5, 9]);
    whole(&archive.verify(&VerifyOptions::default(), |_, _| Ok(())).unwrap());
    let before = Connection::open(elsewhere.path().join("archive.db.form-1")).unwrap();
    let form: String = before
        .query_row("SELECT value FROM meta WHERE key = 'form'", [], |row| row.get(0))
        .unwrap();
    assert_eq!(form, "1");
}

#[test]
fn texts_are_texts_whatever_stands_in_them() {
    let folder = tempfile::tempdir().unwrap();
    let (place, mut archive) = begun(folder.path());
    let odd = [
        "'; DROP TABLE entry; --",
        "\" OR 1=1 --",
        "a\nb\tc",
        "%_*?",
        "\u{2603}\u{202e}\u{1f600} \u{e9}",
        "NEAR(a b) AND col:x NOT (",
        "\\",
    ];
    for (k, serial) in odd.iter().enumerate() {
        let number = add(&mut archive, document(serial, &format!("2020-01-0{}", k + 1), k as f64));
        let filter = Filter { serial: Some((*serial).into()), ..Filter::default() };
        assert_eq!(archive.numbers(&filter).unwrap(), [number]);
        for filter in [
            Filter { words: Some((*serial).into()), ..Filter::default() },
            Filter { mode: Some((*serial).into()), ..Filter::default() },
            Filter {
                person: Some((*serial).into()),
                role: Some((*serial).into()),
                ..Filter::default()
            },
            Filter {
                place: Some((*serial).into()),
                from: Some((*serial).into()),
                ..Filter::default()
            },
        ] {
            archive.numbers(&filter).unwrap();
        }
        assert!(archive.find(serial).is_err());
    }
    whole(&verify(&place).unwrap());
}

/// A job's folder with odd file names, laid out, added, taken out again.
fn job(folder: &Path) -> PathBuf {
    let bench = folder.join("a job's \"folder\" \u{2603}");
    let named = bench.to_str().unwrap();
    assert!(crestbook(&["demo", named, "-q"]).status.success());
    bench.join("others/wythmoor")
}

#[test]
fn captures_are_kept_checked_and_laid_out_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    std::fs::write(job.join("captures/it's \"odd\"\n\u{2603}.capture.toml"), "# nothing\n")
        .unwrap();
    let store = folder.path().join("archive.db");
    let store = store.to_str().unwrap();
    let run = |arguments: &[&str]| crestbook(&[&["archive", "--store", store], arguments].concat());
    let done = run(&["add", job.to_str().unwrap(), "--by", "bench engineer 1"]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    assert!(text(&done.stdout).contains("added as entry 2"));
    let again = run(&["add", job.to_str().unwrap(), "--by", "bench engineer 1"]);
    assert!(text(&again.stdout).contains("is there already, as entry 2"));
    let verified = run(&["verify", "--recompute", "--json"]);
    assert!(verified.status.success(), "{}", text(&verified.stdout));
    let verified: Value = serde_json::from_slice(&verified.stdout).unwrap();
    assert_eq!(verified["recomputed"], 1);
    assert!(verified["captures"].as_u64().unwrap() > 40);
    // Out again, byte for byte.
    let out = folder.path().join("out");
    assert!(run(&["show", "2", "--extract", out.to_str().unwrap()]).status.success());
    for name in [
        "job.toml",
        "profile.toml",
        "results/result.json",
        "captures/c1.wav",
        "captures/it's \"odd\"\n\u{2603}.capture.toml",
    ] {
        assert_eq!(
            std::fs::read(out.join(name)).unwrap(),
            std::fs::read(job.join(name)).unwrap(),
            "{name}"
        );
    }
    // A changed blob, a link in its place, one that is gone: each named.
    let kept = walkdir(&folder.path().join("archive.db.captures"));
    let content = std::fs::read(&kept[0]).unwrap();
    for (k, at) in [0, 5, content.len() / 2, content.len() - 1].into_iter().enumerate() {
        let mut flipped = content.clone();
        flipped[at] ^= 1 << k;
        std::fs::write(&kept[0], flipped).unwrap();
        let done = run(&["verify"]);
        assert_eq!(done.status.code(), Some(1), "byte {at}");
        assert!(text(&done.stdout).contains("the capture captures/"), "{}", text(&done.stdout));
    }
    std::fs::write(&kept[0], [content.clone(), vec![0]].concat()).unwrap();
    assert_eq!(run(&["verify"]).status.code(), Some(1));
    #[cfg(unix)]
    {
        let elsewhere = folder.path().join("same.zst");
        std::fs::write(&elsewhere, &content).unwrap();
        std::fs::remove_file(&kept[0]).unwrap();
        std::os::unix::fs::symlink(&elsewhere, &kept[0]).unwrap();
        let done = run(&["verify"]);
        let told = text(&done.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains("something that is not a file"), "{told}");
    }
    std::fs::remove_file(&kept[0]).unwrap();
    let told = text(&run(&["verify"]).stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("is missing"), "{told}");
    std::fs::write(&kept[0], &content).unwrap();
    assert!(run(&["verify"]).status.success());
    // An edited result is not taken.
    let result = job.join("results/result.json");
    let edited =
        std::fs::read_to_string(&result).unwrap().replace("\"conditional pass\"", "\"pass\"");
    std::fs::write(&result, edited).unwrap();
    let done = run(&["add", job.to_str().unwrap(), "--by", "x"]);
    assert_eq!(done.status.code(), Some(3));
    assert!(text(&done.stderr).contains("was edited"), "{}", text(&done.stderr));
}

fn walkdir(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { all.extend(walkdir(&path)) } else { all.push(path) }
    }
    all.sort();
    all
}

#[test]
fn captures_go_only_by_an_entry_and_never_from_a_hold() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let store = folder.path().join("archive.db");
    let store = store.to_str().unwrap();
    let run = |arguments: &[&str]| crestbook(&[&["archive", "--store", store], arguments].concat());
    let stamp = ["--by", "quality", "--reason", "ten years are over"];
    assert!(run(&["add", job.to_str().unwrap(), "--by", "x"]).status.success());
    assert!(run(&[&["hold", "2"], &stamp[..]].concat()).status.success());
    assert_eq!(run(&[&["hold", "2"], &stamp[..]].concat()).status.code(), Some(2));
    let kept =
        text(&run(&[&["remove-captures", "--before", "2099-01-01"], &stamp[..]].concat()).stdout);
    assert!(kept.contains("no capture to remove") && kept.contains("on hold"), "{kept}");
    assert!(run(&[&["release", "2"], &stamp[..]].concat()).status.success());
    let none = run(&[&["remove-captures", "--before", "2000-01-01"], &stamp[..]].concat());
    assert!(text(&none.stdout).contains("no capture to remove"));
    // Backed up before, so that all of it can come back.
    let copy = folder.path().join("copy");
    assert!(run(&["backup", copy.to_str().unwrap()]).status.success());
    let dry =
        run(&[&["remove-captures", "--before", "2099-01-01", "--dry-run"], &stamp[..]].concat());
    assert!(text(&dry.stdout).contains("would be removed"));
    assert!(
        run(&[&["remove-captures", "--before", "2099-01-01"], &stamp[..]].concat())
            .status
            .success()
    );
    assert!(walkdir(&folder.path().join("archive.db.captures")).is_empty());
    let done = run(&["verify"]);
    assert!(done.status.success(), "{}", text(&done.stdout));
    assert!(text(&done.stdout).contains("were removed by an entry that says why"));
    let log = text(&run(&["log"]).stdout);
    assert!(log.contains("of results before 2099-01-01: ten years are over"), "{log}");
    let restored = folder.path().join("restored.db");
    let restore =
        ["archive", "restore", copy.to_str().unwrap(), "--store", restored.to_str().unwrap()];
    let done = crestbook(&restore);
    assert!(done.status.success(), "{}{}", text(&done.stdout), text(&done.stderr));
    assert!(text(&done.stderr).contains("all of it is as it was written"));
    assert_eq!(crestbook(&restore).status.code(), Some(3));
}

#[test]
fn two_programs_add_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("archive.db");
    let store = store.to_str().unwrap();
    let mut running = Vec::new();
    for who in 0..2 {
        let mut files = Vec::new();
        for k in 0..40 {
            let path = folder.path().join(format!("{who}-{k}.json"));
            std::fs::write(
                &path,
                document(&format!("W{who}"), &format!("2020-01-{:02}", k % 28 + 1), f64::from(k)),
            )
            .unwrap();
            files.push(path);
        }
        running.push(std::thread::spawn({
            let store = store.to_owned();
            move || {
                // One by one, so that they meet often.
                for file in files {
                    let done = crestbook(&[
                        "archive",
                        "--store",
                        &store,
                        "add",
                        file.to_str().unwrap(),
                        "--no-raw",
                        "--by",
                        "x",
                    ]);
                    assert!(done.status.success(), "{}", text(&done.stderr));
                }
            }
        }));
    }
    running.into_iter().for_each(|one| one.join().unwrap());
    let found = verify(&Place::parse(store)).unwrap();
    whole(&found);
    assert_eq!(found.results, 80);
}

#[test]
fn wrong_use_says_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (store, none) = (path("archive.db"), path("none.db"));
    std::fs::write(
        path("text.db"),
        "this is no database, though it is long enough to be taken for one".repeat(40),
    )
    .unwrap();
    std::fs::write(path("a.json"), document("A", "2020-01-01", 1.0)).unwrap();
    std::fs::write(path("other.json"), "{}").unwrap();
    let add = |file: &str| {
        crestbook(&["archive", "--store", &store, "add", &path(file), "--no-raw", "--by", "x"])
    };
    assert!(add("a.json").status.success());
    for (arguments, code, wanted) in [
        (vec!["--store", &none, "list"], 4, "there is no archive here"),
        (vec!["--store", &path("text.db"), "list"], 4, "this file is not an archive"),
        (
            vec!["--store", &path("no/folder.db"), "add", &path("a.json"), "--by", "x", "--no-raw"],
            4,
            "unable to open",
        ),
        (
            vec!["--store", &store, "add", &path("a.json"), "--no-raw"],
            2,
            "it is not said who does this",
        ),
        (
            vec!["--store", &store, "add", &path("missing.json"), "--by", "x"],
            3,
            "can't read the result",
        ),
        (
            vec!["--store", &store, "add", &path("other.json"), "--by", "x"],
            3,
            "not a crestbook document",
        ),
        (
            vec!["--store", &store, "add", &path("a.json"), "--by", "x"],
            3,
            "its capture is not the one",
        ),
        (vec!["--store", &store, "show", "77"], 2, "no entry 77"),
        (vec!["--store", &store, "show", "zz"], 2, "names no entry"),
        (vec!["--store", &store, "list", "--from", "yesterday"], 2, "write a day as"),
        (vec!["--store", &store, "trend", "--serial", "B"], 2, "no such values"),
        (vec!["--store", &store, "export", "-o", &path("x.txt")], 2, "no table has this ending"),
        (
            vec!["--store", &store, "verify", "--checkpoint", &path("a.json")],
            3,
            "this is no checkpoint",
        ),
        (
            vec!["--store", &store, "add", &path("a.json"), "--by", "x", "--key", &path("a.json")],
            2,
            "no private key",
        ),
        (vec!["list"], 2, "no archive is named"),
    ] {
        let done = crestbook(&[vec!["archive"], arguments.clone()].concat());
        let told = text(&done.stderr);
        assert_eq!(done.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(wanted), "{arguments:?}: {told}");
    }
    // A name that is mistyped begins nothing.
    assert!(!Path::new(&none).exists());
    assert_eq!(crestbook(&["archive", "key", "new", &path("k")]).status.code(), Some(0));
    assert_eq!(crestbook(&["archive", "key", "new", &path("k")]).status.code(), Some(2));
}

#[cfg(unix)]
#[test]
fn a_link_in_the_place_of_a_capture_is_not_written_through() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let store = folder.path().join("archive.db");
    let run = |arguments: &[&str]| {
        crestbook(&[&["archive", "--store", store.to_str().unwrap()], arguments].concat())
    };
    let capture = std::fs::read(job.join("captures/c1.wav")).unwrap();
    let name = crestbook::digest::Sha256::of(&capture).to_string();
    let place = folder.path().join("archive.db.captures").join(&name[..2]);
    std::fs::create_dir_all(&place).unwrap();
    let precious = folder.path().join("precious");
    std::fs::write(&precious, "mine").unwrap();
    std::os::unix::fs::symlink(&precious, place.join(format!("{name}.zst"))).unwrap();
    assert!(run(&["add", job.to_str().unwrap(), "--by", "x"]).status.success());
    assert_eq!(std::fs::read(&precious).unwrap(), b"mine");
    assert!(run(&["verify"]).status.success());
}

/// What was removed and added again is there again: checked, copied, removed again.
#[test]
fn captures_that_come_again_count_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let run = |arguments: &[&str]| {
        crestbook(&[&["archive", "--store", &path("archive.db")], arguments].concat())
    };
    let stamp = ["--by", "x", "--reason", "y"];
    let job = job.to_str().unwrap();
    assert!(run(&["add", job, "--by", "x"]).status.success());
    let remove = [&["remove-captures", "--before", "2099-01-01"], &stamp[..]].concat();
    assert!(run(&remove).status.success());
    // Judged anew with another reason, it is a correction of the same captures.
    let toml = format!("{job}/job.toml");
    let text = std::fs::read_to_string(&toml).unwrap().replace("yearly verification", "asked for");
    std::fs::write(&toml, text).unwrap();
    crestbook(&["job", job, "-q"]);
    let again = run(&[&["add", job, "--replaces", "2"], &stamp[..]].concat());
    assert!(again.status.success(), "{}", text_of(&again));
    let verified: Value = serde_json::from_slice(&run(&["verify", "--json"]).stdout).unwrap();
    assert!(
        verified["captures"].as_u64().unwrap() > 40 && verified["removed"].as_u64().unwrap() > 40
    );
    let kept = walkdir(&folder.path().join("archive.db.captures"));
    assert!(run(&["backup", &path("copy")]).status.success());
    assert_eq!(walkdir(&folder.path().join("copy/captures")).len(), kept.len());
    std::fs::remove_file(&kept[0]).unwrap();
    assert_eq!(run(&["verify"]).status.code(), Some(1));
    let restored = crestbook(&["archive", "restore", &path("copy"), "--store", &path("b.db")]);
    assert!(restored.status.success(), "{}", text_of(&restored));
    assert!(run(&remove).status.success());
    assert!(walkdir(&folder.path().join("archive.db.captures")).is_empty());
}

fn text_of(done: &std::process::Output) -> String {
    format!("{}{}", text(&done.stdout), text(&done.stderr))
}

#[cfg(unix)]
#[test]
fn a_private_key_is_its_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("k");
    assert!(crestbook(&["archive", "key", "new", key.to_str().unwrap()]).status.success());
    assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o777, 0o600);
}

/// Views and triggers could show each reader something else.
#[test]
fn foreign_tables_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let place = filled(folder.path());
    let elsewhere = tempfile::tempdir().unwrap();
    for statements in [
        "ALTER TABLE value RENAME TO value_0; CREATE VIEW value AS SELECT number, nth, series, day, state, value * 0.5 AS \
         value, expanded, at_least, lower, upper, verdict, doubts FROM value_0",
        "CREATE TRIGGER zz BEFORE INSERT ON entry BEGIN SELECT RAISE(IGNORE); END",
        "DROP INDEX value_series",
        "CREATE TABLE more (x)",
        "PRAGMA writable_schema = ON; UPDATE sqlite_master SET sql = REPLACE(sql, 'verdict TEXT', 'verdict TEXT COLLATE \
         NOCASE') WHERE name = 'result'",
    ] {
        let copied = copy(&place, elsewhere.path());
        sql(&copied).execute_batch(statements).unwrap();
        let error = Archive::open(&copied).unwrap_err();
        assert!(matches!(error, ArchiveError::Altered { .. }), "{statements}: {error}");
    }
    // The database of another program is left alone.
    let other = Place::File(elsewhere.path().join("other.db"));
    sql(&other).execute_batch("CREATE TABLE theirs (x)").unwrap();
    assert!(Archive::open_or_begin(&other, None, &by("x")).is_err());
}

#[test]
fn what_is_due_counts_results_up_to_the_day() {
    let folder = tempfile::tempdir().unwrap();
    let (_, mut archive) = begun(folder.path());
    let years = folder.path().join("years");
    assert!(crestbook(&["demo", years.to_str().unwrap(), "--years", "-q"]).status.success());
    let layout =
        crestbook::archive::JobLayout { result: "results/result.json", captures: "captures" };
    let mut jobs: Vec<PathBuf> =
        std::fs::read_dir(&years).unwrap().map(|entry| entry.unwrap().path()).collect();
    jobs.retain(|path| path.is_dir());
    jobs.sort();
    let parcels: Vec<Parcel> =
        jobs.iter().map(|job| Parcel::read(job, layout, false).unwrap()).collect();
    archive.add(&parcels, &AddOptions::default(), &signed()).unwrap();
    let due = archive.due(jiff::civil::date(2025, 2, 1), &[]).unwrap();
    let of = due.iter().find(|one| one.serial == "W-00031").unwrap();
    assert_eq!((of.last.as_str(), of.next.as_str()), ("2024-09-04", "2025-09-04"));
    // The falling unit was mended; its trend begins anew.
    let asked = Asked {
        serial: "W-00031".into(),
        setting: Some("c1".into()),
        measure: "power_w".into(),
        ..Asked::default()
    };
    let trend = archive.trend(&asked).unwrap();
    assert_eq!(trend.since.as_deref(), Some("2024-03-09"));
    assert!(trend.line.unwrap().per_year < -2.0);
    // The capture that stands alone raises no drift.
    let asked = Asked {
        serial: "GF-208".into(),
        setting: Some("blue-grey".into()),
        measure: "power_w".into(),
        ..Asked::default()
    };
    let steady = archive.trend(&asked).unwrap();
    assert!(
        matches!(steady.alarm, crestbook::archive::trend::Alarm::Steady { .. }),
        "{:?}",
        steady.alarm
    );
    // A correction is of the same verification, and says why.
    let unlike =
        AddOptions { replaces: Some(3), reason: Some("x".into()), ..AddOptions::default() };
    let mut other: Value = serde_json::from_slice(&parcels[1].document).unwrap();
    other["program"] = json!("0.0.9");
    let error = archive
        .add(&[parcel(serde_json::to_vec(&other).unwrap())], &unlike, &signed())
        .unwrap_err();
    assert!(error.to_string().contains("shares no capture"), "{error}");
    let why = AddOptions { replaces: Some(3), reason: Some(" ".into()), ..AddOptions::default() };
    let error =
        archive.add(&[parcel(serde_json::to_vec(&other).unwrap())], &why, &signed()).unwrap_err();
    assert!(error.to_string().contains("not said why"), "{error}");
}
