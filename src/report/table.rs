//! Results as aligned text.

use crate::check::{CheckResult, Judged, Verdict};
use crate::estimate::Estimate;
use crate::measures::catalog::MEASURES;
use crate::measures::{Measure, MeasureSet};
use crate::result::{LoadIs, Measurement, Part};
use crate::term::Term;
use crate::trace::Kind;
use crate::units::{Unit, for_people, significant};
use anstyle::{AnsiColor, Style};
use std::collections::BTreeSet;
use unicode_width::UnicodeWidthStr;

/// How much is shown, and whether in colour.
#[derive(Clone, Copy, Debug, Default)]
pub struct Manner {
    /// Every phase, every measure.
    pub all: bool,
    /// With ANSI colours.
    pub colour: bool,
}

impl Manner {
    fn paint(self, style: Style, text: &str) -> String {
        if self.colour { format!("{style}{text}{style:#}") } else { text.to_owned() }
    }

    pub(crate) fn heading(self, text: &str) -> String {
        self.paint(Style::new().bold(), text)
    }
}

/// Phases listed before the rest is folded.
const FOLD: usize = 8;

/// Measures that have a column of their own.
pub(super) const COLUMNS: [(Measure, &str); 8] = [
    (Measure::Duration, "duration"),
    (Measure::Power, "power"),
    (Measure::VoltageRms, "V rms"),
    (Measure::VoltagePeak, "V peak"),
    (Measure::CrestFactor, "crest"),
    (Measure::DutyCycle, "duty"),
    (Measure::Fundamental, "fundamental"),
    (Measure::BurstRate, "burst rate"),
];

/// A measurement for people.
#[must_use]
pub fn measurement(result: &Measurement, manner: Manner) -> String {
    let mut out = String::new();
    header(result, manner, &mut out);
    let mut rows = vec![heading_row("")];
    for kind in &result.kinds.0 {
        let count =
            if kind.count == 1 { "1 phase".into() } else { format!("{} phases", kind.count) };
        push_rows(&format!("{} ({count})", kind.kind), &kind.measures, &mut rows);
    }
    push_rows("whole record", &result.whole, &mut rows);
    if let Some(measures) = &result.cycles.measures {
        push_rows(&format!("cycles ({})", result.cycles.count), measures, &mut rows);
    }
    push_table(&rows, manner, &mut out);
    if let Some(period) = &result.cycles.period_s {
        let u = doubt(period, Unit::Second).map_or(String::new(), |u| format!(" {u}"));
        let kinds: Vec<&str> = result.cycles.sequence.iter().map(|kind| kind.name()).collect();
        let spread = period.standard_deviation.map_or(String::new(), |d| {
            format!(" (standard deviation {})", for_people(d, Unit::Second))
        });
        out.push_str(&format!(
            "\nsequence {}; {} whole cycle(s) of {}{u}{spread}\n",
            kinds.join(", "),
            result.cycles.count,
            for_people(period.value, Unit::Second)
        ));
    }
    phases(result, manner, &mut out);
    if manner.all {
        everything(result, manner, &mut out);
    }
    flags(result, manner, &mut out);
    out.push_str(&format!(
        "\nOn-times are measured at {:.0} % of each burst's peak. ± is U at 95 %.\n",
        100.0 * result.settings.duty_threshold
    ));
    not_counted(result, &mut out);
    out
}

/// What the uncertainties shown leave out, in one sentence.
fn not_counted(result: &Measurement, out: &mut String) {
    let kinds = result.kinds.0.iter().map(|kind| &kind.measures);
    let sets = kinds.chain([&result.whole]).chain(result.cycles.measures.as_ref());
    let (mut missing, mut partial) = (BTreeSet::new(), false);
    for (_, estimate) in sets.flat_map(MeasureSet::iter) {
        // What was seen once has a spread that no sheet can tell.
        let told = estimate.missing_terms.iter().filter(|term| *term != Term::Own);
        missing.extend(told.map(Term::name));
        partial |= estimate.at_least();
    }
    if missing.is_empty() {
        return;
    }
    let names: Vec<&str> = missing.into_iter().collect();
    let mark = if partial {
        " ? marks a U without a scale, the load or the clock: it is at least that large."
    } else {
        ""
    };
    out.push_str(&wrapped(
        "",
        &format!(
            "Not stated in the sheet, so not included in U: {}.{mark} The keys are in docs/sheet.md.",
            names.join(", ")
        ),
    ));
}

