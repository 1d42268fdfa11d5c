//! The 46 layouts and traps of text captures: each golden file is read rightly, or refused with
//! the reason and the key that settles it. The table of docs/formats.md is made here
//! (`UPDATE_DOCS=1 cargo test formats` writes it).

use crate::support::{crestbook, fixture, root, text};
use serde_json::Value;
use std::fmt::Write;

/// What must become of a file.
enum Fate {
    /// Read: samples of each record, and flags that it must carry (beside those of any short
    /// record).
    Read(&'static [u64], &'static [&'static str]),
    /// Refused with this exit code; words that the message and its remedy must hold.
    Refused(i32, &'static [&'static str]),
}
use Fate::{Read, Refused};

struct Case {
    /// Number in the catalogue.
    number: u32,
    layout: &'static str,
    file: &'static str,
    flags: &'static [&'static str],
    fate: Fate,
}

const fn case(
    number: u32,
    layout: &'static str,
    file: &'static str,
    flags: &'static [&'static str],
    fate: Fate,
) -> Case {
    Case { number, layout, file, flags, fate }
}

const NONE: &[&str] = &[];
const ONE: &[u64] = &[400];

const CASES: &[Case] = &[
    case(1, "preamble of labels and values", "01-preamble.csv", NONE, Read(ONE, NONE)),
    case(2, "metadata in columns beside the data", "02-beside.csv", NONE, Read(ONE, NONE)),
    case(3, "comment signs before the preamble", "03-comments.csv", NONE, Read(ONE, NONE)),
    case(4, "rows of sources, of units, a blank one", "04-header-rows.csv", NONE, Read(ONE, NONE)),
    case(5, "unit in the cell of the name", "05-units-in-names.csv", NONE, Read(ONE, NONE)),
    case(6, "start and increment as columns", "06-increment-column.csv", NONE, Read(ONE, NONE)),
    case(
        7,
        "interval in the preamble, no time column",
        "07-interval-only.csv",
        NONE,
        Read(ONE, &["unit_assumed"]),
    ),
    case(8, "no header at all", "08-no-header.csv", NONE, Read(ONE, &["unit_assumed"])),
    case(9, "all values in one line", "09-one-line.txt", NONE, Read(ONE, NONE)),
    case(10, "values that run on over lines", "10-wrapped.txt", NONE, Read(ONE, &["unit_assumed"])),
    case(
        11,
        "marks before and after the data",
        "11-markers.csv",
        NONE,
        Read(ONE, &["unit_assumed"]),
    ),
    case(12, "UTF-16 with byte order mark", "12-utf-16.csv", NONE, Read(ONE, NONE)),
    case(13, "Latin-1 unit signs", "13-latin-1.csv", NONE, Read(ONE, NONE)),
    case(13, "Shift-JIS unit signs", "13-shift-jis.csv", NONE, Read(ONE, NONE)),
    case(14, "carriage return and line feed", "14-crlf.csv", NONE, Read(ONE, NONE)),
    case(14, "carriage return alone", "14-lone-cr.csv", NONE, Read(ONE, NONE)),
    case(14, "a blank line after each", "14-blank-after-each.csv", NONE, Read(ONE, NONE)),
    case(15, "NUL bytes at the end", "15-nul.csv", NONE, Read(&[399], &["truncated"])),
    case(15, "last row cut off", "15-cut-off.csv", NONE, Read(&[399], &["truncated"])),
    case(16, "blank columns at the end", "16-blank-columns.csv", NONE, Read(ONE, NONE)),
    case(17, "numbers in quotes, an open quote above", "17-quoted.csv", NONE, Read(ONE, NONE)),
    case(18, "comment between header and data", "18-line-between.csv", NONE, Read(ONE, NONE)),
    case(19, "header again in mid-file", "19-header-again.csv", NONE, Read(&[400, 400], NONE)),
    case(20, "units and SI letters in the cells", "20-suffixes.csv", NONE, Read(ONE, NONE)),
    case(21, "semicolon and decimal comma", "21-semicolon-comma.csv", NONE, Read(ONE, NONE)),
    case(
        22,
        "comma as separator and decimal mark",
        "22-comma-comma.csv",
        NONE,
        Refused(2, &["can be read as 4 numbers", "with decimal commas as 2", "text.decimal"]),
    ),
    case(22, "the same in quotes", "22-quoted-comma.csv", NONE, Read(ONE, NONE)),
    case(23, "another locale (`LANG=de_DE.UTF-8`)", "23-plain.csv", NONE, Read(ONE, NONE)),
    case(
        24,
        "semicolon: the wrong one gives one column",
        "24-wrong-separator.csv",
        NONE,
        Read(ONE, NONE),
    ),
    case(25, "digits in groups, comma", "25-thousands.txt", NONE, Read(ONE, NONE)),
    case(25, "digits in groups, blank", "25-blank-groups.csv", NONE, Read(ONE, NONE)),
    case(25, "digits in groups, apostrophe", "25-apostrophes.csv", NONE, Read(ONE, NONE)),
    case(
        25,
        "`1,234`: groups or decimals",
        "25-either.csv",
        NONE,
        Refused(2, &["1100", "1.1", "text.decimal"]),
    ),
    case(26, "five forms of exponents", "26-exponents.csv", NONE, Read(ONE, NONE)),
    case(
        27,
        "marks of overrange and of no value",
        "27-marks.csv",
        NONE,
        Read(ONE, &["gaps", "overrange"]),
    ),
    case(
        28,
        "time unit changes in mid-file",
        "28-unit-changes.csv",
        NONE,
        Refused(3, &["backwards", "a unit that changes", "text.time_column"]),
    ),
    case(29, "divisions, scale in the preamble", "29-divisions.csv", NONE, Read(ONE, NONE)),
    case(
        29,
        "codes beside a vertical scale",
        "29-codes.csv",
        NONE,
        Refused(2, &["vertical scale of 100", "voltage.scale"]),
    ),
    case(29, "codes with step, origin, reference", "29-codes-scaled.csv", NONE, Read(ONE, NONE)),
    case(30, "rounded time stamps, most repeat", "30-rounded.csv", NONE, Read(&[20_000], NONE)),
    case(31, "time relative to the trigger", "31-trigger.csv", NONE, Read(ONE, NONE)),
    case(
        32,
        "changes only",
        "32-changes-only.csv",
        NONE,
        Refused(2, &["not evenly spaced", "text.time_column"]),
    ),
    case(33, "unsorted time", "33-unsorted.csv", NONE, Refused(3, &["backwards", "sort the rows"])),
    case(
        33,
        "32-bit counter that runs over",
        "33-counter-wrap.csv",
        NONE,
        Refused(3, &["backwards", "a counter that ran over", "text.time_column"]),
    ),
    case(
        34,
        "negative interval",
        "34-negative-interval.csv",
        NONE,
        Refused(2, &["impossible sample interval", "sample_rate_hz"]),
    ),
    case(34, "whole femtoseconds from below zero", "34-femtoseconds.csv", NONE, Read(ONE, NONE)),
    case(35, "time of day with dots in the fraction", "35-clock.csv", NONE, Read(ONE, NONE)),
    case(
        35,
        "days of a spreadsheet",
        "35-days.csv",
        NONE,
        Refused(2, &["days of a spreadsheet", "sample_rate_hz"]),
    ),
    case(36, "one file per channel", "36-two-files.capture.toml", NONE, Read(ONE, NONE)),
    case(
        36,
        "the same, half a sample late",
        "36-two-files-late.capture.toml",
        NONE,
        Refused(2, &["0.50 samples apart", "delay_s"]),
    ),
    case(
        37,
        "a time column per channel, one shorter",
        "37-time-per-channel.csv",
        NONE,
        Read(ONE, &["gaps"]),
    ),
    case(
        38,
        "computed trace and spectrum",
        "38-math-and-fft.csv",
        NONE,
        Read(ONE, &["block_left_out"]),
    ),
    case(
        39,
        "two channels of one name",
        "39-same-names.csv",
        NONE,
        Refused(2, &["two channels are named `CH1`", "voltage.channel"]),
    ),
    case(39, "the same with units", "39-by-unit.csv", NONE, Read(ONE, NONE)),
    case(
        40,
        "segments in one table",
        "40-segments-one-table.csv",
        NONE,
        Read(&[400, 400, 400], NONE),
    ),
    case(
        41,
        "segments that start time again",
        "41-segment-table.csv",
        NONE,
        Read(&[400, 400, 400], NONE),
    ),
    case(
        42,
        "frames with a blank line between",
        "42-blank-line-frames.csv",
        NONE,
        Read(&[400, 400], NONE),
    ),
    case(
        43,
        "pairs of extremes, one stamp",
        "43-pairs.csv",
        NONE,
        Refused(2, &["each time stamp appears twice", "RMS"]),
    ),
    case(
        43,
        "columns of minima and maxima",
        "43-min-max.csv",
        NONE,
        Refused(2, &["minima and maxima", "RMS"]),
    ),
    case(
        43,
        "peak detection in the preamble",
        "43-peak-mode.csv",
        NONE,
        Refused(2, &["Peak Detect", "RMS"]),
    ),
    case(44, "thinned-out export", "44-decimated.csv", NONE, Read(ONE, &["decimated"])),
    case(45, "filled-up export", "45-interpolated.csv", NONE, Read(&[1600], &["interpolated"])),
    case(45, "averaged acquisition", "45-averaged.csv", NONE, Read(ONE, &["averaged"])),
    case(
        46,
        "probe factor scaled twice",
        "46-probe.csv",
        NONE,
        Refused(2, &["probe factor of 10 already", "voltage.probe_factor"]),
    ),
    case(46, "probe factor agreed on", "46-probe-agreed.csv", NONE, Read(ONE, NONE)),
    case(46, "coarse codes at the rail", "46-clipped-codes.csv", NONE, Read(ONE, &["clipped"])),
];

