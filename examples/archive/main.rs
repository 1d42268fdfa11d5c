//! How the archive bears many results: `cargo run --release --example archive -- STORE CHECK.json UNITS PER_UNIT`; CHECK.json is a check
//! that `crestbook check --json` wrote.
//!
//! Each result is the check of one capture with nine values. Prints seconds for adding in batches of 500, lists
//! with filters, the trend of one serial number, and a check of everything.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use crestbook::archive::trend::Asked;
use crestbook::archive::{
    AddOptions, Archive, Filter, Parcel, Place, PrivateKey, Stamp, VerifyOptions,
};
use crestbook::check::Verdict;
use serde_json::{Value, json};
use std::time::Instant;

/// Results in one transaction.
const BATCH: usize = 500;
/// Measures that are left of a check.
const KEPT: [&str; 9] = [
    "duration_s",
    "power_w",
    "voltage_rms_v",
    "current_rms_a",
    "voltage_peak_v",
    "crest_factor",
    "duty_cycle",
    "fundamental_hz",
    "load_ohm",
];

/// A check, small: one part with these measures.
fn sample(check: &str) -> Value {
    let mut check: Value = serde_json::from_str(check).unwrap();
    let measurement = check["measurement"].as_object_mut().unwrap();
    measurement.insert("phases".into(), json!([]));
    let thin = |set: &mut Value| {
        set.as_object_mut()
            .unwrap()
            .retain(|key, _| KEPT.contains(&key.as_str()) || key == "count");
    };
    measurement["kinds"].as_object_mut().unwrap().values_mut().for_each(thin);
    measurement.insert("whole".into(), json!({}));
    measurement["capture"].as_object_mut().unwrap().remove("files");
    check
}

fn parcel(sample: &mut Value, number: usize, unit: usize, round: usize) -> Parcel {
    let power = 80.0 + (number * 7919 % 1000) as f64 / 500.0;
    let capture = &mut sample["measurement"]["capture"];
    capture["subject"]["serial"] = json!(format!("S-{unit:06}"));
    let day = jiff::civil::date(2001, 1, 1)
        .checked_add(jiff::Span::new().days(round as i64 % 9000))
        .unwrap();
    capture["bench"]["taken_at"] = json!(day.to_string());
    capture["sha256"] = json!(format!("{number:064x}"));
    sample["measurement"]["kinds"]["cut"]["power_w"]["value"] = json!(power);
    sample["verdict"] = json!(if number.is_multiple_of(50) { "fail" } else { "pass" });
    let document = serde_json::to_vec(sample).unwrap();
    Parcel::of_document(String::new(), document).unwrap()
}

fn timed<T>(what: &str, act: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let done = act();
    println!("{what}: {:.3} s", begun.elapsed().as_secs_f64());
    done
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, store, check, units, per_unit] = arguments.as_slice() else {
        println!("usage: archive STORE CHECK.json UNITS PER_UNIT");
        return;
    };
    let (units, per_unit): (usize, usize) = (units.parse().unwrap(), per_unit.parse().unwrap());
    let mut sample = sample(&std::fs::read_to_string(check).unwrap());
    let stamp = Stamp { by: "bench".into(), key: Some(PrivateKey::of_seed([1; 32])), at: None };
    let mut archive = Archive::open_or_begin(&Place::parse(store), None, &stamp).unwrap();
    let (mut adding, mut number) = (0.0, 0);
    while number < units * per_unit {
        let to = (number + BATCH).min(units * per_unit);
        let parcels: Vec<Parcel> = (number..to)
            .map(|number| parcel(&mut sample, number, number % units, number / units))
            .collect();
        let begun = Instant::now();
        archive.add(&parcels, &AddOptions::default(), &stamp).unwrap();
        adding += begun.elapsed().as_secs_f64();
        number = to;
        if number % 100_000 == 0 {
            println!("{number} added, {:.3} ms each", 1e3 * adding / number as f64);
        }
    }
    println!("add: {:.3} ms each in batches of {BATCH}", 1e3 * adding / number as f64);
    let serial = format!("S-{:06}", units / 2);
    let page = Filter { most: Some(51), ..Filter::default() };
    let filters = [
        ("list, newest", page.clone()),
        ("list, one serial", Filter { serial: Some(serial.clone()), ..page.clone() }),
        (
            "list, one unit that failed",
            Filter { unit: Some(serial.clone()), verdicts: vec![Verdict::Fail], ..page.clone() },
        ),
        ("list, failed", Filter { verdicts: vec![Verdict::Fail], ..page.clone() }),
        (
            "list, a year",
            Filter {
                from: Some("2002-01-01".into()),
                to: Some("2002-12-31".into()),
                ..page.clone()
            },
        ),
        (
            "list, one setting and serial",
            Filter { mode: Some("cut-80".into()), serial: Some(serial.clone()), ..page.clone() },
        ),
        ("list, words", Filter { words: Some(serial.clone()), ..page }),
    ];
    for (what, filter) in filters {
        timed(what, || archive.list(&filter, |_| Ok(())).unwrap());
    }
    let asked = Asked { serial, measure: "power_w".into(), ..Asked::default() };
    let trend = timed("trend of one serial", || archive.trend(&asked).unwrap());
    println!("  of {} values", trend.points.len());
    let found =
        timed("verify", || archive.verify(&VerifyOptions::default(), |_, _| Ok(())).unwrap());
    println!("  intact: {}, {} results", found.intact, found.results);
}
