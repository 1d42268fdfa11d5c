//! A capture from a file, from bytes or from arrays: read once, measured when asked.

use crate::arrays::Array;
use crate::errors::Fault;
use crate::options::{Options, replaced, sheet_of};
use crate::results::{Check, Measurement};
use crate::table::Table;
use crate::units::Profile;
use crate::watch::{Watch, away};
use crestbook::analysis::{AnalysisError, Detail, Run, Settings, estimate_delay, measure_record};
use crestbook::explain::ErrorCode;
use crestbook::recording::{self as capture, ReadSettings, resolve};
use crestbook::report::long::{self, Origin};
use crestbook::report::picture::{self, Shown};
use crestbook::trace::{Channel, Column, PerChannel};
use crestbook::uncertainty::Knowledge;
use crestbook::{Recording, SampleRate, convert};
use numpy::{PyArray1, PyUntypedArray};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// One record of a capture.
#[pyclass(frozen, module = "crestbook._engine")]
pub(crate) struct Capture {
    recording: Arc<Recording>,
    record: usize,
    arrays: Vec<Array>,
    /// The run with the usual settings, once there is one.
    run: Mutex<Option<Arc<Run>>>,
}

/// The arrays of a capture rest.
fn at_rest(arrays: &[Array]) -> Result<(), Fault> {
    if arrays.iter().all(Array::rests) {
        return Ok(());
    }
    Err(Fault::new(
        ErrorCode::WrongCapture,
        "an array was changed while it was measured",
        Some("give a copy, or wait until nothing writes to it".into()),
    ))
}

impl Capture {
    fn of(recording: Recording, record: Option<usize>, arrays: Vec<Array>) -> Result<Self, Fault> {
        let count = recording.records().len();
        let record = match record {
            None if count > 1 => {
                let file = recording.capture().data.clone();
                return Err(AnalysisError::Several { file, records: count }.into());
            }
            None => 0,
            Some(number) if (1..=count).contains(&number) => number - 1,
            Some(number) => {
                return Err(Fault::of_use(
                    format!("the capture has no record {number}"),
                    format!("it has {count}, counted from 1"),
                ));
            }
        };
        Ok(Self { recording: Arc::new(recording), record, arrays, run: Mutex::default() })
    }

    fn measured(&self, settings: &Settings, watch: &Watch) -> Result<Run, Fault> {
        let run = measure_record(&self.recording, self.record, settings, watch)?;
        at_rest(&self.arrays)?;
        Ok(run)
    }

    /// The run with the usual settings, made at the first call.
    fn usual(&self, py: Python<'_>) -> PyResult<Arc<Run>> {
        let held = || self.run.lock().ok().and_then(|run| run.clone());
        if let Some(run) = held() {
            return Ok(run);
        }
        let run = away(py, None, |watch| self.measured(&Settings::default(), watch))?;
        let run = Arc::new(run);
        if let Ok(mut slot) = self.run.lock() {
            *slot = Some(Arc::clone(&run));
        }
        Ok(run)
    }
}

/// Opens a data file or a sheet.
#[pyfunction]
#[pyo3(signature = (path, sheet_file=None, sheet=None, keys=Vec::new(), record=None, hash=false, progress=None))]
#[allow(clippy::too_many_arguments)] // keywords of one Python call
pub(crate) fn open(
    py: Python<'_>,
    path: PathBuf,
    sheet_file: Option<PathBuf>,
    sheet: Option<String>,
    keys: Vec<(String, String)>,
    record: Option<usize>,
    hash: bool,
    progress: Option<Py<PyAny>>,
) -> PyResult<Capture> {
    away(py, progress.as_ref(), |watch| {
        let capture = match sheet {
            None => resolve(&path, sheet_file.as_deref(), &replaced(keys)?)?,
            Some(text) => {
                let sheet = sheet_of(Some(&text))?;
                let beside = |name: &PathBuf| path.with_file_name(name);
                let data_current = sheet.data_current.as_ref().map(beside);
                capture::Capture { data_current, sheet, ..capture::Capture::bare(&path) }
            }
        };
        let settings = ReadSettings { hash, ..ReadSettings::default() };
        Capture::of(Recording::read(capture, &settings, watch)?, record, Vec::new())
    })
}

/// Opens the bytes of a data file.
#[pyfunction]
#[pyo3(signature = (name, data, sheet=None, record=None, hash=false))]
pub(crate) fn from_bytes(
    py: Python<'_>,
    name: PathBuf,
    data: Vec<u8>,
    sheet: Option<String>,
    record: Option<usize>,
    hash: bool,
) -> PyResult<Capture> {
    away(py, None, |watch| {
        let sheet = sheet_of(sheet.as_deref())?;
        let settings = ReadSettings { hash, ..ReadSettings::default() };
        let recording = Recording::of_bytes(&name, data, sheet, &settings, watch)?;
        Capture::of(recording, record, Vec::new())
    })
}

