//! Golden files, what the fuzzers found (fixtures/hostile), and mutations of both, through the
//! same harness as the fuzz targets: bytes end in numbers or in an error that says what to do.

use crate::harness::{job, joined, keyfiles, pair, read, writer};
use crate::support::{crestbook, fixture, root, text};
use std::path::{Path, PathBuf};

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { files(&path, found) } else { found.push(path) }
    }
    found.sort();
}

/// The target of a file and its input, as fuzz/seed.py makes them.
fn input(path: &Path) -> Option<(String, Vec<u8>)> {
    let ending = path.extension()?.to_str()?;
    let data = std::fs::read(path).unwrap();
    if path.parent()?.ends_with("hostile") {
        let target = path.file_stem()?.to_str()?.split('-').next()?;
        let built = target != "parquet" || cfg!(feature = "parquet");
        return built.then(|| (target.to_owned(), data));
    }
    let short = |data: &[u8], most: usize| data[..data.len().min(most)].to_vec();
    let beside = |ending: &str| short(&std::fs::read(path.with_extension(ending)).unwrap(), 2_000);
    Some(match ending {
        "csv" | "txt" => ("text".into(), short(&data, 9_000)),
        "wav" | "npy" => (ending.into(), short(&data, 4_000)),
        "npz" | "sr" => (ending.into(), data),
        "parquet" if cfg!(feature = "parquet") => ("parquet".into(), data),
        "sigmf-meta" => ("sigmf".into(), joined(&data, &beside("sigmf-data"))),
        "sigmf" => ("sigmf".into(), joined(&data, &[])),
        "cff" => ("comtrade".into(), joined(&data, &[])),
        "cfg" => ("comtrade".into(), joined(&data, &beside("dat"))),
        "toml" => ("keyfiles".into(), data),
        _ => return None,
    })
}

fn run(target: &str, data: &[u8]) -> bool {
    match target {
        "keyfiles" => keyfiles(data),
        "pair" => pair(data),
        "writer" => writer(data),
        "job" => job(data),
        format => return read(format, data),
    }
    true
}

/// Draws numbers below a bound, the same in every run.
fn drawing(mut state: u64) -> impl FnMut(usize) -> usize {
    move |below| {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below.max(1)
    }
}

/// Samples of any size in every format that is written; jobs with a file changed at any place.
#[test]
fn writers_and_jobs() {
    let mut draw = drawing(7);
    let special = [f32::NAN, 0.0, 300.0, -300.0, 1e-30, -8e8, f32::INFINITY];
    for k in 0..300_usize {
        let rate = [1e6_f32, 44_100.5, 999_999.75, 0.3][draw(4)];
        let mut data = vec![k as u8, draw(256) as u8, draw(256) as u8, draw(256) as u8];
        data.extend(rate.to_le_bytes());
        for _ in 0..draw(40) {
            let any = f32::from_bits(draw(1 << 32) as u32);
            data.extend(
                if draw(2) == 0 { special[draw(special.len())] } else { any }.to_le_bytes(),
            );
        }
        writer(&data);
    }
    for k in 0..150_usize {
        let mut data = vec![k as u8, draw(4) as u8, draw(256) as u8, draw(8) as u8];
        data.extend((0..draw(6)).map(|_| b"=\"[].0e{"[draw(8)]));
        job(&data);
    }
}

/// Every golden file and every finding, whole, cut off anywhere, and with bytes changed.
#[test]
fn corpus_and_mutations() {
    let mut all = Vec::new();
    files(&root().join("fixtures"), &mut all);
    let mut seen = std::collections::BTreeMap::<String, (usize, usize)>::new();
    let mut draw = drawing(1);
    for path in all {
        let Some((target, data)) = input(&path) else { continue };
        let opened = run(&target, &data);
        let count = seen.entry(target.clone()).or_default();
        count.0 += 1;
        count.1 += usize::from(opened);
        for _ in 0..12 {
            let mut changed = data[..draw(data.len() + 1)].to_vec();
            run(&target, &changed);
            changed = data.clone();
            for _ in 0..=draw(4) {
                let at = draw(changed.len());
                if let Some(byte) = changed.get_mut(at) {
                    *byte = [0, 0xff, b'9', b'-', b',', byte.wrapping_add(1)][draw(6)];
                }
            }
            run(&target, &changed);
        }
    }
    for target in ["text", "wav", "npy", "npz", "sr", "sigmf", "comtrade", "keyfiles"] {
        let (files, opened) = seen.get(target).copied().unwrap_or_default();
        assert!(files > 0 && opened > 0, "{target}: {files} files, {opened} could be opened");
    }
}

