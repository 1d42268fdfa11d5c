//! A trend in words and as a page.

use super::plot;
use super::text::unit;
use crate::archive::Series;
use crate::archive::trend::{Alarm, Direction, Side, Trend};
use crate::measures::Measure;
use crate::report::job::{ReportError, page};
use crate::report::table::{Manner, Tone, painted, push_table, wrapped};
use crate::units::{Unit, significant};
use maud::{PreEscaped, html};

/// A value with the unit of the series.
fn value(x: f64, series: &Series, digits: usize) -> String {
    Unit::parse(&series.unit).filter(|(_, scale)| *scale == 1.0).map_or_else(
        || format!("{} {}", significant(x, Unit::One, digits), series.unit).trim().to_owned(),
        |(unit, _)| significant(x, unit, digits),
    )
}

/// What it is of, in one line.
#[must_use]
pub fn title(series: &Series) -> String {
    let dial = series.dial.map_or(String::new(), |dial| format!(", dial {dial}"));
    let load = match series.load.as_str() {
        "" => String::new(),
        "open" => ", open circuit".into(),
        ohm => format!(", {ohm} ohm"),
    };
    let part = if series.part.is_empty() { String::new() } else { format!(" in {}", series.part) };
    let measure = Measure::find(&series.measure).map(Measure::title).ok();
    let measure = measure.unwrap_or(&series.measure);
    format!("{measure}{part} of {}{dial}{load}", series.setting)
}

/// What the trend says, a sentence each.
#[must_use]
pub fn sentences(trend: &Trend) -> Vec<(Tone, String)> {
    let mut all = Vec::new();
    let listed = |entries: &[u64]| {
        let names: Vec<String> = entries.iter().map(u64::to_string).collect();
        names.join(", ")
    };
    let outliers_of = |outliers: &[u64]| {
        if outliers.is_empty() {
            return String::new();
        }
        format!(" The value of entry {} stands alone: look at that capture.", listed(outliers))
    };
    all.push(match &trend.alarm {
        Alarm::TooFew { needs } => (
            Tone::Doubt,
            format!("There are too few values to tell a drift: it takes {needs} that are not in doubt."),
        ),
        Alarm::Steady { outliers } => {
            let tone = if outliers.is_empty() { Tone::Pass } else { Tone::Doubt };
            (tone, format!("No drift.{}", outliers_of(outliers)))
        }
        Alarm::Drift { direction, entry, by_average, by_line, outliers } => {
            let to = match direction {
                Direction::Up => "up",
                Direction::Down => "down",
            };
            let by = match (by_average, by_line) {
                (true, true) => "the moving average left its limits, and the line is steeper than scatter explains",
                (true, false) => "the moving average left its limits",
                _ => "the line is steeper than scatter explains",
            };
            (
                Tone::Fail,
                format!(
                    "It drifts or has shifted {to}, shown at entry {entry}: {by}, even without the value that says so \
                     the most.{}",
                    outliers_of(outliers)
                ),
            )
        }
    });
    if let Some(line) = &trend.line {
        let series = &trend.series;
        all.push((
            Tone::Pass,
            format!(
                "Line through {} values: {} a year \u{b1} {} (95 %, from the scatter alone).",
                line.points,
                value(line.per_year, series, 3),
                value(line.expanded_uncertainty, series, 2)
            ),
        ));
    }
    match &trend.crossing {
        Some(crossing) => {
            let side = match crossing.limit {
                Side::Lower => "lower",
                Side::Upper => "upper",
            };
            all.push(if crossing.reached {
                (
                    Tone::Fail,
                    format!(
                        "The 95 % band of the next value lies beyond the {side} limit already (last value of {}).",
                        crossing.day
                    ),
                )
            } else {
                (Tone::Doubt, format!("The 95 % band of the next value reaches the {side} limit on {}.", crossing.day))
            });
        }
        None if trend.line.is_some() && trend.lower.or(trend.upper).is_some() => {
            all.push((
                Tone::Pass,
                "The 95 % band of the next value stays within the limits for 20 years.".into(),
            ));
        }
        None => {}
    }
    if !trend.beyond.is_empty() {
        let told = format!(
            "Beyond the limits of the individuals chart (Shewhart): entry {}.",
            listed(&trend.beyond)
        );
        all.push((Tone::Doubt, told));
    }
    if let Some(since) = &trend.since {
        let told = format!(
            "Values before {since} are not used: that service changed the unit by more than U."
        );
        all.push((Tone::Doubt, told));
    }
    let doubtful = trend.points.iter().filter(|point| !point.point.doubts.is_empty()).count();
    if doubtful > 0 {
        let told = format!(
            "Values in doubt are shown and not used: {doubtful} of {}.",
            trend.points.len()
        );
        all.push((Tone::Doubt, told));
    }
    if trend.without_day > 0 {
        let told = format!("Results that state no day are left out: {}.", trend.without_day);
        all.push((Tone::Doubt, told));
    }
    for interval in &trend.intervals {
        all.push((
            Tone::Pass,
            format!("Interval by the {}: {:.0} days.", interval.method.words(), interval.days),
        ));
    }
    if !trend.intervals.is_empty() {
        let told = "These are proposals; the laboratory decides, and local codes prevail.";
        all.push((Tone::Pass, told.into()));
    }
    all
}

