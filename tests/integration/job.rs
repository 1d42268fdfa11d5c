//! A whole verification, used as its users do, and every way to do it wrong.

use crate::support::{crestbook, text};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;
use tempfile::TempDir;

/// The demo, laid out once a test; its folder goes with it.
struct Demo {
    _keep: TempDir,
    folder: PathBuf,
}

impl Demo {
    fn new() -> Self {
        let keep = tempfile::tempdir().unwrap();
        let folder = keep.path().join("bench");
        let done = crestbook(&["demo", folder.to_str().unwrap(), "--quiet"]);
        assert!(done.status.success(), "{}", text(&done.stderr));
        Self { _keep: keep, folder }
    }

    fn run(&self, more: &[&str]) -> Output {
        crestbook(&[&["job", self.folder.to_str().unwrap()], more].concat())
    }

    fn json(&self) -> Value {
        let done = self.run(&["--json"]);
        serde_json::from_slice(&done.stdout).unwrap_or_else(|_| panic!("{}", text(&done.stderr)))
    }

    fn note(&self, step: &str, more: &[&str]) -> Output {
        crestbook(&[&["job", "note", self.folder.to_str().unwrap(), step], more].concat())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    fn edit(&self, name: &str, from: &str, to: &str) {
        let path = self.path(name);
        let old = std::fs::read_to_string(&path).unwrap();
        assert!(old.contains(from), "{name} has no `{from}`:\n{old}");
        std::fs::write(path, old.replacen(from, to, 1)).unwrap();
    }
}

fn step<'a>(result: &'a Value, id: &str) -> &'a Value {
    result["steps"].as_array().unwrap().iter().find(|step| step["id"] == id).unwrap()
}

fn group<'a>(result: &'a Value, id: &str) -> &'a Value {
    result["groups"].as_array().unwrap().iter().find(|group| group["id"] == id).unwrap()
}

fn codes(of: &Value) -> Vec<&str> {
    let found = of["findings"].as_array().map_or(&[] as &[Value], Vec::as_slice);
    found.iter().map(|finding| finding["code"].as_str().unwrap()).collect()
}

fn refused(done: &Output, code: i32, said: &[&str]) {
    let told = text(&done.stderr);
    assert_eq!(done.status.code(), Some(code), "{told}");
    for word in said {
        assert!(told.contains(word), "`{word}` is not told:\n{told}");
    }
    assert!(!told.contains("panicked"));
}

fn outcomes(folder: &Path) -> Vec<(PathBuf, std::time::SystemTime)> {
    let mut all: Vec<_> = std::fs::read_dir(folder.join(".crestbook/outcomes"))
        .unwrap()
        .map(|entry| {
            let entry = entry.unwrap();
            (entry.path(), entry.metadata().unwrap().modified().unwrap())
        })
        .collect();
    all.sort();
    all
}

