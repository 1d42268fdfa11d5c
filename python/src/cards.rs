//! Cards: what settings put out, compared and searched.

use crate::errors::Fault;
use crate::results::JobResult;
use crestbook::card::{self, Line};
use crestbook::explain::ErrorCode;
use crestbook::report::card::{Axes, Size, map, sheet, text};
use crestbook::report::job::{Look, ReportError};
use crestbook::report::table::Manner;
use crestbook::result::Form;
use pyo3::prelude::*;
use std::path::PathBuf;
use std::sync::Arc;

fn broken(error: &dyn std::fmt::Display) -> Fault {
    Fault::new(ErrorCode::Internal, error.to_string(), None)
}

fn no_report(error: ReportError) -> Fault {
    Fault::new(ErrorCode::NoReport, error.to_string(), None)
}

/// What each setting of a unit puts out.
#[pyclass(frozen, eq, module = "crestbook._engine")]
#[derive(Clone, PartialEq)]
pub(crate) struct Card(Arc<card::Card>);

impl Card {
    fn setting(&self, id: &str) -> Result<&card::SettingCard, Fault> {
        self.0.setting(id).ok_or_else(|| {
            let known: Vec<&str> = self.0.settings.iter().map(|one| one.id.as_str()).collect();
            let help = format!("it has: {}", known.join(", "));
            Fault::of_use(format!("{} has no setting {id:?}", self.0.name()), help)
        })
    }
}

#[pymethods]
impl Card {
    /// The card of a job's unit.
    #[staticmethod]
    fn of(job: &JobResult) -> Self {
        Self(Arc::new(card::Card::of(&job.0)))
    }

    /// Reads the document that `to_json` or the command line wrote.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        let card: card::Card = Form::Card.read(text.as_bytes()).map_err(Fault::from)?;
        match card.fault() {
            None => Ok(Self(Arc::new(card))),
            Some(fault) => {
                let message = format!("no bench measures {fault}");
                Err(Fault::new(ErrorCode::WrongDocument, message, None).into())
            }
        }
    }

    fn to_json(&self) -> PyResult<String> {
        Ok(serde_json::to_string_pretty(self.0.as_ref()).map_err(|error| broken(&error))?)
    }

    /// Unit with serial number.
    #[getter]
    fn name(&self) -> String {
        self.0.name()
    }

    /// Ids of the settings.
    #[getter]
    fn settings(&self) -> Vec<&str> {
        self.0.settings.iter().map(|one| one.id.as_str()).collect()
    }

    /// The neutral line of a setting, as text, as numbers, short, and as a sentence.
    #[pyo3(signature = (id, dial=None, load_ohm=None))]
    fn line<'py>(
        &self,
        py: Python<'py>,
        id: &str,
        dial: Option<f64>,
        load_ohm: Option<f64>,
    ) -> PyResult<(String, Bound<'py, PyAny>, String, String)> {
        let setting = self.setting(id)?;
        let line = match (dial, load_ohm) {
            (None, None) => Line::of(setting),
            (dial, ohm) => Line::at(setting, dial.or(setting.dial), ohm.or(setting.rated_ohm)),
        };
        Ok((line.to_string(), pythonize::pythonize(py, &line)?, line.short(), line.sentence()))
    }

    /// The text that the command line shows.
    fn text(&self) -> PyResult<String> {
        Ok(text::cards(std::slice::from_ref(&self.0), Manner::default()).map_err(no_report)?)
    }

    /// The map of several cards as SVG.
    #[staticmethod]
    #[pyo3(signature = (cards, crest_over_duty=false))]
    fn map(cards: Vec<PyRef<'_, Self>>, crest_over_duty: bool) -> PyResult<String> {
        let cards: Vec<card::Card> = cards.iter().map(|one| one.0.as_ref().clone()).collect();
        let axes = if crest_over_duty { Axes::CrestOverDuty } else { Axes::PeakOverPower };
        Ok(map(&cards, axes).map_err(no_report)?)
    }

    /// Writes the sheet in the format of the ending.
    #[pyo3(signature = (path, pocket=false))]
    fn save(&self, path: PathBuf, pocket: bool) -> PyResult<()> {
        let ending = path.extension().unwrap_or_default().to_string_lossy().into_owned();
        let Some(kind) = sheet(&ending) else {
            let known: Vec<&str> =
                crestbook::report::card::SHEETS.iter().map(|one| one.ending).collect();
            let message = format!("{}: no sheet has this ending", path.display());
            return Err(Fault::of_use(
                message,
                format!("end the name in one of: {}", known.join(", ")),
            )
            .into());
        };
        let size = if pocket { Size::Pocket } else { Size::Wall };
        let bytes = (kind.render)(std::slice::from_ref(&self.0), size, &Look::default())
            .map_err(no_report)?;
        Ok(crestbook::files::write_whole(&path, &bytes).map_err(Fault::from)?)
    }
}

