//! Files of each format written by third programs (fixtures/outside/make.py), read bit for bit;
//! and files written by `convert` read back by ourselves. What those programs read of our files is
//! checked by tests/outside.py in CI.

use crate::support::{crestbook, fixture, text};
use crestbook::ingest::{self, Beside, IngestError, Opening, Piece, Selection};
use crestbook::trace::Mark;
use std::ops::ControlFlow;
use std::path::Path;

fn read_path(path: &Path) -> Result<Piece, IngestError> {
    let opening = Opening { beside: Beside::of(path), ..Opening::default() };
    let reader = ingest::open(path, &opening)?;
    let wanted =
        Selection { voltage: Some(0), current: (reader.channels().len() > 1).then_some(1) };
    let mut all = Piece::default();
    ingest::stream(reader.as_ref(), 0..reader.pieces(), wanted, 2, |_, piece| {
        let at = all.v.len();
        all.gaps.extend(piece.gaps.iter().map(|(gap, mark)| (gap.start + at..gap.end + at, *mark)));
        all.v.extend_from_slice(&piece.v);
        all.i.extend_from_slice(&piece.i);
        ControlFlow::Continue(())
    })?;
    Ok(all)
}

fn read(name: &str) -> Piece {
    read_path(&fixture("outside").join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn values() -> serde_json::Value {
    let text = std::fs::read_to_string(fixture("outside/values.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn numbers(list: &serde_json::Value) -> Vec<f64> {
    list.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

fn scaled(x: &[f64], factor: f64) -> Vec<f64> {
    x.iter().map(|x| x * factor).collect()
}

fn single(x: &[f64]) -> Vec<f64> {
    #[allow(clippy::cast_possible_truncation)]
    x.iter().map(|x| f64::from(*x as f32)).collect()
}

/// numpy 2, scipy: arrays of either order and size, archives, 64-bit and 8-bit WAV.
#[test]
fn numpy_and_scipy() {
    let known = values();
    let [v16, i16, v, i] = ["v16", "i16", "v", "i"].map(|key| numbers(&known[key]));
    for name in ["big-f64.npy", "fortran-f64.npy", "named.npz", "f64.wav"] {
        let got = read(name);
        // Archives list their arrays by name: current comes first.
        let (first, second) = if name == "named.npz" { (&i, &v) } else { (&v, &i) };
        assert_eq!((&got.v, &got.i), (first, second), "{name}");
    }
    assert_eq!(read("packed.npz").v, single(&i));
    for (name, full) in [
        ("big-i16.npy", 32_768.0),
        ("u16.npy", 32_768.0),
        ("i32.npy", 32_768.0),
        ("i16.wav", 32_768.0),
    ] {
        let got = read(name);
        assert_eq!(
            (scaled(&got.v, full), scaled(&got.i, full)),
            (v16.clone(), i16.clone()),
            "{name}"
        );
    }
    let bytes: Vec<Vec<f64>> = known["u8"].as_array().unwrap().iter().map(numbers).collect();
    for name in ["u8.wav", "i8.npy"] {
        let got = read(name);
        let first: Vec<f64> = bytes.iter().map(|row| row[0]).collect();
        assert_eq!(scaled(&got.v, 128.0), first, "{name}");
    }
    let gaps = read("gaps.npy");
    assert_eq!(gaps.gaps, [(100..110, Mark::Missing), (200..201, Mark::Overrange)]);
    let refused = read_path(&fixture("outside/pickled.npy")).unwrap_err();
    assert!(refused.to_string().contains("pickle"), "{refused}");
}

/// sox: 24 and 32 bit, floats, 8 bit, big-endian RIFX, the extensible header.
#[test]
fn sox() {
    let known = values();
    let (v16, i16) = (numbers(&known["v16"]), numbers(&known["i16"]));
    for name in
        ["sox-24.wav", "sox-32.wav", "sox-f32.wav", "sox-f64.wav", "rifx.wav", "extensible.wav"]
    {
        let got = read(name);
        assert_eq!(scaled(&got.v, 32_768.0), v16, "{name}");
        assert_eq!(scaled(&got.i, 32_768.0), i16, "{name}");
    }
    let rows: Vec<Vec<f64>> = known["sox_u8"].as_array().unwrap().iter().map(numbers).collect();
    let first: Vec<f64> = rows.iter().map(|row| row[0]).collect();
    assert_eq!(scaled(&read("sox-u8.wav").v, 128.0), first);
}

/// The `sigmf` package: pairs of every type, and an archive.
#[test]
fn sigmf() {
    let known = values();
    let [v16, i16, v, i] = ["v16", "i16", "v", "i"].map(|key| numbers(&known[key]));
    for name in ["i16-le.sigmf-meta", "i16-be.sigmf-meta"] {
        let got = read(name);
        assert_eq!(
            (scaled(&got.v, 32_768.0), scaled(&got.i, 32_768.0)),
            (v16.clone(), i16.clone()),
            "{name}"
        );
    }
    let bytes: Vec<Vec<f64>> = known["u8"].as_array().unwrap().iter().map(numbers).collect();
    let first: Vec<f64> = bytes.iter().map(|row| row[0]).collect();
    assert_eq!(scaled(&read("i8.sigmf-meta").v, 128.0), first);
    assert_eq!(read("f64-le.sigmf-meta").i, i);
    for name in ["f32-be.sigmf-meta", "f32-le.sigmf-meta", "archive.sigmf"] {
        let got = read(name);
        assert_eq!((got.v, got.i), (single(&v), single(&i)), "{name}");
    }
    // The bare data are read through the metadata beside them.
    let data = fixture("outside/f32-le.sigmf-data");
    let done = crestbook(&["measure", data.to_str().unwrap(), "--json", "--quiet"]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    assert!(text(&done.stdout).contains("f32-le.sigmf-meta"));
}

/// The `comtrade` package: values of all four kinds of data, and a combined file.
#[test]
fn comtrade() {
    let known = values();
    for (name, key, factor) in [
        ("ascii.cfg", "comtrade-ascii", 1.0),
        ("binary.cfg", "comtrade-binary", 1.0),
        ("combined.cff", "comtrade-binary", 1.0),
        ("binary32.cfg", "comtrade-binary32", 1.0),
        ("float32.cfg", "comtrade-float32", 1.0),
    ] {
        let got = read(name);
        for (k, x) in [&got.v, &got.i].into_iter().enumerate() {
            let wanted = numbers(&known[key][k]);
            assert_eq!(x.len(), wanted.len(), "{name}");
            // a*x + b in another order of rounding.
            let worst =
                x.iter().zip(&wanted).map(|(x, w)| (x - w * factor).abs()).fold(0.0, f64::max);
            let top = wanted.iter().fold(0.0_f64, |top, x| top.max(x.abs()));
            assert!(worst <= 1e-6 * top, "{name}: {worst} of {top}");
        }
    }
    // Exactly as the standard's formula gives it.
    let (v16, got) = (numbers(&known["v16"]), read("binary.cfg"));
    assert!(v16.iter().zip(&got.v).all(|(x, v)| (x * (400.0 / 32768.0) + 1.5 - v).abs() < 1e-9));
}

/// sigrok's demo device, as numpy reads its chunks and sigrok-cli prints them.
#[test]
fn sigrok() {
    let known = values();
    let got = read("demo.sr");
    assert_eq!(got.v.len(), 3000);
    assert_eq!(got.v[..50], numbers(&known["sigrok_first"]["analog-1-1-1"]));
    assert_eq!(got.i[..50], numbers(&known["sigrok_first"]["analog-1-2-1"]));
    // Chunks of 1020 samples: those behind the first follow it.
    assert_eq!(got.v[1020..1070], numbers(&known["sigrok_first"]["analog-1-1-2"]));
    let printed = numbers(&known["sigrok_analog"]["A1"]);
    assert_eq!(printed.len(), 3000);
    assert!(got.i.iter().zip(&printed).all(|(x, p)| (x - p).abs() <= 0.0051 + 0.001 * p.abs()));
}

/// pyarrow: plain with a dictionary, and split by byte with a delta encoding.
#[cfg(feature = "parquet")]
#[test]
fn parquet() {
    let known = values();
    let (v, i) = (numbers(&known["v"]), numbers(&known["i"]));
    for name in ["plain.parquet", "split.parquet"] {
        let got = read(name);
        assert_eq!((got.v, got.i), (v.clone(), single(&i)), "{name}");
    }
}

/// Every writable format gives the same numbers back, and the sheet goes with it.
#[test]
fn converted_files_measure_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let measured = |path: &Path| -> serde_json::Value {
        let done = crestbook(&["measure", path.to_str().unwrap(), "--json", "--quiet"]);
        assert!(done.status.success(), "{}: {}", path.display(), text(&done.stderr));
        serde_json::from_slice(&done.stdout).unwrap()
    };
    for source in ["blend-60.wav", "cut-80.csv", "cut-80-skewed.npy", "coag-40.wav"] {
        let data = fixture("harrow-fell").join(source);
        let wanted = measured(&data);
        for ending in crestbook::export::endings() {
            let out = folder.path().join(format!("{}.{ending}", source.replace('.', "-")));
            let done = crestbook(&["convert", data.to_str().unwrap(), "-o", out.to_str().unwrap()]);
            assert!(done.status.success(), "{source} to {ending}: {}", text(&done.stderr));
            let got = measured(&out);
            for key in ["power_w", "voltage_rms_v", "current_rms_a", "crest_factor"] {
                let of = |json: &serde_json::Value| json["whole"][key]["value"].as_f64().unwrap();
                // 32-bit floats of COMTRADE, or the last digit of a product.
                let allowed = if ending.starts_with("cf") { 1e-6 } else { 1e-11 };
                assert!(
                    (of(&got) / of(&wanted) - 1.0).abs() < allowed,
                    "{source} to {ending}: {key}"
                );
            }
            assert_eq!(got["capture"]["subject"], wanted["capture"]["subject"]);
            assert_eq!(got["capture"]["load_ohm"], wanted["capture"]["load_ohm"]);
            assert_eq!(
                got["phases"].as_array().unwrap().len(),
                wanted["phases"].as_array().unwrap().len()
            );
            assert_eq!(
                got["flags"].as_array().map(Vec::len),
                wanted["flags"].as_array().map(Vec::len),
                "{source} to {ending}: {}",
                got["flags"]
            );
        }
    }
}

/// A sheet is not written over, nor a file that is being read, nor an unknown ending.
#[test]
fn convert_used_wrong() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["cut-80.csv", "cut-80.capture.toml"] {
        std::fs::copy(fixture("harrow-fell").join(name), folder.path().join(name)).unwrap();
    }
    let data = folder.path().join("cut-80.csv");
    for (out, exit, says) in [
        ("cut-80.csv", 2, "written over"),
        ("other.xyz", 2, "no format has this ending"),
        ("no/folder/a.csv", 4, "can't write"),
    ] {
        let out = folder.path().join(out);
        let done = crestbook(&["convert", data.to_str().unwrap(), "-o", out.to_str().unwrap()]);
        assert_eq!(done.status.code(), Some(exit), "{}", text(&done.stderr));
        assert!(text(&done.stderr).contains(says), "{}", text(&done.stderr));
    }
    let several = fixture("layouts/19-header-again.csv");
    let out = folder.path().join("one.npy");
    let done = crestbook(&["convert", several.to_str().unwrap(), "-o", out.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(2));
    let done = crestbook(&[
        "convert",
        several.to_str().unwrap(),
        "-o",
        out.to_str().unwrap(),
        "--record",
        "2",
    ]);
    assert!(done.status.success(), "{}", text(&done.stderr));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 4);
}

/// Gaps keep their marks through formats that have any.
#[test]
fn gaps_are_carried_over() {
    let folder = tempfile::tempdir().unwrap();
    let data = fixture("layouts/27-marks.csv");
    for ending in ["csv", "npy", "npz", "wav", "sigmf-meta"] {
        let out = folder.path().join(format!("gaps.{ending}"));
        let done =
            crestbook(&["convert", data.to_str().unwrap(), "-o", out.to_str().unwrap(), "--quiet"]);
        assert!(done.status.success(), "{ending}: {}", text(&done.stderr));
        let piece = read_path(&out).unwrap();
        let count: usize = piece.gaps.iter().map(|(gap, _)| gap.len()).sum();
        assert_eq!(count, 9, "{ending}: {:?}", piece.gaps);
    }
    // COMTRADE has no mark for values beyond the range: they must not turn into missing ones.
    let out = folder.path().join("gaps.cff");
    let done = crestbook(&["convert", data.to_str().unwrap(), "-o", out.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(4));
    assert!(text(&done.stderr).contains("no mark for a value beyond the range"));
    assert!(!out.exists());
}

/// A WAV file over 4 GiB (mostly a hole): its length is told in 64 bits, or has run over.
#[cfg(target_os = "linux")]
#[test]
fn wav_over_four_gigabytes() {
    use std::io::{Seek, SeekFrom, Write};
    let folder = tempfile::tempdir().unwrap();
    let frames: u64 = 1_200_000_000;
    let data = 4 * frames;
    for long in [true, false] {
        let path = folder.path().join("long.wav");
        let mut file = std::fs::File::create(&path).unwrap();
        let mut head: Vec<u8> = Vec::new();
        head.extend(if long { b"RF64" } else { b"RIFF" });
        head.extend(u32::MAX.to_le_bytes());
        head.extend(b"WAVE");
        if long {
            head.extend(b"ds64");
            head.extend(28_u32.to_le_bytes());
            head.extend([data + 72, data, frames].iter().flat_map(|n| n.to_le_bytes()));
            head.extend(0_u32.to_le_bytes());
        }
        head.extend(b"fmt ");
        head.extend(16_u32.to_le_bytes());
        head.extend([1_u16, 2].iter().flat_map(|n| n.to_le_bytes()));
        head.extend([10_000_000_u32, 40_000_000].iter().flat_map(|n| n.to_le_bytes()));
        head.extend([4_u16, 16].iter().flat_map(|n| n.to_le_bytes()));
        head.extend(b"data");
        #[allow(clippy::cast_possible_truncation)]
        head.extend(if long { u32::MAX } else { data as u32 }.to_le_bytes());
        let start = head.len() as u64;
        file.write_all(&head).unwrap();
        file.seek(SeekFrom::Start(start + data - 4)).unwrap();
        file.write_all(&[0, 0x40, 0, 0x20]).unwrap();
        drop(file);
        let reader = ingest::open(&path, &Opening::default()).unwrap();
        let wanted = Selection { voltage: Some(0), current: Some(1) };
        let mut piece = Piece::default();
        reader.decode(reader.pieces() - 1, wanted, &mut piece).unwrap();
        assert_eq!((piece.v.last(), piece.i.last()), (Some(&0.5), Some(&0.25)));
        assert_eq!(reader.receipt().doubts.is_empty(), long);
        let total = (reader.pieces() as u64 - 1) * (1 << 15) + piece.v.len() as u64;
        assert_eq!(total, frames);
    }
}

/// A disk that fills up while a file is converted: the error, and nothing left. Needs the right to
/// mount a small one; else it says that it skips.
#[cfg(target_os = "linux")]
#[test]
fn convert_onto_a_full_disk() {
    use std::process::Command;
    let folder = tempfile::tempdir().unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=100k", "tmpfs"])
        .arg(folder.path())
        .output();
    if !mounted.is_ok_and(|done| done.status.success()) {
        eprintln!("no right to mount a small disk: skipped");
        return;
    }
    let data = fixture("harrow-fell/cycle-2.wav");
    let mut left = Vec::new();
    for ending in crestbook::export::endings() {
        let out = folder.path().join(format!("a.{ending}"));
        let done = crestbook(&[
            "convert",
            data.to_str().unwrap(),
            "-o",
            out.to_str().unwrap(),
            "--no-phases",
        ]);
        let said = text(&done.stderr);
        let files = std::fs::read_dir(folder.path()).unwrap().count();
        left.push((ending, done.status.code(), files, said));
    }
    Command::new("umount").arg(folder.path()).status().unwrap();
    for (ending, code, files, said) in left {
        assert_eq!((code, files), (Some(4), 0), "{ending}: {said}");
        let one = said.lines().count() == 2 && said.contains("No space left");
        assert!(one && !said.contains("panicked"), "{ending}: {said}");
    }
}
