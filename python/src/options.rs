//! Keyword arguments as settings of the engine.

use crate::errors::Fault;
use crestbook::analysis::{Choices, Settings};
use crestbook::sheet::{self, Sheet, SheetKey};
use crestbook::uncertainty::{Draws, Extras};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::Deserialize;
use std::path::Path;

/// What a caller may ask for beside the choices of the settings.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(default)]
struct Asked {
    budget: bool,
    simulate: Option<Simulate>,
    seed: Option<u64>,
    hash: bool,
}

#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(untagged)]
enum Simulate {
    Draws(u64),
    Word(String),
}

const OWN: [&str; 4] = ["budget", "simulate", "seed", "hash"];

/// Settings as a caller asks for them.
#[derive(Clone, Debug)]
pub(crate) struct Options {
    choices: Choices,
    asked: Asked,
}

fn wrong(error: &dyn std::fmt::Display) -> Fault {
    let help = format!("also: {}; see help(crestbook.measure)", OWN.join(", "));
    Fault::of_use(format!("wrong option: {error}"), help)
}

impl Options {
    /// From keyword arguments.
    pub(crate) fn of(given: Option<&Bound<'_, PyDict>>) -> PyResult<Self> {
        let Some(given) = given else {
            return Ok(Self { choices: Choices::default(), asked: Asked::default() });
        };
        let (own, others) = (PyDict::new(given.py()), given.copy()?);
        for key in OWN {
            if let Some(value) = given.get_item(key)? {
                own.set_item(key, value)?;
                others.del_item(key)?;
            }
        }
        let choices = pythonize::depythonize(&others).map_err(|error| wrong(&error))?;
        let asked = pythonize::depythonize(&own).map_err(|error| wrong(&error))?;
        Ok(Self { choices, asked })
    }

    /// The settings with these choices.
    pub(crate) fn over(&self, settings: Settings) -> Result<Settings, Fault> {
        let mut settings = self.choices.over(settings)?;
        let draws = match &self.asked.simulate {
            None => None,
            Some(Simulate::Word(word)) if word == "auto" => Some(Draws::Auto),
            Some(Simulate::Word(word)) => {
                return Err(Fault::of_use(format!("simulate {word:?}"), Draws::help()));
            }
            Some(Simulate::Draws(count)) => Some(
                Draws::count(*count)
                    .ok_or_else(|| Fault::of_use(format!("simulate {count}"), Draws::help()))?,
            ),
        };
        settings.extras = Extras {
            budget: self.asked.budget,
            monte_carlo: draws.map(|draws| (draws, self.asked.seed.unwrap_or(1))),
        };
        settings.read.hash = self.asked.hash;
        Ok(settings)
    }
}

/// A sheet from its text in TOML, or an empty one.
pub(crate) fn sheet_of(text: Option<&str>) -> Result<Sheet, Fault> {
    Ok(text.map(|text| sheet::read(Path::new("sheet"), text)).transpose()?.unwrap_or_default())
}

/// Keys of a sheet and their values, as `{"load.nominal_ohm": "500"}`.
pub(crate) fn replaced(
    given: Vec<(String, String)>,
) -> Result<Vec<(&'static SheetKey, String)>, Fault> {
    let find = |(name, value): (String, String)| {
        let key = sheet::KEYS.iter().find(|key| key.path.join(".") == name).ok_or_else(|| {
            Fault::of_use(
                format!("the capture sheet has no key `{name}`"),
                "see docs/sheet.md for all keys",
            )
        })?;
        Ok((key, value))
    };
    given.into_iter().map(find).collect()
}