macro_rules! documents {
    ($($name:ident $of:ty, $doc:literal;)*) => {
        $(
            #[doc = $doc]
            #[pyclass(frozen, eq, module = "crestbook._engine")]
            #[derive(Clone, PartialEq)]
            pub(crate) struct $name(Arc<$of>);

            #[pymethods]
            impl $name {
                fn to_json(&self) -> PyResult<String> {
                    Ok(serde_json::to_string_pretty(self.0.as_ref()).map_err(|error| broken(&error))?)
                }

                /// Reads the document that `to_json` or the command line wrote.
                #[staticmethod]
                fn from_json(text: &str) -> PyResult<Self> {
                    Ok(Self(Arc::new(Form::$name.read(text.as_bytes()).map_err(Fault::from)?)))
                }

                /// The text that the command line shows.
                #[pyo3(signature = (all=false))]
                fn text(&self, all: bool) -> String {
                    shown(self.0.as_ref(), Manner { all, ..Manner::default() })
                }
            }
        )*
    };
}

/// As the command line shows it.
trait Shown {
    fn shown(&self, manner: Manner) -> String;
}

fn shown(what: &impl Shown, manner: Manner) -> String {
    what.shown(manner)
}

impl Shown for card::Comparison {
    fn shown(&self, manner: Manner) -> String {
        text::comparison(self, manner)
    }
}

impl Shown for card::Nearest {
    fn shown(&self, manner: Manner) -> String {
        text::nearest(self, manner)
    }
}

documents! {
    Comparison card::Comparison, "Two cards side by side.";
    Nearest card::Nearest, "Settings that come near to one.";
}

/// Sets two cards side by side.
#[pyfunction]
#[pyo3(signature = (a, b, pairs=Vec::new()))]
pub(crate) fn compare(a: &Card, b: &Card, pairs: Vec<(String, String)>) -> PyResult<Comparison> {
    for (first, second) in &pairs {
        a.setting(first)?;
        b.setting(second)?;
    }
    Ok(Comparison(Arc::new(card::compare(&a.0, &b.0, &pairs))))
}

/// Settings of some cards that come nearest to one.
#[pyfunction]
#[pyo3(signature = (of, setting, cards, dial=None, most=5))]
pub(crate) fn nearest(
    of: &Card,
    setting: &str,
    cards: Vec<PyRef<'_, Card>>,
    dial: Option<f64>,
    most: usize,
) -> PyResult<Nearest> {
    let wanted = of.setting(setting)?;
    let dial = dial.or_else(|| wanted.own_dial());
    if !wanted.dials().is_empty() && !wanted.dials().iter().any(|one| Some(*one) == dial) {
        let dials: Vec<String> = wanted.dials().iter().map(f64::to_string).collect();
        let help = format!("it was captured at: {}", dials.join(", "));
        return Err(Fault::of_use(format!("{setting} was not captured at this dial"), help).into());
    }
    let cards: Vec<&card::Card> = cards.iter().map(|one| one.0.as_ref()).collect();
    Ok(Nearest(Arc::new(card::nearest(&of.0, wanted, dial, &cards, most))))
}

/// For each setting of one unit what comes nearest in another.
#[pyfunction]
pub(crate) fn translation(of: &Card, to: &Card) -> Vec<Nearest> {
    card::nearest::translation(&of.0, &to.0).into_iter().map(|one| Nearest(Arc::new(one))).collect()
}

/// Reads a neutral line.
#[pyfunction]
pub(crate) fn neutral_line<'py>(py: Python<'py>, text: &str) -> PyResult<Bound<'py, PyAny>> {
    let line: Line = text.parse().map_err(|error: card::LineError| {
        Fault::of_use(error.to_string(), "docs/neutral-terms.md has the grammar")
    })?;
    Ok(pythonize::pythonize(py, &line)?)
}
