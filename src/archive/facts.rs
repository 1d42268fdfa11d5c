//! What a result can be found by, and its values as they are kept for trends.

use super::store::Value as Column;
use crate::check::{CheckResult, Judged, Verdict, concerns};
use crate::digest::Sha256;
use crate::estimate::Estimate;
use crate::flag::Flag;
use crate::measures::Measure;
use crate::result::{Form, Measurement, Part};
use crate::units::day_of;
use crate::verification::{JobResult, Line, Load, StepResult};
use serde::Serialize;

/// What a result can be found by; a text that is empty is not known.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Facts {
    /// Form of the result.
    pub form: Form,
    /// Model of the unit.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// Its inventory number.
    pub inventory: String,
    /// `as found` or `as left`.
    pub state: String,
    /// Day of the last capture or reading.
    pub day: String,
    /// The worst verdict; none of a measurement without limits.
    pub verdict: Option<Verdict>,
    /// Number of the report.
    pub report: String,
    /// Where it was measured.
    pub place: String,
    /// Department of the unit.
    pub department: String,
    /// Day on which the next verification is due.
    pub next_due: String,
    /// Who, by role.
    pub people: Vec<(String, String)>,
    /// Settings and the unit's own labels of them, in small letters.
    pub modes: Vec<String>,
    /// All words by which it is found.
    pub text: String,
}

/// What a row of values is of.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Series {
    /// Model of the unit.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// Setting, or entry of the plan where it is of none.
    pub setting: String,
    /// Number on the dial.
    pub dial: Option<f64>,
    /// Load in ohm, `open`, or nothing where none is stated.
    pub load: String,
    /// Key of the measure.
    pub measure: String,
    /// Part of the record.
    pub part: String,
    /// Unit.
    pub unit: String,
}

/// Columns of the table of series behind their numbers.
pub(super) const SERIES_COLUMNS: &str = "model, serial, setting, dial, load, measure, part, unit";

impl Series {
    /// Reads such a row; `None` where it holds what this program does not write.
    pub(super) fn of_row(row: &[Column]) -> Option<Self> {
        let [model, serial, setting, dial, load, measure, part, unit] = row else { return None };
        let text = |column: &Column| column.text().map(str::to_owned);
        Some(Self {
            model: text(model)?,
            serial: text(serial)?,
            setting: text(setting)?,
            dial: dial.real(),
            load: text(load)?,
            measure: text(measure)?,
            part: text(part)?,
            unit: text(unit)?,
        })
    }

    /// Its number: the first 63 bits of a SHA-256 of all that it is of.
    ///
    /// # Errors
    /// Never for what a result holds: where it can't be written as JSON.
    pub(super) fn id(&self) -> Result<i64, serde_json::Error> {
        let hash = Sha256::of_json(self)?;
        let mut first = [0; 8];
        first.copy_from_slice(&hash.bytes()[..8]);
        Ok((u64::from_be_bytes(first) >> 1).cast_signed())
    }
}

/// A value as it is kept for trends.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Day of the result it is of.
    pub day: String,
    /// `as found` or `as left`.
    pub state: String,
    /// The value.
    pub value: f64,
    /// Expanded uncertainty at 95 %, where it is known.
    pub expanded: Option<f64>,
    /// Whether that is only the least it can be.
    pub at_least: bool,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// Verdict, where it was judged.
    pub verdict: Option<Verdict>,
    /// Codes of what puts it in doubt.
    pub doubts: String,
}

/// Facts and values of a result.
#[derive(Clone, Debug, PartialEq)]
pub struct Extract {
    /// What it can be found by.
    pub facts: Facts,
    /// Its values.
    pub values: Vec<(Series, Point)>,
}

/// What is hashed of an [`Extract`]: the numbers of the series stand for them.
pub(super) fn hash(facts: &Facts, values: &[(i64, Point)]) -> Result<Sha256, serde_json::Error> {
    Sha256::of_json(&(facts, values))
}

fn known(text: &Option<String>) -> String {
    text.as_deref().unwrap_or_default().trim().to_owned()
}

/// The day of a date or time; nothing where it is none.
fn day(text: &Option<String>) -> String {
    text.as_deref().and_then(day_of).map_or(String::new(), |day| day.to_string())
}

/// A zero has no sign in a database.
fn plain(value: f64) -> f64 {
    value + 0.0
}

