//! Nothing stale, lost, forged or hung: each was wrong once.

use crate::support::{crestbook, fixture, text};
use std::path::Path;

fn copy(name: &str, into: &Path) {
    std::fs::copy(fixture("harrow-fell").join(name), into.join(name)).unwrap();
}

/// A sheet made for another file of the same stem is not applied in silence.
#[test]
fn a_sheet_of_another_file_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    copy("cut-80.csv", folder.path());
    let sheet = folder.path().join("cut-80.capture.toml");
    std::fs::write(
        &sheet,
        "format = 1\ndata = \"cut-80.wav\"\n[voltage]\nchannel = 0\nscale = 1000.0\n",
    )
    .unwrap();
    std::fs::write(folder.path().join("cut-80.wav"), "RIFF").unwrap();
    let done = crestbook(&["measure", folder.path().join("cut-80.csv").to_str().unwrap()]);
    let said = text(&done.stderr);
    assert_eq!(done.status.code(), Some(2), "{said}");
    assert!(said.contains("is made for cut-80.wav, not for"), "{said}");
}

/// Several conversions of one capture keep a sheet each.
#[test]
fn converted_files_have_sheets_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["cut-80.csv", "cut-80.capture.toml"] {
        copy(name, folder.path());
    }
    let capture = folder.path().join("cut-80.capture.toml");
    for ending in ["wav", "npy"] {
        let out = folder.path().join(format!("cut-80.{ending}"));
        let done = crestbook(&["convert", capture.to_str().unwrap(), "-o", out.to_str().unwrap()]);
        assert!(done.status.success(), "{}", text(&done.stderr));
        assert!(folder.path().join(format!("cut-80.{ending}.capture.toml")).is_file());
        let done = crestbook(&["measure", out.to_str().unwrap(), "--json"]);
        assert!(done.status.success(), "{}", text(&done.stderr));
        let json: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
        let power = json["kinds"]["cut"]["power_w"]["value"].as_f64().unwrap();
        assert!((power - 81.0).abs() < 1.0, "{ending}: {power}");
    }
}

/// No output takes the place of a file that is being read, such as the second file of two.
#[test]
fn no_output_is_a_file_that_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let rows = |scale: f64| -> String {
        (0..400)
            .map(|k| format!("{:e},{}\n", f64::from(k) * 1e-7, scale * (f64::from(k) * 0.25).sin()))
            .collect()
    };
    for (name, scale) in [("v.csv", 100.0), ("i.csv", 0.2)] {
        std::fs::write(folder.path().join(name), format!("s,x\n{}", rows(scale))).unwrap();
    }
    let sheet = folder.path().join("v.capture.toml");
    std::fs::write(&sheet, "format = 1\ndata = \"v.csv\"\ndata_current = \"i.csv\"\n").unwrap();
    let out = folder.path().join("i.csv");
    let before = std::fs::read(&out).unwrap();
    let done = crestbook(&["convert", sheet.to_str().unwrap(), "-o", out.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(2), "{}", text(&done.stderr));
    assert_eq!(std::fs::read(&out).unwrap(), before);
}

