//! Readers: the same samples in every dialect, and files of third programs read bit for bit.

use crate::support::{close, fixture, value};
use crestbook::analysis::{Settings, measure_capture, measure_record};
use crestbook::ingest::{self, Opening, Piece, Selection, TraceReader};
use crestbook::recording::{Capture, Recording, Unobserved};

fn columns(reader: &dyn TraceReader) -> Piece {
    let wanted =
        Selection { voltage: Some(0), current: (reader.channels().len() > 1).then_some(1) };
    let mut all = Piece::default();
    ingest::stream(reader, 0..reader.pieces(), wanted, 2, |_, piece| {
        all.v.extend_from_slice(&piece.v);
        all.i.extend_from_slice(&piece.i);
        std::ops::ControlFlow::Continue(())
    })
    .unwrap();
    all
}

fn read(name: &str) -> Piece {
    columns(ingest::open(&fixture(name), &Opening::default()).unwrap().as_ref())
}

#[test]
fn every_dialect_tells_the_same() {
    let mut seen = 0;
    for entry in std::fs::read_dir(fixture("dialects")).unwrap() {
        let path = entry.unwrap().path();
        let run = measure_capture(Capture::bare(&path), &Settings::default(), &Unobserved).unwrap();
        let name = path.display().to_string();
        close(&name, run.measurement.capture.sample_rate_hz, 10e6, 1e-9);
        assert_eq!(run.measurement.capture.samples, 400, "{name}");
        // 400 V peak over 20 whole cycles: Vrms = 400/sqrt(2), to the five digits written.
        close(&name, value(&run.measurement.whole, "voltage_rms_v"), 400.0 / 2_f64.sqrt(), 1e-5);
        close(&name, value(&run.measurement.whole, "current_rms_a"), 0.8 / 2_f64.sqrt(), 1e-5);
        seen += 1;
    }
    assert!(seen >= 10, "{seen} dialects");
}

fn values() -> serde_json::Value {
    let text = std::fs::read_to_string(fixture("reference/values.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn list(key: &str) -> Vec<f64> {
    values()[key].as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

/// Files written by numpy.save and scipy.io.wavfile.
#[test]
fn numpy_and_scipy_files_are_read_bit_for_bit() {
    let (v, i) = (list("first_v"), list("first_i"));
    let doubles = read("reference/rows-f64.npy");
    assert_eq!(doubles.v[..5], v);
    assert_eq!(doubles.i[..5], i);
    assert_eq!(read("reference/single-f64.npy").v, doubles.v);
    let single = |x: &[f64]| x.iter().map(|x| f64::from(*x as f32)).collect::<Vec<_>>();
    assert_eq!(read("reference/planes-f32.npy").v, single(&doubles.v));
    assert_eq!(read("reference/planes-f32.npy").i, single(&doubles.i));
    assert_eq!(read("reference/fortran-f32.npy"), read("reference/planes-f32.npy"));
    assert_eq!(read("reference/float32.wav").i, single(&doubles.i));
    let codes: Vec<f64> = list("first_codes").iter().map(|code| code / 32768.0).collect();
    assert_eq!(read("reference/rows-i16.npy").v[..5], codes);
    let short = read("reference/int16.wav");
    assert_eq!(short.v[..5], codes);
    assert_eq!(short.v, read("reference/rows-i16.npy").v);
    // 31 bits of the range 200 V.
    let long = read("reference/int32.wav");
    for (got, wanted) in long.v.iter().zip(&doubles.v) {
        assert!((got * 200.0 * 2_147_483_648.0 / 2_147_483_000.0 - wanted).abs() < 2e-7);
    }
}

/// Files written by numpy.savetxt.
#[test]
fn savetxt_is_read() {
    let doubles = read("reference/rows-f64.npy");
    for name in ["reference/savetxt.csv", "reference/savetxt-blanks.txt"] {
        let text = read(name);
        assert_eq!(text.v.len(), 1500, "{name}");
        for (got, wanted) in text.v.iter().zip(&doubles.v) {
            assert!((got - wanted).abs() <= 1e-9 * wanted.abs().max(1.0), "{name}");
        }
    }
}

/// 24-bit samples come back as they were written.
#[test]
fn wav_of_24_bits() {
    let piece = read("harrow-fell/blend-60.wav");
    let made = value_range(&piece.v);
    assert!(made.0 < -0.7 && made.1 > 0.7 && piece.v.len() == 40_000);
    let step = 1.0 / 8_388_608.0;
    assert!(piece.v.iter().all(|x| (x / step - (x / step).round()).abs() < 1e-6));
}

fn value_range(x: &[f64]) -> (f64, f64) {
    x.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)))
}

