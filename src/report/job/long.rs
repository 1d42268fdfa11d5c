//! Numbers of many jobs as one long table: a row for each measure of each step.
//!
//! The columns are documented in docs/job.md; a row stands for itself, whatever the jobs beside it.

use super::ReportError;
use crate::result::Part;
use crate::verification::{CaptureOutcome, JobResult, Load, StepResult};
use std::io::Write;

/// Text columns, in order.
const TEXTS: [&str; 13] = [
    "job",
    "unit",
    "serial",
    "inventory",
    "day",
    "state",
    "step",
    "setting",
    "kind",
    "measure",
    "part",
    "what",
    "unit_of_value",
];
/// Number columns, in order.
const NUMBERS: [&str; 8] = [
    "dial",
    "load_ohm",
    "value",
    "standard_uncertainty",
    "expanded_uncertainty",
    "nominal",
    "lower",
    "upper",
];
/// Text columns behind them.
const LAST: [&str; 5] = ["text", "verdict", "reason", "capture_sha256", "program"];

/// A row.
struct Row {
    texts: [String; TEXTS.len()],
    numbers: [Option<f64>; NUMBERS.len()],
    last: [String; LAST.len()],
}

/// The rows of a job: each judged line, then each measure of each capture that was not judged.
fn rows(name: &str, job: &JobResult) -> Vec<Row> {
    let unit = &job.job.unit;
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    let step_of = |id: &Option<String>| job.steps.iter().find(|step| Some(&step.id) == id.as_ref());
    let head = |step: Option<&StepResult>,
                kind: String,
                measure: &str,
                part: &str,
                what: &str,
                of: &str| {
        let step_id = step.map_or(String::new(), |step| step.id.clone());
        let setting = step.and_then(|step| step.setting.clone()).unwrap_or_default();
        let day = step
            .and_then(|step| step.capture.as_ref()?.bench.as_ref()?.taken_at.clone())
            .or_else(|| job.job.last_day.clone());
        [
            name.to_owned(),
            text(&unit.model),
            text(&unit.serial),
            text(&unit.inventory),
            day.unwrap_or_default(),
            job.job.state.clone(),
            step_id,
            setting,
            kind,
            measure.to_owned(),
            part.to_owned(),
            what.to_owned(),
            of.to_owned(),
        ]
    };
    let load = |step: Option<&StepResult>| match step?.load? {
        Load::Ohm(ohm) => Some(ohm),
        Load::Open => None,
    };
    let dial = |step: Option<&StepResult>| step?.dial;
    let hash = |capture: Option<&CaptureOutcome>| {
        let all = capture.map_or(&[] as &[_], |capture| &capture.sha256);
        all.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
    };
    let mut rows = Vec::new();
    for group in &job.groups {
        for line in group.lines.iter().filter(|line| !line.remark) {
            let step = step_of(&line.step);
            let judged = &line.judged;
            let u = judged.expanded_uncertainty.zip(judged.coverage_factor).map(|(u, k)| u / k);
            rows.push(Row {
                texts: head(
                    step,
                    "judged".into(),
                    &line.measure,
                    line.part.map_or("", Part::name),
                    &line.what,
                    &line.unit,
                ),
                numbers: [
                    dial(step),
                    load(step),
                    judged.value,
                    u,
                    judged.expanded_uncertainty,
                    judged.nominal,
                    judged.lower,
                    judged.upper,
                ],
                last: [
                    line.text.clone().unwrap_or_default(),
                    judged.verdict.words().to_owned(),
                    super::words::reasons(judged),
                    hash(step.and_then(|step| step.capture.as_deref())),
                    job.program.clone(),
                ],
            });
        }
    }
    for step in &job.steps {
        let Some(capture) = step.capture.as_deref() else { continue };
        for number in &capture.numbers {
            let estimate = &number.estimate;
            let unit = number.measure.unit().symbol();
            rows.push(Row {
                texts: head(
                    Some(step),
                    "measured".into(),
                    number.measure.key(),
                    number.part.name(),
                    number.measure.title(),
                    unit,
                ),
                numbers: [
                    step.dial,
                    load(Some(step)),
                    Some(estimate.value),
                    estimate.standard_uncertainty,
                    estimate.expanded(),
                    None,
                    None,
                    None,
                ],
                last: [
                    String::new(),
                    String::new(),
                    left_out(estimate),
                    hash(Some(capture)),
                    job.program.clone(),
                ],
            });
        }
    }
    rows
}

