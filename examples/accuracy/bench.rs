//! A synthetic capture taken with instruments that err as they are stated to.

use crestbook::analysis::{Settings, measure_capture};
use crestbook::export::{self, Floats, Shape};
use crestbook::recording::{Capture, ReadSettings, Unobserved};
use crestbook::result::Measurement;
use crestbook::synth::Recipe;
use crestbook::trace::Channels;
use std::path::Path;

/// True relative errors of the instruments and what the sheet states.
#[derive(Clone, Debug, Default)]
pub struct Bench {
    /// Truth over reading of voltage and current, less 1.
    pub gain: (f64, f64),
    /// Nominal sample rate; the true one is that of the recipe.
    pub nominal_rate_hz: f64,
    /// Whether the current is captured.
    pub current: bool,
    /// The sheet beside channels and rate.
    pub sheet: String,
}

/// Measures a recipe as this bench would see it.
pub fn measure(recipe: &Recipe, bench: &Bench, settings: &Settings) -> Option<Measurement> {
    let folder = tempfile::tempdir().ok()?;
    let path = folder.path().join("made.npy");
    let shape = Shape {
        channels: Channels { voltage: true, current: bench.current },
        rate: recipe.rate,
        samples: recipe.samples,
        bits: None,
        full_scale: (1.0, 1.0).into(),
        floats: Floats::Usual,
    };
    let mut writer = export::create(&path, &shape).ok()?;
    let mut block = recipe.block(0..recipe.samples);
    block.v.iter_mut().for_each(|v| *v /= 1.0 + bench.gain.0);
    block.i.iter_mut().for_each(|i| *i /= 1.0 + bench.gain.1);
    if !bench.current {
        block.i.clear();
    }
    writer.push(&block).ok()?;
    writer.finish().ok()?;
    let text = format!("sample_rate_hz = {:e}\n{}", bench.nominal_rate_hz, bench.sheet);
    let sheet = crestbook::sheet::read(Path::new("made"), &text)
        .unwrap_or_else(|error| panic!("{error}\n{text}"));
    let capture = Capture { sheet, ..Capture::bare(&path) };
    let read = ReadSettings { threads: 1, ..settings.read };
    let settings = Settings { read, ..settings.clone() };
    match measure_capture(capture, &settings, &Unobserved) {
        Ok(run) => Some(run.measurement),
        Err(error) => panic!("{error}"),
    }
}

/// Runs `work` on 0..count on every core; results in order.
pub fn on_all_cores<T: Send>(count: u64, work: impl Fn(u64) -> T + Sync) -> Vec<T> {
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicU64, Ordering};
    let next = AtomicU64::new(0);
    let done: Mutex<Vec<(u64, T)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= count {
                        return;
                    }
                    let result = work(number);
                    done.lock().expect("no thread panics").push((number, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no thread panics");
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().map(|(_, result)| result).collect()
}