fn load(load: Option<Load>, ohm: Option<f64>) -> String {
    match (load, ohm) {
        (Some(Load::Open), _) => "open".into(),
        (Some(Load::Ohm(ohm)), _) | (None, Some(ohm)) => ohm.to_string(),
        (None, None) => String::new(),
    }
}

fn words<'a>(parts: impl IntoIterator<Item = &'a str>) -> String {
    let mut all: Vec<&str> = Vec::new();
    for part in parts {
        if !part.is_empty() && !all.contains(&part) {
            all.push(part);
        }
    }
    all.join("\n")
}

impl Point {
    fn with(mut self, judged: &Judged) -> Self {
        (self.lower, self.upper) = (judged.lower.map(plain), judged.upper.map(plain));
        self.verdict = Some(judged.verdict);
        let codes: Vec<&str> = judged.in_doubt.iter().map(|code| code.name()).collect();
        if self.doubts.is_empty() {
            self.doubts = codes.join(" ");
        }
        self
    }

    fn of(facts: &Facts, value: f64) -> Self {
        Self {
            day: facts.day.clone(),
            state: facts.state.clone(),
            value: plain(value),
            expanded: None,
            at_least: false,
            lower: None,
            upper: None,
            verdict: None,
            doubts: String::new(),
        }
    }

    fn measured(
        facts: &Facts,
        measure: Measure,
        part: Part,
        estimate: &Estimate,
        flags: &[Flag],
    ) -> Self {
        let doubts = flags.iter().filter(|flag| concerns(flag, measure, part));
        let doubts: Vec<&str> = doubts.map(|flag| flag.code.name()).collect();
        Self {
            expanded: estimate.expanded(),
            at_least: estimate.at_least(),
            doubts: doubts.join(" "),
            ..Self::of(facts, estimate.value)
        }
    }
}

/// Facts and values of the result of a job.
#[must_use]
pub(super) fn of_job(job: &JobResult) -> Extract {
    let of = &job.job;
    let mut people: Vec<(String, String)> =
        of.people.iter().map(|person| (person.role.clone(), person.name.clone())).collect();
    people.extend(of.bench.operator.iter().map(|name| ("operator".to_owned(), name.clone())));
    people.sort();
    people.dedup();
    let labels =
        job.plan.settings.iter().flat_map(|setting| setting.mode.iter().chain([&setting.id]));
    let mut modes: Vec<String> = labels.map(|label| label.to_lowercase()).collect();
    modes.sort();
    modes.dedup();
    let lines =
        || job.groups.iter().flat_map(|group| group.lines.iter().map(move |line| (group, line)));
    let not_pass = lines().filter(|(_, line)| !line.remark && line.judged.verdict != Verdict::Pass);
    let (model, serial) = (known(&of.unit.model), known(&of.unit.serial));
    let optional = [
        &of.unit.model,
        &of.unit.serial,
        &of.unit.inventory,
        &of.reason,
        &of.report.number,
        &of.report.laboratory,
        &of.report.department,
        &of.report.customer,
        &of.bench.place,
        &of.report.condition,
    ];
    let text = words(
        optional
            .into_iter()
            .flatten()
            .map(String::as_str)
            .chain([of.state.as_str()])
            .chain(people.iter().flat_map(|(role, name)| [role.as_str(), name]))
            .chain(modes.iter().map(String::as_str))
            .chain(not_pass.map(|(_, line)| line.what.as_str()))
            .chain(job.findings.iter().map(|finding| finding.message.as_str())),
    );
    let facts = Facts {
        form: job.schema,
        model,
        serial,
        inventory: known(&of.unit.inventory),
        state: of.state.clone(),
        day: day(&of.last_day.clone().or_else(|| of.first_day.clone())),
        verdict: Some(job.verdict),
        report: known(&of.report.number),
        place: known(&of.bench.place),
        department: known(&of.report.department),
        next_due: day(&of.next_due),
        people,
        modes,
        text,
    };
    let series = |step: Option<&StepResult>,
                  group: &str,
                  measure: &str,
                  part: Option<Part>,
                  unit: &str| Series {
        model: facts.model.clone(),
        serial: facts.serial.clone(),
        setting: step.and_then(|step| step.setting.clone()).unwrap_or_else(|| group.to_owned()),
        dial: step.and_then(|step| step.dial),
        load: step.map_or(String::new(), |step| {
            load(step.load, step.capture.as_ref().and_then(|capture| capture.load_ohm))
        }),
        measure: measure.to_owned(),
        part: part.map_or(String::new(), |part| part.name().to_owned()),
        unit: unit.to_owned(),
    };
    let mut values = Vec::new();
    let judged_of = |step: &str, measure: Measure, part: Part| {
        let of = |line: &&Line| {
            line.step.as_deref() == Some(step)
                && line.measure == measure.key()
                && line.part == Some(part)
        };
        lines().map(|(_, line)| line).filter(of).max_by_key(|line| line.judged.verdict)
    };
    for step in &job.steps {
        // A capture that several steps share counts once.
        let Some(capture) = step.capture.as_deref().filter(|_| step.shares.is_none()) else {
            continue;
        };
        // What blocks the verdicts of a step, such as a capture of another unit, doubts all its numbers.
        let blocked =
            step.findings.iter().chain(&capture.findings).filter(|finding| finding.blocks());
        let blocked: Vec<&str> = blocked.map(|finding| finding.code.name()).collect();
        for number in &capture.numbers {
            let (measure, part) = (number.measure, number.part);
            let mut point =
                Point::measured(&facts, measure, part, &number.estimate, &capture.flags);
            if !blocked.is_empty() && point.doubts.is_empty() {
                point.doubts = blocked.join(" ");
            }
            let judged = judged_of(&step.id, measure, part);
            values.push((
                series(Some(step), &step.group, measure.key(), Some(part), measure.unit().symbol()),
                match judged {
                    Some(line) => point.with(&line.judged),
                    None => point,
                },
            ));
        }
    }
    let step_of = |id: &Option<String>| job.steps.iter().find(|step| Some(&step.id) == id.as_ref());
    for (group, line) in lines() {
        let step = step_of(&line.step);
        // Those of a capture's own measures stand above.
        let told = step.and_then(|step| step.capture.as_ref()).is_some_and(|capture| {
            capture
                .numbers
                .iter()
                .any(|n| n.measure.key() == line.measure && Some(n.part) == line.part)
        });
        let Some(value) = line.judged.value.filter(|_| !told && !line.remark) else { continue };
        let point = Point {
            expanded: line.judged.expanded_uncertainty,
            at_least: line.judged.at_least,
            ..Point::of(&facts, value)
        };
        let of = series(step, &group.id, &line.measure, line.part, &line.unit);
        values.push((of, point.with(&line.judged)));
    }
    Extract { facts, values }
}

