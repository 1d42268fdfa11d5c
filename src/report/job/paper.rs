//! What is on the paper, in words: the one model of the page, the PDF and the terminal.

use super::{ReportError, plot, words};
use crate::check::{Finding, Judged, Verdict};
use crate::report::CAUTIONS;
use crate::report::picture::compact;
use crate::report::table::{Tone, probability, why};
use crate::result::PowerFormula;
use crate::units::{Unit, for_people};
use crate::verification::{
    CaptureOutcome, Change, GroupKind, GroupResult, JobResult, Line, Load, StepKind, StepResult,
    StepState,
};
use serde::Serialize;

/// A report.
#[derive(Clone, Debug, Serialize)]
pub struct Paper {
    /// The unit in one line.
    pub unit: String,
    /// Number of the report, where it has one.
    pub number: Option<String>,
    /// Name and address of the laboratory, where they are stated.
    pub laboratory: Option<String>,
    /// The verdict over all.
    pub headline: Mark,
    /// Steps by state.
    pub counts: String,
    /// What the verdicts mean.
    pub meaning: String,
    /// What is not a pass, the worst first.
    pub troubles: Vec<Trouble>,
    /// Names and values at the head.
    pub facts: Vec<(&'static str, String)>,
    /// What a report by the standard states and this one does not.
    pub absent: Vec<&'static str>,
    /// Cautions.
    pub cautions: &'static str,
    /// What the report does not decide.
    pub release: &'static str,
    /// Who signs: role, and name where it is stated.
    pub signatures: Vec<(&'static str, String)>,
    /// Entries of the plan.
    pub entries: Vec<Entry>,
    /// About the job as a whole.
    pub findings: Vec<String>,
    /// Against an earlier job.
    pub changes: Option<Changes>,
    /// Waveforms.
    pub waveforms: Vec<Picture>,
    /// What the verdicts rest on.
    pub steps: Vec<StepRow>,
    /// Readings by hand.
    pub readings: Vec<Reading>,
    /// Instruments.
    pub instruments: Vec<Instrument>,
    /// Amendments: when, by whom, why, old, new.
    pub amendments: Vec<[String; 5]>,
    /// At the end.
    pub end: String,
}

/// A verdict as it is shown.
#[derive(Clone, Debug, Serialize)]
pub struct Mark {
    /// In words.
    pub words: String,
    /// How it is coloured.
    pub tone: Tone,
}

impl From<Verdict> for Mark {
    fn from(verdict: Verdict) -> Self {
        Self { words: verdict.words().to_owned(), tone: verdict.into() }
    }
}

/// Something that is not a pass.
#[derive(Clone, Debug, Serialize)]
pub struct Trouble {
    /// Id of the entry; none where it is about the job as a whole.
    pub id: Option<String>,
    /// The entry in words.
    pub entry: String,
    /// What it is about.
    pub what: String,
    /// What was found, where a value was.
    pub found: Option<String>,
    /// What was wanted, where there are limits.
    pub limits: Option<String>,
    /// By how much it is off, and why there is no better verdict.
    pub why: String,
    /// The verdict.
    pub verdict: Mark,
    /// Whether it is only that nothing was captured or read.
    pub missing: bool,
    #[serde(skip)]
    rank: Verdict,
}

/// An entry of the plan.
#[derive(Clone, Debug, Serialize)]
pub struct Entry {
    /// Its id.
    pub id: String,
    /// What it is.
    pub title: String,
    /// Its verdict.
    pub verdict: Mark,
    /// Whether it is looked at or read from another instrument.
    pub by_hand: bool,
    /// What was judged.
    pub lines: Vec<Row>,
    /// Picture of a curve.
    pub plot: Option<Picture>,
    /// What is to be known beside the verdicts.
    pub notes: Vec<String>,
}

/// A picture.
#[derive(Clone, Debug, Serialize)]
pub struct Picture {
    /// The SVG.
    #[serde(skip)]
    pub svg: String,
    /// What it shows, for those who can't see it.
    pub alt: String,
    /// Under it.
    pub caption: String,
}

/// One number against its limits.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// What is judged.
    pub what: String,
    /// Value and U, or the answer.
    pub found: String,
    /// Expected value.
    pub expected: String,
    /// Limits.
    pub limits: String,
    /// Probability that the true value lies within them.
    pub inside: String,
    /// Verdict.
    pub verdict: Mark,
    /// Why it is not another, what U leaves out, by which formula: a sentence each.
    pub notes: Vec<String>,
}

/// Against an earlier job.
#[derive(Clone, Debug, Serialize)]
pub struct Changes {
    /// Title.
    pub title: String,
    /// Both jobs in a sentence.
    pub said: String,
    /// State of this job, over the column.
    pub now: String,
    /// What both measured: what, before, after, score.
    pub rows: Vec<[String; 4]>,
}

/// A step and what its verdict rests on.
#[derive(Clone, Debug, Serialize)]
pub struct StepRow {
    /// Its id.
    pub id: String,
    /// Kind and load.
    pub kind: String,
    /// How it stands.
    pub state: Mark,
    /// The file.
    pub file: String,
    /// Samples, rate, by which formula the power was computed.
    pub facts: Vec<String>,
    /// Hashes of the data files.
    pub sha256: Vec<String>,
    /// When it was taken.
    pub taken: String,
    /// What is in doubt: code and message.
    pub doubts: Vec<(String, String)>,
}

/// A reading by hand.
#[derive(Clone, Debug, Serialize)]
pub struct Reading {
    /// Step.
    pub step: String,
    /// As it was typed.
    pub typed: String,
    /// Instrument, and the end of its calibration.
    pub meter: String,
    /// Comment on it.
    pub comment: String,
    /// When.
    pub when: String,
    /// By whom.
    pub by: String,
    /// Whether it counts.
    pub counts: &'static str,
}

/// An instrument.
#[derive(Clone, Debug, Serialize)]
pub struct Instrument {
    /// Role.
    pub role: String,
    /// Inventory or serial number.
    pub id: String,
    /// End of its calibration.
    pub due: String,
    /// Certificate.
    pub certificate: String,
}

fn or_dash(text: &Option<String>) -> String {
    text.clone().unwrap_or_else(|| "-".into())
}

impl Paper {
    /// The paper of a result, with pictures.
    ///
    /// # Errors
    /// Where a picture can't be drawn.
    pub fn new(result: &JobResult) -> Result<Self, ReportError> {
        let mut paper = Self::without_pictures(result);
        for (entry, group) in paper.entries.iter_mut().zip(&result.groups) {
            let svg = group.series.as_ref().map(plot::svg).transpose()?.flatten();
            entry.plot = svg.map(|svg| Picture {
                svg,
                alt: format!("{}, measured and expected", group.title),
                caption: String::new(),
            });
        }
        for wave in &result.waveforms {
            paper.waveforms.push(Picture {
                svg: compact(&wave.sketch)?,
                alt: format!("Waveform of {}", wave.title),
                caption: format!("{} (step {})", wave.title, wave.step),
            });
        }
        Ok(paper)
    }

