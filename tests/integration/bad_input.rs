//! Every command used wrong: exit code, place and remedy, and nothing left behind.

use crate::support::{crestbook, fixture, text};
use std::path::Path;

struct Case<'a> {
    name: &'a str,
    content: &'a [u8],
    flags: &'a [&'a str],
    exit: i32,
    /// Words that the message must hold: what, where, what to do.
    says: &'a [&'a str],
}

fn run(folder: &Path, case: &Case<'_>) {
    let path = folder.join(case.name);
    std::fs::write(&path, case.content).unwrap();
    let mut arguments = vec!["measure", path.to_str().unwrap(), "--quiet"];
    arguments.extend(case.flags);
    let done = crestbook(&arguments);
    let said = text(&done.stderr);
    assert_eq!(done.status.code(), Some(case.exit), "{}: {said}", case.name);
    for word in case.says {
        assert!(said.contains(word), "{}: `{word}` is not in: {said}", case.name);
    }
    assert!(!said.contains("panicked"), "{said}");
    if case.exit != 0 {
        assert!(said.contains("help:"), "{}: no remedy in: {said}", case.name);
        assert!(done.stdout.is_empty(), "{}: printed a result", case.name);
    }
}

#[test]
fn damaged_data() {
    let folder = tempfile::tempdir().unwrap();
    let mut good = String::from("time (s),v (V),i (A)\n");
    for k in 0..100 {
        good.push_str(&format!("{:.7},{:.3},{:.4}\n", f64::from(k) * 1e-7, f64::from(k % 7), 0.1));
    }
    let cut = format!("{good}0.00001,3.0");
    let letters = good.replace("0.0000050,1.000,0.1000", "0.0000050,oops,0.1000");
    let columns = good.replace("0.0000050,1.000,0.1000", "0.0000050,1.000");
    let overrange = good.replace("0.0000050,1.000,0.1000", "0.0000050,inf,0.1000");
    let backward = good.replace("0.0000050,1.000", "0.0000020,1.000");
    let cases = [
        Case { name: "empty.csv", content: b"", flags: &[], exit: 3, says: &["is empty"] },
        Case { name: "header.csv", content: b"time,v,i\n", flags: &[], exit: 3, says: &["no rows of numbers"] },
        Case { name: "one.csv", content: b"time,v,i\n0.0,1.0,2.0\n", flags: &[], exit: 3, says: &["one sample"] },
        Case { name: "first.csv", content: b"time (s),v (V)\n0.0,oops\n1e-7,2.5\n2e-7,1.5\n3e-7,2.5\n", flags: &[], exit: 3, says: &[":2: field 2", "oops"] },
        // Cut off: read as far as it goes, and flagged; see formats.rs.
        Case { name: "cut.csv", content: cut.as_bytes(), flags: &[], exit: 0, says: &[] },
        Case { name: "letters.csv", content: letters.as_bytes(), flags: &[], exit: 3, says: &[":52: field 2", "oops"] },
        Case { name: "columns.csv", content: columns.as_bytes(), flags: &[], exit: 3, says: &[":52", "2 field(s)", "3"] },
        Case { name: "inf.csv", content: overrange.as_bytes(), flags: &[], exit: 0, says: &[] },
        Case { name: "backward.csv", content: backward.as_bytes(), flags: &[], exit: 3, says: &["backwards"] },
        Case { name: "both.csv", content: b"1,50,2,25\n2,50,3,25\n3,50,4,25\n", flags: &[], exit: 2, says: &["can be read as 4 numbers", "text.decimal"] },
        Case { name: "rate.csv", content: b"v,i\n1.5,2.5\n2.5,3.5\n3.5,1.5\n", flags: &[], exit: 2, says: &["sample_rate_hz"] },
        Case { name: "cut.npy", content: b"\x93NUMPY\x01\x00\x46\x00{'descr': '<f8', 'fortran_order': False, 'shape': (999,), }            \n", flags: &["--set", "sample_rate_hz=1e6"], exit: 3, says: &["cut off"] },
        Case { name: "short.npy", content: b"\x93NUMPY\x01", flags: &[], exit: 3, says: &["npy"] },
        Case { name: "pickle.npy", content: b"\x93NUMPY\x01\x00\x46\x00{'descr': '|O', 'fortran_order': False, 'shape': (9,), }               \n", flags: &[], exit: 3, says: &["not read"] },
        Case { name: "cut.wav", content: b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x40\x1f\x00\x00", flags: &[], exit: 3, says: &["WAV header"] },
        Case { name: "zeros.bin", content: &[0; 64], flags: &[], exit: 3, says: &["not in a known format", "export"] },
        Case { name: "utf16.csv", content: b"\xff\xfet\x00,\x00v\x00\n\x00", flags: &[], exit: 3, says: &["no rows of numbers"] },
        Case { name: "good.csv", content: good.as_bytes(), flags: &[], exit: 0, says: &[] },
        Case { name: "voltage.csv", content: b"time (s),v (V)\n0.0,1\n1e-7,2\n2e-7,1\n3e-7,2\n", flags: &[], exit: 0, says: &[] },
        Case { name: "noend.csv", content: good.trim_end().as_bytes(), flags: &[], exit: 0, says: &[] },
        Case { name: "zero.csv", content: b"time (s),v (V),i (A)\n0.0,0,0\n1e-7,0,0\n2e-7,0,0\n3e-7,0,0\n", flags: &[], exit: 0, says: &[] },
        Case { name: "rate0.csv", content: good.as_bytes(), flags: &["--set", "sample_rate_hz=0"], exit: 2, says: &["impossible"] },
        Case { name: "rate5.csv", content: good.as_bytes(), flags: &["--set", "sample_rate_hz=5e6"], exit: 2, says: &["the sheet says 5000000 Hz"] },
        Case { name: "nan.csv", content: good.as_bytes(), flags: &["--set", "voltage.scale=volts"], exit: 2, says: &["--set voltage.scale", "not a number"] },
        Case { name: "channel.csv", content: good.as_bytes(), flags: &["--set", "voltage.channel=CH7"], exit: 2, says: &["CH7", "0 = v, 1 = i"] },
        Case { name: "same.csv", content: good.as_bytes(), flags: &["--set", "voltage.channel=v", "--set", "current.channel=0"], exit: 2, says: &["same channel"] },
        Case { name: "threshold.csv", content: good.as_bytes(), flags: &["--duty-threshold", "2"], exit: 2, says: &["duty-threshold"] },
        Case { name: "plot.csv", content: good.as_bytes(), flags: &["--plot", "x.gif"], exit: 2, says: &[".svg or .png"] },
    ];
    for case in &cases {
        run(folder.path(), case);
    }
}

#[test]
fn missing_folder_and_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("none.csv");
    let done = crestbook(&["measure", path.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(3));
    assert!(text(&done.stderr).contains("No such file"));
    let done = crestbook(&["measure", folder.path().to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(3));
    assert!(text(&done.stderr).contains("is a directory"));
    let data = fixture("dialects/plain.csv");
    let sheet = folder.path().join("a.capture.toml");
    for (content, says) in [
        ("[voltage]\nchanel = \"v\"\n", &[":2:1", "did you mean `channel`", "chanel = \"v\""][..]),
        ("[voltage]\nchannel = \"CH9\"\n", &["CH9", "voltage"][..]),
        ("sample_rate_hz = 0.0\n", &[":1:", "impossible"][..]),
        ("sample_rate_hz = \"fast\"\n", &[":1:", "invalid type"][..]),
        ("[load]\nkind = \"lamp\"\n", &[":2:", "unknown variant"][..]),
        ("[voltage\n", &[":1:"][..]),
        ("[voltage]\ndelay_s = 9e-4\n", &[":2:", "shorter than the record"][..]),
        ("[voltage]\nrelative_standard_uncertainty = -0.01\n", &[":2:", "between 0 and 1"][..]),
        (
            "[load.accuracy]\nrelative_expanded_uncertainty = 0.02\ncoverage_factor = 0\n",
            &[":3:", "1 or more"][..],
        ),
        ("[correlation]\nvoltage_current = 1.5\n", &[":2:", "between -1 and 1"][..]),
        (
            "[correlation]\nvoltage_current = 0.9\nvoltage_load = 0.9\ncurrent_load = -0.9\n",
            &[":4:", "positive semi-definite"][..],
        ),
    ] {
        std::fs::write(&sheet, content).unwrap();
        let done =
            crestbook(&["measure", data.to_str().unwrap(), "--sheet", sheet.to_str().unwrap()]);
        let said = text(&done.stderr);
        assert_eq!(done.status.code(), Some(2), "{content}: {said}");
        for word in says {
            assert!(said.contains(word), "{content}: `{word}` not in {said}");
        }
    }
}

#[test]
fn wrong_profiles_and_settings() {
    let folder = tempfile::tempdir().unwrap();
    let data = fixture("harrow-fell/cut-80.csv");
    let profile = folder.path().join("p.toml");
    let good = std::fs::read_to_string(fixture("harrow-fell/tarnbeck.toml")).unwrap();
    for (content, flags, exit, says) in [
        (
            good.replace("tolerance = \"20 %\"", "tolerence = \"20 %\""),
            &[][..],
            2,
            "did you mean `tolerance`",
        ),
        (good.replace("\"power_w\"", "\"powr_w\""), &[], 2, "did you mean `power_w`"),
        (good.clone(), &["--setting", "cut-8"], 2, "did you mean `cut-80`"),
        (good.replace("\"guarded\"", "\"guarded\"\nguard = 0"), &[], 2, "multiple of U"),
        (good.replace("\"guarded\"", "\"simple\"\nguard = 1"), &[], 2, "no guard band"),
        (good.replace("\"guarded\"", "\"careful\""), &[], 2, "unknown variant"),
        (good.clone(), &["--monte-carlo", "few"], 2, "not a number of draws"),
        (good.clone(), &["--monte-carlo", "10"], 2, "from 1000"),
        (good.clone(), &["--budget=powr_w"], 2, "did you mean `power_w`"),
        (good.clone(), &["--setting", "desiccation-20"], 1, ""),
    ] {
        std::fs::write(&profile, content).unwrap();
        let mut arguments =
            vec!["check", data.to_str().unwrap(), "--profile", profile.to_str().unwrap()];
        arguments.extend(flags);
        let done = crestbook(&arguments);
        assert_eq!(done.status.code(), Some(exit), "{}", text(&done.stderr));
        assert!(text(&done.stderr).contains(says), "{says}: {}", text(&done.stderr));
    }
}

#[test]
fn outputs_are_whole_or_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("no/such/folder/a.csv");
    let done = crestbook(&["synth", "continuous", "-o", missing.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(4), "{}", text(&done.stderr));
    let ending = folder.path().join("a.xyz");
    let done = crestbook(&["synth", "continuous", "-o", ending.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(2));
    let taken = folder.path().join("taken.csv");
    std::fs::create_dir(&taken).unwrap();
    let done = crestbook(&["synth", "continuous", "-o", taken.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(4));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "something was left behind");
    for (flag, value) in [
        ("--duty", "0"),
        ("--rate-hz", "0"),
        ("--rate-hz", "600e3"),
        ("--duration-s", "-1"),
        ("--bits", "1"),
        ("--duration-s", "1e9"),
    ] {
        let path = folder.path().join("b.csv");
        let done = crestbook(&["synth", "gated", "-o", path.to_str().unwrap(), flag, value]);
        assert_eq!(done.status.code(), Some(2), "{flag} {value}: {}", text(&done.stderr));
        assert!(!path.exists());
    }
}

/// /dev/full takes no byte: the disk is full.
#[cfg(target_os = "linux")]
#[test]
fn full_disk_and_closed_pipe() {
    use std::process::{Command, Stdio};
    let data = fixture("dialects/plain.csv");
    let run = |out: Stdio| {
        Command::new(env!("CARGO_BIN_EXE_crestbook"))
            .args(["measure", data.to_str().unwrap()])
            .stdout(out)
            .stderr(Stdio::piped())
            .output()
            .unwrap()
    };
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let done = run(full.into());
    assert_eq!(done.status.code(), Some(4), "{}", text(&done.stderr));
    assert!(text(&done.stderr).contains("No space left"));
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    assert_eq!(run(writer.into()).status.code(), Some(0));
}

/// Ctrl-C while a file is being written: ends at once, says so, leaves nothing.
#[cfg(unix)]
#[test]
fn interrupted() {
    use std::process::{Command, Stdio};
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.csv");
    let child = Command::new(env!("CARGO_BIN_EXE_crestbook"))
        .args(["synth", "continuous", "--duration-s", "100", "-o", path.to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Wait until it writes.
    for _ in 0..500 {
        if std::fs::read_dir(folder.path()).unwrap().count() > 0 {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    let killed = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(killed.success());
    let done = child.wait_with_output().unwrap();
    assert_eq!(done.status.code(), Some(130), "{}", text(&done.stderr));
    assert!(text(&done.stderr).contains("interrupted"));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "something was left behind");
}

/// A file cut off anywhere is read or refused, never a panic.
#[test]
fn cut_off_anywhere() {
    let folder = tempfile::tempdir().unwrap();
    for name in [
        "dialects/preamble-units.csv",
        "dialects/quoted.csv",
        "reference/int16.wav",
        "reference/rows-i16.npy",
    ] {
        let whole = std::fs::read(fixture(name)).unwrap();
        let path = folder.path().join(Path::new(name).file_name().unwrap());
        for part in [1, 7, 13, 50, 100, 200, 1000, whole.len() / 2, whole.len() - 1] {
            std::fs::write(&path, &whole[..part.min(whole.len())]).unwrap();
            let done = crestbook(&[
                "measure",
                path.to_str().unwrap(),
                "--set",
                "sample_rate_hz=1e7",
                "--quiet",
            ]);
            let code = done.status.code().unwrap();
            assert!([0, 2, 3].contains(&code), "{name} at {part}: {code} {}", text(&done.stderr));
            assert!(!text(&done.stderr).contains("panicked"), "{name} at {part}");
        }
    }
}
