//! As found against as left: the same lines of two jobs side by side.

use super::result::{JobResult, Line};
use crate::check::Verdict;
use serde::{Deserialize, Serialize};

/// A job against the one before the service.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Folder of the earlier job as it was named.
    pub folder: String,
    /// State of the earlier job.
    pub state: String,
    /// Its verdict.
    pub verdict: Verdict,
    /// SHA-256 of the plan it was judged by.
    pub plan_sha256: String,
    /// Day of its last capture or reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day: Option<String>,
    /// What both have measured.
    pub rows: Vec<ChangeRow>,
}

/// One number of both jobs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangeRow {
    /// Entry of the plan.
    pub group: String,
    /// What it is, in words.
    pub what: String,
    /// Unit.
    pub unit: String,
    /// Value before, its expanded uncertainty and its verdict.
    pub before: (f64, Option<f64>, Verdict),
    /// And after.
    pub after: (f64, Option<f64>, Verdict),
    /// Change over the expanded uncertainty of it, |b - a| / sqrt(Ua^2 + Ub^2), where both are
    /// known; above 1 it is more than chance (as E_n of ISO 13528).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<f64>,
    /// Why the two can't be compared, where they were not taken alike.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub differs: Option<String>,
}

/// What differs between the captures of a step in two jobs: load, dial, setting.
fn unlike(before: &JobResult, after: &JobResult, step: Option<&str>) -> Option<String> {
    let of = |job: &JobResult| {
        let step = job.steps.iter().find(|known| Some(known.id.as_str()) == step)?;
        Some((step.what.clone(), step.setting.clone(), step.capture.as_ref()?.load_ohm))
    };
    let (a, b) = (of(before)?, of(after)?);
    if a.1 != b.1 || a.0 != b.0 {
        return Some(format!("taken as `{}`, now as `{}`", a.0, b.0));
    }
    let ohm = |x: Option<f64>| x.map_or("an unknown load".into(), |x| format!("{x} ohm"));
    let same = match (a.2, b.2) {
        (Some(x), Some(y)) => (x / y - 1.0).abs() <= 0.03,
        (x, y) => x == y,
    };
    (!same).then(|| format!("taken into {}, now into {}", ohm(a.2), ohm(b.2)))
}

/// What changed from an earlier job to this one.
#[must_use]
pub fn changes(folder: &str, before: &JobResult, after: &JobResult) -> Change {
    let mut rows = Vec::new();
    for group in &after.groups {
        let Some(old) = before.groups.iter().find(|old| old.id == group.id) else { continue };
        for line in &group.lines {
            let same = |other: &&Line| {
                other.step == line.step
                    && (&other.measure, other.part) == (&line.measure, line.part)
                    && other.unit == line.unit
            };
            let Some(earlier) = old.lines.iter().find(same) else { continue };
            let (Some(a), Some(b)) = (earlier.judged.value, line.judged.value) else { continue };
            let (u_a, u_b) =
                (earlier.judged.expanded_uncertainty, line.judged.expanded_uncertainty);
            let differs = unlike(before, after, line.step.as_deref());
            let score =
                u_a.zip(u_b).map(|(a, b)| a.hypot(b)).filter(|u| *u > 0.0 && differs.is_none());
            rows.push(ChangeRow {
                group: group.id.clone(),
                what: line.what.clone(),
                unit: line.unit.clone(),
                before: (a, u_a, earlier.judged.verdict),
                after: (b, u_b, line.judged.verdict),
                score: score.map(|u| (b - a).abs() / u),
                differs,
            });
        }
    }
    Change {
        folder: folder.to_owned(),
        state: before.job.state.clone(),
        verdict: before.verdict,
        plan_sha256: before.plan.sha256.clone(),
        day: before.job.last_day.clone(),
        rows,
    }
}