#[cfg(unix)]
#[test]
fn pipes_and_links_are_no_files_to_replace() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe.csv");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let done = crestbook(&["measure", pipe.to_str().unwrap()]);
    assert!(text(&done.stderr).contains("a pipe or a device"), "{}", text(&done.stderr));
    let capture = fixture("harrow-fell").join("cut-80.capture.toml");
    let done = crestbook(&["convert", capture.to_str().unwrap(), "-o", pipe.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(4), "{}", text(&done.stderr));
    // A link still is one afterwards, and its target has the data.
    let (link, target) = (folder.path().join("link.csv"), folder.path().join("target.csv"));
    std::fs::write(&target, "old").unwrap();
    std::os::unix::fs::symlink(&target, &link).unwrap();
    let done =
        crestbook(&["convert", capture.to_str().unwrap(), "-o", link.to_str().unwrap(), "--force"]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    assert!(link.is_symlink() && std::fs::metadata(&target).unwrap().len() > 1000);
}

/// A value that no bench sees is damage, and no number is `null`.
#[test]
fn absurd_numbers_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let rows: String = (0..400)
        .map(|k| format!("{:e},{:e}\n", f64::from(k) * 1e-7, if k == 200 { 1e12 } else { 1.0 }))
        .collect();
    let path = folder.path().join("x.csv");
    std::fs::write(&path, format!("s,V\n{rows}")).unwrap();
    let done = crestbook(&["measure", path.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(2));
    assert!(text(&done.stderr).contains("which no bench sees"), "{}", text(&done.stderr));
    // So large that single precision has no number for it.
    let capture = fixture("harrow-fell").join("cut-80.csv");
    let capture = capture.to_str().unwrap();
    let done = crestbook(&["measure", capture, "--set=voltage.scale=-1e300"]);
    assert!(text(&done.stderr).contains("which no bench sees"), "{}", text(&done.stderr));
    let done = crestbook(&["measure", capture, "--set", "sample_rate_hz=1e-300"]);
    assert_ne!(done.status.code(), Some(0));
    let sheet = folder.path().join("x.capture.toml");
    std::fs::write(&sheet, "format = 1\ndata = \"x.csv\"\n[bench]\nhumidity_percent = nan\n")
        .unwrap();
    let done = crestbook(&["measure", sheet.to_str().unwrap()]);
    assert!(text(&done.stderr).contains("a number must be finite"), "{}", text(&done.stderr));
}

/// Names of others neither move the cursor nor add lines.
#[test]
fn texts_of_others_are_written_out() {
    let folder = tempfile::tempdir().unwrap();
    let rows: String = (0..400)
        .map(|k| format!("{:e},{}\n", f64::from(k) * 1e-7, (f64::from(k) * 0.25).sin()))
        .collect();
    let path = folder.path().join("x.csv");
    std::fs::write(&path, format!("s,\u{1b}[2JA\u{202e}B\n{rows}")).unwrap();
    let done = crestbook(&["layout", path.to_str().unwrap()]);
    let shown = text(&done.stdout);
    assert!(!shown.contains('\u{1b}') && !shown.contains('\u{202e}'), "{shown:?}");
    let done = crestbook(&["measure", "no\u{1b}[2Jsuch.csv"]);
    assert!(!text(&done.stderr).contains('\u{1b}'));
    let sheet = folder.path().join("x.capture.toml");
    std::fs::write(&sheet, "format = 1\n[subject]\nserial = \"7\\nPASS\"\n").unwrap();
    let done = crestbook(&["measure", path.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(2), "{}", text(&done.stderr));
}

/// The lowest code of a converter is a value like any other.
#[test]
fn comtrade_keeps_the_codes_at_both_ends() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("rail.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 8_000_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(&path, spec).unwrap();
    let codes: Vec<i16> = (0..4000)
        .map(|k: i16| [i16::MIN, -20_000, 0, 20_000, i16::MAX][(k % 5) as usize])
        .collect();
    for code in &codes {
        wav.write_sample(*code).unwrap();
    }
    wav.finalize().unwrap();
    let out = folder.path().join("rail.cfg");
    let flags = ["--set", "voltage.channel=0", "--set", "voltage.scale=1000"];
    let done = crestbook(
        &[&["convert", path.to_str().unwrap(), "-o", out.to_str().unwrap()], &flags[..]].concat(),
    );
    assert!(done.status.success(), "{}", text(&done.stderr));
    let again = folder.path().join("again.npy");
    let done = crestbook(&["convert", out.to_str().unwrap(), "-o", again.to_str().unwrap()]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    let bytes = std::fs::read(&again).unwrap();
    let values: Vec<f64> = match bytes.windows(3).any(|w| w == b"<f8") {
        true => bytes[128..]
            .chunks_exact(8)
            .map(|b| f64::from_le_bytes(b.try_into().unwrap()))
            .collect(),
        false => bytes[128..]
            .chunks_exact(4)
            .map(|b| f64::from(f32::from_le_bytes(b.try_into().unwrap())))
            .collect(),
    };
    let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
    assert_eq!(values.len(), codes.len());
    assert!(values.iter().all(|x| x.is_finite()) && lowest < 0.0);
    let ratio = values[0] / values[4];
    assert!((ratio + 32_768.0 / 32_767.0).abs() < 1e-6, "{ratio}");
}

/// A file that is written anew while it is read is a mixture of two captures.
#[test]
fn a_file_that_changes_under_way_is_refused() {
    use crestbook::analysis::{Settings, measure_capture};
    use crestbook::recording::{Observer, resolve};
    struct Writing<'a>(&'a Path);
    impl Observer for Writing<'_> {
        fn progress(&self, _: u64, _: u64) {
            let text = std::fs::read_to_string(self.0).unwrap();
            std::fs::write(self.0, format!("{text}1e-3,0\n")).unwrap();
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.csv");
    let rows: String = (0..400)
        .map(|k| format!("{:e},{}\n", f64::from(k) * 1e-7, (f64::from(k) * 0.25).sin()))
        .collect();
    std::fs::write(&path, format!("s,V\n{rows}")).unwrap();
    let capture = resolve(&path, None, &[]).unwrap();
    let run = measure_capture(capture, &Settings::default(), &Writing(&path));
    let said = run.err().unwrap().to_string();
    assert!(said.contains("changed while it was read"), "{said}");
}

/// A run that was killed while it laid a job out is finished by the next; nothing else is written over.
#[test]
fn a_folder_half_laid_out_is_finished() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("plan.toml");
    let example = crestbook(&["job", "example"]);
    std::fs::write(&plan, example.stdout).unwrap();
    let bench = folder.path().join("bench");
    let begin = || {
        let profile = plan.to_str().unwrap();
        crestbook(&["job", "init", bench.to_str().unwrap(), "--profile", profile, "--quiet"])
    };
    assert!(begin().status.success());
    let sheets = || std::fs::read_dir(bench.join("captures")).unwrap().count();
    let whole = sheets();
    // As a kill leaves it: some sheets, one half written under another name, no job.toml.
    std::fs::remove_file(bench.join("job.toml")).unwrap();
    let some = std::fs::read_dir(bench.join("captures")).unwrap().flatten().next().unwrap();
    std::fs::remove_file(some.path()).unwrap();
    let done = begin();
    assert!(done.status.success(), "{}", text(&done.stderr));
    assert_eq!(sheets(), whole);
    for name in ["captures/notes.txt", "profile.toml", "checklist.html"] {
        std::fs::remove_file(bench.join("job.toml")).unwrap();
        let kept = std::fs::read(bench.join(name)).ok();
        std::fs::write(bench.join(name), "mine").unwrap();
        let done = begin();
        assert_eq!(done.status.code(), Some(2), "{name}");
        assert!(text(&done.stderr).contains("is in the way"), "{}", text(&done.stderr));
        assert_eq!(std::fs::read(bench.join(name)).unwrap(), b"mine");
        match kept {
            Some(bytes) => std::fs::write(bench.join(name), bytes).unwrap(),
            None => std::fs::remove_file(bench.join(name)).unwrap(),
        }
        assert!(begin().status.success(), "{name}");
    }
}
