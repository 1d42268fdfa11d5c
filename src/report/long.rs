//! Numbers of jobs and of captures as one long table: a row for each value, each reason why there is
//! none, each doubt, and each fault.
//!
//! The columns are documented in docs/job.md; a row stands for itself, whatever the others beside it.

use super::job::{ReportError, quoted, reasons};
use crate::check::{CheckResult, Finding, Judged, concerns};
use crate::digest::Sha256;
use crate::estimate::Estimate;
use crate::explain::{ErrorCode, Explain};
use crate::flag::Flag;
use crate::measures::{Measure, Reason};
use crate::result::{Measurement, Part};
use crate::verification::{CaptureOutcome, JobResult, Load, StepResult};
use std::io::Write;

/// What a row tells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RowKind {
    /// A value held against its limits.
    Judged,
    /// A value of a capture.
    #[default]
    Measured,
    /// Why a value of a capture can't be had.
    Missing,
    /// What is in doubt about a capture.
    Flag,
    /// What is not as it should be with a capture or a job.
    Finding,
    /// Why a capture can't be measured at all.
    Error,
}

impl RowKind {
    /// The word used in the table.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Judged => "judged",
            Self::Measured => "measured",
            Self::Missing => "missing",
            Self::Flag => "flag",
            Self::Finding => "finding",
            Self::Error => "error",
        }
    }
}

/// One row; a text that is empty and a number that is `None` are not known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// What it tells.
    pub kind: RowKind,
    job: String,
    model: String,
    serial: String,
    inventory: String,
    day: String,
    state: String,
    step: String,
    setting: String,
    measure: String,
    part: String,
    what: String,
    unit: String,
    dial: Option<f64>,
    load_ohm: Option<f64>,
    value: Option<f64>,
    standard_uncertainty: Option<f64>,
    expanded_uncertainty: Option<f64>,
    coverage_factor: Option<f64>,
    degrees_of_freedom: Option<f64>,
    nominal: Option<f64>,
    lower: Option<f64>,
    upper: Option<f64>,
    text: String,
    verdict: String,
    reason: String,
    flags: String,
    capture: String,
    record: Option<f64>,
    capture_sha256: String,
    key: String,
    program: String,
}

/// How a column is had from a row.
#[derive(Clone, Copy, Debug)]
pub enum Cell {
    /// A text.
    Text(fn(&Row) -> &str),
    /// A number.
    Number(fn(&Row) -> Option<f64>),
}

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What stands in it.
    pub cell: Cell,
}

const fn text(name: &'static str, of: fn(&Row) -> &str) -> Column {
    Column { name, cell: Cell::Text(of) }
}

const fn number(name: &'static str, of: fn(&Row) -> Option<f64>) -> Column {
    Column { name, cell: Cell::Number(of) }
}

/// All columns, in order.
pub const COLUMNS: &[Column] = &[
    text("job", |row| &row.job),
    text("unit", |row| &row.model),
    text("serial", |row| &row.serial),
    text("inventory", |row| &row.inventory),
    text("day", |row| &row.day),
    text("state", |row| &row.state),
    text("step", |row| &row.step),
    text("setting", |row| &row.setting),
    text("kind", |row| row.kind.name()),
    text("measure", |row| &row.measure),
    text("part", |row| &row.part),
    text("what", |row| &row.what),
    text("unit_of_value", |row| &row.unit),
    number("dial", |row| row.dial),
    number("load_ohm", |row| row.load_ohm),
    number("value", |row| row.value),
    number("standard_uncertainty", |row| row.standard_uncertainty),
    number("expanded_uncertainty", |row| row.expanded_uncertainty),
    number("coverage_factor", |row| row.coverage_factor),
    number("degrees_of_freedom", |row| row.degrees_of_freedom),
    number("nominal", |row| row.nominal),
    number("lower", |row| row.lower),
    number("upper", |row| row.upper),
    text("text", |row| &row.text),
    text("verdict", |row| &row.verdict),
    text("reason", |row| &row.reason),
    text("flags", |row| &row.flags),
    text("capture", |row| &row.capture),
    number("record", |row| row.record),
    text("capture_sha256", |row| &row.capture_sha256),
    text("key", |row| &row.key),
    text("program", |row| &row.program),
];

