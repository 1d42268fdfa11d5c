//! All numbers of a job as comma-separated values, one a row.

use super::{ReportError, words};
use crate::result::Part;
use crate::verification::JobResult;
use std::collections::BTreeMap;
use std::io::Write;

const HEADER: [&str; 17] = [
    "what",
    "group",
    "step",
    "measure",
    "in",
    "value",
    "unit",
    "standard_uncertainty",
    "expanded_uncertainty",
    "coverage_factor",
    "nominal",
    "lower",
    "upper",
    "guard_band",
    "verdict",
    "reason",
    "capture_sha256",
];

/// The judged numbers, then every number of every capture.
///
/// # Errors
/// Where a row can't be written.
pub fn csv(result: &JobResult, out: impl Write) -> Result<(), ReportError> {
    let fail = |error: &dyn std::fmt::Display| ReportError(error.to_string());
    let mut out = ::csv::Writer::from_writer(out);
    out.write_record(HEADER).map_err(|error| fail(&error))?;
    let text = |x: Option<f64>| x.map_or(String::new(), |x| format!("{x}"));
    let of_steps = result
        .steps
        .iter()
        .filter_map(|step| Some((step.id.as_str(), words::hashes(step.capture.as_ref()?))));
    let of_steps: BTreeMap<&str, String> = of_steps.collect();
    let hash = |step: &str| of_steps.get(step).cloned().unwrap_or_default();
    for group in &result.groups {
        for line in &group.lines {
            let judged = &line.judged;
            let step = line.step.clone().unwrap_or_default();
            let part = line.part.map_or("", Part::name);
            let shown = line.text.clone().unwrap_or_else(|| text(judged.value));
            out.write_record([
                "judged",
                &group.id,
                &step,
                &line.measure,
                part,
                &quoted(&shown),
                &quoted(&line.unit),
                "",
                &text(judged.expanded_uncertainty),
                &text(judged.coverage_factor),
                &text(judged.nominal),
                &text(judged.lower),
                &text(judged.upper),
                &text(judged.guard_band),
                if line.remark { "noted" } else { judged.verdict.words() },
                &quoted(&words::reasons(judged)),
                &hash(&step),
            ])
            .map_err(|error| fail(&error))?;
        }
    }
    for step in &result.steps {
        let Some(capture) = &step.capture else { continue };
        for number in &capture.numbers {
            let unit = number.measure.unit().symbol();
            let estimate = &number.estimate;
            let coverage = estimate.coverage;
            let missing = estimate.missing_terms.names("; ");
            let missing = if missing.is_empty() { missing } else { format!("not in U: {missing}") };
            out.write_record([
                "measured",
                &step.group,
                &step.id,
                number.measure.key(),
                number.part.name(),
                &format!("{}", estimate.value),
                unit,
                &text(estimate.standard_uncertainty),
                &text(coverage.map(|c| c.expanded_uncertainty)),
                &text(coverage.map(|c| c.coverage_factor)),
                "",
                "",
                "",
                "",
                "",
                &missing,
                &words::hashes(capture),
            ])
            .map_err(|error| fail(&error))?;
        }
    }
    out.flush().map_err(|error| fail(&error))
}

/// A text as a cell: what a spreadsheet would take for a formula is quoted.
pub(crate) fn quoted(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err() {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_is_a_formula() {
        for (text, wanted) in
            [("=1+1", "'=1+1"), ("-2.5", "-2.5"), ("@x", "'@x"), ("cut", "cut"), ("-", "'-")]
        {
            assert_eq!(quoted(text), wanted);
        }
    }
}