    /// Says what the archive knows: what took the place of this result, and the digital certificate of the same result where
    /// it states all that one needs.
    pub(super) fn complete(&mut self, result: &JobResult, look: &super::Look) {
        if let Some(later) = &look.replaced_by {
            self.facts.insert(0, ("no longer counts", format!("replaced by {later}")));
            self.headline = Mark { words: format!("replaced by {later}"), tone: Tone::Doubt };
        }
        if let Some(hash) = super::dcc::hash(result, look) {
            // The program stays the last of the facts.
            let at = self.facts.len().saturating_sub(1);
            self.facts
                .insert(at, ("digital certificate", format!("DCC 3.3.0 (XML), SHA-256 {hash}")));
        }
    }

    /// The same without pictures, for the terminal.
    #[must_use]
    pub fn without_pictures(result: &JobResult) -> Self {
        let report = &result.job.report;
        let laboratory = [&report.laboratory, &report.address];
        let laboratory: Vec<String> = laboratory.into_iter().flatten().cloned().collect();
        let number = report.number.clone();
        let end = number
            .as_ref()
            .map_or("End of the report.".to_owned(), |number| format!("End of report {number}."));
        let readings = result.readings.iter().enumerate().map(|(k, reading)| Reading {
            step: reading.step.clone(),
            typed: words::typed(reading),
            meter: match (&reading.meter, &reading.meter_due) {
                (Some(meter), Some(due)) => format!("{meter}, calibrated until {due}"),
                (meter, _) => or_dash(meter),
            },
            comment: or_dash(&reading.comment),
            when: or_dash(&reading.taken_at),
            by: or_dash(&reading.by),
            counts: words::counts_still(result, k),
        });
        let instruments = result.job.instruments.iter().map(|one| Instrument {
            role: or_dash(&one.role),
            id: or_dash(&one.id),
            due: one.calibration_due.clone().unwrap_or_else(|| "not stated".into()),
            certificate: one.certificate.clone().unwrap_or_else(|| "not stated".into()),
        });
        let amendments = result
            .job
            .amendments
            .iter()
            .map(|one| [&one.at, &one.by, &one.reason, &one.old, &one.new].map(Clone::clone));
        Self {
            unit: words::unit(result),
            number,
            laboratory: (!laboratory.is_empty()).then(|| laboratory.join(", ")),
            headline: headline(result),
            counts: words::counts(result),
            meaning: words::meaning(result),
            troubles: troubles(result),
            facts: words::facts(result),
            absent: words::absent(result),
            cautions: CAUTIONS,
            release: words::RELEASE,
            signatures: signatures(result),
            entries: result.groups.iter().map(|group| entry(group, result)).collect(),
            findings: result.findings.iter().map(|one| one.message.clone()).collect(),
            changes: result.as_found.as_ref().map(|change| changes(result, change)),
            waveforms: Vec::new(),
            steps: result.steps.iter().map(step).collect(),
            readings: readings.collect(),
            instruments: instruments.collect(),
            amendments: amendments.collect(),
            end,
        }
    }
}

/// The verdict over all; a job with steps to do that fails nowhere is incomplete.
fn headline(result: &JobResult) -> Mark {
    let (to_do, all) = (result.counts.missing, result.counts.steps);
    let left = format!("incomplete: {to_do} of {all} to do");
    match result.verdict {
        _ if to_do == 0 => result.verdict.into(),
        Verdict::NotMeasured => Mark { words: left, tone: Tone::Doubt },
        verdict => Mark { words: format!("{}, {left}", verdict.words()), tone: verdict.into() },
    }
}

/// Everything that is not a pass, the worst first.
fn troubles(result: &JobResult) -> Vec<Trouble> {
    let mut all = Vec::new();
    // What a step has against its capture is told once, not again with each of its lines.
    let told = |step: &Option<String>| {
        let step = result.steps.iter().find(|known| Some(&known.id) == step.as_ref());
        step.is_some_and(|step| {
            step.capture.is_none() && step.setting.is_some()
                || step.findings.iter().any(Finding::blocks)
        })
    };
    let unread = |step: &Option<String>| {
        let step = result.steps.iter().find(|known| Some(&known.id) == step.as_ref());
        step.is_some_and(|step| step.capture.is_none() && step.verdict == Verdict::NotMeasured)
    };
    for group in &result.groups {
        for line in &group.lines {
            if line.judged.verdict == Verdict::Pass || told(&line.step) {
                continue;
            }
            if line.text.is_none() && line.judged.value.is_none() && unread(&line.step) {
                continue;
            }
            let off = words::by_how_much(&line.judged, &line.unit);
            all.push(Trouble {
                id: Some(group.id.clone()),
                entry: group.title.clone(),
                what: line.what.clone(),
                found: (line.judged.value.is_some() || line.text.is_some())
                    .then(|| words::found(line)),
                limits: Some(words::limits(line)),
                why: [off, why(&line.judged)].into_iter().flatten().collect::<Vec<_>>().join("; "),
                verdict: line.judged.verdict.into(),
                missing: false,
                rank: line.judged.verdict,
            });
        }
    }
    for step in &result.steps {
        let title = result.groups.iter().find(|group| group.id == step.group);
        let entry = title.map_or(step.group.clone(), |group| group.title.clone());
        let mut push = |why: String, rank: Verdict, missing: bool| {
            all.push(Trouble {
                id: Some(step.group.clone()),
                entry: entry.clone(),
                what: step.what.clone(),
                found: None,
                limits: None,
                why,
                verdict: rank.into(),
                missing,
                rank,
            });
        };
        if step.state == StepState::Missing {
            let what = if step.setting.is_some() { "captured" } else { "read" };
            push(format!("nothing was {what} (step {})", step.id), Verdict::NotMeasured, true);
        }
        for finding in &step.findings {
            let Some(rank) = finding.at_best else { continue };
            push(format!("{} (step {})", finding.message, step.id), rank, false);
        }
    }
    for finding in &result.findings {
        let Some(rank) = finding.at_best else { continue };
        all.push(Trouble {
            id: None,
            entry: "the job as a whole".into(),
            what: "the job as a whole".into(),
            found: None,
            limits: None,
            why: finding.message.clone(),
            verdict: rank.into(),
            missing: false,
            rank,
        });
    }
    all.sort_by_key(|one| std::cmp::Reverse(one.rank));
    all
}

fn signatures(result: &JobResult) -> Vec<(&'static str, String)> {
    let named = |role: &str| {
        let people = result.job.people.iter();
        let of = people.filter(|person| person.role.trim().eq_ignore_ascii_case(role));
        of.map(|person| person.name.clone()).collect::<Vec<_>>().join(", ")
    };
    let authorised = result.job.report.authorised_by.clone();
    vec![
        ("measured by", named("measured by")),
        ("reviewed by", named("reviewed by")),
        ("authorised by", authorised.unwrap_or_else(|| named("authorised by"))),
        ("released to service by", named("released by")),
    ]
}

/// Whether an entry is looked at or read from another instrument.
fn by_hand(group: &GroupResult) -> bool {
    group.kind == GroupKind::Of(StepKind::Manual)
}

fn entry(group: &GroupResult, result: &JobResult) -> Entry {
    let mut notes: Vec<String> = words::source(group).into_iter().collect();
    notes.extend(group.notes.iter().cloned());
    let capture = |line: &Line| {
        let step = result.steps.iter().find(|step| Some(&step.id) == line.step.as_ref())?;
        step.capture.as_deref()
    };
    let remarks = !group.lines.is_empty() && group.lines.iter().all(|line| line.remark);
    let read = group.lines.iter().any(|line| line.text.is_some());
    let mut lines: Vec<Row> = group.lines.iter().map(|line| row(line, capture(line))).collect();
    // What is read by hand stands in one table: its notes go with its rows.
    if by_hand(group)
        && let Some(first) = lines.first_mut()
    {
        first.notes.append(&mut notes);
    }
    Entry {
        id: group.id.clone(),
        title: group.title.clone(),
        verdict: match remarks && read {
            true => Mark { words: "noted".into(), tone: Tone::Pass },
            false => group.verdict.into(),
        },
        by_hand: by_hand(group),
        lines,
        plot: None,
        notes,
    }
}

fn row(line: &Line, capture: Option<&CaptureOutcome>) -> Row {
    let judged = &line.judged;
    let noted = line.remark && line.text.is_some();
    Row {
        what: line.what.clone(),
        found: words::found(line),
        expected: judged.nominal.map_or("-".into(), |x| words::value(x, &line.unit)),
        limits: words::limits(line),
        inside: judged.conformance_probability.map_or("-".into(), probability),
        verdict: match noted {
            true => Mark { words: "noted".into(), tone: Tone::Pass },
            false => judged.verdict.into(),
        },
        notes: notes(judged, line, capture),
    }
}

/// Why a verdict is not another, what U leaves out, by which formula.
fn notes(judged: &Judged, line: &Line, capture: Option<&CaptureOutcome>) -> Vec<String> {
    let mut notes: Vec<String> = why(judged).into_iter().collect();
    if judged.value.is_some() {
        notes.extend(words::left_out(judged));
        let formula = capture.and_then(|capture| capture.power_by);
        let by_load = matches!(formula, Some(PowerFormula::Voltage | PowerFormula::Current));
        if by_load
            && line.unit == Unit::Watt.symbol()
            && let Some(formula) = formula
        {
            notes.push(format!("power by {}", formula.words()));
        }
    }
    notes
}

fn changes(result: &JobResult, change: &Change) -> Changes {
    let shown = |(value, u, verdict): (f64, Option<f64>, Verdict), unit: &str| {
        format!("{} {}", words::maybe_doubt(value, u, unit), verdict.words())
    };
    let day = |day: &Option<String>| day.clone().unwrap_or_else(|| "day not stated".into());
    let mut said = format!(
        "Before: {}, {}, {} ({}). Now: {}, {}, {}. Above 1 the change is more than its uncertainty.",
        change.state,
        day(&change.day),
        change.verdict.words(),
        change.folder,
        result.job.state,
        day(&result.job.last_day),
        result.verdict.words()
    );
    if change.plan_sha256 != result.plan.sha256 {
        said.push_str(" The two were judged by different states of the plan.");
    }
    let rows = change.rows.iter().map(|row| {
        [
            format!("{}: {}", row.group, row.what),
            shown(row.before, &row.unit),
            shown(row.after, &row.unit),
            words::change(row),
        ]
    });
    Changes {
        title: "Against the earlier job".into(),
        said,
        now: result.job.state.clone(),
        rows: rows.collect(),
    }
}

fn step(step: &StepResult) -> StepRow {
    let capture = step.capture.as_deref();
    let load = match step.load {
        Some(Load::Ohm(ohm)) => format!(", {ohm} Ω"),
        Some(Load::Open) => ", open".into(),
        None => String::new(),
    };
    let mut facts = Vec::new();
    if let Some(capture) = capture {
        facts.push(format!(
            "{} samples at {}",
            capture.samples,
            for_people(capture.sample_rate_hz, Unit::Hertz)
        ));
        facts.extend(capture.power_by.map(|formula| format!("power: {}", formula.words())));
    }
    facts.extend(step.shares.as_ref().map(|host| format!("the capture of step {host}")));
    let flags = capture.iter().flat_map(|capture| &capture.flags);
    let mut doubts: Vec<(String, String)> =
        flags.map(|flag| (flag.code.name().to_owned(), flag.message.clone())).collect();
    let findings = step.findings.iter();
    doubts.extend(findings.map(|one| (one.code.to_string(), one.message.clone())));
    doubts.extend(
        step.set_aside.iter().map(|(file, why)| ("set aside".into(), format!("{file} ({why})"))),
    );
    StepRow {
        id: step.id.clone(),
        kind: format!("{}{load}", step.kind.facts().title),
        state: Mark { words: words::state(step).to_owned(), tone: step.verdict.into() },
        file: capture.map_or("-".into(), |capture| capture.file.clone()),
        facts,
        sha256: capture.map_or(Vec::new(), |c| c.sha256.iter().map(ToString::to_string).collect()),
        taken: capture
            .and_then(|c| c.bench.as_ref()?.taken_at.clone())
            .unwrap_or_else(|| "-".into()),
        doubts,
    }
}