/// Facts and values of a measurement, with the limits it was checked against where it was.
fn of_one(form: Form, result: &Measurement, check: Option<&CheckResult>) -> Extract {
    let (subject, bench) = (result.capture.subject.clone(), result.capture.bench.clone());
    let (subject, bench) = (subject.unwrap_or_default(), bench.unwrap_or_default());
    let setting = check.map(|check| check.setting.clone()).or_else(|| subject.setting.clone());
    let people: Vec<_> =
        bench.operator.iter().map(|name| ("operator".to_owned(), name.clone())).collect();
    let findings = check.map_or(&[] as &[_], |check| &check.findings);
    let optional = [&subject.model, &subject.serial, &setting, &bench.place, &bench.operator];
    let facts = Facts {
        form,
        model: known(&subject.model),
        serial: known(&subject.serial),
        inventory: String::new(),
        state: String::new(),
        day: day(&bench.taken_at),
        verdict: check.map(|check| check.verdict),
        report: String::new(),
        place: known(&bench.place),
        department: String::new(),
        next_due: String::new(),
        people,
        modes: setting.iter().map(|setting| setting.to_lowercase()).collect(),
        text: words(
            optional
                .into_iter()
                .flatten()
                .map(String::as_str)
                .chain([result.capture.file.as_str()])
                .chain(findings.iter().map(|finding| finding.message.as_str())),
        ),
    };
    let mut values = Vec::new();
    for part in [Part::Whole, Part::Cut, Part::Coag, Part::Rest, Part::Cycle] {
        let Ok(set) = result.part(part) else { continue };
        for (measure, estimate) in set.iter() {
            let point = Point::measured(&facts, measure, part, estimate, &result.flags);
            let limits = check.map_or(&[] as &[_], |check| &check.limits);
            let limit = limits.iter().find(|limit| limit.measure == measure && limit.part == part);
            let series = Series {
                model: facts.model.clone(),
                serial: facts.serial.clone(),
                setting: setting.clone().unwrap_or_default(),
                dial: None,
                load: load(None, result.capture.load_ohm),
                measure: measure.key().to_owned(),
                part: part.name().to_owned(),
                unit: measure.unit().symbol().to_owned(),
            };
            values.push((
                series,
                match limit {
                    Some(limit) => point.with(&limit.judged),
                    None => point,
                },
            ));
        }
    }
    Extract { facts, values }
}

