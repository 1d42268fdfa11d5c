//! What a job states of itself: days, instruments, unit and people; and when the next one is due.

use super::Evidence;
use crate::check::{Fault, Finding, Verdict};
use crate::units::day_of;
use crate::verification::result::{JobFacts, StepResult};
use jiff::civil::Date;

/// Days that a verification may take, before they are taken to contradict each other (common practice,
/// no source).
const LONGEST_DAYS: i64 = 31;

/// Fills in days and instruments, and says what a signature would miss.
pub(super) fn findings(
    job: &mut JobFacts,
    evidence: &Evidence<'_>,
    steps: &[StepResult],
) -> Vec<Finding> {
    let captures = steps.iter().filter_map(|step| step.capture.as_ref());
    for instrument in captures.clone().flat_map(|capture| &capture.instrument) {
        if !job.instruments.contains(instrument) {
            job.instruments.push(instrument.clone());
        }
    }
    let taken = captures.clone().filter_map(|c| c.bench.as_ref()?.taken_at.as_deref());
    // What was read again does not count any more.
    let counts =
        |k: usize, step: &str| !evidence.readings[k + 1..].iter().any(|later| later.step == step);
    let counted: Vec<_> = evidence
        .readings
        .iter()
        .enumerate()
        .filter(|(k, reading)| counts(*k, &reading.step))
        .map(|(_, reading)| reading)
        .collect();
    let read = counted.iter().filter_map(|reading| reading.taken_at.as_deref());
    let mut days: Vec<Date> = taken.chain(read).filter_map(day_of).collect();
    days.sort_unstable();
    job.first_day = days.first().map(ToString::to_string);
    job.last_day = days.last().map(ToString::to_string);
    let mut found = Vec::new();
    let mut push = |code: Fault, message: String| {
        let at_best = Some(Verdict::ConditionalPass);
        found.push(Finding { code: code.into(), message, at_best });
    };
    if let Some(message) = contradiction(job, &days, evidence.today) {
        push(Fault::DaysContradict, message);
    }
    if !(stated(&job.unit.serial) || stated(&job.unit.inventory)) {
        push(
            Fault::UnitNotNamed,
            "neither a serial nor an inventory number says which unit this is: add unit.serial to \
             job.toml"
                .into(),
        );
    }
    for reading in &counted {
        let day = reading.taken_at.as_deref().and_then(day_of);
        let due = reading.meter_due.as_deref().and_then(day_of);
        if let (Some(day), Some(due)) = (day, due)
            && day > due
        {
            let meter = reading.meter.as_deref().unwrap_or("the instrument");
            push(
                Fault::CalibrationOverdue,
                format!(
                    "the calibration of {meter} ended on {due}, but `{}` was read from it on {day}: have \
                     it calibrated and read again",
                    reading.step
                ),
            );
        }
    }
    let by_hand = counted.iter().any(|reading| stated(&reading.by));
    let operator = captures.clone().any(|c| c.bench.as_ref().is_some_and(|b| stated(&b.operator)));
    let measured = job.people.iter().any(|person| {
        person.role.trim().eq_ignore_ascii_case(MEASURED) && !person.name.trim().is_empty()
    });
    if !(measured || operator || by_hand) {
        push(
            Fault::NobodyNamed,
            format!(
                "nobody is named who measured: add a [[person]] with role \"{MEASURED}\" to job.toml"
            ),
        );
    }
    found
}

/// Whether a text says something.
fn stated(text: &Option<String>) -> bool {
    text.as_ref().is_some_and(|text| !text.trim().is_empty())
}

/// Role of whoever measured.
const MEASURED: &str = "measured by";

/// Days that can't all be right.
fn contradiction(job: &JobFacts, days: &[Date], today: Option<Date>) -> Option<String> {
    let (first, last) = (*days.first()?, *days.last()?);
    // East of Greenwich it is a day later.
    let later = |today: &Date| today.tomorrow().is_ok_and(|tomorrow| last > tomorrow);
    if let Some(today) = today.filter(later) {
        return Some(format!(
            "a capture or reading is dated {last}, which is after today ({today}): is a clock wrong?"
        ));
    }
    let between = |a: Date, b: Date| i64::from((b - a).get_days());
    if between(first, last) > LONGEST_DAYS {
        return Some(format!(
            "captures and readings are dated {first} to {last}, {} days apart: is one of them of another \
             job, or its clock wrong?",
            between(first, last)
        ));
    }
    let day = |text: &Option<String>| text.as_deref().and_then(day_of);
    if let Some(received) = day(&job.report.received_on).filter(|day| *day > first) {
        return Some(format!(
            "the unit was received on {received}, but something was measured on {first}: correct one of them"
        ));
    }
    if let Some(issued) = day(&job.report.issued_on).filter(|day| *day < last) {
        return Some(format!(
            "the report was issued on {issued}, but something was measured on {last}: correct one of them"
        ));
    }
    let stated = job.bench.taken_at.as_deref().and_then(day_of)?;
    [first, last].into_iter().find(|day| between(stated, *day).abs() > LONGEST_DAYS).map(|day| {
        format!("the job is dated {stated}, but something in it {day}: is its clock wrong?")
    })
}

/// Day on which the next verification is due: counted from the last day of one that passes.
pub(super) fn due(
    job: &JobFacts,
    evidence: &Evidence<'_>,
    verdict: Verdict,
    findings: &[Finding],
) -> Option<String> {
    let passes = matches!(verdict, Verdict::Pass | Verdict::ConditionalPass);
    let doubted = findings.iter().any(|finding| finding.code == Fault::DaysContradict.into());
    let last = job.last_day.as_deref().and_then(day_of).filter(|_| passes && !doubted)?;
    let months = i64::from(evidence.profile.plan.interval_months?);
    let due = last.checked_add(jiff::Span::new().try_months(months).ok()?).ok()?;
    Some(due.to_string())
}
