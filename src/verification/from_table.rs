//! A plan from a table of expected values, as a spreadsheet or the papers of a unit have it.
//!
//! Each row is one operating point. The first row of a setting gives the setting and its limits; further
//! rows at the same dial and other loads make its curve, rows at the same load and other dials its
//! ladder; rows with the load `open` its open-circuit peaks.

use crate::keyfile::{KeyfileError, nearest};
use std::collections::BTreeMap;
use std::path::Path;

/// Columns that a table may have; `setting` is needed, and `power_w` or `peak_v` in each row.
const COLUMNS: [&str; 11] = [
    "setting",
    "mode",
    "dial",
    "load_ohm",
    "output",
    "power_w",
    "peak_v",
    "tolerance",
    "crest_factor_min",
    "crest_factor_max",
    "fundamental_hz",
];

/// One row.
#[derive(Clone, Debug)]
struct Point {
    line: usize,
    setting: String,
    mode: String,
    output: String,
    tolerance: String,
    dial: Option<f64>,
    /// `None`: nothing connected.
    load_ohm: Option<f64>,
    power_w: Option<f64>,
    peak_v: Option<f64>,
    crest_factor: (Option<f64>, Option<f64>),
    fundamental_hz: Option<f64>,
}

/// Makes the text of a plan.
///
/// # Errors
/// Where the table has unknown columns, a cell that is no number, or a row that can't be meant.
pub fn plan_from_table(file: &Path, text: &str) -> Result<String, KeyfileError> {
    let points = points(file, text)?;
    let mut order: Vec<&str> = Vec::new();
    let mut of_setting: BTreeMap<&str, Vec<&Point>> = BTreeMap::new();
    for point in &points {
        if !of_setting.contains_key(point.setting.as_str()) {
            order.push(&point.setting);
        }
        of_setting.entry(&point.setting).or_default().push(point);
    }
    let mut out = format!(
        "# Made from {}. See that every value is one of the unit's papers, and add what they ask for\n# \
         beside: leakage, timing, repetition, what is looked at by hand.\nformat = 1\n\n[plan]\nbasis = {}\n",
        file.display(),
        quoted(&format!("expected values from {}", file.display()))
    );
    for id in order {
        let of = of_setting.get(id).map_or(&[] as &[_], Vec::as_slice);
        one_setting(file, id, of, &mut out)?;
    }
    Ok(out)
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn fault<T>(file: &Path, line: usize, message: String, help: &str) -> Result<T, KeyfileError> {
    Err(wrong(file, line, message, help))
}

fn wrong(file: &Path, line: usize, message: String, help: &str) -> KeyfileError {
    let position = Some((line, 1));
    let error = KeyfileError { file: file.to_owned(), position, message, line: None, help: None };
    error.with_help(help)
}

fn points(file: &Path, text: &str) -> Result<Vec<Point>, KeyfileError> {
    let head = text.lines().next().unwrap_or_default();
    let separator = [b';', b'\t', b','].into_iter().find(|s| head.contains(char::from(*s)));
    let separator = separator.unwrap_or(b',');
    // Where semicolons stand between the cells a comma may be the decimal mark.
    let comma = separator == b';';
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let broken = |error: csv::Error| {
        let line = error.position().map_or(1, |at| usize::try_from(at.line()).unwrap_or(1));
        let help = "export the table again as comma-separated values";
        wrong(file, line, format!("can't be read as a table: {error}"), help)
    };
    let headers = match reader.headers() {
        Ok(headers) => headers.clone(),
        Err(error) => {
            return Err(broken(error));
        }
    };
    for name in &headers {
        if !COLUMNS.contains(&name) {
            let near = nearest(name, COLUMNS)
                .map_or(String::new(), |near| format!("did you mean {near}? "));
            return fault(
                file,
                1,
                format!("unknown column `{name}`"),
                &format!("{near}columns: {}", COLUMNS.join(", ")),
            );
        }
    }
    let mut points = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                return Err(broken(error));
            }
        };
        let line = record.position().map_or(0, |at| usize::try_from(at.line()).unwrap_or(0));
        let cell = |name: &str| {
            let place = headers.iter().position(|known| known == name);
            place.and_then(|k| record.get(k)).unwrap_or_default().to_owned()
        };
        let number = |name: &str| {
            let text = cell(name);
            let text = if comma { text.replace(',', ".") } else { text };
            match text.as_str() {
                "" => Ok(None),
                text => match text.parse::<f64>() {
                    Ok(value) if value.is_finite() => Ok(Some(value)),
                    _ => fault(
                        file,
                        line,
                        format!("{name}: `{text}` is not a number"),
                        "write it like 120.5",
                    ),
                },
            }
        };
        let open = cell("load_ohm").eq_ignore_ascii_case("open");
        points.push(Point {
            line,
            setting: cell("setting"),
            mode: cell("mode"),
            output: cell("output"),
            tolerance: cell("tolerance"),
            dial: number("dial")?,
            load_ohm: if open { None } else { number("load_ohm")? },
            power_w: number("power_w")?,
            peak_v: number("peak_v")?,
            crest_factor: (number("crest_factor_min")?, number("crest_factor_max")?),
            fundamental_hz: number("fundamental_hz")?,
        });
        let Some(point) = points.last() else { continue };
        if point.setting.is_empty() {
            return fault(
                file,
                line,
                "the row names no setting".into(),
                "fill in the column setting",
            );
        }
        if point.load_ohm.is_none() && !open {
            return fault(
                file,
                line,
                "the row has no load".into(),
                "fill in load_ohm, or write open where nothing is connected",
            );
        }
        if !open && point.peak_v.is_some() {
            let help = "leave peak_v empty, or write open as the load";
            return fault(file, line, "peak_v is that of an open circuit".into(), help);
        }
        for (name, value) in
            [("load_ohm", point.load_ohm), ("power_w", point.power_w), ("peak_v", point.peak_v)]
        {
            if value.is_some_and(|value| value <= 0.0) {
                return fault(file, line, format!("{name} is not above 0"), "correct the number");
            }
        }
        if (if open { point.peak_v } else { point.power_w }).is_none() {
            let (what, of) = if open { ("peak_v", "open circuit") } else { ("power_w", "a load") };
            let message = format!("the row has no {what}, which is expected of {of}");
            return fault(file, line, message, &format!("fill in the column {what}"));
        }
    }
    if points.is_empty() {
        return fault(file, 1, "the table has no rows".into(), "one row for each operating point");
    }
    Ok(points)
}