/// Flags that a record of 40 µs may have for its shortness and its coarse figures alone.
const USUAL: [&str; 3] = ["too_short", "skew_suspected", "few_codes"];

fn run(case: &Case) -> (i32, Value, String) {
    let path = fixture("layouts").join(case.file);
    let mut arguments = vec!["measure", path.to_str().unwrap(), "--json", "--quiet"];
    arguments.extend(case.flags);
    let done = if case.number == 23 {
        // Reading does not hang on the language of the machine.
        std::process::Command::new(env!("CARGO_BIN_EXE_crestbook"))
            .args(&arguments)
            .envs([("LANG", "de_DE.UTF-8"), ("LC_ALL", "de_DE.UTF-8")])
            .output()
            .unwrap()
    } else {
        crestbook(&arguments)
    };
    let json = serde_json::from_slice(&done.stdout).unwrap_or(Value::Null);
    (done.status.code().unwrap(), json, text(&done.stderr))
}

fn records(json: &Value) -> Vec<&Value> {
    match json["records"].as_array() {
        Some(records) => records.iter().collect(),
        None => vec![json],
    }
}

fn codes(record: &Value) -> Vec<&str> {
    record["flags"].as_array().unwrap().iter().map(|flag| flag["code"].as_str().unwrap()).collect()
}

