//! The result of a job for the terminal.

use super::words;
use crate::report::table::{Manner, paint_verdict, push_table, wrapped};
use crate::verification::{JobResult, StepState};

/// Steps listed as still to do, before the rest is only counted.
const FOLD: usize = 6;
/// And of what is not a pass.
const FOLD_TROUBLES: usize = 20;

/// Verdict, what is not a pass, and what is still to do; `order` are the ids of the steps in the
/// order of work.
#[must_use]
pub fn summary(result: &JobResult, order: &[&str], manner: Manner) -> String {
    let mut out = format!(
        "{}  {}, {}\n{}\n",
        paint_verdict(result.verdict, manner),
        words::unit(result),
        result.job.state,
        words::counts(result)
    );
    let troubles: Vec<words::Trouble> =
        words::troubles(result).into_iter().filter(|trouble| !trouble.missing).collect();
    if !troubles.is_empty() {
        out.push('\n');
        let mut rows =
            vec![["not a pass", "found", "limits", "verdict"].map(str::to_owned).to_vec()];
        for trouble in troubles.iter().take(FOLD_TROUBLES) {
            if trouble.found != "-" {
                let what = format!("{}: {}", trouble.id, trouble.what);
                let verdict = trouble.verdict.words().to_owned();
                rows.push(vec![what, trouble.found.clone(), trouble.limits.clone(), verdict]);
            }
        }
        if rows.len() > 1 {
            push_table(&rows, manner, &mut out);
        }
        for trouble in troubles.iter().take(FOLD_TROUBLES).filter(|trouble| trouble.found == "-") {
            let head = format!("  {}, {}:", trouble.id, trouble.what);
            out.push_str(&wrapped(&head, &trouble.why));
        }
        if troubles.len() > FOLD_TROUBLES {
            let more = troubles.len() - FOLD_TROUBLES;
            out.push_str(&format!("  ... and {more} more; the report has them all\n"));
        }
    }
    for finding in &result.findings {
        out.push_str(&wrapped(&format!("  {}:", finding.code), &finding.message));
    }
    let missing: Vec<_> = order
        .iter()
        .filter_map(|id| result.steps.iter().find(|step| step.id == **id))
        .filter(|step| step.state == StepState::Missing)
        .collect();
    if !missing.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("still to do")));
        for step in missing.iter().take(FOLD) {
            out.push_str(&wrapped(&format!("  {}:", step.id), &step.what));
        }
        if missing.len() > FOLD {
            out.push_str(&format!("  ... and {} more\n", missing.len() - FOLD));
        }
    }
    out
}
