//! Sheet keys given on the command line: `--set voltage.scale=1000`.

use crate::keyfile::nearest;
use crate::sheet::{KEYS, SheetKey};
use clap::builder::{PossibleValue, TypedValueParser};
use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Arg, Command, Error};
use std::ffi::OsStr;

/// Sheet keys of this run.
#[derive(Clone, Debug, Default, clap::Args)]
pub(super) struct SheetFlags {
    /// Sheet key for this run, such as load.nominal_ohm=500; it overrides the sheet. Repeatable;
    /// docs/sheet.md has all keys
    #[arg(long = "set", value_name = "KEY=VALUE", value_parser = Pair, hide_possible_values = true)]
    pub set: Vec<(&'static SheetKey, String)>,

    /// Kept text layout that the data file must fit
    #[arg(long, value_name = "FILE")]
    pub layout: Option<String>,
}

impl SheetFlags {
    /// Keys and the texts of their values.
    pub(super) fn replaced(&self) -> Vec<(&'static SheetKey, String)> {
        let layout = KEYS.iter().find(|key| key.path == ["layout"]);
        let layout = layout.zip(self.layout.clone());
        self.set.iter().cloned().chain(layout).collect()
    }
}

/// Reads `KEY=VALUE`; shells complete the keys.
#[derive(Clone, Copy, Debug)]
struct Pair;

fn name(key: &SheetKey) -> String {
    key.path.join(".")
}

impl TypedValueParser for Pair {
    type Value = (&'static SheetKey, String);

    fn parse_ref(
        &self,
        command: &Command,
        arg: Option<&Arg>,
        value: &OsStr,
    ) -> Result<Self::Value, Error> {
        let text = value.to_string_lossy();
        let wrong = |help: String| {
            let mut error = Error::new(ErrorKind::ValueValidation).with_cmd(command);
            if let Some(arg) = arg {
                error.insert(ContextKind::InvalidArg, ContextValue::String(arg.to_string()));
            }
            error.insert(ContextKind::InvalidValue, ContextValue::String(text.to_string()));
            error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![help.into()]));
            error
        };
        let Some((key, value)) = text.split_once('=') else {
            return Err(wrong("write it like load.nominal_ohm=500".to_owned()));
        };
        let key = key.trim();
        if let Some(known) = KEYS.iter().find(|known| name(known) == key) {
            return Ok((known, value.trim().to_owned()));
        }
        let names: Vec<String> = KEYS.iter().map(name).collect();
        let near = nearest(key, names.iter().map(String::as_str));
        let near = near.map_or(String::new(), |near| format!("did you mean {near}? "));
        Err(wrong(format!("there is no sheet key {key}; {near}docs/sheet.md has all of them")))
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        let of =
            |key: &'static SheetKey| PossibleValue::new(format!("{}=", name(key))).help(key.help);
        Some(Box::new(KEYS.iter().map(of)))
    }
}
