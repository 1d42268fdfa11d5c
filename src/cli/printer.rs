//! Standard output and standard error.

use super::exit::Failure;
use crate::check::Verdict;
use crate::explain::ErrorCode;
use crate::keyfile::{is_unseen, written_out};
use crate::report::table::Manner;
use crate::result::Form;
use anstyle::{AnsiColor, Style};
use clap::ColorChoice;
use serde::Serialize;
use std::borrow::Cow;
use std::io::{self, BufRead, IsTerminal, Seek, Write};

/// Where results and notes go.
#[derive(Debug)]
pub(super) struct Printer {
    json: bool,
    quiet: bool,
    colour_out: bool,
    colour_err: bool,
}

impl Printer {
    /// As the global flags say.
    pub(super) fn new(json: bool, quiet: bool, color: ColorChoice) -> Self {
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
    pub(super) fn json(&self) -> bool {
        self.json
    }

    /// Whether a progress bar may be drawn.
    pub(super) fn draws_progress(&self) -> bool {
        !self.json && !self.quiet && io::stderr().is_terminal()
    }

    /// How tables are to look.
    pub(super) fn manner(&self, all: bool) -> Manner {
        Manner { all, colour: self.colour_out }
    }

    /// Prints a result.
    pub(super) fn out(&self, text: &str) -> Result<(), Failure> {
        let mut out = io::stdout().lock();
        let text = plain(text, self.colour_out);
        told(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
    }

    /// Prints a result in place of the one before, where that is a terminal.
    pub(super) fn screen(&self, text: &str) -> Result<(), Failure> {
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
    pub(super) fn out_json(&self, result: &impl Serialize) -> Result<(), Failure> {
        let mut out = Escaped(io::BufWriter::with_capacity(1 << 16, io::stdout().lock()));
        let written = serde_json::to_writer_pretty(&mut out, result).map_err(io::Error::from);
        told(written.and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush()))
    }

    /// Prints what a list of JSON documents holds: the only one bare, several as the `records` of a
    /// document with this `verdict`.
    pub(super) fn out_list(&self, list: JsonList, verdict: Option<Verdict>) -> Result<(), Failure> {
        told(list.write(verdict, io::BufWriter::new(io::stdout().lock())))
    }

    /// The same as a list even where it has one document, or none.
    pub(super) fn out_records(
        &self,
        list: JsonList,
        verdict: Option<Verdict>,
    ) -> Result<(), Failure> {
        let list = JsonList { bare: false, ..list };
        told(list.write(verdict, io::BufWriter::new(io::stdout().lock())))
    }

    /// A note for people.
    pub(super) fn note(&self, text: &str) {
        if !self.quiet {
            self.err(&self.paint(AnsiColor::Cyan, "note"), text);
        }
    }

    /// A failure of one of several, on standard error alone.
    pub(super) fn problem(&self, failure: &Failure) {
        self.err(&self.paint(AnsiColor::Red, "error"), &failure.message);
        if let Some(excerpt) = &failure.excerpt {
            let _ = writeln!(io::stderr(), "{}", plain(excerpt, false));
        }
        if let Some(help) = &failure.help {
            self.err(&self.paint(AnsiColor::Cyan, "help"), help);
        }
    }

    /// A failure: what, where, what to do. With `--json` it is also the one document.
    pub(super) fn failure(&self, failure: &Failure) {
        if self.json && failure.code != ErrorCode::Unwritable {
            // Where that can't be written either, standard error still tells.
            let _ = self.out_json(&serde_json::json!({ "schema": Form::Error, "error": failure }));
        }
        self.problem(failure);
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

/// How writing to standard output went.
fn told(written: io::Result<()>) -> Result<(), Failure> {
    match written {
        // Whoever was reading has seen enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        Err(error) => Err(Failure::new(
            ErrorCode::Unwritable,
            format!("standard output: can't write: {error}"),
            Some("check the space left where the output goes".into()),
        )),
        Ok(()) => Ok(()),
    }
}

/// JSON for a terminal: what is not seen is written out as JSON does it.
fn escaped(text: &str) -> Cow<'_, str> {
    let unseen = |c: char| is_unseen(c) && c != '\n';
    if !text.chars().any(unseen) {
        return text.into();
    }
    let mut all = String::new();
    for c in text.chars() {
        if unseen(c) {
            c.encode_utf16(&mut [0; 2])
                .iter()
                .for_each(|unit| all.push_str(&format!("\\u{unit:04x}")));
        } else {
            all.push(c);
        }
    }
    all.into()
}

/// Escapes what is written to it; texts come whole, so that no character is cut in two.
struct Escaped<W>(W);

impl<W: Write> Write for Escaped<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match std::str::from_utf8(bytes) {
            Ok(text) => self.0.write_all(escaped(text).as_bytes())?,
            Err(_) => self.0.write_all(bytes)?,
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// A list of JSON documents that is shown whole or not at all; beyond some megabytes it waits in a
/// temporary file, so that memory does not grow with it.
pub(super) struct JsonList {
    form: Form,
    file: tempfile::SpooledTempFile,
    count: usize,
    /// Whether a single document stands for itself.
    bare: bool,
}

/// Bytes that a list holds in memory.
const SPOOLED: usize = 8 << 20;

impl JsonList {
    /// An empty list; several documents make one of this form.
    pub(super) fn new(form: Form) -> Self {
        Self { form, file: tempfile::spooled_tempfile(SPOOLED), count: 0, bare: true }
    }