/// Setting, curve, ladder and open circuit of the rows of one setting.
fn one_setting(
    file: &Path,
    id: &str,
    points: &[&Point],
    out: &mut String,
) -> Result<(), KeyfileError> {
    let loaded: Vec<&&Point> = points.iter().filter(|point| point.load_ohm.is_some()).collect();
    let Some(first) = loaded.first() else {
        let line = points.first().map_or(1, |point| point.line);
        let message = format!("the setting {id} has no row with a load");
        return fault(file, line, message, "add one at its rated load");
    };
    let tolerance = |of: &[&&Point]| {
        of.iter().map(|point| &point.tolerance).find(|text| !text.is_empty()).cloned()
    };
    let Some(stated) = tolerance(&loaded) else {
        let message = format!("the setting {id} has no tolerance");
        return fault(file, first.line, message, "fill in the column tolerance, such as 20 %");
    };
    // Limits are those of the first row: others would be lost.
    for point in points.iter().filter(|point| point.line != first.line) {
        let open = point.load_ohm.is_none();
        let differs = |own: &str, stated: &str| !own.is_empty() && own != stated;
        let lost = [
            ("tolerance", !open && differs(&point.tolerance, &stated)),
            ("output", differs(&point.output, &first.output)),
            ("mode", differs(&point.mode, &first.mode)),
            ("crest_factor", point.crest_factor != (None, None)),
            ("fundamental_hz", point.fundamental_hz.is_some()),
            ("dial", !open && point.dial.is_none() && first.dial.is_some()),
            ("dial", !open && point.dial.is_some() && first.dial.is_none()),
        ];
        if let Some((column, _)) = lost.iter().find(|(_, lost)| *lost) {
            let message =
                format!("{column} of {id} is not as in its first row, which counts for all");
            return fault(
                file,
                point.line,
                message,
                "write it as there, or give the row a setting of its own",
            );
        }
    }
    let mut seen: Vec<(Option<f64>, Option<f64>)> = Vec::new();
    for point in points {
        if seen.contains(&(point.dial, point.load_ohm)) {
            let message = format!("this row of {id} repeats a dial and load");
            return fault(file, point.line, message, "leave one of the two out");
        }
        seen.push((point.dial, point.load_ohm));
    }
    let kinds: Vec<&str> =
        first.output.split(['+', ' ', '/']).filter(|kind| !kind.is_empty()).collect();
    if kinds.is_empty() || kinds.iter().any(|kind| !["cut", "coag", "rest"].contains(kind)) {
        let message = format!("the output of {id} is `{}`", first.output);
        return fault(
            file,
            first.line,
            message,
            "write cut, coag, or what repeats, such as cut+coag+rest",
        );
    }
    let part = if kinds.len() == 1 { kinds[0] } else { "whole" };
    out.push_str(&format!("\n[[setting]]\nid = {}\n", quoted(id)));
    if !first.mode.is_empty() {
        out.push_str(&format!("mode = {}\n", quoted(&first.mode)));
    }
    if let Some(dial) = first.dial {
        out.push_str(&format!("dial = {}\n", float(dial)));
    }
    let listed: Vec<String> = kinds.iter().map(|kind| quoted(kind)).collect();
    out.push_str(&format!(
        "load_ohm = {}\nsequence = [{}]\n",
        float(first.load_ohm.unwrap_or(0.0)),
        listed.join(", ")
    ));
    let limit = |out: &mut String, measure: &str, rest: String| {
        out.push_str(&format!(
            "[[setting.limit]]\nmeasure = \"{measure}\"\nin = \"{part}\"\n{rest}"
        ));
    };
    let power = first.power_w.unwrap_or(0.0);
    limit(out, "power_w", format!("nominal = {}\ntolerance = {}\n", float(power), quoted(&stated)));
    let (low, high) = first.crest_factor;
    if low.is_some() || high.is_some() {
        let bound = |key: &str, x: Option<f64>| {
            x.map_or(String::new(), |x| format!("{key} = {}\n", float(x)))
        };
        limit(out, "crest_factor", format!("{}{}", bound("min", low), bound("max", high)));
    }
    if let Some(hz) = first.fundamental_hz {
        limit(out, "fundamental_hz", format!("nominal = {}\ntolerance = \"5 %\"\n", float(hz)));
    }
    let same = |a: Option<f64>, b: Option<f64>| a == b;
    let powers = |of: &[&&Point]| list(&of.iter().filter_map(|p| p.power_w).collect::<Vec<_>>());
    let mut curve: Vec<&&Point> =
        loaded.iter().copied().filter(|p| same(p.dial, first.dial)).collect();
    curve.sort_by(|a, b| a.load_ohm.unwrap_or(0.0).total_cmp(&b.load_ohm.unwrap_or(0.0)));
    if curve.len() > 1 {
        let loads: Vec<f64> = curve.iter().filter_map(|point| point.load_ohm).collect();
        out.push_str(&format!(
            "\n[[curve]]\nid = {}\nsetting = {}\nloads_ohm = {}\nexpected_w = {}\ntolerance = {}\n",
            quoted(&format!("{id}-load")),
            quoted(id),
            list(&loads),
            powers(&curve),
            quoted(&stated)
        ));
    }
    let mut ladder: Vec<&&Point> = loaded
        .iter()
        .copied()
        .filter(|p| same(p.load_ohm, first.load_ohm) && p.dial.is_some())
        .collect();
    ladder.sort_by(|a, b| a.dial.unwrap_or(0.0).total_cmp(&b.dial.unwrap_or(0.0)));
    if ladder.len() > 1 {
        let dials: Vec<f64> = ladder.iter().filter_map(|point| point.dial).collect();
        out.push_str(&format!(
            "\n[[ladder]]\nid = {}\nsetting = {}\ndials = {}\nexpected_w = {}\ntolerance = {}\n",
            quoted(&format!("{id}-dial")),
            quoted(id),
            list(&dials),
            powers(&ladder),
            quoted(&stated)
        ));
    }
    let stray =
        loaded.iter().find(|p| !same(p.dial, first.dial) && !same(p.load_ohm, first.load_ohm));
    if let Some(stray) = stray {
        let message =
            format!("this row of {id} has another dial and another load than its first row");
        return fault(file, stray.line, message, "give it a setting of its own");
    }
    let mut open: Vec<&&Point> = points.iter().filter(|p| p.load_ohm.is_none()).collect();
    open.sort_by(|a, b| a.dial.unwrap_or(0.0).total_cmp(&b.dial.unwrap_or(0.0)));
    if let Some(first_open) = open.first() {
        if open.iter().any(|point| point.dial.is_none()) {
            let message = format!("an open-circuit row of {id} has no number on the dial");
            return fault(file, first_open.line, message, "fill in the column dial");
        }
        let dials: Vec<f64> = open.iter().filter_map(|point| point.dial).collect();
        let peaks: Vec<f64> = open.iter().filter_map(|point| point.peak_v).collect();
        let Some(own) = tolerance(&open) else {
            let message = format!("the open-circuit peaks of {id} have no tolerance");
            return fault(file, first_open.line, message, "fill in the column tolerance");
        };
        out.push_str(&format!(
            "\n[[open_circuit]]\nid = {}\nsetting = {}\ndials = {}\nexpected_v = {}\ntolerance = {}\n",
            quoted(&format!("{id}-open")),
            quoted(id),
            list(&dials),
            list(&peaks),
            quoted(&own)
        ));
    }
    Ok(())
}