/// What the uncertainty of a measure leaves out.
fn left_out(estimate: &crate::estimate::Estimate) -> String {
    if estimate.missing_terms.is_empty() {
        return String::new();
    }
    let least = if estimate.at_least() { "; U is at least that large" } else { "" };
    format!("not included in U: {}{least}", estimate.missing_terms.names(", "))
}

/// Writes the rows of some jobs, each with its name, as comma-separated values.
///
/// # Errors
/// Where they can't be written.
pub fn csv<'a>(
    jobs: impl IntoIterator<Item = (&'a str, &'a JobResult)>,
    out: impl Write,
) -> Result<(), ReportError> {
    let fail = |error: csv::Error| ReportError(error.to_string());
    let mut out = csv::Writer::from_writer(out);
    out.write_record(TEXTS.iter().chain(&NUMBERS).chain(&LAST)).map_err(fail)?;
    for (name, job) in jobs {
        for row in rows(name, job) {
            let numbers = row.numbers.iter().map(|x| x.map_or(String::new(), |x| x.to_string()));
            let texts = row.texts.iter().map(|text| super::csv::quoted(text));
            let last = row.last.iter().map(|text| super::csv::quoted(text));
            out.write_record(texts.chain(numbers).chain(last)).map_err(fail)?;
        }
    }
    out.flush().map_err(|error| ReportError(error.to_string()))
}

/// The same as Parquet, a row group for each job.
///
/// # Errors
/// Where it can't be written.
#[cfg(feature = "parquet")]
pub fn parquet<'a>(
    jobs: impl IntoIterator<Item = (&'a str, &'a JobResult)>,
    out: impl Write + Send,
) -> Result<(), ReportError> {
    columns(jobs, out).map_err(|error| ReportError(error.to_string()))
}

#[cfg(feature = "parquet")]
fn columns<'a>(
    jobs: impl IntoIterator<Item = (&'a str, &'a JobResult)>,
    out: impl Write + Send,
) -> Result<(), ::parquet::errors::ParquetError> {
    use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical, ZstdLevel};
    use ::parquet::data_type::{ByteArray, ByteArrayType, DoubleType};
    use ::parquet::file::properties::WriterProperties;
    use ::parquet::file::writer::SerializedFileWriter;
    use ::parquet::schema::types::Type;
    use std::sync::Arc;
    let text = |name: &&str| {
        Type::primitive_type_builder(name, Physical::BYTE_ARRAY)
            .with_logical_type(Some(LogicalType::String))
            .with_repetition(Repetition::REQUIRED)
            .build()
            .map(Arc::new)
    };
    let number = |name: &&str| {
        Type::primitive_type_builder(name, Physical::DOUBLE)
            .with_repetition(Repetition::OPTIONAL)
            .build()
            .map(Arc::new)
    };
    let fields =
        TEXTS.iter().map(text).chain(NUMBERS.iter().map(number)).chain(LAST.iter().map(text));
    let fields = fields.collect::<Result<Vec<_>, _>>()?;
    let schema = Type::group_type_builder("numbers").with_fields(fields).build()?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .build();
    let mut out = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))?;
    for (name, job) in jobs {
        let rows = rows(name, job);
        let mut group = out.next_row_group()?;
        let texts = |of: &dyn Fn(&Row) -> &String| -> Vec<ByteArray> {
            rows.iter().map(|row| ByteArray::from(of(row).as_str())).collect()
        };
        let mut column = 0;
        while let Some(mut writer) = group.next_column()? {
            let behind = column >= TEXTS.len() + NUMBERS.len();
            if (TEXTS.len()..TEXTS.len() + NUMBERS.len()).contains(&column) {
                let of = |row: &Row| row.numbers[column - TEXTS.len()];
                let values: Vec<f64> = rows.iter().filter_map(of).collect();
                let levels: Vec<i16> =
                    rows.iter().map(|row| i16::from(of(row).is_some())).collect();
                writer.typed::<DoubleType>().write_batch(&values, Some(&levels), None)?;
            } else {
                let values = match behind {
                    true => texts(&|row| &row.last[column - TEXTS.len() - NUMBERS.len()]),
                    false => texts(&|row| &row.texts[column]),
                };
                writer.typed::<ByteArrayType>().write_batch(&values, None, None)?;
            }
            writer.close()?;
            column += 1;
        }
        group.close()?;
    }
    out.close().map(|_| ())
}