impl Row {
    fn with_estimate(mut self, estimate: &Estimate) -> Self {
        self.value = Some(estimate.value);
        self.standard_uncertainty = estimate.standard_uncertainty;
        if let Some(coverage) = estimate.coverage {
            self.expanded_uncertainty = Some(coverage.expanded_uncertainty);
            self.coverage_factor = Some(coverage.coverage_factor);
            self.degrees_of_freedom = coverage.degrees_of_freedom;
        }
        self.reason = left_out(estimate);
        self
    }

    fn with_judged(mut self, judged: &Judged) -> Self {
        self.value = judged.value;
        self.standard_uncertainty =
            judged.expanded_uncertainty.zip(judged.coverage_factor).map(|(u, k)| u / k);
        self.expanded_uncertainty = judged.expanded_uncertainty;
        self.coverage_factor = judged.coverage_factor;
        (self.nominal, self.lower, self.upper) = (judged.nominal, judged.lower, judged.upper);
        self.verdict = judged.verdict.words().to_owned();
        self.reason = reasons(judged);
        self.flags = codes(judged.in_doubt.iter().map(|code| code.name()));
        self
    }

    /// The measure in its part, and the flags that put it in doubt.
    fn about(mut self, measure: Measure, part: Part, flags: &[Flag]) -> Self {
        measure.key().clone_into(&mut self.measure);
        part.name().clone_into(&mut self.part);
        measure.title().clone_into(&mut self.what);
        measure.unit().symbol().clone_into(&mut self.unit);
        let doubts = flags.iter().filter(|flag| concerns(flag, measure, part));
        self.flags = codes(doubts.map(|flag| flag.code.name()));
        self
    }

    fn measured(self, measure: Measure, part: Part, estimate: &Estimate, flags: &[Flag]) -> Self {
        Self { kind: RowKind::Measured, ..self.about(measure, part, flags) }.with_estimate(estimate)
    }

    /// Why a measure, or all of a part, can't be had.
    fn missing(self, measure: Option<Measure>, part: Part, reason: &Reason) -> Self {
        let row = match measure {
            Some(measure) => self.about(measure, part, &[]),
            None => Self { part: part.name().into(), what: "all measures".into(), ..self },
        };
        Self { kind: RowKind::Missing, reason: reason.to_string(), ..row }
    }

    fn flag(self, flag: &Flag) -> Self {
        Self {
            kind: RowKind::Flag,
            part: codes(flag.kinds.iter().map(|kind| kind.name())),
            what: flag.code.name().to_owned(),
            flags: flag.code.name().to_owned(),
            reason: flag.message.clone(),
            ..self
        }
    }

    fn finding(self, finding: &Finding) -> Self {
        Self {
            kind: RowKind::Finding,
            what: finding.code.name().to_owned(),
            verdict: finding.at_best.map_or(String::new(), |verdict| verdict.words().to_owned()),
            reason: finding.message.clone(),
            ..self
        }
    }
}

/// Codes in one cell.
fn codes<'a>(all: impl Iterator<Item = &'a str>) -> String {
    all.collect::<Vec<_>>().join(" ")
}

/// What the uncertainty of a measure leaves out.
fn left_out(estimate: &Estimate) -> String {
    if estimate.missing_terms.is_empty() {
        return String::new();
    }
    let least = if estimate.at_least() { "; U is at least that large" } else { "" };
    format!("not included in U: {}{least}", estimate.missing_terms.names(", "))
}