fn rows(trend: &Trend) -> Vec<Vec<String>> {
    let mut rows = vec![
        ["day", "entry", "state", "value", "U (95 %)", "lower", "upper", "verdict", ""]
            .map(str::to_owned)
            .to_vec(),
    ];
    let series = &trend.series;
    for one in &trend.points {
        let point = &one.point;
        let mark = if point.at_least { " ?" } else { "" };
        let optional = |x: Option<f64>| x.map_or("-".into(), |x| value(x, series, 4));
        let notes = match (&point.doubts, one.used) {
            (doubts, _) if !doubts.is_empty() => format!("in doubt: {doubts}"),
            (_, false) => "not used".into(),
            _ => String::new(),
        };
        rows.push(vec![
            point.day.clone(),
            one.entry.to_string(),
            point.state.clone(),
            value(point.value, series, 4),
            point.expanded.map_or("?".into(), |u| format!("{}{mark}", value(u, series, 2))),
            optional(point.lower),
            optional(point.upper),
            point.verdict.map_or("-".into(), |verdict| verdict.words().to_owned()),
            notes,
        ]);
    }
    rows
}

/// Rows shown before the rest is folded.
const FOLD: usize = 40;

/// The trend for people.
#[must_use]
pub fn text(trend: &Trend, all: bool, manner: Manner) -> String {
    let series = &trend.series;
    let mut out = format!(
        "{}  {}\n\n",
        manner.heading(&title(series)),
        unit(&series.model, &series.serial, "")
    );
    let rows = rows(trend);
    if all || rows.len() <= FOLD {
        push_table(&rows, manner, &mut out);
    } else {
        let mut last = vec![rows[0].clone()];
        last.extend_from_slice(&rows[rows.len() - FOLD + 1..]);
        out.push_str(&format!(
            "  the last {} of {} values; --all shows them\n",
            FOLD - 1,
            rows.len() - 1
        ));
        push_table(&last, manner, &mut out);
    }
    out.push('\n');
    for (tone, sentence) in sentences(trend) {
        match (tone, sentence.split_once(' ')) {
            (Tone::Fail, _) => out.push_str(&wrapped(&painted("drift", tone, manner), &sentence)),
            _ => out.push_str(&wrapped("", &sentence)),
        }
    }
    if trend.points.iter().any(|point| point.point.at_least) {
        out.push_str(
            "? marks a U without a scale, the load or the clock: it is at least that large.\n",
        );
    }
    out
}

/// What the picture shows.
pub(super) const LEGEND: &str = "Dots as found, squares as left, bars U at 95 %; hollow: not used. Green passes, red fails, brown is in \
     doubt. Red lines are the limits, blue the line with the 95 % band of the next value, brown the moving average \
     (EWMA, weight 0.3).";

/// The trend as a page.
///
/// # Errors
/// Where the picture can't be drawn.
pub fn html(trend: &Trend) -> Result<Vec<u8>, ReportError> {
    let series = &trend.series;
    let name = unit(&series.model, &series.serial, "");
    let svg = plot::svg(trend)?;
    let rows = rows(trend);
    let body = html! {
        header { h1 { (title(series)) } p.lead { (name) } }
        main {
            @if let Some(svg) = svg {
                figure {
                    div role="img" aria-label=(format!("{} over time", title(series))) { (PreEscaped(svg)) }
                    figcaption { (LEGEND) }
                }
            }
            @for (tone, sentence) in sentences(trend) {
                p { @if tone == Tone::Fail { strong { (sentence) } } @else { (sentence) } }
            }
            table {
                thead { tr { @for head in &rows[0] { th scope="col" { (head) } } } }
                tbody { @for row in &rows[1..] { tr { @for cell in row { td { (cell) } } } } }
            }
            p.small { "? marks a U without a scale, the load or the clock: it is at least that large." }
            p.small { (crate::report::CAUTIONS) }
        }
    };
    Ok(page(&format!("{}: {name}", title(series)), body).into_string().into_bytes())
}
