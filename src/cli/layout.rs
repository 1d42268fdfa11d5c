//! `crestbook layout`.

use super::exit::{Exit, Failure};
use super::measure::CaptureArgs;
use super::printer::Printer;
use crate::files::{WriteError, write_whole};
use crate::ingest::{Piece, Selection, TraceReader};
use crate::recording::open_reader;
use crate::units::Unit;
use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;

/// `crestbook layout`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    capture: CaptureArgs,

    /// Keep the layout in this file, such as NAME.layout.toml
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Keep it without asking
    #[arg(long)]
    yes: bool,
}

/// Rows that are shown.
const ROWS: usize = 6;

/// Runs `crestbook layout`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let settings = args.capture.settings(false)?;
    let capture = args.capture.resolve()?;
    let reader = open_reader(&capture, &settings.read)?;
    let Some(layout) = reader.layout() else {
        return Err(Failure::usage(
            format!(
                "{}: {} describes itself, so there is no layout to save",
                capture.data.display(),
                reader.receipt().format
            ),
            "layouts are kept for delimited text only",
        ));
    };
    if printer.json() {
        printer.out_json(layout)?;
    } else {
        printer.out(&preview(reader.as_ref())?)?;
    }
    let Some(output) = &args.output else { return Ok(Exit::Done) };
    if !args.yes && !confirmed(printer)? {
        printer.note("nothing was kept");
        return Ok(Exit::NotAPass);
    }
    let mut layout = layout.clone();
    let hints = capture.hints();
    layout.time_column = hints.time_column;
    layout.time_unit = hints.time_unit;
    layout.first_line = hints.first_line;
    let text = toml::to_string(&layout).map_err(|error| WriteError {
        file: output.clone(),
        source: std::io::Error::other(error),
    })?;
    write_whole(output, text.as_bytes())?;
    printer.note(&format!(
        "kept in {}; set `layout = \"{}\"` in the sheets of later files, or give --layout",
        output.display(),
        output.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
    ));
    Ok(Exit::Done)
}

/// How the file is read, and its first rows as they were understood.
fn preview(reader: &dyn TraceReader) -> Result<String, Failure> {
    let receipt = reader.receipt();
    let width = receipt.decisions.iter().map(|d| d.about.chars().count()).max().unwrap_or(0);
    let mut out = format!("{} read as {}\n", reader.source().name().display(), receipt.format);
    for decision in &receipt.decisions {
        out.push_str(&format!("  {:<width$}  {}\n", decision.about, decision.found));
    }
    for doubt in &receipt.doubts {
        out.push_str(&format!("  {:<width$}  {}\n", doubt.code.name(), doubt.message));
    }
    let rate = reader.rate().first_idea();
    let rate = rate.map_or("not stated".to_owned(), |rate| format!("{} Hz", rate.hertz()));
    out.push_str(&format!("  {:<width$}  {rate}\n\nfirst samples\n", "sample rate"));
    for (k, info) in reader.channels().iter().enumerate() {
        let mut piece = Piece::default();
        reader.decode(0, Selection { voltage: Some(k), current: None }, &mut piece)?;
        let unit = info.unit.map_or("", Unit::symbol);
        let values: Vec<String> = (0..piece.v.len().min(ROWS))
            .map(|row| {
                let gap = piece.gaps.iter().any(|(gap, _)| gap.contains(&row));
                let value = (piece.v[row] - info.offset) * info.factor;
                if gap { "not valid".into() } else { format!("{value:.6}") }
            })
            .collect();
        let more = if piece.v.len() > ROWS { " ..." } else { "" };
        out.push_str(&format!("  {}: {}{more} {unit}\n", info.name, values.join("  ")));
    }
    Ok(out)
}

/// Asks at the terminal.
fn confirmed(printer: &Printer) -> Result<bool, Failure> {
    if !std::io::stdin().is_terminal() || printer.json() {
        return Err(Failure::usage(
            "there is no terminal on which to confirm the layout",
            "look at it without -o first; then give --yes in scripts",
        ));
    }
    let mut err = std::io::stderr();
    // Nowhere is left to ask where standard error is closed: then nothing is kept.
    let _ = write!(err, "Is this how the file is to be read? [y/N] ");
    let _ = err.flush();
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer).unwrap_or(0);
    let answer = answer.trim().to_lowercase();
    Ok(read > 0 && (answer == "y" || answer == "yes"))
}