/// The rows of a job: each judged line, then all that each capture gave, then what is wrong with the
/// job as a whole.
#[must_use]
pub fn of_job(name: &str, job: &JobResult) -> Vec<Row> {
    let unit = &job.job.unit;
    let known = |value: &Option<String>| value.clone().unwrap_or_default();
    let hash = |capture: Option<&CaptureOutcome>| {
        let all = capture.map_or(&[] as &[_], |capture| &capture.sha256);
        all.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
    };
    let base = |step: Option<&StepResult>| {
        let capture = step.and_then(|step| step.capture.as_deref());
        let taken = capture.and_then(|capture| capture.bench.as_ref()?.taken_at.clone());
        Row {
            job: name.to_owned(),
            model: known(&unit.model),
            serial: known(&unit.serial),
            inventory: known(&unit.inventory),
            day: taken.or_else(|| job.job.last_day.clone()).unwrap_or_default(),
            state: job.job.state.clone(),
            step: step.map_or(String::new(), |step| step.id.clone()),
            setting: step.and_then(|step| step.setting.clone()).unwrap_or_default(),
            dial: step.and_then(|step| step.dial),
            load_ohm: match step.and_then(|step| step.load) {
                Some(Load::Ohm(ohm)) => Some(ohm),
                Some(Load::Open) | None => None,
            },
            capture: capture.map_or(String::new(), |capture| capture.file.clone()),
            capture_sha256: hash(capture),
            program: job.program.clone(),
            ..Row::default()
        }
    };
    let step_of = |id: &Option<String>| job.steps.iter().find(|step| Some(&step.id) == id.as_ref());
    let mut rows = Vec::new();
    for line in job.groups.iter().flat_map(|group| &group.lines).filter(|line| !line.remark) {
        let row = Row {
            kind: RowKind::Judged,
            measure: line.measure.clone(),
            part: line.part.map_or(String::new(), |part| part.name().to_owned()),
            what: line.what.clone(),
            unit: line.unit.clone(),
            text: line.text.clone().unwrap_or_default(),
            ..base(step_of(&line.step))
        };
        rows.push(row.with_judged(&line.judged));
    }
    for step in &job.steps {
        let Some(capture) = step.capture.as_deref() else { continue };
        let base = base(Some(step));
        let flags = &capture.flags;
        rows.extend(capture.numbers.iter().map(|number| {
            base.clone().measured(number.measure, number.part, &number.estimate, flags)
        }));
        rows.extend(
            capture
                .missing
                .iter()
                .map(|one| base.clone().missing(one.measure, one.part, &one.reason)),
        );
        rows.extend(flags.iter().map(|flag| base.clone().flag(flag)));
        rows.extend(capture.findings.iter().map(|finding| base.clone().finding(finding)));
    }
    rows.extend(job.findings.iter().map(|finding| base(None).finding(finding)));
    rows
}

/// Where rows of a capture outside of a job come from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Origin {
    /// Its path or address.
    pub capture: String,
    /// SHA-256 of its bytes, where they could be read.
    pub sha256: Option<Sha256>,
    /// What the result hangs on, as one text; empty where nobody asks for it.
    pub key: String,
    /// Step of a job that its sheet names.
    pub step: Option<String>,
    /// Number on the dial that its sheet names.
    pub dial: Option<f64>,
}

impl Origin {
    fn row(&self) -> Row {
        Row {
            capture: self.capture.clone(),
            capture_sha256: self.sha256.map_or(String::new(), |hash| hash.to_string()),
            key: self.key.clone(),
            step: self.step.clone().unwrap_or_default(),
            dial: self.dial,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            ..Row::default()
        }
    }
}

/// The rows of a measured capture.
#[must_use]
pub fn of_measurement(origin: &Origin, measurement: &Measurement) -> Vec<Row> {
    let facts = &measurement.capture;
    let subject = facts.subject.clone().unwrap_or_default();
    let known = Option::unwrap_or_default;
    let base = Row {
        model: known(subject.model),
        serial: known(subject.serial),
        setting: known(subject.setting),
        day: known(facts.bench.as_ref().and_then(|bench| bench.taken_at.clone())),
        load_ohm: facts.load_ohm,
        record: facts.record.map(|record| record.number as f64),
        ..origin.row()
    };
    let flags = &measurement.flags;
    let mut rows = Vec::new();
    for part in [Part::Whole, Part::Cut, Part::Coag, Part::Rest, Part::Cycle] {
        match measurement.part(part) {
            Err(reason) => rows.push(base.clone().missing(None, part, &reason)),
            Ok(set) => {
                let had = set.iter();
                rows.extend(
                    had.map(|(measure, one)| base.clone().measured(measure, part, one, flags)),
                );
                let missing = set.missing();
                rows.extend(
                    missing.map(|(measure, why)| base.clone().missing(Some(measure), part, why)),
                );
            }
        }
    }
    rows.extend(flags.iter().map(|flag| base.clone().flag(flag)));
    rows
}