/// Archives that would unpack to far more than they are.
#[test]
fn decompression_bombs_are_refused() {
    use std::io::Write;
    let folder = tempfile::tempdir().unwrap();
    for (name, member) in [("bomb.npz", "voltage.npy"), ("bomb.sr", "analog-1-1-1")] {
        let path = folder.path().join(name);
        let mut archive = zip::ZipWriter::new(std::fs::File::create(&path).unwrap());
        let packed = zip::write::SimpleFileOptions::default()
            .compression_method(zip::CompressionMethod::Deflated);
        if name.ends_with("sr") {
            archive.start_file("version", packed).unwrap();
            archive.write_all(b"2").unwrap();
            archive.start_file("metadata", packed).unwrap();
            archive.write_all(b"[device 1]\nsamplerate=1 MHz\nanalog1=A\n").unwrap();
        }
        archive.start_file(member, packed).unwrap();
        for _ in 0..64 {
            archive.write_all(&vec![0; 1 << 20]).unwrap();
        }
        archive.finish().unwrap();
        let done = crestbook(&["measure", path.to_str().unwrap(), "--set", "sample_rate_hz=1e6"]);
        let said = text(&done.stderr);
        assert_eq!(done.status.code(), Some(3), "{name}: {said}");
        assert!(said.contains("more than 200 times its size"), "{name}: {said}");
    }
}

/// Metadata that reach for files elsewhere, and links in archives.
#[test]
fn paths_never_leave_their_folder() {
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("secret.bin");
    std::fs::write(&secret, [0_u8; 4000]).unwrap();
    let inner = folder.path().join("in");
    std::fs::create_dir(&inner).unwrap();
    let meta = inner.join("a.sigmf-meta");
    for name in ["../secret.bin", "/etc/passwd", "in/../../secret.bin", "..\\\\secret.bin"] {
        std::fs::write(
            &meta,
            format!(
                "{{\"global\": {{\"core:datatype\": \"rf32_le\", \"core:version\": \"1.2.5\", \
                 \"core:sample_rate\": 1e6, \"core:dataset\": \"{name}\"}}, \"captures\": []}}"
            ),
        )
        .unwrap();
        let done = crestbook(&["measure", meta.to_str().unwrap()]);
        let said = text(&done.stderr);
        assert_eq!(done.status.code(), Some(3), "{name}: {said}");
        assert!(said.contains("not in the same folder"), "{name}: {said}");
    }
    let archive = inner.join("link.sigmf");
    let mut tar = tar::Builder::new(std::fs::File::create(&archive).unwrap());
    let mut header = tar::Header::new_ustar();
    header.set_entry_type(tar::EntryType::Symlink);
    header.set_size(0);
    tar.append_link(&mut header, "a/a.sigmf-data", "../../secret.bin").unwrap();
    tar.into_inner().unwrap();
    let done = crestbook(&["measure", archive.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(3));
    assert!(text(&done.stderr).contains("is a link"), "{}", text(&done.stderr));
    // Nothing but what the test put there.
    assert_eq!(std::fs::read_dir(&inner).unwrap().count(), 2);
}

fn run_plain(path: &Path, flags: &[&str]) -> (i32, String) {
    let mut arguments = vec!["measure", path.to_str().unwrap(), "--quiet"];
    arguments.extend(flags);
    let done = crestbook(&arguments);
    (done.status.code().unwrap(), text(&done.stderr))
}

/// Bounds hold, and can be set.
#[test]
fn bounds_are_settings() {
    let folder = tempfile::tempdir().unwrap();
    let wide = folder.path().join("wide.csv");
    let row: Vec<String> = (0..2000).map(|k| format!("{k}.5")).collect();
    std::fs::write(&wide, format!("{0}\n{0}\n{0}\n", row.join(","))).unwrap();
    let run = |path: &Path, flags: &[&str]| {
        run_plain(path, &[&["--set", "sample_rate_hz=1e6"], flags].concat())
    };
    let (code, said) = run(&wide, &[]);
    assert_eq!(code, 3, "{said}");
    let (code, said) = run(&wide, &["--limit-columns", "3000"]);
    assert_eq!(code, 0, "{said}");
    let npy = fixture("reference/rows-f64.npy");
    let (code, said) = run(&npy, &["--limit-header", "10"]);
    assert_eq!(code, 3);
    assert!(said.contains("--limit-header"), "{said}");
    let long = folder.path().join("long.csv");
    let mut content = String::from("t (s),v (V)\n");
    for k in 0..20_000 {
        let blanks = if k == 15_000 { " ".repeat(100_000) } else { String::new() };
        content.push_str(&format!("{k}e-6{blanks},{}.5\n", k % 3));
    }
    std::fs::write(&long, content).unwrap();
    let (code, said) = run_plain(&long, &[]);
    assert_eq!(code, 3, "{said}");
    assert!(said.contains("--limit-line"), "{said}");
    let (code, said) = run_plain(&long, &["--limit-line", "200000"]);
    assert_eq!(code, 0, "{said}");
}