/// A check for people: the verdict first, then why, then what was measured.
#[must_use]
pub fn check(result: &CheckResult, manner: Manner) -> String {
    let mut out = format!(
        "{}  setting {}, {}\n\n",
        painted(result.verdict.words(), result.verdict.into(), manner),
        result.setting,
        result.rule
    );
    let mut rows = vec![
        ["limit", "value", "U (95 %)", "lower", "upper", "guard", "T/U", "inside", "verdict"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for limit in &result.limits {
        let unit = limit.measure.unit();
        let judged = &limit.judged;
        let shown = |value: Option<f64>| value.map_or("-".into(), |value| for_people(value, unit));
        let part = if limit.part == Part::Whole { "whole record" } else { limit.part.name() };
        rows.push(vec![
            format!("{}, {part}", limit.measure.title()),
            shown(judged.value),
            judged.expanded_uncertainty.map_or("unknown".into(), |u| significant(u, unit, 2)),
            shown(judged.lower),
            shown(judged.upper),
            judged.guard_band.map_or("-".into(), |w| significant(w, unit, 2)),
            judged.tolerance_ratio.map_or("-".into(), |ratio| significant(ratio, Unit::One, 2)),
            judged.conformance_probability.map_or("-".into(), probability),
            judged.verdict.words().to_owned(),
        ]);
    }
    push_table(&rows, manner, &mut out);
    for limit in &result.limits {
        if let Some(why) = why(&limit.judged) {
            let place = format!("  {} in {}:", limit.measure, limit.part.name());
            out.push_str(&wrapped(&place, &why));
        }
    }
    out.push_str(
        "  T/U: half of the tolerance over U. inside: probability that the true value lies within the \
         limits\n  (JCGM 106); what is left to 100 % is the risk of relying on a pass.\n",
    );
    if !result.findings.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("findings")));
        for finding in &result.findings {
            out.push_str(&bullet(finding.code.name(), &finding.message));
        }
    }
    out.push('\n');
    out.push_str(&measurement(&result.measurement, manner));
    out
}

/// Why a verdict is not the plain one of a value between bounds.
pub(crate) fn why(judged: &Judged) -> Option<String> {
    let codes: Vec<&str> = judged.in_doubt.iter().map(|code| code.name()).collect();
    let doubt = (!codes.is_empty()).then(|| format!("in doubt: {}", codes.join(", ")));
    let parts: Vec<String> = judged.reason.clone().into_iter().chain(doubt).collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// A probability as people write it, never rounded up to certainty.
pub(crate) fn probability(p: f64) -> String {
    if p > 0.9999 {
        "> 99.99 %".into()
    } else if p < 0.0001 {
        "< 0.01 %".into()
    } else {
        format!("{:.2} %", 100.0 * p)
    }
}

/// The receipt: how the file was read.
#[must_use]
pub fn receipt(result: &Measurement, manner: Manner) -> String {
    let mut out = format!("{} {}\n", manner.heading("read as"), result.receipt.format);
    let width = result.receipt.decisions.iter().map(|d| d.about.width()).max().unwrap_or(0);
    for decision in &result.receipt.decisions {
        out.push_str(&format!("  {:<width$}  {}\n", decision.about, decision.found));
    }
    for (name, channel) in
        [("voltage", &result.settings.voltage), ("current", &result.settings.current)]
    {
        if let Some(channel) = channel {
            out.push_str(&format!(
                "  {name:<width$}  {} times {}, offset {} ({}), lags by {}\n",
                channel.channel,
                channel.scale,
                channel.offset,
                channel.offset_from.words(),
                for_people(channel.delay_s, Unit::Second)
            ));
        }
    }
    out.push('\n');
    out
}

/// How a verdict is coloured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Tone {
    /// Good.
    Pass,
    /// Neither.
    Doubt,
    /// Bad.
    Fail,
}

