//! One page for a unit: its last verdicts, trends of the leading measures, what failed and was mended, what is next.

use super::text::{due_words, unit};
use super::{plot, trend};
use crate::archive::trend::{Alarm, Trend};
use crate::archive::{Due, Found};
use crate::check::Verdict;
use crate::report::CAUTIONS;
use crate::report::job::{ReportError, page};
use crate::report::table::Tone;
use maud::{PreEscaped, html};
use serde::Serialize;

/// A result of the unit.
#[derive(Clone, Debug)]
pub struct Visit {
    /// The result.
    pub found: Found,
    /// Entries of the plan that failed.
    pub failed: Vec<String>,
    /// Why it was verified.
    pub reason: String,
}

/// The most trends on the page.
pub const TRENDS: usize = 6;
/// The most results in its table.
const RESULTS: usize = 8;

/// What stands on the page.
#[derive(Clone, Debug, Serialize)]
pub struct UnitSheet {
    /// The unit in one line.
    pub unit: String,
    /// The last verdict and how it stands.
    pub lead: String,
    /// Whether that is good.
    pub tone: Tone,
    /// Results, the newest first: entry, day, state, verdict, report.
    pub results: Vec<[String; 5]>,
    /// Results that are not shown.
    pub more: usize,
    /// What failed, and how it ended.
    pub mended: Vec<String>,
    /// Trends: title, sentence, picture.
    pub trends: Vec<UnitTrend>,
    /// Where it is from.
    pub footer: String,
}

/// A trend on the page.
#[derive(Clone, Debug, Serialize)]
pub struct UnitTrend {
    /// What it is of.
    pub title: String,
    /// What it says.
    pub said: String,
    /// The picture.
    #[serde(skip)]
    pub svg: String,
}

impl UnitSheet {
    /// The page of a unit: its results, the newest first, with what each failed in; its trends; what is due.
    ///
    /// # Errors
    /// Where a picture can't be drawn.
    pub fn new(
        results: &[Visit],
        trends: &[Trend],
        due: Option<&Due>,
        footer: String,
    ) -> Result<Self, ReportError> {
        let first = results.first().map(|visit| &visit.found.facts);
        let name = first
            .map_or("unit".into(), |facts| unit(&facts.model, &facts.serial, &facts.inventory));
        let verdict = first.and_then(|facts| facts.verdict);
        let said = verdict.map_or("no verdict", Verdict::words);
        let day = first.map_or("", |facts| facts.day.as_str());
        let next = due.map_or(String::new(), |due| {
            let next = if due.next.is_empty() {
                String::new()
            } else {
                format!("; next due {}", due.next)
            };
            format!("{next} ({})", due_words(due.state))
        });
        let words =
            |verdict: Option<Verdict>| verdict.map_or("-".to_owned(), |one| one.words().to_owned());
        let rows = results.iter().take(RESULTS).map(|visit| {
            let facts = &visit.found.facts;
            let report = if facts.report.is_empty() { "-" } else { &facts.report };
            [
                visit.found.entry.to_string(),
                facts.day.clone(),
                facts.state.clone(),
                words(facts.verdict),
                report.to_owned(),
            ]
        });
        // From the oldest on: a failure is mended by the next pass.
        let mut mended = Vec::new();
        let mut open: Option<(String, Vec<String>)> = None;
        for Visit { found, failed, reason } in results.iter().rev() {
            if found.facts.state == "as left" && !reason.is_empty() {
                mended.push(format!("{}: as left, {reason}", found.facts.day));
            }
            let passes =
                matches!(found.facts.verdict, Some(Verdict::Pass | Verdict::ConditionalPass));
            if passes {
                if let Some((day, failed)) = open.take() {
                    let then = if found.facts.day == day {
                        "the same day".into()
                    } else {
                        found.facts.day.clone()
                    };
                    mended.push(format!("{day}: {}; passed again {then}", listed(&failed)));
                }
            } else if !failed.is_empty() {
                open = Some((found.facts.day.clone(), failed.clone()));
            }
        }
        if let Some((day, failed)) = open {
            mended.push(format!("{day}: {}; not mended", listed(&failed)));
        }
        mended.reverse();
        let mut shown = Vec::new();
        for one in trends.iter().take(TRENDS) {
            let Some(svg) = plot::small(one)? else { continue };
            let told = trend::sentences(one);
            let worst = told.iter().find(|(tone, _)| *tone == Tone::Fail).or_else(|| told.first());
            let said = match (&one.alarm, worst) {
                (Alarm::Drift { .. }, Some((_, sentence))) | (_, Some((Tone::Fail, sentence))) => {
                    sentence.clone()
                }
                _ => told
                    .iter()
                    .take(2)
                    .map(|(_, sentence)| sentence.as_str())
                    .collect::<Vec<_>>()
                    .join(" "),
            };
            shown.push(UnitTrend { title: trend::title(&one.series), said, svg });
        }
        Ok(Self {
            unit: name,
            lead: format!("Last verified {day}: {said}{next}"),
            tone: verdict.map_or(Tone::Doubt, Into::into),
            results: rows.collect(),
            more: results.len().saturating_sub(RESULTS),
            mended,
            trends: shown,
            footer,
        })
    }
}