    /// Adds a document.
    pub(super) fn push(&mut self, document: &impl Serialize) -> Result<(), Failure> {
        let between = if self.count == 0 { "" } else { ",\n" };
        self.count += 1;
        let mut out = io::BufWriter::new(&mut self.file);
        let written = out.write_all(between.as_bytes()).and_then(|()| {
            serde_json::to_writer_pretty(Escaped(&mut out), document)?;
            out.flush()
        });
        written.map_err(|error| {
            Failure::new(
                ErrorCode::Unwritable,
                format!("the results can't be kept: {error}"),
                Some("check the space left in the folder for temporary files".into()),
            )
        })
    }

    fn write(mut self, verdict: Option<Verdict>, mut out: impl Write) -> io::Result<()> {
        self.file.seek(io::SeekFrom::Start(0))?;
        if self.count == 1 && self.bare {
            io::copy(&mut self.file, &mut out)?;
        } else {
            write!(out, "{{\n  \"schema\": \"{}\",\n", self.form)?;
            if let Some(verdict) = verdict {
                writeln!(out, "  \"verdict\": \"{}\",", verdict.words())?;
            }
            out.write_all(b"  \"records\": [\n")?;
            for line in io::BufReader::new(self.file).lines() {
                writeln!(out, "    {}", line?)?;
            }
            out.write_all(b"  ]\n}")?;
        }
        out.write_all(b"\n")?;
        out.flush()
    }
}

/// A text for a terminal: what is not seen is written out, so that names of others can neither move the
/// cursor nor turn the writing around. Line ends and tabs stay, and colours where they are ours.
fn plain(text: &str, colours: bool) -> Cow<'_, str> {
    let kept = |c: char| matches!(c, '\n' | '\t') || (colours && c == '\u{1b}');
    if !text.chars().any(|c| is_unseen(c) && !kept(c)) {
        return text.into();
    }
    written_out(text, kept).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_are_documents_of_their_own() {
        let mut list = JsonList::new(Form::Measurements);
        list.push(&["a\u{202e}\u{1b}b"]).unwrap();
        let mut out = Vec::new();
        list.write(None, &mut out).unwrap();
        assert_eq!(out, b"[\n  \"a\\u202e\\u001bb\"\n]\n");
        let mut list = JsonList::new(Form::Checks);
        list.push(&[1]).unwrap();
        list.push(&[2]).unwrap();
        let mut out = Vec::new();
        list.write(Some(Verdict::Fail), &mut out).unwrap();
        let found: serde_json::Value = serde_json::from_slice(&out).unwrap();
        let wanted = serde_json::json!(
            {"schema": "crestbook/checks/1", "verdict": "fail", "records": [[1], [2]]}
        );
        assert_eq!(found, wanted);
    }
}
