//! Numbers and findings in words, the same in every report.

use crate::check::{Judged, Verdict};
use crate::report::table::why;
use crate::term::Term;
use crate::units::{Unit, significant};
use crate::verification::{
    CaptureOutcome, ChangeRow, GroupResult, JobResult, Line, ManualReading, StepResult, StepState,
};

/// A value with its unit, `digits` significant digits.
fn number(value: f64, unit: &str, digits: usize) -> String {
    match Unit::parse(unit) {
        Some((known, 1.0)) => significant(value, known, digits),
        _ => format!("{} {unit}", significant(value, Unit::One, digits)).trim_end().to_owned(),
    }
}

/// A value with its unit.
pub(super) fn value(value: f64, unit: &str) -> String {
    number(value, unit, 4)
}

/// An uncertainty with its unit.
pub(super) fn doubt(u: f64, unit: &str) -> String {
    if u == 0.0 { "0".into() } else { number(u, unit, 2) }
}

/// A value with its U: U to two digits, the value to the last digit of U (JCGM 100, 7.2.6), both
/// with one prefix.
pub(super) fn with_doubt(x: f64, u: f64, unit: &str) -> String {
    rounded(x, u, unit, 0).0
}

/// The same with so many digits `more`, and both numbers as they stand there.
fn rounded(x: f64, u: f64, unit: &str, more: i32) -> (String, f64, f64) {
    let shown = value(x.abs().max(u), unit);
    let symbol = shown.split_once(' ').map_or("", |(_, symbol)| symbol);
    // The prefix that the larger of both took.
    let factor = match (Unit::parse(symbol), Unit::parse(unit)) {
        (Some((a, taken)), Some((b, own))) if a == b => taken / own,
        _ => 1.0,
    };
    if u <= 0.0 {
        return (format!("{} ± 0", value(x, unit)), x, 0.0);
    }
    let (x, u) = (x / factor, u / factor);
    // A carry makes a digit more: 0.0996 is 0.10.
    let exponent = |u: f64| u.log10().floor();
    let two = 10_f64.powf(exponent(u) - 1.0);
    let carried = (u / two).round() * two;
    #[allow(clippy::cast_possible_truncation)]
    let place = (1.0 - exponent(carried * (1.0 + 1e-9))).min(12.0) as i32 + more;
    let step = 10_f64.powi(-place);
    let cut = |x: f64| if place < 0 { (x / step).round() * step } else { x };
    let decimals = usize::try_from(place).unwrap_or(0);
    let text = |x: f64| {
        let text = format!("{:.decimals$}", cut(x));
        // Rounding may leave a zero with a sign.
        if text.trim_start_matches(['-', '0', '.']).is_empty() {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    };
    let (x, u) = (text(x), text(u));
    let read = |text: &str| text.parse::<f64>().unwrap_or(0.0) * factor;
    (format!("{x} ± {u} {symbol}").trim_end().to_owned(), read(&x), read(&u))
}

/// A value with its U, with as many digits as a reader needs to come to the same verdict.
fn as_judged(x: f64, u: f64, unit: &str, judged: &Judged) -> String {
    let ratio = judged.guard_band.map_or(0.0, |guard| if u > 0.0 { guard / u } else { 0.0 });
    let state = |x: f64, u: f64| {
        let below = judged.upper.map_or(f64::INFINITY, |upper| upper - x);
        let above = judged.lower.map_or(f64::INFINITY, |lower| x - lower);
        let (room, guard) = (below.min(above), ratio * u);
        let dust = 1e-12 * x.abs();
        (room + dust >= guard, room + dust >= 0.0, room + dust >= -guard)
    };
    const MOST: i32 = 6;
    (0..MOST)
        .map(|more| rounded(x, u, unit, more))
        .find(|(_, shown, doubt)| state(*shown, *doubt) == state(x, u))
        .map_or_else(|| with_doubt(x, u, unit), |(text, ..)| text)
}

/// A limit as it was stated: all its digits, four at least. One that was computed has no end of them,
/// and is told to four.
fn stated(x: f64, unit: &str) -> String {
    const MOST: usize = 9;
    let short = value(x, unit);
    let long = number(x, unit, 12);
    let told = long.split(' ').next().unwrap_or_default().trim_end_matches('0');
    let digits = told.bytes().filter(u8::is_ascii_digit).count();
    if digits > MOST {
        return short;
    }
    let bare = |text: &str| -> Option<(f64, String)> {
        let (digits, symbol) = text.split_once(' ').unwrap_or((text, ""));
        Some((digits.parse().ok()?, symbol.to_owned()))
    };
    match (bare(&short), bare(&long)) {
        (Some((a, one)), Some((b, other))) if one == other && a != b => {
            let (digits, symbol) = long.split_once(' ').unwrap_or((&long, ""));
            let digits = match digits.contains('e') {
                true => digits,
                false => digits.trim_end_matches('0').trim_end_matches('.'),
            };
            format!("{digits} {symbol}").trim_end().to_owned()
        }
        _ => short,
    }
}

/// A value with its U, or with a question mark where that is not known.
pub(super) fn maybe_doubt(x: f64, u: Option<f64>, unit: &str) -> String {
    u.map_or_else(|| format!("{} ± ?", value(x, unit)), |u| with_doubt(x, u, unit))
}

/// The source that a power curve looks like, where it looks like one.
pub(super) fn source(group: &GroupResult) -> Option<String> {
    let source = group.source.filter(|source| source.fits)?;
    Some(format!(
        "The curve is that of a voltage behind a resistance: {} behind {}; powers lie up to {:.1} % off \
         it.",
        with_doubt(source.voltage_v, source.voltage_expanded_uncertainty_v, "V"),
        with_doubt(source.resistance_ohm, source.resistance_expanded_uncertainty_ohm, "Ω"),
        100.0 * source.worst_residual
    ))
}

/// A value and its U, or the answer, or why there is none.
pub(super) fn found(line: &Line) -> String {
    if let Some(text) = &line.text {
        return text.clone();
    }
    match (line.judged.value, line.judged.expanded_uncertainty) {
        (Some(x), Some(u)) => {
            let shown = as_judged(x, u, &line.unit, &line.judged);
            if line.judged.at_least { format!("{shown} ?") } else { shown }
        }
        (Some(x), None) => maybe_doubt(x, None, &line.unit),
        (None, _) => "-".into(),
    }
}

/// What the uncertainty of a line leaves out, where it leaves something out.
pub(super) fn left_out(judged: &Judged) -> Option<String> {
    judged.value?;
    // What was seen once has a spread that no sheet can tell.
    let missing: Vec<&str> =
        judged.missing_terms.iter().filter(|term| *term != Term::Own).map(Term::name).collect();
    let least = if judged.at_least { "; U is at least that large" } else { "" };
    (!missing.is_empty()).then(|| format!("not included in U: {}{least}", missing.join(", ")))
}

/// Why a verdict is not another, and what its U leaves out.
pub(in crate::report) fn reasons(judged: &Judged) -> String {
    let all: Vec<String> = [why(judged), left_out(judged)].into_iter().flatten().collect();
    all.join("; ")
}

/// The limits of a line.
pub(super) fn limits(line: &Line) -> String {
    let shown = |x: f64| stated(x, &line.unit);
    match (line.judged.lower, line.judged.upper) {
        (Some(low), Some(high)) => format!("{} to {}", shown(low), shown(high)),
        (Some(low), None) => format!("at least {}", shown(low)),
        (None, Some(high)) => format!("at most {}", shown(high)),
        (None, None) => "-".into(),
    }
}

/// By how much a value misses its limits, or how close it lies inside.
pub(super) fn by_how_much(judged: &Judged, unit: &str) -> Option<String> {
    let found = judged.value?;
    if matches!(judged.verdict, Verdict::Pass | Verdict::NotMeasured) {
        return None;
    }
    let below = judged.upper.map(|upper| upper - found);
    let above = judged.lower.map(|lower| found - lower);
    let room = [below, above].into_iter().flatten().reduce(f64::min)?;
    let limit = if below == Some(room) { judged.upper? } else { judged.lower? };
    let share = |x: f64| {
        if limit == 0.0 { String::new() } else { format!(" ({:.1} %)", 100.0 * x / limit.abs()) }
    };
    if room.abs() <= 1e-9 * limit.abs() {
        return Some("on the limit itself".to_owned());
    }
    Some(match judged.verdict {
        _ if room < 0.0 => {
            let side = if limit > found { "under the lower limit" } else { "over the upper limit" };
            format!("{} {side}{}", doubt(-room, unit), share(-room))
        }
        // What stands in the way is then not the distance.
        _ if room >= judged.guard_band.unwrap_or(0.0) => return None,
        _ => format!("inside by {}, less than the guard band", doubt(room, unit)),
    })
}

/// By how many of its U a number has changed, or why that can't be told.
pub(super) fn change(row: &ChangeRow) -> String {
    match (&row.differs, row.score) {
        (Some(differs), _) => format!("not comparable: {differs}"),
        (None, Some(score)) if score > 1.0 => format!("{score:.1}: changed"),
        (None, Some(score)) => format!("{score:.1}"),
        (None, None) => "-".into(),
    }
}

/// The unit in one line.
pub(super) fn unit(result: &JobResult) -> String {
    let unit = &result.job.unit;
    let model = unit.model.clone().unwrap_or_else(|| "unit not stated".into());
    let serial = unit.serial.as_ref().map_or(String::new(), |serial| format!(", serial {serial}"));
    format!("{model}{serial}")
}

/// Names and values at the head of a report.
pub(super) fn facts(result: &JobResult) -> Vec<(&'static str, String)> {
    let (job, plan, report) = (&result.job, &result.plan, &result.job.report);
    let unknown = || "not stated".to_owned();
    let mut all = Vec::new();
    let mut stated = |name: &'static str, value: &Option<String>| {
        all.extend(value.clone().map(|value| (name, value)));
    };
    stated("report number", &report.number);
    stated("amends report", &report.amends);
    stated("laboratory", &report.laboratory);
    stated("address", &report.address);
    stated("customer", &report.customer);
    stated("department", &report.department);
    stated("inventory", &job.unit.inventory);
    stated("condition of the unit", &report.condition);
    stated("received on", &report.received_on);
    stated("issued on", &report.issued_on);
    all.push(("state", job.state.clone()));
    all.extend(job.reason.clone().map(|reason| ("reason", reason)));
    let people: Vec<String> =
        job.people.iter().map(|person| format!("{}: {}", person.role, person.name)).collect();
    all.push(("people", if people.is_empty() { unknown() } else { people.join("; ") }));
    let days = match (&job.first_day, &job.last_day) {
        (Some(first), Some(last)) if first == last => first.clone(),
        (Some(first), Some(last)) => format!("{first} to {last}"),
        _ => unknown(),
    };
    all.push(("measured on", days));
    all.push(("place", job.bench.place.clone().unwrap_or_else(unknown)));
    let climate = [
        job.bench.temperature_c.map(|t| format!("{t:.1} °C")),
        job.bench.humidity_percent.map(|h| format!("{h:.0} % RH")),
    ];
    let climate: Vec<String> = climate.into_iter().flatten().collect();
    all.push(("ambient", if climate.is_empty() { unknown() } else { climate.join(", ") }));
    all.extend(report.method.clone().map(|method| ("method", method)));
    all.extend(report.deviations.clone().map(|text| ("deviations", text)));
    all.extend(report.specification.clone().map(|text| ("specification", text)));
    all.push(("decision rule", plan.rule.clone()));
    all.extend(report.rule_agreed.clone().map(|agreed| ("rule agreed", agreed)));
    let due = job.next_due.clone().unwrap_or_else(|| match result.verdict {
        Verdict::Pass | Verdict::ConditionalPass => "not stated in the plan".into(),
        _ => "none: the unit has not passed".into(),
    });
    all.push(("next due", due));
    all.push(("plan", format!("{}, SHA-256 {}", plan.file, plan.sha256)));
    all.extend(plan.basis.clone().map(|basis| ("basis of the plan", basis)));
    all.extend(plan.changes.iter().map(|change| ("plan changed", change.clone())));
    all.push(("program", format!("crestbook {}", result.program)));
    all
}