/// What the demo promises: two fail, one is in doubt, one is missing; the rest passes.
#[test]
fn the_demo_is_judged() {
    let demo = Demo::new();
    let done = demo.run(&[]);
    assert_eq!(done.status.code(), Some(1), "{}", text(&done.stderr));
    let shown = text(&done.stdout);
    for word in [
        "FAIL, INCOMPLETE: 1 OF 51 TO DO",
        "2 fail",
        "1 in doubt",
        "1 to do",
        "earth",
        "power at 2000",
    ] {
        assert!(shown.contains(word), "`{word}`:\n{shown}");
    }
    let result = demo.json();
    assert_eq!(result["schema"], "crestbook/job/1");
    let by = |verdict: &str| -> Vec<&str> {
        let steps = result["steps"].as_array().unwrap().iter();
        steps.filter(|s| s["verdict"] == verdict).map(|s| s["id"].as_str().unwrap()).collect()
    };
    assert_eq!(by("fail"), ["cut-full-2000ohm", "earth"]);
    assert_eq!(by("conditional pass"), ["blend-60"]);
    assert_eq!(by("not measured"), ["leak-neutral"]);
    // The load in hand was 487 ohm: the curve is read there, between 200 and 500 ohm at 80 W.
    let line = group(&result, "cut-full")["lines"]
        .as_array()
        .unwrap()
        .iter()
        .find(|line| line["step"] == "cut-full-500ohm")
        .unwrap();
    assert!(line["what"].as_str().unwrap().contains("487"), "{line}");
    assert_eq!(line["nominal"], 80.0);
    // Pressed at 2 ms, output from 9 ms; let go at 18.5 ms, output until 19 ms.
    let timing = &group(&result, "cut-switch")["lines"];
    assert!((timing[0]["value"].as_f64().unwrap() - 7e-3).abs() < 5e-6, "{timing}");
    assert!((timing[1]["value"].as_f64().unwrap() - 0.5e-3).abs() < 5e-6, "{timing}");
    // 283 V behind 500 ohm.
    let source = &group(&result, "coag-full")["source"];
    let off = source["resistance_ohm"].as_f64().unwrap() - 500.0;
    assert!(
        off.abs() < source["resistance_expanded_uncertainty_ohm"].as_f64().unwrap(),
        "{source}"
    );
    // What has failed is not due again: it is to be mended.
    assert_eq!(result["job"]["next_due"], Value::Null);
    // One capture serves every step of its setting, dial and load.
    for (id, host) in [
        ("cut-dial-80", "cut-80"),
        ("cut-again-1", "cut-80"),
        ("bipolar-full-100ohm", "bipolar-15"),
    ] {
        assert_eq!(step(&result, id)["shares"], host, "{id}");
        assert_eq!(step(&result, id)["state"], "done");
    }
    assert_eq!(step(&result, "cut-full-500ohm")["shares"], Value::Null);
    assert_eq!(result["as_found"]["verdict"], "fail");
    assert!(result["as_found"]["rows"].as_array().unwrap().len() > 5);
    for name in ["results/result.json", "results/report.html", "results/numbers.csv"] {
        assert!(demo.path(name).is_file(), "{name}");
    }
    let kept: Value =
        serde_json::from_slice(&std::fs::read(demo.path("results/result.json")).unwrap()).unwrap();
    assert_eq!(kept["verdict"], result["verdict"]);
}

#[test]
fn only_what_changed_is_measured_again() {
    let demo = Demo::new();
    demo.run(&[]);
    let before = outcomes(&demo.folder);
    let same = demo.json();
    assert_eq!(outcomes(&demo.folder), before);
    // Touched but the same: hashed, not measured.
    let capture = demo.path("captures/cut-80.wav");
    let bytes = std::fs::read(&capture).unwrap();
    std::fs::write(&capture, &bytes).unwrap();
    assert_eq!(demo.json(), same);
    assert_eq!(outcomes(&demo.folder), before);
    // One sample changed: one outcome is new and the old one is dropped.
    let mut other = bytes;
    let last = other.len() - 1;
    other[last] ^= 1;
    std::fs::write(&capture, &other).unwrap();
    let changed = demo.json();
    let after = outcomes(&demo.folder);
    assert_eq!(after.len(), before.len());
    // It serves three steps.
    assert_eq!(after.iter().filter(|entry| !before.contains(entry)).count(), 3);
    let hash = |result: &Value| step(result, "cut-80")["capture"]["sha256"][0].clone();
    assert_ne!(hash(&changed), hash(&same));
    // A memory that is damaged is none.
    std::fs::write(demo.path(".crestbook/seen.json"), b"{").unwrap();
    std::fs::write(&after[0].0, b"[]").unwrap();
    assert_eq!(demo.json(), changed);
}

/// Threads change nothing in the result.
#[test]
fn any_number_of_jobs_gives_the_same() {
    let demo = Demo::new();
    let mut all = Vec::new();
    for jobs in ["1", "4"] {
        let _ = std::fs::remove_dir_all(demo.path(".crestbook/outcomes"));
        all.push(demo.run(&["--json", "--jobs", jobs]).stdout);
    }
    assert_eq!(all[0], all[1]);
}

