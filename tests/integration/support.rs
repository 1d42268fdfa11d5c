//! What several tests need, and every tolerance with its reason.

use crestbook::analysis::{Settings, measure_capture};
use crestbook::export::{self, Floats, Shape};
use crestbook::recording::{Capture, Unobserved, resolve};
use crestbook::result::Measurement;
use crestbook::synth::{Output, Recipe, Wave};
use crestbook::trace::{Channels, Kind};
use crestbook::units::SampleRate;
use std::path::{Path, PathBuf};
use std::process::{Command, Output as Finished};

/// Closed forms on coherent sampling: only rounding is left.
pub const EXACT: f64 = 1e-6;
/// Crest factor from 12 samples per cycle on, as wanted of the product.
pub const CREST: f64 = 2e-3;
/// The same arithmetic written a second time, in f64.
pub const SAME: f64 = 1e-9;

pub fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

pub fn fixture(name: &str) -> PathBuf {
    root().join("fixtures").join(name)
}

pub fn crestbook(arguments: &[&str]) -> Finished {
    Command::new(env!("CARGO_BIN_EXE_crestbook")).args(arguments).output().unwrap()
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub fn measure_file(path: &Path, settings: &Settings) -> Measurement {
    let capture = resolve(path, None, &[]).unwrap();
    measure_capture(capture, settings, &Unobserved).unwrap().measurement
}

/// Writes a recipe as float64 and measures it.
pub fn measure_recipe(recipe: &Recipe, settings: &Settings) -> Measurement {
    let sheet = format!(
        "[voltage]\nchannel = 0\n[current]\nchannel = 1\n[load]\nnominal_ohm = {:e}\n",
        recipe.load_ohm
    );
    measure_recipe_with(recipe, &sheet, settings)
}

/// The same with a sheet of one's own, but for the sample rate.
pub fn measure_recipe_with(recipe: &Recipe, sheet: &str, settings: &Settings) -> Measurement {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("made.npy");
    write_recipe(recipe, &path);
    let sheet = format!("sample_rate_hz = {:e}\n{sheet}", recipe.rate.hertz());
    let sheet = crestbook::sheet::read(Path::new("made"), &sheet).unwrap();
    let capture = Capture { sheet, ..Capture::bare(&path) };
    measure_capture(capture, settings, &Unobserved).unwrap().measurement
}

/// Writes a recipe as float64 volts and amperes.
pub fn write_recipe(recipe: &Recipe, path: &Path) {
    let channels = Channels { voltage: true, current: true };
    let shape = Shape {
        channels,
        rate: recipe.rate,
        samples: recipe.samples,
        bits: None,
        full_scale: (1.0, 1.0).into(),
        floats: Floats::Usual,
    };
    let mut writer = export::create(path, &shape).unwrap();
    writer.push(&recipe.block(0..recipe.samples)).unwrap();
    writer.finish().unwrap();
}

/// 1000 V peak, 500 kHz, 500 ohm at 10 MS/s: the conditions of the exact vectors.
pub fn vector(wave: Wave, samples: u64) -> Recipe {
    let output = Output { wave, peak_v: 1000.0, carrier_hz: 500e3, ramp_s: 0.0 };
    Recipe::single(output, Kind::Cut, SampleRate::new(10e6).unwrap(), samples, 500.0)
}

pub fn close(what: &str, got: f64, wanted: f64, relative: f64) {
    assert!(
        (got - wanted).abs() <= relative * wanted.abs().max(f64::MIN_POSITIVE),
        "{what}: got {got}, wanted {wanted} within {relative:e}"
    );
}

pub fn value(set: &crestbook::measures::MeasureSet, key: &str) -> f64 {
    match set.had(crestbook::measures::Measure::find(key).unwrap()) {
        Ok(estimate) => estimate.value,
        Err(reason) => panic!("{key}: {reason}"),
    }
}
