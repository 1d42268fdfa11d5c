//! The report as one HTML page that needs nothing else: pictures, style and numbers are inside.

use super::{Look, ReportError, plot, words};
use crate::check::Verdict;
use crate::report::CAUTIONS;
use crate::report::picture::compact;
use crate::report::table::why;
use crate::units::{Unit, for_people};
use crate::verification::{
    Change, GroupKind, GroupResult, JobResult, Line, Load, StepKind, StepResult,
};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::io::Write;

const STYLE: &str = include_str!("style.css");

/// A page with the style of all pages.
pub(super) fn page(title: &str, body: Markup) -> Markup {
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
pub(super) fn write(result: &JobResult, _: &Look, out: &mut dyn Write) -> Result<(), ReportError> {
    out.write_all(&html(result)?).map_err(|error| ReportError(error.to_string()))
}

/// The report.
///
/// # Errors
/// Where a picture can't be drawn.
pub fn html(result: &JobResult) -> Result<Vec<u8>, ReportError> {
    let unit = words::unit(result);
    let title = format!("Verification report: {unit}");
    let read: Vec<Line> = result
        .groups
        .iter()
        .filter(|group| by_hand(group))
        .flat_map(|group| group.lines.clone())
        .collect();
    let waves = result.waveforms.iter().map(|wave| compact(&wave.sketch));
    let waves: Vec<String> = waves.collect::<Result<_, _>>()?;
    let mut details = Vec::new();
    for group in result.groups.iter().filter(|group| !by_hand(group)) {
        details.push(entry(group)?);
    }
    let body = html! {
        header {
            h1 { "Verification report" }
            p.lead { (unit) }
        }
        main {
            (first_page(result))
            h2.new-page { "Verdicts" }
            (verdicts(result))
            @if let Some(change) = &result.as_found { (as_found(result, change)) }
            h2 { "In detail" }
            p.small {
                "± is the expanded uncertainty U at 95 %. In the pictures a band is what the plan allows, \
                 a bar is U; a dot passes, a triangle is in doubt, a cross fails."
            }
            @if !read.is_empty() { h3 { "Looked at or read by hand" } (lines(&read)) }
            @for detail in details { (detail) }
            @if !result.waveforms.is_empty() {
                h2 { "Waveforms" }
                p.small {
                    "One capture of each setting: the whole record with its RMS envelope, and each kind \
                     of output from close by. Yellow is cut, blue is coag."
                }
                @for (wave, svg) in result.waveforms.iter().zip(&waves) {
                    figure {
                        (picture(svg, &format!("Waveform of {}", wave.title)))
                        figcaption { (wave.title) " (step " (wave.step) ")" }
                    }
                }
            }
            (captures(result))
        }
        footer { p.small { "crestbook " (result.program) ", plan " (result.plan.sha256) } }
    };
    Ok(page(&title, body).into_string().into_bytes())
}

/// Whether an entry is looked at or read from another instrument.
pub(super) fn by_hand(group: &GroupResult) -> bool {
    group.kind == GroupKind::Of(StepKind::Manual)
}

fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail | Verdict::ConditionalFail => "fail",
        Verdict::ConditionalPass | Verdict::NotMeasured => "doubt",
    }
}

fn verdict(verdict: Verdict) -> Markup {
    html! { span class={ "verdict " (class(verdict)) } { (verdict.words()) } }
}

/// An SVG as a part of the page, with words for those who can't see it.
fn picture(svg: &str, what: &str) -> Markup {
    html! { div role="img" aria-label=(what) { (PreEscaped(svg)) } }
}

fn first_page(result: &JobResult) -> Markup {
    let troubles = words::troubles(result);
    html! {
        div class={ "banner " (class(result.verdict)) } {
            (result.verdict.words().to_uppercase())
            small { (words::counts(result)) }
        }
        h2 { "What is not a pass" }
        @if troubles.is_empty() {
            p { "Nothing: every step was done and passes." }
        } @else {
            table {
                thead { tr {
                    th scope="col" { "verdict" } th scope="col" { "what" } th scope="col" { "found" }
                    th scope="col" { "limits" } th scope="col" { "by how much" }
                } }
                tbody {
                    @for trouble in &troubles {
                        tr {
                            td { (verdict(trouble.verdict)) }
                            td { strong { (trouble.group) } @if trouble.what != trouble.group { br; (trouble.what) } }
                            td { (trouble.found) }
                            td { (trouble.limits) }
                            td { (trouble.why) }
                        }
                    }
                }
            }
        }
        h2 { "Who, when, by which rule" }
        table.facts { tbody {
            @for (name, value) in words::facts(result) { tr { th scope="row" { (name) } td { (value) } } }
        } }
        section.caution aria-label="Cautions" { p { (CAUTIONS) } }
        p { strong { (words::RELEASE) } }
        div.sign { div { "measured by, date" } div { "reviewed by, date" } div { "released by, date" } }
    }
}

fn verdicts(result: &JobResult) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "entry of the plan" } th scope="col" { "what" }
                th scope="col" { "judged" } th scope="col" { "verdict" }
            } }
            tbody {
                @for group in &result.groups {
                    tr {
                        td.code { (group.id) }
                        td { (group.title) }
                        td.number { (group.lines.len()) }
                        td { (verdict(group.verdict)) }
                    }
                }
            }
        }
        @if !result.findings.is_empty() {
            h3 { "About the job as a whole" }
            ul { @for finding in &result.findings { li { (finding.message) } } }
        }
    }
}