fn whole(record: &Value, key: &str) -> Option<f64> {
    record["whole"][key]["value"].as_f64()
}

/// The values that the files were made with, where nothing of them was meant to be lost.
fn check_values(case: &Case, record: &Value) {
    let spoilt = ["15-", "27-", "37-", "45-interp", "46-clipped", "29-codes-scaled", "30-"];
    let capture = &record["capture"];
    let rate = capture["sample_rate_hz"].as_f64().unwrap();
    let wanted = match case.number {
        30 => 100e6,
        45 if case.file.contains("interpolated") => 40e6,
        _ => 10e6,
    };
    // Time of day in seconds leaves 1e-11 s: 1e-4 of an interval, over 400 of them.
    assert!((rate / wanted - 1.0).abs() < 1e-6, "{}: {rate} Hz", case.file);
    if spoilt.iter().any(|start| case.file.starts_with(start)) {
        return;
    }
    let voltage = whole(record, "voltage_rms_v").unwrap_or_else(|| panic!("{}", case.file));
    assert!((voltage / (400.0 / 2_f64.sqrt()) - 1.0).abs() < 1e-4, "{}: {voltage} V", case.file);
    if let Some(current) = whole(record, "current_rms_a") {
        assert!((current / (0.8 / 2_f64.sqrt()) - 1.0).abs() < 1e-4, "{}: {current} A", case.file);
    }
}

/// A cell of the table: on one line, no longer than people read.
fn cell(text: &str) -> String {
    text.replace('|', "/").replace('\n', " ").trim().to_owned()
}