#[test]
fn two_captures_of_one_step_are_not_judged() {
    let demo = Demo::new();
    let sheet = std::fs::read_to_string(demo.path("captures/cut-80.capture.toml")).unwrap();
    std::fs::write(demo.path("captures/again.capture.toml"), &sheet).unwrap();
    std::fs::copy(demo.path("captures/cut-80.wav"), demo.path("captures/again.wav")).unwrap();
    let result = demo.json();
    let twice = step(&result, "cut-80");
    assert_eq!((&twice["state"], &twice["verdict"]), (&"repeated".into(), &"not measured".into()));
    assert_eq!(codes(twice), ["claimed_twice"]);
    // The two steps that share it are no better off.
    assert_eq!(result["counts"]["repeated"], 3);
    // Set aside with a reason it is out of the way, and the report tells.
    demo.edit("captures/again.capture.toml", "[job]", "[job]\nset_aside = \"probe was loose\"");
    let result = demo.json();
    let once = step(&result, "cut-80");
    assert_eq!(once["verdict"], "pass");
    assert_eq!(once["set_aside"][0][1], "probe was loose");
    let report = std::fs::read_to_string(demo.path("results/report.html")).unwrap();
    assert!(report.contains("probe was loose"));
    // Two data files beside one sheet are the same doubt.
    std::fs::copy(demo.path("captures/coag-40.wav"), demo.path("captures/coag-40.csv")).unwrap();
    assert_eq!(codes(step(&demo.json(), "coag-40")), ["claimed_twice"]);
}