/// Takes arrays where they lie; `None` for a channel that is not there.
#[pyfunction]
#[pyo3(signature = (voltage, current, rate_hz, sheet=None, progress=None))]
pub(crate) fn from_arrays(
    py: Python<'_>,
    voltage: Option<Bound<'_, PyUntypedArray>>,
    current: Option<Bound<'_, PyUntypedArray>>,
    rate_hz: f64,
    sheet: Option<String>,
    progress: Option<Py<PyAny>>,
) -> PyResult<Capture> {
    let array =
        |given: Option<Bound<'_, PyUntypedArray>>| given.map(|one| Array::of(&one)).transpose();
    let arrays = PerChannel { voltage: array(voltage)?, current: array(current)? };
    away(py, progress.as_ref(), |watch| {
        let rate = SampleRate::new(rate_hz).ok_or_else(|| {
            Fault::of_use(
                format!("a sample rate of {rate_hz:e} Hz"),
                "give samples per second, above 0",
            )
        })?;
        let samples = PerChannel {
            voltage: arrays.voltage.as_ref().map(|one| Arc::clone(&one.samples)),
            current: arrays.current.as_ref().map(|one| Arc::clone(&one.samples)),
        };
        let sheet = sheet_of(sheet.as_deref())?;
        let settings = ReadSettings::default();
        let recording = Recording::of_samples(samples, rate, sheet, &settings, watch)?;
        let held = [arrays.voltage, arrays.current].into_iter().flatten().collect();
        Capture::of(recording, None, held)
    })
}

#[pymethods]
impl Capture {
    /// Name of the data file.
    #[getter]
    fn file(&self) -> &Path {
        &self.recording.capture().data
    }

    /// Number of samples of the record.
    fn __len__(&self) -> usize {
        let window = self.recording.records().get(self.record).cloned().unwrap_or(0..0);
        usize::try_from(window.end - window.start).unwrap_or(usize::MAX)
    }

    /// Records of the file.
    #[getter]
    fn records(&self) -> usize {
        self.recording.records().len()
    }

    /// Samples per second.
    #[getter]
    fn sample_rate_hz(&self) -> PyResult<f64> {
        Ok(self.recording.rate_of(self.record).map_err(Fault::from)?.hertz())
    }

    /// Which channels there are: voltage, current.
    #[getter]
    fn channels(&self) -> (bool, bool) {
        let selection = self.recording.selection();
        (selection.voltage.is_some(), selection.current.is_some())
    }

    /// Measures the record.
    #[pyo3(signature = (options=None, progress=None))]
    fn measure(
        &self,
        py: Python<'_>,
        options: Option<&Bound<'_, PyDict>>,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<Measurement> {
        let settings = Options::of(options)?.over(Settings::default())?;
        if settings == Settings::default() && progress.is_none() {
            let run = self.usual(py)?;
            // The run may be an old one; what it was made from must still be there.
            py.detach(|| at_rest(&self.arrays))?;
            return Ok(Measurement(Arc::new(run.measurement.clone())));
        }
        let run = away(py, progress.as_ref(), |watch| self.measured(&settings, watch))?;
        let measurement = Measurement(Arc::new(run.measurement.clone()));
        if settings == Settings::default()
            && let Ok(mut slot) = self.run.lock()
        {
            *slot = Some(Arc::new(run));
        }
        Ok(measurement)
    }

