//! `crestbook job new`: a job begun by answering questions.

use super::begun;
use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::Printer;
use crate::job::Beginning;
use crate::units::day_of;
use crate::verification::{Person, ReportFacts, UnitFacts};
use std::io::{BufRead, Write};
use std::path::PathBuf;

/// `crestbook job new`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder to write; it must not hold a job
    folder: PathBuf,
}

/// Runs `crestbook job new`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let mut ask = Questions { lines: std::io::stdin().lock() };
    let profile = ask.needed("Profile with the plan (.toml)")?;
    if !std::path::Path::new(&profile).is_file() {
        let help = "name a profile; `crestbook job example` prints one to start from";
        return Err(Failure::usage(format!("{profile}: there is no such file"), help));
    }
    let bench = ask.open("Sheet of the bench, copied into all prepared sheets")?;
    let model = ask.open("Model of the unit, where the profile does not say it")?;
    let serial = ask.open("Serial number of the unit")?;
    let inventory = ask.open("Inventory number of the unit")?;
    let state = ask.choice("State of the unit", ["as left", "as found"])?;
    let reason = ask.open("Why it is verified")?;
    let as_found = ask.open("Folder of the job before the service")?;
    let measured = ask.open("Measured by")?;
    let reviewed = ask.open("Reviewed by")?;
    let taken_at = ask.day("Day of the captures, where their sheets do not say it (2026-03-02)")?;
    let place = ask.open("Place")?;
    let number = ask.open("Report number")?;
    let laboratory = ask.open("Laboratory")?;
    let customer = ask.open("Customer")?;
    let person =
        |role: &str, name: Option<String>| name.map(|name| Person { role: role.into(), name });
    let people = [person("measured by", measured), person("reviewed by", reviewed)];
    let with = Beginning {
        profile: profile.into(),
        bench: bench.map(PathBuf::from),
        state,
        reason,
        as_found: as_found.map(|path| {
            let path = PathBuf::from(path);
            path.canonicalize().unwrap_or(path)
        }),
        unit: UnitFacts { model, serial, inventory },
        taken_at,
        place,
        people: people.into_iter().flatten().collect(),
        report: ReportFacts { number, laboratory, customer, ..ReportFacts::default() },
    };
    begun(&args.folder, &with, printer)
}

/// Asks on standard error, takes lines from standard input.
struct Questions<R> {
    lines: R,
}

impl<R: BufRead> Questions<R> {
    /// An answer; `None` where it is left out.
    fn open(&mut self, question: &str) -> Result<Option<String>, Failure> {
        let _ = write!(std::io::stderr(), "{question} [Enter: none]: ");
        self.line()
    }

    fn line(&mut self) -> Result<Option<String>, Failure> {
        let _ = std::io::stderr().flush();
        let mut line = String::new();
        self.lines.read_line(&mut line).map_err(|error| {
            Failure::usage(format!("can't read the answer: {error}"), "answer in text")
        })?;
        Ok(Some(line.trim().to_owned()).filter(|line| !line.is_empty()))
    }

    fn needed(&mut self, question: &str) -> Result<String, Failure> {
        let _ = write!(std::io::stderr(), "{question}: ");
        self.line()?.ok_or_else(|| {
            Failure::usage(
                format!("no answer to: {question}"),
                "answer it, or use `crestbook job init`",
            )
        })
    }

    fn choice(&mut self, question: &str, of: [&str; 2]) -> Result<String, Failure> {
        let _ =
            write!(std::io::stderr(), "{question}, {} or {} [Enter: {}]: ", of[0], of[1], of[0]);
        match self.line()? {
            None => Ok(of[0].to_owned()),
            Some(answer) if of.contains(&answer.as_str()) => Ok(answer),
            Some(answer) => {
                let message = format!("`{answer}` is not an answer to: {question}");
                Err(Failure::usage(message, format!("answer {} or {}", of[0], of[1])))
            }
        }
    }

    fn day(&mut self, question: &str) -> Result<Option<String>, Failure> {
        match self.open(question)? {
            Some(day) if day_of(&day).is_none() => {
                Err(Failure::usage(format!("`{day}` is not a date"), "write it like 2026-03-02"))
            }
            day => Ok(day),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_taken_or_left_out() {
        let mut ask = Questions { lines: &b"a b \n\nas found\nsoon\n"[..] };
        assert_eq!(ask.open("one").unwrap().as_deref(), Some("a b"));
        assert_eq!(ask.open("two").unwrap(), None);
        assert_eq!(ask.choice("three", ["as left", "as found"]).unwrap(), "as found");
        assert!(ask.day("four").is_err());
        assert!(ask.needed("five").is_err());
    }
}