/// What a report states by ISO/IEC 17025:2017, 7.8, and this one does not.
pub(super) fn absent(result: &JobResult) -> Vec<&'static str> {
    let (job, report) = (&result.job, &result.job.report);
    let certified = !job.instruments.is_empty()
        && job.instruments.iter().all(|instrument| instrument.certificate.is_some());
    [
        ("report number", report.number.is_some()),
        ("laboratory", report.laboratory.is_some()),
        ("its address", report.address.is_some()),
        ("customer", report.customer.is_some()),
        ("method and its issue", report.method.is_some()),
        ("condition of the unit", report.condition.is_some()),
        ("serial number of the unit", job.unit.serial.is_some()),
        ("day of receipt", report.received_on.is_some()),
        ("day of issue", report.issued_on.is_some()),
        ("deviations from the method", report.deviations.is_some()),
        ("specification that is met", report.specification.is_some()),
        ("that the decision rule was agreed beforehand", report.rule_agreed.is_some()),
        ("who authorises the report", report.authorised_by.is_some()),
        ("calibration certificates of the instruments", certified),
        ("ambient conditions", job.bench.temperature_c.is_some()),
    ]
    .into_iter()
    .filter_map(|(name, there)| (!there).then_some(name))
    .collect()
}

/// What the verdicts mean, in one sentence.
pub(super) fn meaning(result: &JobResult) -> String {
    let simple = "Pass: the value lies within its limits. Fail: it lies outside. Conditional: within or \
                  outside, but something about the capture is in doubt. Not measured: there is no \
                  verdict, for the reason given.";
    let guarded = "Pass: the value lies within its limits by at least the guard band. Conditional pass: \
                   within, but by less, or something is in doubt. Conditional fail: outside, but by less, \
                   or something is in doubt. Fail: outside by more. Not measured: there is no verdict, \
                   for the reason given.";
    let rule = if result.plan.guarded { guarded } else { simple };
    rule.to_owned()
}

