//! Budgets and simulations as text.

use super::table::{COLUMNS, Manner, push_table};
use crate::estimate::{BudgetLine, Estimate, Simulated};
use crate::measures::{Measure, MeasureSet};
use crate::result::Measurement;
use crate::trace::Kind;
use crate::units::{Unit, for_people, significant};

/// Whether a measure is shown: the one that is named, else those of the main table.
fn shown(measure: Measure, only: Option<Measure>) -> bool {
    only.map_or(COLUMNS.iter().any(|(column, _)| *column == measure), |only| only == measure)
}

/// The parts of a measurement whose budgets are shown.
fn parts(result: &Measurement) -> Vec<(String, &MeasureSet)> {
    let kinds = Kind::ALL.into_iter().filter(|kind| kind.powered());
    let mut parts: Vec<(String, &MeasureSet)> = kinds
        .filter_map(|kind| Some((kind.name().to_owned(), &result.kinds.get(kind)?.measures)))
        .collect();
    // Of a record of one phase the whole says the same again.
    if result.phases.len() > 1 || parts.is_empty() {
        parts.push(("whole record".into(), &result.whole));
    }
    if let Some(measures) = &result.cycles.measures {
        parts.push(("cycles".into(), measures));
    }
    parts
}

/// Every budget and simulation that was asked for; `only` one measure where it is named.
#[must_use]
pub fn budgets(result: &Measurement, only: Option<Measure>, manner: Manner) -> String {
    let mut out = String::new();
    for (part, set) in parts(result) {
        for measure in Measure::all().filter(|measure| shown(*measure, only)) {
            match set.had(measure) {
                Ok(estimate) => one(&part, measure, estimate, manner, &mut out),
                Err(why) if only.is_some() => {
                    out.push_str(&format!("\n{} in {part}: {why}\n", measure.title()));
                }
                Err(_) => {}
            }
        }
    }
    correlations(result, &mut out);
    simulations(result, only, manner, &mut out);
    out
}

/// What the budgets take as correlated.
fn correlations(result: &Measurement, out: &mut String) {
    let Some(given) = &result.settings.correlation else { return };
    let pairs = [
        ("scales of voltage and current", given.voltage_current),
        ("scale of the voltage and load", given.voltage_load),
        ("scale of the current and load", given.current_load),
    ];
    let told: Vec<String> =
        pairs.iter().filter_map(|(names, r)| Some(format!("{names} {}", (*r)?))).collect();
    if !told.is_empty() && !out.is_empty() {
        out.push_str(&format!("\ncorrelated in all budgets: {}\n", told.join(", ")));
    }
}

fn one(part: &str, measure: Measure, estimate: &Estimate, manner: Manner, out: &mut String) {
    let (title, unit) = (measure.title(), measure.unit());
    let Some(lines) = &estimate.budget else { return };
    if lines.is_empty() {
        out.push_str(&format!("\n{title}, {part}: exact by what it is\n"));
        return;
    }
    let heading = format!("budget of {title}, {part}");
    out.push_str(&format!("\n{}\n", manner.heading(&heading)));
    let mut rows = vec![
        ["input", "estimate", "distribution", "u", "sensitivity", "contribution", "share"]
            .map(str::to_owned)
            .to_vec(),
    ];
    rows.extend(lines.iter().map(|line| row(line, unit)));
    push_table(&rows, manner, out);
    if let (Some(u), Some(coverage)) = (estimate.standard_uncertainty, estimate.coverage) {
        let freedom = coverage
            .degrees_of_freedom
            .filter(|freedom| *freedom < 1e4)
            .map_or("many".into(), |freedom| format!("{freedom:.0}"));
        out.push_str(&format!(
            "  {}: u {}, {freedom} degrees of freedom, k {:.2}, U {} (95 %)\n",
            for_people(estimate.value, unit),
            significant(u, unit, 3),
            coverage.coverage_factor,
            significant(coverage.expanded_uncertainty, unit, 2)
        ));
    }
    if !estimate.missing_terms.is_empty() {
        out.push_str(&format!(
            "  not stated, so not counted: {}\n",
            estimate.missing_terms.names(", ")
        ));
    }
}

fn row(line: &BudgetLine, unit: Unit) -> Vec<String> {
    let plain = |x: f64| {
        if x == 0.0 { "0".to_owned() } else { significant(x, Unit::One, 3) }
    };
    let with_unit = |x: f64| {
        let symbol = if line.unit.is_empty() { String::new() } else { format!(" {}", line.unit) };
        format!("{}{symbol}", plain(x))
    };
    let freedom = line.degrees_of_freedom.filter(|freedom| *freedom < 1e4);
    // Unit of the measure over that of the input.
    let slope_unit = match (unit.symbol(), line.unit.as_ref()) {
        ("", "") => String::new(),
        (of, "") => format!(" {of}"),
        ("", by) => format!(" 1/{by}"),
        (of, by) if of == by => String::new(),
        (of, by) => format!(" {of}/{by}"),
    };
    vec![
        line.input.to_string(),
        with_unit(line.estimate),
        match freedom {
            Some(freedom) => format!("{} ({freedom:.0})", line.distribution),
            None => line.distribution.to_string(),
        },
        with_unit(line.standard_uncertainty),
        format!("{}{slope_unit}", plain(line.sensitivity)),
        significant(line.contribution, unit, 3),
        format!("{:.1} %", 100.0 * line.share),
    ]
}

fn simulations(result: &Measurement, only: Option<Measure>, manner: Manner, out: &mut String) {
    let mut rows = vec![
        ["simulated (95 %)", "draws", "low", "high", "by the budget: low", "high", "the budget"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for (part, set) in parts(result) {
        for measure in Measure::all().filter(|measure| shown(*measure, only)) {
            let Some(estimate) = set.get(measure) else { continue };
            let (Some(found), Some(expanded)) = (&estimate.monte_carlo, estimate.expanded()) else {
                continue;
            };
            let shown = |x: f64| significant(x, measure.unit(), 6);
            rows.push(vec![
                format!("{}, {part}", measure.title()),
                found.draws.to_string(),
                shown(found.low),
                shown(found.high),
                shown(estimate.value - expanded),
                shown(estimate.value + expanded),
                outcome(found).to_owned(),
            ]);
        }
    }
    if rows.len() > 1 {
        out.push('\n');
        push_table(&rows, manner, out);
        out.push_str(
            "  validated: both ends agree within half a unit of the second digit of u (JCGM 101, \
             clause 8)\n",
        );
    }
}

fn outcome(found: &Simulated) -> &'static str {
    match (found.validates_linear, found.settled) {
        (true, _) => "validated",
        (false, true) => "not validated",
        (false, false) => "not settled: more draws",
    }
}