/// Facts and values of a measurement.
#[must_use]
pub(super) fn of_measurement(result: &Measurement) -> Extract {
    of_one(Form::Measurement, result, None)
}

/// Facts and values of a check.
#[must_use]
pub(super) fn of_check(check: &CheckResult) -> Extract {
    of_one(Form::Check, &check.measurement, Some(check))
}

/// The word under which a verdict is kept.
pub(super) fn verdict_word(verdict: Option<Verdict>) -> &'static str {
    verdict.map_or("", Verdict::words)
}

/// The verdict of such a word; `None` where it is no verdict at all.
pub(super) fn verdict_of(word: &str) -> Option<Option<Verdict>> {
    if word.is_empty() { Some(None) } else { Verdict::parse(word).map(Some) }
}

/// Columns of the table of values behind number and place.
pub(super) const VALUE_COLUMNS: &str =
    "series, day, state, value, expanded, at_least, lower, upper, verdict, doubts";

/// A row of these columns.
pub(super) fn value_row(series: i64, point: &Point) -> [Column; 10] {
    [
        series.into(),
        (&point.day).into(),
        (&point.state).into(),
        point.value.into(),
        point.expanded.into(),
        i64::from(point.at_least).into(),
        point.lower.into(),
        point.upper.into(),
        verdict_word(point.verdict).into(),
        (&point.doubts).into(),
    ]
}

/// Reads such a row; `None` where it holds what this program does not write.
pub(super) fn value_of(row: &[Column]) -> Option<(i64, Point)> {
    let [series, day, state, value, expanded, at_least, lower, upper, verdict, doubts] = row else {
        return None;
    };
    let optional = |column: &Column| match column {
        Column::Null => Some(None),
        other => other.real().map(Some),
    };
    let point = Point {
        day: day.text()?.to_owned(),
        state: state.text()?.to_owned(),
        value: value.real()?,
        expanded: optional(expanded)?,
        at_least: match at_least.int()? {
            0 => false,
            1 => true,
            _ => return None,
        },
        lower: optional(lower)?,
        upper: optional(upper)?,
        verdict: verdict_of(verdict.text()?)?,
        doubts: doubts.text()?.to_owned(),
    };
    Some((series.int()?, point))
}

/// Columns of the table of results behind number and hash.
pub(super) const FACT_COLUMNS: &str = "form, model, serial, inventory, state, day, verdict, report, place, \
                                       department, next_due, replaces, text";

/// A row of these columns.
pub(super) fn fact_row(facts: &Facts, replaces: Option<u64>) -> [Column; 13] {
    [
        facts.form.to_string().as_str().into(),
        (&facts.model).into(),
        (&facts.serial).into(),
        (&facts.inventory).into(),
        (&facts.state).into(),
        (&facts.day).into(),
        verdict_word(facts.verdict).into(),
        (&facts.report).into(),
        (&facts.place).into(),
        (&facts.department).into(),
        (&facts.next_due).into(),
        replaces.into(),
        (&facts.text).into(),
    ]
}

/// Reads such a row, but for people and modes, which have tables of their own.
pub(super) fn facts_of(row: &[Column]) -> Option<(Facts, Option<u64>)> {
    let [form, texts @ .., replaces, text] = row else { return None };
    let [model, serial, inventory, state, day, verdict, report, place, department, next_due] =
        texts
    else {
        return None;
    };
    let own = |column: &Column| column.text().map(str::to_owned);
    let facts = Facts {
        form: serde_json::from_value(form.text()?.into()).ok()?,
        model: own(model)?,
        serial: own(serial)?,
        inventory: own(inventory)?,
        state: own(state)?,
        day: own(day)?,
        verdict: verdict_of(verdict.text()?)?,
        report: own(report)?,
        place: own(place)?,
        department: own(department)?,
        next_due: own(next_due)?,
        people: Vec::new(),
        modes: Vec::new(),
        text: own(text)?,
    };
    let replaces = match replaces {
        Column::Null => None,
        other => Some(other.count()?),
    };
    Some((facts, replaces))
}