impl From<Verdict> for Tone {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Pass => Self::Pass,
            Verdict::ConditionalPass | Verdict::NotMeasured => Self::Doubt,
            Verdict::ConditionalFail | Verdict::Fail => Self::Fail,
        }
    }
}

impl Tone {
    /// Class of style of a page.
    #[must_use]
    pub fn class(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Doubt => "doubt",
            Self::Fail => "fail",
        }
    }
}

/// A verdict in capitals and colour.
pub(super) fn painted(words: &str, tone: Tone, manner: Manner) -> String {
    let colour = match tone {
        Tone::Pass => AnsiColor::Green,
        Tone::Doubt => AnsiColor::Yellow,
        Tone::Fail => AnsiColor::Red,
    };
    let style = Style::new().bold().fg_color(Some(colour.into()));
    manner.paint(style, &words.to_uppercase())
}

fn header(result: &Measurement, manner: Manner, out: &mut String) {
    let facts = &result.capture;
    let load = match (facts.load_kind, facts.load_ohm) {
        (LoadIs::Open, _) => "open circuit".to_owned(),
        (_, Some(ohm)) => format!("load {} (nominal)", for_people(ohm, Unit::Ohm)),
        _ => "load not stated".to_owned(),
    };
    let record = facts.record.map_or(String::new(), |record| {
        format!("record {} of {}, from sample {}: ", record.number, record.of, record.first_sample)
    });
    out.push_str(&format!(
        "{}  {record}{} at {}, {} samples; {load}; power by {}\n",
        manner.heading(&facts.file),
        for_people(facts.duration_s, Unit::Second),
        for_people(facts.sample_rate_hz, Unit::Hertz),
        facts.samples,
        facts.power_by.words()
    ));
    if let Some(subject) = &facts.subject {
        let parts =
            [("", &subject.model), ("serial ", &subject.serial), ("setting ", &subject.setting)];
        let known: Vec<String> = parts
            .into_iter()
            .filter_map(|(name, value)| Some(format!("{name}{}", value.as_ref()?)))
            .collect();
        if !known.is_empty() {
            out.push_str(&format!("{}\n", known.join(", ")));
        }
    }
    out.push('\n');
}

fn heading_row(first: &str) -> Vec<String> {
    let mut row = vec![first.to_owned()];
    row.extend(COLUMNS.iter().map(|(_, title)| (*title).to_owned()));
    row
}

/// A row of values and below it one of their uncertainties.
fn push_rows(name: &str, measures: &MeasureSet, rows: &mut Vec<Vec<String>>) {
    let mut values = vec![name.to_owned()];
    values.extend(COLUMNS.iter().map(|(measure, _)| cell(measures, *measure)));
    let mut doubts = vec![String::new()];
    doubts.extend(COLUMNS.iter().map(|(measure, _)| {
        let shown = |e| doubt(e, measure.unit()).unwrap_or_else(|| "± ?".into());
        let found = measures.get(*measure).map(shown);
        found.unwrap_or_default()
    }));
    rows.push(values);
    rows.push(doubts);
}

/// U for people, where it is known; marked where it is only a lower bound. Nothing where the value
/// is exact.
fn doubt(estimate: &Estimate, unit: Unit) -> Option<String> {
    let expanded = estimate.expanded()?;
    if expanded == 0.0 {
        return Some(String::new());
    }
    let mark = if estimate.at_least() { " ?" } else { "" };
    Some(format!("± {}{mark}", significant(expanded, unit, 2)))
}

fn cell(measures: &MeasureSet, measure: Measure) -> String {
    let found = measures.get(measure);
    found.map_or_else(|| "-".into(), |estimate| for_people(estimate.value, measure.unit()))
}

fn phases(result: &Measurement, manner: Manner, out: &mut String) {
    if result.phases.len() < 2 {
        return;
    }
    out.push_str(&format!("\n{}\n", manner.heading("phases")));
    let shown = if manner.all { result.phases.len() } else { result.phases.len().min(FOLD) };
    let mut rows = vec![heading_row("starts")];
    for phase in &result.phases[..shown] {
        let cut_off = if phase.cut_off { " *" } else { "" };
        let kind = match phase.measured_kind {
            Some(measured) => format!("{} (measured: {measured})", phase.kind),
            None => phase.kind.name().to_owned(),
        };
        let start = if phase.start_s == 0.0 {
            "0 s".into()
        } else {
            for_people(phase.start_s, Unit::Second)
        };
        push_rows(&format!("{kind} {start}{cut_off}"), &phase.measures, &mut rows);
    }
    push_table(&rows, manner, out);
    if shown < result.phases.len() {
        out.push_str(&format!(
            "  ... and {} more; --all shows them\n",
            result.phases.len() - shown
        ));
    }
    out.push_str("  * may go on beyond the record\n");
}