/// Long text is cut in pieces by bytes: every row belongs to exactly one, whatever the length of
/// the rows, and single pieces agree with the stream.
#[test]
fn pieces_of_text_neither_lose_nor_double_a_row() {
    let folder = tempfile::tempdir().unwrap();
    for (ending, blank) in [("\n", false), ("\r\n", false), ("\n", true)] {
        let path = folder.path().join("long.csv");
        let mut text = format!("t (s),v (V){ending}");
        for k in 0..60_000_u32 {
            let width = 1 + k as usize % 9;
            text.push_str(&format!("{k}e-6,{:.width$}{ending}", f64::from(k)));
            if blank && k % 1000 == 0 {
                text.push_str(ending);
            }
        }
        std::fs::write(&path, text).unwrap();
        let reader = ingest::open(&path, &Opening::default()).unwrap();
        assert!(reader.pieces() > 2);
        let piece = columns(reader.as_ref());
        assert_eq!(piece.v.len(), 60_000);
        assert!(piece.v.iter().enumerate().all(|(k, v)| *v == k as f64));
    }
}

/// The rate is taken over the whole span: 5 digits make 72 % of the stamps of this record repeat,
/// and first differences useless.
#[test]
fn rounded_time_stamps_give_the_right_rate() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("rounded.csv");
    let mut text = String::from("time (s),v (V)\n");
    for k in 0..40_000 {
        let stamp = 0.01 + f64::from(k) * 1e-8;
        text.push_str(&format!("{stamp:.7},{:.3}\n", (f64::from(k) * 0.05).sin()));
    }
    std::fs::write(&path, text).unwrap();
    let run = measure_capture(Capture::bare(&path), &Settings::default(), &Unobserved).unwrap();
    close("rate", run.measurement.capture.sample_rate_hz, 1e8, 3e-4);
    assert!(run.measurement.flags.iter().all(|flag| flag.code.name() != "not_uniform"));
}

/// Older instruments write the micro sign as one byte of Latin-1.
#[test]
fn latin_1_unit_signs() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("latin.csv");
    let mut bytes = b"Zeit [\xb5s];U [mV]\n".to_vec();
    for k in 0..200 {
        bytes.extend(format!("{},5;{}\n", k, k % 7 - 3).as_bytes());
    }
    std::fs::write(&path, bytes).unwrap();
    let reader = ingest::open(&path, &Opening::default()).unwrap();
    assert!((reader.channels()[0].factor - 1e-3).abs() < 1e-12);
    close("rate", reader.rate().first_idea().unwrap().hertz(), 1e6, 1e-9);
}

/// Rows that are missing make two records of one: nothing is measured across what is not there.
#[test]
fn missing_rows_split_the_record() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gap.csv");
    let mut text = String::from("time (s),v (V)\n");
    for k in (0..20_000).filter(|k| !(9_000..9_050).contains(k)) {
        text.push_str(&format!("{:.7},{:.3}\n", f64::from(k) * 1e-7, (f64::from(k) * 0.3).sin()));
    }
    std::fs::write(&path, text).unwrap();
    let one = measure_capture(Capture::bare(&path), &Settings::default(), &Unobserved);
    assert!(one.err().unwrap().to_string().contains("2 records"));
    let recording = Recording::open(&path).unwrap();
    assert_eq!(recording.records(), [0..9_000, 9_000..19_950]);
    for k in 0..2 {
        let run = measure_record(&recording, k, &Settings::default(), &Unobserved).unwrap();
        close("rate", run.measurement.capture.sample_rate_hz, 1e7, 1e-9);
        assert!(run.measurement.flags.iter().all(|flag| flag.code.name() != "not_uniform"));
        let start = if k == 0 { 0.0 } else { 9_050.0 * 1e-7 };
        assert!((run.measurement.capture.first_stamp_s.unwrap() - start).abs() < 1e-12);
    }
}
