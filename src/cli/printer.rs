//! Standard output and standard error.

use super::exit::{Exit, Failure};
use crate::keyfile::{is_unseen, written_out};
use crate::report::table::Manner;
use anstyle::{AnsiColor, Style};
use clap::ColorChoice;
use serde::Serialize;
use std::io::{self, IsTerminal, Write};

/// Where results and notes go.
#[derive(Debug)]
pub struct Printer {
    json: bool,
    quiet: bool,
    colour_out: bool,
    colour_err: bool,
}

impl Printer {
    /// As the global flags say.
    pub fn new(json: bool, quiet: bool, color: ColorChoice) -> Self {
        let wanted = |terminal: bool| match color {
            ColorChoice::Always => true,
            ColorChoice::Never => false,
            ColorChoice::Auto => {
                terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
            }
        };
        Self {
            json,
            quiet,
            colour_out: wanted(io::stdout().is_terminal()),
            colour_err: wanted(io::stderr().is_terminal()),
        }
    }

    /// Whether JSON was asked for.
    pub fn json(&self) -> bool {
        self.json
    }

    /// Whether a progress bar may be drawn.
    pub fn draws_progress(&self) -> bool {
        !self.json && !self.quiet && io::stderr().is_terminal()
    }

    /// How tables are to look.
    pub fn manner(&self, all: bool) -> Manner {
        Manner { all, colour: self.colour_out }
    }

    /// Prints a result.
    pub fn out(&self, text: &str) -> Result<(), Failure> {
        let mut out = io::stdout().lock();
        let text = plain(text, self.colour_out);
        match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
            // Whoever was reading has seen enough.
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            Err(error) => Err(Failure {
                exit: Exit::Write,
                message: format!("standard output: can't write: {error}"),
                excerpt: None,
                help: Some("check the space left where the output goes".into()),
            }),
            Ok(()) => Ok(()),
        }
    }

    /// Prints a result in place of the one before, where that is a terminal.
    pub fn screen(&self, text: &str) -> Result<(), Failure> {
        if io::stdout().is_terminal() {
            // Clears the screen and goes to its first place.
            self.clear()?;
            self.out(text)
        } else {
            self.out(text)
        }
    }

    /// Empties the terminal.
    fn clear(&self) -> Result<(), Failure> {
        // Where it can't be written to, what follows tells.
        let _ = io::stdout().lock().write_all(b"\x1b[2J\x1b[H");
        Ok(())
    }

    /// Prints a result as JSON.
    pub fn out_json(&self, result: &impl Serialize) -> Result<(), Failure> {
        let mut text = serde_json::to_string_pretty(result).map_err(|error| Failure {
            exit: Exit::Write,
            message: format!("the result can't be written as JSON: {error}"),
            excerpt: None,
            help: None,
        })?;
        text.push('\n');
        self.out(&text)
    }

    /// A note for people.
    pub fn note(&self, text: &str) {
        if !self.quiet {
            self.err(&self.paint(AnsiColor::Cyan, "note"), text);
        }
    }

    /// A failure: what, where, what to do.
    pub fn failure(&self, failure: &Failure) {
        self.err(&self.paint(AnsiColor::Red, "error"), &failure.message);
        if let Some(excerpt) = &failure.excerpt {
            let _ = writeln!(io::stderr(), "{excerpt}");
        }
        if let Some(help) = &failure.help {
            self.err(&self.paint(AnsiColor::Cyan, "help"), help);
        }
    }

    fn paint(&self, colour: AnsiColor, word: &str) -> String {
        let style = Style::new().bold().fg_color(Some(colour.into()));
        if self.colour_err { format!("{style}{word}{style:#}") } else { word.to_owned() }
    }

    fn err(&self, word: &str, text: &str) {
        // Nowhere is left to tell that standard error is closed.
        let _ = writeln!(io::stderr(), "{word}: {}", plain(text, false));
    }
}

/// A text for a terminal: what is not seen is written out, so that names of others can neither move the
/// cursor nor turn the writing around. Line ends and tabs stay, and colours where they are ours.
fn plain(text: &str, colours: bool) -> std::borrow::Cow<'_, str> {
    let kept = |c: char| matches!(c, '\n' | '\t') || (colours && c == '\u{1b}');
    if !text.chars().any(|c| is_unseen(c) && !kept(c)) {
        return text.into();
    }
    written_out(text, kept).into()
}