    /// Measures the samples from `start` to `end`.
    fn measure_range<'py>(
        &self,
        py: Python<'py>,
        start: u64,
        end: u64,
    ) -> PyResult<Bound<'py, PyAny>> {
        let run = self.usual(py)?;
        let set = away(py, None, |_| {
            let set = run.measure_range(start..end)?;
            at_rest(&self.arrays)?;
            Ok(set)
        })?;
        Ok(pythonize::pythonize(py, &set)?)
    }

    /// Measures and compares with a setting of a profile.
    #[pyo3(signature = (profile, setting=None, options=None, progress=None))]
    fn check(
        &self,
        py: Python<'_>,
        profile: &Profile,
        setting: Option<String>,
        options: Option<&Bound<'_, PyDict>>,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<Check> {
        let options = Options::of(options)?;
        let profile = Arc::clone(&profile.0);
        away(py, progress.as_ref(), |watch| {
            let sheet = &self.recording.capture().sheet;
            let setting = profile.wanted(setting.as_deref(), sheet)?;
            let mut settings = Settings::default();
            settings.expect(profile.expected(), setting);
            let run = self.measured(&options.over(settings)?, watch)?;
            let check = crestbook::check(run.measurement, profile.expected(), setting);
            Ok(Check(Arc::new(check)))
        })
    }

    /// Volts and amperes of the samples from `start` to `end`; `None` for a channel that is not there.
    #[allow(clippy::type_complexity)] // two arrays
    fn samples<'py>(
        &self,
        py: Python<'py>,
        start: u64,
        end: u64,
    ) -> PyResult<(Option<Bound<'py, PyArray1<f64>>>, Option<Bound<'py, PyArray1<f64>>>)> {
        let run = self.usual(py)?;
        let block = away(py, None, |_| {
            Ok(run.record.samples().read(start..end).map_err(AnalysisError::from)?)
        })?;
        let there = self.channels();
        let array = |there: bool, samples: Vec<f64>| there.then(|| PyArray1::from_vec(py, samples));
        Ok((array(there.0, block.v), array(there.1, block.i)))
    }

    /// Start (samples), length, and smallest, largest and RMS value of both channels, in columns.
    fn columns<'py>(
        &self,
        py: Python<'py>,
        start: u64,
        end: u64,
        count: usize,
    ) -> PyResult<Bound<'py, PyDict>> {
        let run = self.usual(py)?;
        let columns = away(py, None, |_| Ok(run.columns(start..end, count)?))?;
        let told = PyDict::new(py);
        let of = |value: &dyn Fn(&Column) -> f64| {
            PyArray1::from_vec(py, columns.iter().map(value).collect())
        };
        told.set_item("start", of(&|column| column.span.start as f64))?;
        told.set_item("end", of(&|column| column.span.end as f64))?;
        for (name, channel, there) in
            [("v", Channel::Voltage, self.channels().0), ("i", Channel::Current, self.channels().1)]
        {
            if !there {
                continue;
            }
            told.set_item(format!("{name}_low"), of(&|column| column.cell.extremes(channel)[0]))?;
            told.set_item(format!("{name}_high"), of(&|column| column.cell.extremes(channel)[1]))?;
            told.set_item(format!("{name}_rms"), of(&|column| rms(column, channel)))?;
        }
        Ok(told)
    }

    /// The picture of the record, as SVG.
    #[pyo3(signature = (title=None))]
    fn picture(&self, py: Python<'_>, title: Option<String>) -> PyResult<String> {
        let run = self.usual(py)?;
        away(py, None, |_| {
            let sketch = run.sketch(Detail::Page).map_err(AnalysisError::from)?;
            let facts = &run.measurement.capture;
            let load = facts.load_ohm;
            let load =
                load.map_or("load not stated".into(), |ohm| format!("load {ohm} Ω (nominal)"));
            let title = title.unwrap_or_else(|| facts.file.clone());
            let shown = [Shown { sketch: &sketch, title: &title, subtitle: &load }];
            let fail = |error: picture::PictureError| {
                Fault::new(ErrorCode::NoReport, error.to_string(), None)
            };
            picture::svg(&shown).map_err(fail)
        })
    }

    /// The delay between the channels, from a capture into the stated resistor.
    fn estimate_delay<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let run = self.usual(py)?;
        let found = away(py, None, |_| {
            let sheet = &self.recording.capture().sheet;
            let knowledge = Knowledge::of(sheet).map_err(AnalysisError::from)?;
            estimate_delay(&run, &knowledge)?
                .map_err(|refusal| Fault::of_use(refusal.to_string(), refusal.help))
        })?;
        Ok(pythonize::pythonize(py, &found)?)
    }

    /// Writes the record in the format of the ending of `out`; gives the text of its sheet.
    #[pyo3(signature = (out, progress=None))]
    fn convert(
        &self,
        py: Python<'_>,
        out: PathBuf,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<String> {
        away(py, progress.as_ref(), |watch| {
            for read in self.recording.files() {
                let same = |a: &Path, b: &Path| {
                    a.canonicalize().ok().is_some_and(|a| Some(a) == b.canonicalize().ok())
                };
                if same(&out, Path::new(&read.file)) {
                    return Err(Fault::of_use(
                        format!("{} would be written over while it is read", read.file),
                        "give the new file another name",
                    ));
                }
            }
            let phases = crestbook::export::writable(&out).is_some_and(|format| format.marks);
            let settings = Settings::default();
            let done =
                convert::convert(&self.recording, self.record, &out, phases, &settings, watch)?;
            let broken =
                |error: toml::ser::Error| Fault::new(ErrorCode::Internal, error.to_string(), None);
            toml::to_string(&done.sheet).map_err(broken)
        })
    }

    /// The long table of its measurement.
    fn table(&self, py: Python<'_>) -> PyResult<Table> {
        let run = self.usual(py)?;
        let origin = Origin { capture: run.measurement.capture.file.clone(), ..Origin::default() };
        Ok(Table::of(long::of_measurement(&origin, &run.measurement)))
    }
}

/// RMS value of a channel in a column.
fn rms(column: &Column, channel: Channel) -> f64 {
    let moments = &column.cell.moments;
    channel.of((moments.mean_square_v(), moments.mean_square_i())).unwrap_or(0.0).sqrt()
}