#[test]
fn captures_that_do_not_belong_are_told() {
    let demo = Demo::new();
    demo.edit("captures/cut-80.capture.toml", "TB-0417", "TB-9999");
    demo.edit("captures/coag-40.capture.toml", "dial = 40.0", "dial = 30.0");
    demo.edit("captures/desiccation-20.capture.toml", "plan = \"", "plan = \"0");
    demo.edit("captures/bipolar-15.capture.toml", "nominal_ohm = 100.0", "nominal_ohm = 200.0");
    demo.edit("captures/cycle-2.capture.toml", "scale = 2000.0", "scale = 0.0");
    let blend = std::fs::read(demo.path("captures/blend-60.wav")).unwrap();
    std::fs::write(demo.path("captures/blend-60.wav"), &blend[..40]).unwrap();
    std::fs::write(demo.path("captures/cut-fall-100ohm.wav"), &blend).unwrap();
    demo.edit(
        "captures/cut-again-2.capture.toml",
        "step = \"cut-again-2\"",
        "step = \"cut-again-9\"",
    );
    let result = demo.json();
    for (id, code, verdict) in [
        ("cut-80", "other_unit", "not measured"),
        ("coag-40", "other_dial", "not measured"),
        ("desiccation-20", "older_plan", "conditional pass"),
        ("bipolar-15", "load_differs", "not measured"),
        ("cycle-2", "unreadable", "not measured"),
        ("blend-60", "unreadable", "not measured"),
    ] {
        let of = step(&result, id);
        assert!(codes(of).contains(&code), "{id}: {}", of["findings"]);
        assert_eq!(of["verdict"], verdict, "{id}");
    }
    // The place of the fault in the sheet is told.
    assert!(step(&result, "cycle-2")["findings"][0]["message"].as_str().unwrap().contains(":"));
    let strays: Vec<&str> = result["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["code"] == "stray")
        .map(|finding| finding["message"].as_str().unwrap())
        .collect();
    assert_eq!(strays.len(), 2, "{strays:?}");
    assert!(strays.iter().any(|s| s.contains("cut-again-9")));
    assert!(strays.iter().any(|s| s.contains("cut-full-100ohm")), "{strays:?}");
    assert_eq!(step(&result, "cut-again-2")["state"], "missing");
}

#[test]
fn a_plan_edited_in_the_middle_is_told_and_accepted_with_a_reason() {
    let demo = Demo::new();
    demo.edit("profile.toml", "flatness = 0.15", "flatness = 0.25");
    let done = demo.run(&[]);
    refused(
        &done,
        2,
        &["changed since", "curve.cut-full.flatness: 0.15 is now 0.25", "--accept-plan"],
    );
    refused(&demo.note("visual", &["yes"]), 2, &["changed since"]);
    let done = demo.run(&["--accept-plan", "limit of the new papers", "--json"]);
    let result: Value = serde_json::from_slice(&done.stdout).unwrap();
    let told = result["plan"]["changes"][0].as_str().unwrap();
    assert!(told.contains("limit of the new papers") && told.contains("0.25"), "{told}");
    // A limit is no matter of the captures: they stay as good as they were.
    assert!(codes(step(&result, "cut-80")).is_empty());
    let job = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    assert!(job.starts_with("# One verification"), "comments stay:\n{job}");
    refused(&demo.run(&["--accept-plan", "again"]), 2, &["has not been changed"]);
    demo.edit("profile.toml", "[[manual]]", "# a comment\n[[manual]]");
    refused(&demo.run(&[]), 2, &["only comments or layout"]);
    // Another dial or load touches the captures of that setting, and no other.
    demo.edit("profile.toml", "dial = 20.0\nload_ohm = 125.0", "dial = 22.0\nload_ohm = 125.0");
    let done = demo.run(&["--accept-plan", "another dial", "--json"]);
    let result: Value = serde_json::from_slice(&done.stdout).unwrap();
    assert!(codes(step(&result, "desiccation-20")).contains(&"older_plan"));
    let touched = result["steps"].as_array().unwrap().iter();
    let touched = touched.filter(|step| codes(step).contains(&"older_plan")).count();
    assert_eq!(touched, 1);
}

#[test]
fn readings_are_checked() {
    let demo = Demo::new();
    let before = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    for (step, more, said) in [
        ("earth", &["120", "mA"] as &[&str], "`mA` is another unit"),
        ("earth", &["120"], "has no unit"),
        ("earth", &["low", "mohm"], "not a number"),
        ("earth", &["nan", "mohm"], "not a number"),
        ("visual", &["perhaps"], "yes or no"),
        ("erth", &["1", "ohm"], "did you mean `earth`"),
        ("cut-80", &["80", "W"], "takes a capture"),
        ("earth", &["120", "mohm", "--uncertainty", "two"], "two"),
        ("earth", &["120", "mohm", "--at", "noon"], "not a time"),
    ] {
        refused(&demo.note(step, more), 2, &[said]);
    }
    assert_eq!(std::fs::read_to_string(demo.path("job.toml")).unwrap(), before);
    // Another unit of the same kind is turned; the last reading counts, all are kept.
    assert!(demo.note("earth", &["0.12", "ohm", "--by", "bench engineer 1"]).status.success());
    let result = demo.json();
    let line = &group(&result, "earth")["lines"][0];
    assert!((line["value"].as_f64().unwrap() - 120.0).abs() < 1e-9 && line["verdict"] == "pass");
    let after = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    assert!(after.starts_with(&before) && after.contains("value = \"331\""));
    // Written by hand into job.toml with a wrong unit: refused with its line.
    std::fs::write(
        demo.path("job.toml"),
        format!("{after}\n[[reading]]\nstep = \"earth\"\nvalue = \"1\"\nunit = \"V\"\n"),
    )
    .unwrap();
    refused(&demo.run(&[]), 2, &["job.toml:", "`V` is another unit"]);
}

#[test]
fn folders_and_files_in_the_way() {
    let demo = Demo::new();
    let folder = demo.folder.to_str().unwrap();
    refused(&crestbook(&["demo", folder]), 2, &["not empty"]);
    let profile = demo.path("plan.toml");
    let profile = profile.to_str().unwrap();
    refused(&crestbook(&["job", "init", folder, "--profile", profile]), 2, &["never overwritten"]);
    refused(&crestbook(&["job", "/nowhere"]), 2, &["no job.toml", "job init"]);
    let bare = demo.path("bare.toml");
    std::fs::write(&bare, "format = 1\n").unwrap();
    let other = demo.path("other");
    let init = ["job", "init", other.to_str().unwrap(), "--profile", bare.to_str().unwrap()];
    refused(&crestbook(&init), 2, &["nothing to verify"]);
    assert!(!other.exists());
    let full = demo.path("full");
    std::fs::create_dir_all(full.join("captures")).unwrap();
    std::fs::write(full.join("captures/cut-80.capture.toml"), "mine").unwrap();
    let init = ["job", "init", full.to_str().unwrap(), "--profile", profile];
    refused(&crestbook(&init), 2, &["nothing is overwritten"]);
    // Reports are not written over, and of known endings only.
    demo.run(&[]);
    let report = demo.path("report.html");
    let report = report.to_str().unwrap();
    assert!(crestbook(&["report", folder, "-o", report]).status.success());
    refused(&crestbook(&["report", folder, "-o", report]), 2, &["already", "--force"]);
    assert!(crestbook(&["report", folder, "-o", report, "--force"]).status.success());
    refused(&crestbook(&["report", folder, "-o", "report.doc"]), 2, &[".html"]);
    let sheet = demo.path("plan.toml");
    refused(
        &crestbook(&["report", sheet.to_str().unwrap(), "-o", "x.html"]),
        3,
        &["this is not the result of a job"],
    );
    refused(&crestbook(&["report", "/nowhere", "-o", "x.html"]), 3, &["can't read"]);
    refused(&crestbook(&["report", folder, "-o", "/nowhere/x.html"]), 4, &["can't write"]);
    #[cfg(not(feature = "pdf"))]
    refused(&crestbook(&["report", folder, "-o", "x.pdf"]), 2, &["--features pdf"]);
    // Nothing can be kept: it is judged and shown all the same.
    std::fs::remove_dir_all(demo.path(".crestbook/outcomes")).unwrap();
    std::fs::write(demo.path(".crestbook/outcomes"), b"in the way").unwrap();
    let done = demo.run(&[]);
    refused(&done, 4, &["can't write"]);
    assert!(text(&done.stdout).contains("2 fail"));
    std::fs::remove_dir_all(demo.path("results")).unwrap();
    std::fs::write(demo.path("results"), b"in the way").unwrap();
    refused(&demo.run(&[]), 4, &["can't write"]);
}

#[test]
fn the_folder_of_a_new_job_is_ready_to_be_used() {
    let keep = tempfile::tempdir().unwrap();
    let folder = keep.path().join("job");
    let plan = keep.path().join("plan.toml");
    let done = crestbook(&["job", "example"]);
    std::fs::write(&plan, &done.stdout).unwrap();
    assert!(text(&done.stdout).contains("from memory, check your edition"));
    let done = crestbook(&[
        "job",
        "init",
        folder.to_str().unwrap(),
        "--profile",
        plan.to_str().unwrap(),
        "--state",
        "as found",
        "--serial",
        "1",
        "--person",
        "measured by=bench engineer 1",
    ]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    let list = std::fs::read_to_string(folder.join("checklist.html")).unwrap();
    for word in
        ["10 s", "30 s", "captures/cut-curve-full-100ohm", "burns and can kill", "at most 300 mohm"]
    {
        assert!(list.contains(word), "{word}");
    }
    // Every step is missing: nothing passes, and what is next is told in the order of work.
    let done = crestbook(&["job", folder.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(1), "{}", text(&done.stderr));
    let shown = text(&done.stdout);
    assert!(shown.contains("INCOMPLETE: ") && shown.contains("still to do"), "{shown}");
    let sheet =
        std::fs::read_to_string(folder.join("captures/cut-ladder-50.capture.toml")).unwrap();
    assert!(sheet.contains("step = \"cut-ladder-50\"") && sheet.contains("dial = 50.0"), "{sheet}");
    refused(
        &crestbook(&["job", "init", "x", "--profile", plan.to_str().unwrap(), "--person", "me"]),
        2,
        &["role and name"],
    );
}

/// Reports are whole in themselves and hold every number.
#[test]
fn reports_of_all_kinds() {
    let demo = Demo::new();
    let result = demo.json();
    let html = std::fs::read_to_string(demo.path("results/report.html")).unwrap();
    for word in [
        "burns and can kill",
        "authorised person of the responsible organisation",
        "The results relate only to the unit tested",
        "Not stated here, though a report by ISO/IEC 17025 states it: report number",
        "guarded: guard band w = U",
        "none: the unit has not passed",
        "Tarnbeck, serial TB-0417",
        "Against the earlier job",
        "End of the report.",
        "487.0 Ω",
    ] {
        assert!(html.contains(word), "{word}");
    }
    // Nothing is fetched: no address but the names of the SVG vocabulary.
    let addresses: Vec<&str> =
        html.match_indices("http").map(|(at, _)| &html[at..(at + 26).min(html.len())]).collect();
    assert!(addresses.iter().all(|a| a.starts_with("http://www.w3.org/2000/svg")), "{addresses:?}");
    assert!(!html.contains("<script") && !html.contains("NaN"));
    // A number that is none would be written as null.
    let kept = std::fs::read_to_string(demo.path("results/result.json")).unwrap();
    assert!(!kept.contains("null"), "a number in the result is none");
    for one in result["steps"].as_array().unwrap() {
        for hash in one["capture"]["sha256"].as_array().into_iter().flatten() {
            assert!(html.contains(hash.as_str().unwrap()));
        }
    }
    let path = demo.path("results/numbers.csv");
    let mut rows = csv::Reader::from_path(path).unwrap();
    let rows: Vec<csv::StringRecord> = rows.records().collect::<Result<_, _>>().unwrap();
    let judged = rows.iter().filter(|row| &row[0] == "judged").count();
    let lines: usize = result["groups"]
        .as_array()
        .unwrap()
        .iter()
        .map(|group| group["lines"].as_array().unwrap().len())
        .sum();
    assert_eq!(judged, lines);
    assert!(
        rows.iter()
            .any(|row| &row[2] == "cut-80" && &row[3] == "fundamental_hz" && &row[6] == "Hz")
    );
}

/// A program that is ended with the test, even where that fails.
#[cfg(unix)]
struct Ended(std::process::Child);

#[cfg(unix)]
impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Captures are taken as they are saved; Ctrl-C ends it with the verdict's exit code.
#[cfg(unix)]
#[test]
fn a_watched_job_takes_files_as_they_come() {
    use std::io::BufRead;
    let demo = Demo::new();
    let capture = demo.path("captures/coag-40.wav");
    let bytes = std::fs::read(&capture).unwrap();
    std::fs::remove_file(&capture).unwrap();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_crestbook"))
        .args(["job", demo.folder.to_str().unwrap(), "--watch", "--quiet"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let stdout = child.stdout.take().unwrap();
    let mut child = Ended(child);
    let mut lines = std::io::BufReader::new(stdout).lines();
    let mut wait_for = |word: &str| {
        let found = lines.by_ref().map(Result::unwrap).find(|line| line.contains(" steps: "));
        assert!(found.as_ref().is_some_and(|line| line.contains(word)), "{found:?}");
    };
    wait_for("4 to do");
    // Half of the file, then all of it: only the whole one counts in the end.
    std::fs::write(&capture, &bytes[..bytes.len() / 2]).unwrap();
    std::fs::write(&capture, &bytes).unwrap();
    wait_for("47 pass, 1 in doubt, 2 fail, 1 to do");
    let id = child.0.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    assert_eq!(child.0.wait().unwrap().code(), Some(1));
    assert!(demo.path("results/report.html").is_file());
}

/// Twenty readings at once: each is kept, or says that it is not.
#[test]
fn readings_in_parallel_are_all_kept() {
    let demo = Demo::new();
    let before =
        std::fs::read_to_string(demo.path("job.toml")).unwrap().matches("[[reading]]").count();
    let kept: usize = std::thread::scope(|scope| {
        let all: Vec<_> = (0..20)
            .map(|k| {
                let demo = &demo;
                scope.spawn(move || demo.note("earth", &[&format!("{}", 100 + k), "mohm"]))
            })
            .collect();
        all.into_iter().map(|run| usize::from(run.join().unwrap().status.success())).sum()
    });
    let text = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    assert_eq!(text.matches("[[reading]]").count(), before + kept);
    assert_eq!(kept, 20);
}

/// What is kept of a capture is measured again where it was changed, and an edited result is told.
#[test]
fn nothing_kept_is_trusted_as_it_lies() {
    let demo = Demo::new();
    let first = demo.json();
    let (path, _) = outcomes(&demo.folder).remove(0);
    let text = std::fs::read_to_string(&path).unwrap();
    let edited = text.replacen("\"value\":", "\"value\":1", 1);
    assert_ne!(text, edited);
    std::fs::write(&path, edited).unwrap();
    let again = demo.json();
    assert_eq!(first["groups"], again["groups"]);
    // As the result lies in the folder, its seal fits; edited, it does not.
    let result = demo.path("results/result.json");
    let report = |name: &str| {
        let out = demo.path(name);
        crestbook(&["report", result.to_str().unwrap(), "-o", out.to_str().unwrap()])
    };
    assert!(!text_of(&report("a.html")).contains("was edited"));
    let bytes = std::fs::read_to_string(&result).unwrap();
    std::fs::write(&result, bytes.replacen("\"verdict\": \"fail\"", "\"verdict\": \"pass\"", 1))
        .unwrap();
    assert!(text_of(&report("b.html")).contains("was edited"));
}

fn text_of(done: &Output) -> String {
    text(&done.stderr)
}

/// A link out of the folder is followed only where that is asked for.
#[cfg(unix)]
#[test]
fn links_out_of_the_folder_are_refused() {
    let demo = Demo::new();
    let outside = tempfile::tempdir().unwrap();
    let (inside, moved) = (demo.path("captures/coag-40.wav"), outside.path().join("coag-40.wav"));
    std::fs::rename(&inside, &moved).unwrap();
    std::os::unix::fs::symlink(&moved, &inside).unwrap();
    let state = |more: &[&str]| {
        let done = demo.run(&[&["--json"], more].concat());
        let result: Value = serde_json::from_slice(&done.stdout).unwrap();
        let steps = result["steps"].as_array().unwrap();
        steps.iter().find(|step| step["id"] == "coag-40").unwrap()["state"].clone()
    };
    assert_eq!(state(&[]), "unreadable");
    assert_eq!(state(&["--follow-links"]), "done");
}

/// Readings in one inline list, and a pin under a quoted key: both as good as any other way.
#[test]
fn job_files_may_be_written_in_any_toml() {
    let demo = Demo::new();
    let text = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    let head = text.split("\n[[reading]]").next().unwrap();
    let inline = head.replacen(
        "plan_sha256 =",
        "reading = [{ step = \"earth\", value = \"120\", unit = \"mohm\" }]  # by hand\n\"plan_sha256\" =",
        1,
    );
    std::fs::write(demo.path("job.toml"), inline).unwrap();
    let done = demo.note("earth", &["130", "mohm"]);
    assert!(done.status.success(), "{}", text_of(&done));
    let now = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    assert_eq!(now.matches("\n[[reading]]").count(), 2, "{now}");
    demo.edit("profile.toml", "tolerance = \"20 %\"", "tolerance = \"21 %\"");
    let done = demo.run(&["--accept-plan", "a wider tolerance", "--quiet"]);
    assert_eq!(done.status.code(), Some(1), "{}", text_of(&done));
    let now = std::fs::read_to_string(demo.path("job.toml")).unwrap();
    assert!(now.contains("[[plan_change]]"), "{now}");
}

/// What goes wrong at the bench is named as what it is, and is no failure of the unit.
#[test]
fn mistakes_of_the_bench_are_named_and_fail_nothing() {
    let judged = |mistake: &dyn Fn(&Demo), id: &str, said: &str| {
        let demo = Demo::new();
        mistake(&demo);
        let result = demo.json();
        let of = step(&result, id);
        assert_eq!(of["verdict"], "not measured", "{said}: {}", of["findings"]);
        let findings = of["findings"].to_string();
        assert!(findings.contains(said), "`{said}` is not said: {findings}");
        // Nor does any line of it pass or fail.
        let own = group(&result, of["group"].as_str().unwrap())["lines"].as_array().unwrap().iter();
        for line in own.filter(|line| line["step"] == id) {
            assert_eq!(line["verdict"], "not measured", "{said}: {line}");
            assert!(line["reason"].is_string(), "{line}");
        }
        let report = std::fs::read_to_string(demo.path("results/report.html")).unwrap();
        let escaped = said.replace('\'', "&#39;");
        assert!(report.contains(&escaped), "`{said}` is not in the report");
    };
    let sheet = "captures/cut-80.capture.toml";
    let edit = |from: &'static str, to: &'static str| move |demo: &Demo| demo.edit(sheet, from, to);
    judged(&edit("scale = 5.0", "scale = -5.0"), "cut-80", "the current probe is reversed");
    judged(&edit("scale = 2000.0", "scale = 20000.0"), "cut-80", "probe factor");
    judged(&edit("nominal_ohm = 500.0", "nominal_ohm = 200.0"), "cut-80", "200");
    // The bytes of other captures.
    let swap = |a: &'static str, b: &'static str| {
        move |demo: &Demo| {
            let path = |name: &str| demo.path(&format!("captures/{name}.wav"));
            let (one, other) = (std::fs::read(path(a)).unwrap(), std::fs::read(path(b)).unwrap());
            std::fs::write(path(a), other).unwrap();
            std::fs::write(path(b), one).unwrap();
        }
    };
    judged(&swap("cut-80", "coag-40"), "cut-80", "saved under the wrong name");
    judged(&swap("cut-80", "coag-40"), "coag-40", "saved under the wrong name");
    judged(&swap("cut-80", "blend-60"), "blend-60", "saved under the wrong name");
    let copied = |demo: &Demo| {
        let from = demo.path("captures/cut-again-2.wav");
        std::fs::copy(from, demo.path("captures/cut-again-3.wav")).unwrap();
    };
    judged(&copied, "cut-again-3", "copy");
    // The same numbers in another format are the same capture.
    let saved_again = |demo: &Demo| {
        let (from, to) = (demo.path("captures/cut-again-2.wav"), demo.path("captures/again.npz"));
        let sheet = demo.path("captures/cut-again-2.capture.toml");
        let made = crestbook(&["convert", sheet.to_str().unwrap(), "-o", to.to_str().unwrap()]);
        assert!(made.status.success(), "{}", text(&made.stderr));
        assert!(from.exists());
        let text = std::fs::read_to_string(demo.path("captures/again.capture.toml")).unwrap();
        let text = text.replace("cut-again-2", "cut-again-3");
        std::fs::remove_file(demo.path("captures/cut-again-3.wav")).unwrap();
        std::fs::remove_file(demo.path("captures/cut-again-3.capture.toml")).unwrap();
        std::fs::write(demo.path("captures/again.capture.toml"), text).unwrap();
    };
    judged(&saved_again, "cut-again-3", "copy");
}

/// What a signature would miss is no plain pass, and is named.
#[test]
fn what_is_not_stated_is_no_plain_pass() {
    let of = |change: &dyn Fn(&Demo)| {
        let demo = Demo::new();
        change(&demo);
        let result = demo.json();
        codes(&result).into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert!(of(&|_| ()).is_empty());
    let nobody = |demo: &Demo| {
        let path = demo.path("job.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let text =
            text.replace("measured by", "helped by").replace("by = \"bench engineer 1\"\n", "");
        std::fs::write(path, text).unwrap();
    };
    assert!(of(&nobody).contains(&"nobody_named".to_owned()));
    let unnamed = |demo: &Demo| {
        demo.edit("job.toml", "serial = \"TB-0417\"\n", "");
        demo.edit("job.toml", "inventory = \"HFH-2207\"\n", "");
    };
    assert!(of(&unnamed).contains(&"unit_not_named".to_owned()));
    let early = |demo: &Demo| {
        demo.edit("job.toml", "[report]\n", "[report]\nissued_on = \"2026-01-01\"\n");
    };
    assert!(of(&early).contains(&"days_contradict".to_owned()));
    let overdue = |demo: &Demo| {
        demo.edit("job.toml", "meter_due = \"2027-01-31\"", "meter_due = \"2026-01-31\"");
    };
    assert!(of(&overdue).contains(&"calibration_overdue".to_owned()));
    // Read again with another instrument it counts no more.
    let again = |demo: &Demo| {
        overdue(demo);
        let more = [
            "120",
            "mohm",
            "--meter",
            "HF-M04",
            "--meter-due",
            "2027-05-01",
            "--at",
            "2026-03-09T11:00:00Z",
        ];
        assert!(demo.note("earth", &more).status.success());
    };
    assert!(of(&again).is_empty());
}

/// One-sided readings are judged where they tell enough.
#[test]
fn readings_may_be_one_sided() {
    let demo = Demo::new();
    for (value, verdict) in [
        ("> 300", "conditional fail"),
        ("> 320", "fail"),
        ("< 250", "pass"),
        ("< 400", "not measured"),
        ("OL", "not measured"),
    ] {
        assert!(demo.note("earth", &[value, "mohm", "--comment", "second try"]).status.success());
        let result = demo.json();
        let line = &group(&result, "earth")["lines"][0];
        assert_eq!(line["verdict"], verdict, "{value}: {line}");
    }
    refused(&demo.note("earth", &["-3", "mohm"]), 2, &["can't be negative"]);
}