/// A number as TOML has it.
fn float(x: f64) -> String {
    toml::Value::Float(x).to_string()
}

fn list(numbers: &[f64]) -> String {
    let all: Vec<String> = numbers.iter().map(|x| float(*x)).collect();
    format!("[{}]", all.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verification::{Profile, steps};

    const TABLE: &str =
        "setting,mode,dial,load_ohm,output,power_w,peak_v,tolerance,crest_factor_max
cut,pure cut,80,500,cut,80,,20 %,1.6
cut,,80,200,,80,,,
cut,,80,1000,,76,,,
cut,,40,500,,40,,,
cut,,80,open,,,600,15 %,
coag,fulguration,40,500,coag,40,,20 %,8
";

    #[test]
    fn rows_become_settings_curves_ladders_and_open_circuit() {
        let plan = plan_from_table(Path::new("t.csv"), TABLE).unwrap();
        let profile = Profile::read(Path::new("t.toml"), &plan).unwrap();
        assert_eq!(profile.setting.len(), 2);
        assert_eq!(profile.curve[0].loads_ohm, [200.0, 500.0, 1000.0]);
        assert_eq!(profile.curve[0].expected_w, [80.0, 80.0, 76.0]);
        assert_eq!(profile.ladder[0].dials, [40.0, 80.0]);
        assert_eq!(profile.open_circuit[0].expected_v.as_deref(), Some(&[600.0][..]));
        // The setting, the curve at 500 ohm and the ladder at 80 share one capture.
        let captures = steps(&profile).iter().filter(|step| step.to_capture()).count();
        assert_eq!(captures, 6);
        let german = TABLE.replace(',', ";").replace("1.6", "1,6");
        assert_eq!(plan_from_table(Path::new("t.csv"), &german).unwrap(), plan);
    }

    #[test]
    fn what_can_t_be_meant_is_refused_with_its_line() {
        for (from, to, line, said) in [
            ("power_w", "power", 1, "did you mean power_w"),
            ("cut,,80,200,,80", "cut,,80,200,,much", 3, "write it like"),
            ("cut,,80,200,,80", ",,80,200,,80", 3, "fill in the column setting"),
            ("cut,,80,200,,80", "cut,,80,,,80", 3, "load_ohm"),
            ("cut,,40,500,,40", "cut,,40,300,,40", 5, "a setting of its own"),
            ("500,coag,40", "500,spray,40", 7, "write cut, coag"),
            ("open,,,600", "open,,,", 6, "peak_v"),
            ("cut,,80,1000,,76,,,", "cut,,80,1000,,76,,5 %,", 4, "a setting of its own"),
            ("600,15 %", "600,", 6, "tolerance"),
        ] {
            let error = plan_from_table(Path::new("t.csv"), &TABLE.replace(from, to)).unwrap_err();
            assert_eq!(error.position.unwrap().0, line, "{to}: {error}");
            assert!(error.help.as_ref().unwrap().contains(said), "{to}: {:?}", error.help);
        }
    }
}