/// Steps by state in one line.
pub(super) fn counts(result: &JobResult) -> String {
    let c = &result.counts;
    let mut text = format!(
        "{} steps: {} pass, {} in doubt, {} fail, {} to do",
        c.steps, c.pass, c.doubtful, c.fail, c.missing
    );
    if c.repeated > 0 {
        text.push_str(&format!(" ({} claimed by several captures)", c.repeated));
    }
    text
}

/// The hashes of a capture's files.
pub(super) fn hashes(capture: &CaptureOutcome) -> String {
    capture.sha256.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
}

/// How a step stands.
pub(super) fn state(step: &StepResult) -> &'static str {
    match step.state {
        StepState::Missing => "missing",
        StepState::Repeated => "claimed twice",
        StepState::Unreadable => "can't be used",
        StepState::Done => step.verdict.words(),
    }
}

/// A reading as it was typed.
pub(super) fn typed(reading: &ManualReading) -> String {
    let unit = reading.unit.as_ref().map_or(String::new(), |unit| format!(" {unit}"));
    let u = reading.uncertainty.as_ref().map_or(String::new(), |u| format!(", U {u}"));
    format!("{}{unit}{u}", reading.value)
}

/// Whether the reading at a place is the last of its step.
pub(super) fn counts_still(result: &JobResult, place: usize) -> &'static str {
    let step = result.readings.get(place).map(|reading| &reading.step);
    let later = result.readings.iter().skip(place + 1).any(|other| Some(&other.step) == step);
    if later { "no: read again" } else { "yes" }
}

