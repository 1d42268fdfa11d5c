//! The result of a job for the terminal.

use super::paper::Paper;
use crate::report::table::{Manner, painted, wrapped};
use crate::verification::{JobResult, StepState};

/// Steps listed as still to do, before the rest is only counted.
const FOLD: usize = 6;
/// And of what is not a pass.
const FOLD_TROUBLES: usize = 20;

/// Verdict, what is not a pass, and what is still to do; `order` are the ids of the steps in the
/// order of work.
#[must_use]
pub fn summary(result: &JobResult, order: &[&str], manner: Manner) -> String {
    let paper = Paper::without_pictures(result);
    let headline = painted(&paper.headline.words, paper.headline.tone, manner);
    let mut out = format!("{headline}  {}, {}\n{}\n", paper.unit, result.job.state, paper.counts);
    let troubles: Vec<_> = paper.troubles.iter().filter(|trouble| !trouble.missing).collect();
    if !troubles.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("not a pass")));
        for trouble in troubles.iter().take(FOLD_TROUBLES) {
            let what = if trouble.what == trouble.entry { "" } else { &trouble.what };
            let of = trouble.id.as_deref().unwrap_or("whole job");
            let head = format!("  {}: {of}{}", trouble.verdict.words, between(what));
            let found = match (&trouble.found, &trouble.limits) {
                (Some(found), Some(limits)) => format!(": {found} (limits {limits})"),
                (Some(found), None) => format!(": {found}"),
                (None, _) => String::new(),
            };
            let why =
                if trouble.why.is_empty() { String::new() } else { format!("; {}", trouble.why) };
            out.push_str(&wrapped(
                &head,
                format!("{found}{why}").trim_start_matches([':', ';', ' ']),
            ));
        }
        if troubles.len() > FOLD_TROUBLES {
            let more = troubles.len() - FOLD_TROUBLES;
            out.push_str(&format!("  ... and {more} more; the report has them all\n"));
        }
    }
    for finding in result.findings.iter().filter(|finding| finding.at_best.is_none()) {
        out.push_str(&wrapped(&format!("  {}:", finding.code), &finding.message));
    }
    if let Some(change) = &result.as_found {
        let scores = change.rows.iter().filter_map(|row| row.score);
        let changed = scores.clone().filter(|score| *score > 1.0).count();
        out.push_str(&format!(
            "\nagainst {} ({}, {}, {}): {changed} of {} numbers changed by more than their uncertainty\n",
            change.folder,
            change.state,
            change.day.as_deref().unwrap_or("day not stated"),
            change.verdict.words(),
            scores.count()
        ));
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

fn between(what: &str) -> String {
    if what.is_empty() { ":".into() } else { format!(", {what}:") }
}
