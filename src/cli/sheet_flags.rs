//! Every sheet key as a flag: `voltage.scale` is `--voltage-scale`.

use crate::sheet::{KEYS, SheetKey};
use clap::{Arg, ArgMatches, Args, Command, Error, FromArgMatches};

/// Sheet keys given as flags.
#[derive(Clone, Debug, Default)]
pub(super) struct SheetFlags {
    /// Key and text of its value.
    pub replaced: Vec<(&'static SheetKey, String)>,
}

fn flag(key: &SheetKey) -> String {
    key.path.join("-").replace('_', "-")
}

impl Args for SheetFlags {
    fn augment_args(command: Command) -> Command {
        KEYS.iter().fold(command, |command, key| {
            let name = flag(key);
            command.arg(
                Arg::new(name.clone())
                    .long(name)
                    .help(key.help)
                    .value_name("VALUE")
                    .allow_negative_numbers(true)
                    .help_heading("Sheet keys"),
            )
        })
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for SheetFlags {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, Error> {
        let given = |key: &'static SheetKey| {
            matches.get_one::<String>(&flag(key)).map(|value| (key, value.clone()))
        };
        Ok(Self { replaced: KEYS.iter().filter_map(given).collect() })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}
