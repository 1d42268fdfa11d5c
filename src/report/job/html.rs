//! The report as one HTML page that needs nothing else: pictures, style and numbers are inside.

use super::paper::{Changes, Entry, Mark, Paper, Picture, Row, StepRow};
use super::{Look, ReportError};
use crate::verification::JobResult;
use base64::Engine;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::io::Write;

const STYLE: &str = include_str!("style.css");

/// A page with the style of all pages.
pub(in crate::report) fn page(title: &str, body: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                // An empty icon: no page asks the network for one.
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    }
}

/// Writes the report as a page.
pub(super) fn write(
    result: &JobResult,
    look: &Look,
    out: &mut dyn Write,
) -> Result<(), ReportError> {
    out.write_all(&html(result, look)?).map_err(|error| ReportError(error.to_string()))
}

/// The report as a page.
///
/// # Errors
/// Where a picture can't be drawn, or the letterhead is none.
pub fn html(result: &JobResult, look: &Look) -> Result<Vec<u8>, ReportError> {
    let mut paper = Paper::new(result)?;
    paper.complete(result, look);
    Ok(body(&paper, look)?.into_string().into_bytes())
}

fn body(paper: &Paper, look: &Look) -> Result<Markup, ReportError> {
    let title = format!("Verification report: {}", paper.unit);
    let read: Vec<&Row> =
        paper.entries.iter().filter(|entry| entry.by_hand).flat_map(|entry| &entry.lines).collect();
    let body = html! {
        header {
            @if let Some(picture) = &look.letterhead {
                img.letterhead alt="Letterhead" src=(embedded(&picture.name, &picture.bytes)?);
            }
            h1 { "Verification report" @if let Some(number) = &paper.number { " " (number) } }
            p.lead { (paper.unit) }
        }
        main {
            (first_page(paper))
            h2.new-page { "Verdicts" }
            (verdicts(paper))
            @if let Some(changes) = &paper.changes { (changed(changes)) }
            h2 { "In detail" }
            p.small {
                "± is the expanded uncertainty U at 95 %; ? marks a U without a scale, the load or the \
                 clock: it is at least that large. In the pictures a band is what the plan allows and a bar is \
                 U; a dot passes, a triangle is in doubt, a cross fails."
            }
            @if !read.is_empty() { h3 { "Looked at or read by hand" } (lines(read)) }
            @for one in paper.entries.iter().filter(|entry| !entry.by_hand) { (entry(one)) }
            @if !paper.waveforms.is_empty() {
                h2 { "Waveforms" }
                p.small {
                    "One capture of each setting: the whole record with its RMS envelope, and each kind \
                     of output close up. Yellow is cut, blue is coag."
                }
                @for wave in &paper.waveforms { (picture(wave)) }
            }
            (rests_on(paper))
            p.end { (paper.end) }
        }
        footer { p.small { (paper.facts.last().map_or("", |(_, program)| program)) } }
    };
    Ok(page(&title, body))
}

/// A picture file as a part of the page.
fn embedded(name: &str, bytes: &[u8]) -> Result<String, ReportError> {
    let ending = name.rsplit('.').next().unwrap_or_default().to_lowercase();
    let kind = match ending.as_str() {
        "svg" => "svg+xml",
        "png" => "png",
        "jpg" | "jpeg" => "jpeg",
        _ => {
            let message = format!("the letterhead {name} is not an .svg, .png or .jpg file");
            return Err(ReportError(message));
        }
    };
    let bytes = base64::engine::general_purpose::STANDARD.encode(bytes);
    Ok(format!("data:image/{kind};base64,{bytes}"))
}

fn mark(mark: &Mark) -> Markup {
    html! { span class={ "verdict " (mark.tone.class()) } { (mark.words) } }
}

/// An SVG as a part of the page, with words for those who can't see it.
fn picture(picture: &Picture) -> Markup {
    html! {
        figure {
            div role="img" aria-label=(picture.alt) { (PreEscaped(&picture.svg)) }
            @if !picture.caption.is_empty() { figcaption { (picture.caption) } }
        }
    }
}

fn first_page(paper: &Paper) -> Markup {
    html! {
        div class={ "banner " (paper.headline.tone.class()) } {
            (paper.headline.words.to_uppercase())
            small { (paper.counts) }
        }
        p.small { (paper.meaning) }
        h2 { "What is not a pass" }
        @if paper.troubles.is_empty() {
            p { "Nothing: every step was done and passes." }
        } @else {
            table {
                thead { tr {
                    th scope="col" { "verdict" } th scope="col" { "what" } th scope="col" { "found" }
                    th scope="col" { "limits" } th scope="col" { "by how much, and why" }
                } }
                tbody {
                    @for trouble in &paper.troubles {
                        tr {
                            td { (mark(&trouble.verdict)) }
                            td { strong { (trouble.entry) } @if trouble.what != trouble.entry { br; (trouble.what) } }
                            td { (trouble.found.as_deref().unwrap_or("-")) }
                            td { (trouble.limits.as_deref().unwrap_or("-")) }
                            td { (trouble.why) }
                        }
                    }
                }
            }
        }
        h2 { "Who, when, by which rule" }
        table.facts { tbody {
            @for (name, value) in &paper.facts { tr { th scope="row" { (name) } td { (value) } } }
        } }
        @if !paper.absent.is_empty() {
            p.small { "Not stated here, though a report by ISO/IEC 17025 states it: " (paper.absent.join(", ")) "." }
        }
        @if !paper.amendments.is_empty() {
            h3 { "Amendments" }
            table {
                thead { tr {
                    th scope="col" { "when" } th scope="col" { "by" } th scope="col" { "why" }
                    th scope="col" { "before" } th scope="col" { "now" }
                } }
                tbody { @for row in &paper.amendments { tr { @for cell in row { td { (cell) } } } } }
            }
        }
        section.caution aria-label="Cautions" { p { (paper.cautions) } }
        p { strong { (paper.release) } }
        div.sign {
            @for (role, name) in &paper.signatures {
                div { (role) ", date" @if !name.is_empty() { br; strong { (name) } } }
            }
        }
    }
}