fn entry(group: &GroupResult) -> Result<Markup, ReportError> {
    let drawn = match &group.series {
        Some(series) => plot::svg(series)?,
        None => None,
    };
    Ok(html! {
        section {
            h3 { (group.title) ": " (verdict(group.verdict)) }
            @if let Some(svg) = drawn {
                figure { (picture(&svg, &format!("{}, measured and expected", group.title))) }
            }
            @if !group.lines.is_empty() { (lines(&group.lines)) }
            @if let Some(source) = words::source(group) { p { (source) } }
            @for note in &group.notes { p.small { (note) } }
        }
    })
}

fn lines(lines: &[Line]) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "what" } th scope="col" { "found" } th scope="col" { "expected" }
                th scope="col" { "limits" } th scope="col" { "inside" } th scope="col" { "verdict" }
            } }
            tbody {
                @for line in lines {
                    @let judged = &line.judged;
                    tr {
                        td { (line.what) @if let Some(why) = why(judged) { br; span.small { (why) } } }
                        td { (words::found(line)) }
                        td { (judged.nominal.map_or("-".into(), |x| words::value(x, &line.unit))) }
                        td { (words::limits(line)) }
                        td { (judged.conformance_probability.map_or("-".into(), words::probability)) }
                        td { (verdict(judged.verdict)) }
                    }
                }
            }
        }
    }
}

fn as_found(result: &JobResult, change: &Change) -> Markup {
    let shown =
        |(value, u, _): (f64, Option<f64>, Verdict), unit: &str| words::maybe_doubt(value, u, unit);
    html! {
        h2 { "As found against as left" }
        p {
            "Before: " (change.state) ", " (change.day.as_deref().unwrap_or("day not stated")) ", "
            (verdict(change.verdict)) " (" code { (change.folder) } "). Now: " (result.job.state) ", "
            (verdict(result.verdict)) "."
            @if change.plan_sha256 != result.plan.sha256 { " The two were judged by different states of the plan." }
        }
        table {
            thead { tr {
                th scope="col" { "what" } th scope="col" { "before" } th scope="col" { "" (result.job.state) }
                th scope="col" { "change over its U" }
            } }
            tbody {
                @for row in &change.rows {
                    tr {
                        td { (row.group) ": " (row.what) }
                        td { (shown(row.before, &row.unit)) " " (verdict(row.before.2)) }
                        td { (shown(row.after, &row.unit)) " " (verdict(row.after.2)) }
                        td { (words::change(row)) }
                    }
                }
            }
        }
    }
}

fn captures(result: &JobResult) -> Markup {
    html! {
        h2 { "What the verdicts rest on" }
        table {
            thead { tr {
                th scope="col" { "step" } th scope="col" { "state" } th scope="col" { "capture" }
                th scope="col" { "SHA-256" } th scope="col" { "taken" } th scope="col" { "in doubt" }
            } }
            tbody { @for step in &result.steps { (step_row(step)) } }
        }
        @if !result.readings.is_empty() {
            h3 { "Readings by hand" }
            table {
                thead { tr {
                    th scope="col" { "step" } th scope="col" { "typed" } th scope="col" { "when" }
                    th scope="col" { "by" } th scope="col" { "counts" }
                } }
                tbody {
                    @for (k, reading) in result.readings.iter().enumerate() {
                        tr {
                            td.code { (reading.step) }
                            td { (words::typed(reading)) }
                            td { (reading.taken_at.as_deref().unwrap_or("-")) }
                            td { (reading.by.as_deref().unwrap_or("-")) }
                            td { (words::counts_still(result, k)) }
                        }
                    }
                }
            }
        }
        @if !result.job.instruments.is_empty() {
            h3 { "Instruments" }
            table {
                thead { tr { th scope="col" { "role" } th scope="col" { "id" } th scope="col" { "calibration ends" } } }
                tbody {
                    @for one in &result.job.instruments {
                        tr {
                            td { (one.role.as_deref().unwrap_or("-")) }
                            td.code { (one.id.as_deref().unwrap_or("-")) }
                            td { (one.calibration_due.as_deref().unwrap_or("not stated")) }
                        }
                    }
                }
            }
        }
    }
}

fn step_row(step: &StepResult) -> Markup {
    let capture = step.capture.as_ref();
    let load = match step.load {
        Some(Load::Ohm(ohm)) => format!(", {ohm} Ω"),
        Some(Load::Open) => ", open".into(),
        None => String::new(),
    };
    html! {
        tr {
            td.step { span.code { (step.id) } br; span.small { (step.kind.facts().title) (load) } }
            td class=(class(step.verdict)) { (words::state(step)) }
            td { @match capture {
                Some(capture) => { (capture.file) br; span.small { (capture.samples) " samples at " (for_people(capture.sample_rate_hz, Unit::Hertz)) } }
                None => { "-" }
            } }
            td.hash { (capture.map_or("-".into(), |capture| words::hashes(capture))) }
            td.day { (capture.and_then(|c| c.bench.as_ref()?.taken_at.clone()).unwrap_or_else(|| "-".into())) }
            td {
                @for flag in capture.iter().flat_map(|capture| &capture.flags) { span.code { (flag.code.name()) } ": " (flag.message) br; }
                @for finding in &step.findings { span.code { (finding.code) } ": " (finding.message) br; }
                @for (file, reason) in &step.set_aside { "set aside: " (file) " (" (reason) ")" br; }
            }
        }
    }
}