#[test]
fn every_layout_is_read_or_refused() {
    let mut table = String::from("| no. | layout or trap | becomes | how |\n|---:|---|---|---|\n");
    let mut wrong = Vec::new();
    for case in CASES {
        let (exit, json, said) = run(case);
        let (fate, how) = match &case.fate {
            Refused(code, words) => {
                if exit != *code || words.iter().any(|word| !said.contains(word)) {
                    wrong.push(format!(
                        "{}: exit {exit}, wanted {code} {words:?}: {said}",
                        case.file
                    ));
                }
                let line = |start: &str| {
                    let found = said.lines().find_map(|line| line.strip_prefix(start));
                    found.unwrap_or_default().trim().to_owned()
                };
                let error = line("error: ");
                // Without the folder of whoever ran the test.
                let error = error
                    .rsplit_once("fixtures/layouts/")
                    .map_or(error.clone(), |(_, rest)| rest.to_owned());
                ("refused", format!("{} Remedy: {}", cell(&error), cell(&line("help: "))))
            }
            Read(samples, flags) => {
                if exit != 0 {
                    wrong.push(format!("{}: exit {exit}: {said}", case.file));
                    continue;
                }
                let records = records(&json);
                let got: Vec<u64> = records
                    .iter()
                    .map(|record| record["capture"]["samples"].as_u64().unwrap())
                    .collect();
                let mut all: Vec<&str> = records.iter().flat_map(|record| codes(record)).collect();
                all.sort_unstable();
                all.dedup();
                let split = |code: &str| code == "time_jump" && samples.len() > 1;
                let unexpected = all
                    .iter()
                    .any(|code| !flags.contains(code) && !USUAL.contains(code) && !split(code));
                if got != *samples || flags.iter().any(|flag| !all.contains(flag)) || unexpected {
                    wrong.push(format!(
                        "{}: {got:?} samples, wanted {samples:?}; flags {all:?}, wanted {flags:?}",
                        case.file
                    ));
                }
                records.iter().for_each(|record| check_values(case, record));
                (
                    if samples.len() > 1 { "read, each record" } else { "read" },
                    how_read(&json, &all),
                )
            }
        };
        writeln!(
            table,
            "| {} | {}<br>`{}` | {fate} | {how} |",
            case.number, case.layout, case.file
        )
        .unwrap();
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    for number in 1..=46 {
        assert!(CASES.iter().any(|case| case.number == number), "no file for layout {number}");
    }
    for entry in std::fs::read_dir(fixture("layouts")).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        let stem = name.split('.').next().unwrap().to_owned();
        let known = |case: &Case| case.file == name || case.file.starts_with(&format!("{stem}."));
        let part = name.starts_with("36-");
        assert!(part || CASES.iter().any(known), "{name} is tested by no case");
    }
    hold_page(&table);
}

/// What the receipt says of the decisions that matter.
fn how_read(json: &Value, flags: &[&str]) -> String {
    let record = records(json)[0].clone();
    let mut said = Vec::new();
    for decision in record["receipt"]["decisions"].as_array().unwrap() {
        let (about, found) =
            (decision["about"].as_str().unwrap(), decision["found"].as_str().unwrap());
        let wanted = [
            "encoding",
            "line ends",
            "layout",
            "separator",
            "decimal mark",
            "sample rate",
            "time stamps",
            "columns left out",
            "acquisition mode",
            "probe factor",
            "vertical scale",
            "second file",
        ];
        let usual = [("separator", "comma"), ("decimal mark", "point"), ("line ends", "line feed")];
        if wanted.contains(&about) && !usual.contains(&(about, found)) {
            let found = found.rsplit_once("fixtures/layouts/").map_or(found, |(_, rest)| rest);
            said.push(format!("{about}: {}", cell(found)));
        }
    }
    let flags: Vec<String> =
        flags.iter().filter(|code| !USUAL.contains(code)).map(|code| format!("`{code}`")).collect();
    if !flags.is_empty() {
        said.push(format!("flagged {}", flags.join(", ")));
    }
    said.join("; ")
}

/// The page holds the table as it was made just now.
fn hold_page(table: &str) {
    const BEGIN: &str = "<!-- made by tests/integration/formats.rs -->\n";
    const END: &str = "<!-- end -->";
    let path = root().join("docs/formats.md");
    let page = std::fs::read_to_string(&path).unwrap();
    let (before, rest) = page.split_once(BEGIN).unwrap();
    let (old, after) = rest.split_once(END).unwrap();
    if old == table {
        return;
    }
    if std::env::var_os("UPDATE_DOCS").is_some() {
        std::fs::write(&path, format!("{before}{BEGIN}{table}{END}{after}")).unwrap();
    } else {
        panic!(
            "docs/formats.md is not as the files are read; run UPDATE_DOCS=1 cargo test formats"
        );
    }
}