fn verdicts(paper: &Paper) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "entry of the plan" } th scope="col" { "what" }
                th scope="col" { "judged" } th scope="col" { "verdict" }
            } }
            tbody {
                @for entry in &paper.entries {
                    tr {
                        td.code { (entry.id) }
                        td { (entry.title) }
                        td.number { (entry.lines.len()) }
                        td { (mark(&entry.verdict)) }
                    }
                }
            }
        }
        @if !paper.findings.is_empty() {
            h3 { "About the job as a whole" }
            ul { @for finding in &paper.findings { li { (finding) } } }
        }
    }
}

fn entry(entry: &Entry) -> Markup {
    html! {
        section {
            h3 { (entry.title) ": " (mark(&entry.verdict)) }
            @if let Some(plot) = &entry.plot { (picture(plot)) }
            @if !entry.lines.is_empty() { (lines(&entry.lines)) }
            @for note in &entry.notes { p.small { (note) } }
        }
    }
}

fn lines<'a>(lines: impl IntoIterator<Item = &'a Row>) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "what" } th scope="col" { "found" } th scope="col" { "expected" }
                th scope="col" { "limits" } th scope="col" { "inside" } th scope="col" { "verdict" }
            } }
            tbody {
                @for line in lines {
                    tr {
                        td { (line.what) @for note in &line.notes { br; span.small { (note) } } }
                        td { (line.found) }
                        td { (line.expected) }
                        td { (line.limits) }
                        td { (line.inside) }
                        td { (mark(&line.verdict)) }
                    }
                }
            }
        }
    }
}

fn changed(changes: &Changes) -> Markup {
    html! {
        h2 { (changes.title) }
        p { (changes.said) }
        table {
            thead { tr {
                th scope="col" { "what" } th scope="col" { "before" } th scope="col" { (changes.now) }
                th scope="col" { "change over its U" }
            } }
            tbody { @for row in &changes.rows { tr { @for cell in row { td { (cell) } } } } }
        }
    }
}

fn rests_on(paper: &Paper) -> Markup {
    html! {
        h2 { "What the verdicts rest on" }
        table {
            thead { tr {
                th scope="col" { "step" } th scope="col" { "state" } th scope="col" { "capture" }
                th scope="col" { "SHA-256" } th scope="col" { "taken" } th scope="col" { "in doubt" }
            } }
            tbody { @for step in &paper.steps { (step_row(step)) } }
        }
        @if !paper.readings.is_empty() {
            h3 { "Readings by hand" }
            table {
                thead { tr {
                    th scope="col" { "step" } th scope="col" { "typed" } th scope="col" { "instrument" } th scope="col" { "comment" }
                    th scope="col" { "when" } th scope="col" { "by" } th scope="col" { "counts" }
                } }
                tbody {
                    @for reading in &paper.readings {
                        tr {
                            td.code { (reading.step) } td { (reading.typed) } td { (reading.meter) } td { (reading.comment) }
                            td { (reading.when) } td { (reading.by) } td { (reading.counts) }
                        }
                    }
                }
            }
        }
        @if !paper.instruments.is_empty() {
            h3 { "Instruments" }
            table {
                thead { tr {
                    th scope="col" { "role" } th scope="col" { "id" } th scope="col" { "calibration ends" }
                    th scope="col" { "certificate" }
                } }
                tbody {
                    @for one in &paper.instruments {
                        tr { td { (one.role) } td.code { (one.id) } td { (one.due) } td { (one.certificate) } }
                    }
                }
            }
        }
    }
}

fn step_row(step: &StepRow) -> Markup {
    html! {
        tr {
            td.step { span.code { (step.id) } br; span.small { (step.kind) } }
            td class=(step.state.tone.class()) { (step.state.words) }
            td { (step.file) @for fact in &step.facts { br; span.small { (fact) } } }
            td.hash { @if step.sha256.is_empty() { "-" } @for hash in &step.sha256 { (hash) br; } }
            td.day { (step.taken) }
            td { @for (code, message) in &step.doubts { span.code { (code) } ": " (message) br; } }
        }
    }
}