/// What the report does not decide.
pub(super) const RELEASE: &str = "The results relate only to the unit tested, as it was when it was \
measured. Whether it is released to service is for an authorised person of the responsible organisation \
to decide.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_stand_as_they_were_stated() {
        for (x, unit, wanted) in [
            (731.383, "W", "731.383 W"),
            (35.2, "W", "35.20 W"),
            (35.200_404_921, "W", "35.20 W"),
            (0.02, "s", "20.00 ms"),
            (16.1, "Ω", "16.10 Ω"),
            (100.0, "mohm", "100.0 mohm"),
        ] {
            assert_eq!(stated(x, unit), wanted);
        }
    }

    /// 80.04 ± 0.12 W against at most 80 W: told to two digits of U it would read as 80.04, which is
    /// above it too; 79.996 would read as 80.00.
    #[test]
    fn a_reader_comes_to_the_same_verdict() {
        let rule = crate::profile::Decision { rule: crate::profile::Rule::Simple, guard: None };
        let estimate = crate::verification::estimate(80.004, 0.06, f64::INFINITY).unwrap();
        let judged = Judged::of(Ok::<_, &str>(&estimate), None, (None, Some(80.0)), &rule);
        assert_eq!(judged.verdict, Verdict::Fail);
        let u = estimate.expanded().unwrap();
        assert_eq!(as_judged(80.004, u, "W", &judged), "80.004 ± 0.118 W");
    }

    #[test]
    fn values_end_where_their_uncertainty_does() {
        for (x, u, unit, wanted) in [
            (81.064, 2.2731, "W", "81.1 ± 2.3 W"),
            (0.0079994, 2.4e-6, "s", "7.9994 ± 0.0024 ms"),
            (0.09, 0.0018, "A", "0.0900 ± 0.0018 A"),
            (1234.0, 107.0, "V", "1230 ± 110 V"),
            (5.0, 0.0996, "W", "5.00 ± 0.10 W"),
            (331.0, 6.62, "mohm", "331.0 ± 6.6 mohm"),
            (62.0, 2.0, "dB(A)", "62.0 ± 2.0 dB(A)"),
            (-1e-7, 0.00057, "", "0.00000 ± 0.00057"),
            (0.0, 0.5, "W", "0.00 ± 0.50 W"),
            (7e-9, 0.0143, "W", "0 ± 14 mW"),
        ] {
            assert_eq!(with_doubt(x, u, unit), wanted);
        }
    }
}