fn everything(result: &Measurement, manner: Manner, out: &mut String) {
    let mut parts: Vec<(String, &MeasureSet)> = Kind::ALL
        .into_iter()
        .filter_map(|kind| Some((kind.name().to_owned(), &result.kinds.get(kind)?.measures)))
        .collect();
    parts.push(("whole record".into(), &result.whole));
    if let Some(measures) = &result.cycles.measures {
        parts.push(("cycles".into(), measures));
    }
    for (name, measures) in parts {
        out.push_str(&format!("\n{}\n", manner.heading(&name)));
        let mut rows = Vec::new();
        for row in MEASURES {
            let value = match measures.had(row.measure) {
                Ok(estimate) => {
                    // A spread below a millionth says no more than that there is none.
                    let spread = estimate
                        .standard_deviation
                        .filter(|deviation| *deviation > 1e-6 * estimate.value.abs())
                        .map_or(String::new(), |deviation| {
                            format!("  (standard deviation {})", for_people(deviation, row.unit))
                        });
                    let u = doubt(estimate, row.unit).unwrap_or_else(|| "± ?".into());
                    format!("{} {u}{spread}", for_people(estimate.value, row.unit))
                }
                Err(reason) => format!("- {reason}"),
            };
            rows.push((row.title, value));
        }
        let width = rows.iter().map(|(title, _)| title.len()).max().unwrap_or(0);
        for (title, value) in rows {
            out.push_str(&format!("  {title:<width$}  {value}\n"));
        }
    }
}

fn flags(result: &Measurement, manner: Manner, out: &mut String) {
    if result.flags.is_empty() {
        return;
    }
    let style = Style::new().bold().fg_color(Some(AnsiColor::Yellow.into()));
    out.push_str(&format!("\n{}\n", manner.paint(style, "flags")));
    for flag in &result.flags {
        out.push_str(&bullet(flag.code.name(), &flag.message));
    }
}

/// A word and a sentence, wrapped at 96 columns.
fn bullet(word: &str, sentence: &str) -> String {
    wrapped(&format!("  {word}:"), sentence)
}

/// A sentence behind `start`, wrapped at 96 columns.
pub(crate) fn wrapped(start: &str, sentence: &str) -> String {
    let indent = if start.is_empty() { "" } else { "    " };
    let options = textwrap::Options::new(96)
        .subsequent_indent(indent)
        .break_words(false)
        .word_separator(textwrap::WordSeparator::AsciiSpace)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .wrap_algorithm(textwrap::WrapAlgorithm::FirstFit);
    let words: Vec<&str> = sentence.split_whitespace().collect();
    let between = if start.is_empty() { "" } else { " " };
    textwrap::fill(&format!("{start}{between}{}", words.join(" ")), options) + "\n"
}

/// Columns aligned: the first to the left, the others to the right; the first row is a heading.
pub(super) fn push_table(rows: &[Vec<String>], manner: Manner, out: &mut String) {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns)
        .map(|column| {
            rows.iter().filter_map(|row| row.get(column)).map(|c| c.width()).max().unwrap_or(0)
        })
        .collect();
    for (k, row) in rows.iter().enumerate() {
        let mut line = String::from(" ");
        for (column, (cell, width)) in row.iter().zip(&widths).enumerate() {
            let fill = " ".repeat(width - cell.width());
            line.push_str(&if column == 0 {
                format!(" {cell}{fill}")
            } else {
                format!("  {fill}{cell}")
            });
        }
        let line = line.trim_end();
        out.push_str(&if k == 0 {
            manner.paint(Style::new().dimmed(), line)
        } else {
            line.to_owned()
        });
        out.push('\n');
    }
}