/// The rows of a capture that was held against a setting: each limit first.
#[must_use]
pub fn of_check(origin: &Origin, check: &CheckResult) -> Vec<Row> {
    let measured = of_measurement(origin, &check.measurement);
    let base =
        Row { setting: check.setting.clone(), ..measured.first().cloned().unwrap_or_default() };
    let base = Row {
        kind: RowKind::Judged,
        measure: String::new(),
        part: String::new(),
        what: String::new(),
        unit: String::new(),
        reason: String::new(),
        flags: String::new(),
        value: None,
        standard_uncertainty: None,
        expanded_uncertainty: None,
        coverage_factor: None,
        degrees_of_freedom: None,
        ..base
    };
    let judged = check
        .limits
        .iter()
        .map(|limit| base.clone().about(limit.measure, limit.part, &[]).with_judged(&limit.judged));
    let mut rows: Vec<Row> = judged.collect();
    rows.extend(check.findings.iter().map(|finding| base.clone().finding(finding)));
    rows.extend(measured);
    rows
}

/// The row of a capture that can't be measured.
#[must_use]
pub fn of_error(origin: &Origin, error: &dyn Explain) -> Row {
    of_fault(origin, error.code(), error.with_help())
}

/// The same of a fault that is known by its code and words.
#[must_use]
pub fn of_fault(origin: &Origin, code: ErrorCode, message: String) -> Row {
    Row { kind: RowKind::Error, what: code.name().to_owned(), reason: message, ..origin.row() }
}

/// Writes rows as comma-separated values.
///
/// # Errors
/// Where they can't be written.
pub fn csv<'a>(
    rows: impl IntoIterator<Item = &'a Row>,
    header: bool,
    out: impl Write,
) -> Result<(), ReportError> {
    let fail = |error: csv::Error| ReportError(error.to_string());
    let mut out = csv::Writer::from_writer(out);
    if header {
        out.write_record(COLUMNS.iter().map(|column| column.name)).map_err(fail)?;
    }
    for row in rows {
        let cells = COLUMNS.iter().map(|column| match column.cell {
            Cell::Text(of) => quoted(of(row)),
            Cell::Number(of) => of(row).map_or(String::new(), |x| x.to_string()),
        });
        out.write_record(cells).map_err(fail)?;
    }
    out.flush().map_err(|error| ReportError(error.to_string()))
}

/// Writes groups of rows as Parquet, a row group for each.
///
/// # Errors
/// Where it can't be written.
#[cfg(feature = "parquet")]
pub fn parquet(
    groups: impl IntoIterator<Item = Vec<Row>>,
    out: impl Write + Send,
) -> Result<(), ReportError> {
    write(groups, out).map_err(|error| ReportError(error.to_string()))
}

#[cfg(feature = "parquet")]
fn write(
    groups: impl IntoIterator<Item = Vec<Row>>,
    out: impl Write + Send,
) -> Result<(), ::parquet::errors::ParquetError> {
    use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical, ZstdLevel};
    use ::parquet::data_type::{ByteArray, ByteArrayType, DoubleType};
    use ::parquet::file::properties::WriterProperties;
    use ::parquet::file::writer::SerializedFileWriter;
    use ::parquet::schema::types::Type;
    use std::sync::Arc;
    let field = |column: &Column| {
        match column.cell {
            Cell::Text(_) => Type::primitive_type_builder(column.name, Physical::BYTE_ARRAY)
                .with_logical_type(Some(LogicalType::String))
                .with_repetition(Repetition::REQUIRED),
            Cell::Number(_) => Type::primitive_type_builder(column.name, Physical::DOUBLE)
                .with_repetition(Repetition::OPTIONAL),
        }
        .build()
        .map(Arc::new)
    };
    let fields = COLUMNS.iter().map(field).collect::<Result<Vec<_>, _>>()?;
    let schema = Type::group_type_builder("numbers").with_fields(fields).build()?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .build();
    let mut out = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))?;
    for rows in groups {
        let mut group = out.next_row_group()?;
        for column in COLUMNS {
            let Some(mut writer) = group.next_column()? else { break };
            match column.cell {
                Cell::Text(of) => {
                    let texts: Vec<_> = rows.iter().map(|row| ByteArray::from(of(row))).collect();
                    writer.typed::<ByteArrayType>().write_batch(&texts, None, None)?;
                }
                Cell::Number(of) => {
                    let numbers: Vec<f64> = rows.iter().filter_map(of).collect();
                    let there: Vec<i16> =
                        rows.iter().map(|row| i16::from(of(row).is_some())).collect();
                    writer.typed::<DoubleType>().write_batch(&numbers, Some(&there), None)?;
                }
            }
            writer.close()?;
        }
        group.close()?;
    }
    out.close().map(|_| ())
}