fn listed(failed: &[String]) -> String {
    const SHOWN: usize = 3;
    let more = failed.len().saturating_sub(SHOWN);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{more}", failed.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", "))
}

const STYLE: &str = "@page { size: A4; margin: 12mm } .trends { display: grid; grid-template-columns: 1fr 1fr; gap: \
                     .6rem 1rem } .trends figure { margin: 0; break-inside: avoid } .trends svg { width: 100%; height: \
                     auto } .trends figcaption { font-size: .8rem } main table { font-size: .85rem } @media print { \
                     .trends { grid-template-columns: 1fr 1fr 1fr } .trends figcaption, .small { font-size: .6rem } \
                     h2 { margin-top: 10px } main td, main th { padding-top: 1px; padding-bottom: 1px } }";

/// The page as HTML.
///
/// # Errors
/// Never yet: pages of other kinds can fail.
pub fn page_of(sheet: &UnitSheet) -> Result<Vec<u8>, ReportError> {
    let body = html! {
        style { (PreEscaped(STYLE)) }
        header { h1 { (sheet.unit) } p.lead { span class={ "verdict " (sheet.tone.class()) } { (sheet.lead) } } }
        main {
            @if !sheet.trends.is_empty() {
                h2 { "Trends" }
                div.trends {
                    @for one in &sheet.trends {
                        figure {
                            strong { (one.title) }
                            div role="img" aria-label=(format!("{} over time", one.title)) { (PreEscaped(&one.svg)) }
                            figcaption { (one.said) }
                        }
                    }
                }
                p.small { (trend::LEGEND) }
            }
            h2 { "What failed and was mended" }
            @if sheet.mended.is_empty() { p { "Nothing failed." } }
            @for one in &sheet.mended { p { (one) } }
            h2 { "Results" }
            table {
                thead { tr { @for head in ["entry", "day", "state", "verdict", "report"] { th scope="col" { (head) } } } }
                tbody { @for row in &sheet.results { tr { @for cell in row { td { (cell) } } } } }
            }
            @if sheet.more > 0 { p.small { (format!("and {} older ones", sheet.more)) } }
            p.small { (CAUTIONS) }
        }
        footer { p.small { (sheet.footer) } }
    };
    Ok(page(&sheet.unit, body).into_string().into_bytes())
}

/// The page as PDF/A-1b.
///
/// # Errors
/// What typst says, or a sign that no font has.
#[cfg(feature = "pdf")]
pub fn pdf(sheet: &UnitSheet, made_at: jiff::Timestamp) -> Result<Vec<u8>, ReportError> {
    use crate::report::job::Look;
    use crate::report::typeset::{self, DATA, Files, drawn};
    let fail = |error: serde_json::Error| ReportError(error.to_string());
    let mut files = Files::new();
    let mut shown = serde_json::to_value(sheet).map_err(fail)?;
    for (k, one) in sheet.trends.iter().enumerate() {
        let name = format!("trend-{k}.svg");
        shown["trends"][k]["picture"] = name.clone().into();
        files.insert(name, drawn(&one.svg));
    }
    shown["legend"] = trend::LEGEND.into();
    shown["cautions"] = CAUTIONS.into();
    files.insert(DATA.into(), shown.to_string().into_bytes());
    let look = Look { made_at, ..Look::default() };
    typeset::pdf(include_str!("unit.typ"), files, env!("CARGO_PKG_VERSION"), &look)
}
