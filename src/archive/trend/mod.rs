//! A measure of one unit over the years: points, line, control charts, drift, and when a limit is near.

mod alarm;
mod interval;

pub use alarm::{Alarm, Direction};
pub use interval::{Interval, Method};

use super::facts::{self, Point, Series};
use super::store::Value;
use super::{Archive, ArchiveError};
use crate::check::Verdict;
use crate::numeric::chart::{self, Individuals};
use crate::numeric::regression::Line;
use crate::result::Form;
use crate::units::day_of;
use jiff::civil::Date;
use serde::Serialize;

/// Weight of the newest value in the moving average.
pub const WEIGHT: f64 = 0.3;
/// Probability that the band about the line holds the next value.
pub const BAND: f64 = 0.95;
/// Points that a line needs.
const LINE_NEEDS: usize = 3;
/// How far ahead a crossing is looked for, days.
const AHEAD: f64 = 20.0 * 365.25;

/// Which trend is asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Asked {
    /// Serial number of the unit.
    pub serial: String,
    /// Its model, where several share a serial number.
    pub model: Option<String>,
    /// Key of the measure, or of what else a plan judges.
    pub measure: String,
    /// Setting, or entry of the plan.
    pub setting: Option<String>,
    /// Number on the dial.
    pub dial: Option<f64>,
    /// Load in ohm, or `open`.
    pub load: Option<String>,
    /// Part of the record.
    pub part: Option<String>,
}

/// A value of one result.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrendPoint {
    /// Its entry.
    pub entry: u64,
    /// Value, limits and verdict.
    #[serde(flatten)]
    pub point: Point,
    /// Days since the first point.
    pub days: f64,
    /// Whether line and charts rest on it.
    pub used: bool,
}

/// A straight line through the points that are used.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Slope {
    /// Points it rests on.
    pub points: usize,
    /// Change in a year of 365.25 days.
    pub per_year: f64,
    /// Expanded uncertainty of that at 95 %, from the scatter alone.
    pub expanded_uncertainty: f64,
    /// Residual standard deviation.
    pub residual: f64,
    /// Probability of so steep a line where there is no drift.
    pub chance: f64,
    #[serde(skip)]
    line: Line,
}

impl Slope {
    /// Value of the line and half width of its band, so many days after the first point.
    #[must_use]
    pub fn at(&self, days: f64) -> (f64, f64) {
        (self.line.at(days), self.line.prediction(days, BAND).unwrap_or(0.0))
    }
}

/// Which limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The lower.
    Lower,
    /// The upper.
    Upper,
}

/// When the band about the line reaches a limit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Crossing {
    /// Day.
    pub day: String,
    /// Which limit.
    pub limit: Side,
    /// Whether it is past: the band lay beyond the limit at the last point already.
    pub reached: bool,
}

/// A measure over the years.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trend {
    /// Form of this document.
    pub schema: Form,
    /// What it is of.
    pub series: Series,
    /// All points, the oldest first.
    pub points: Vec<TrendPoint>,
    /// Values of results without a day, which are left out.
    pub without_day: usize,
    /// Day from which on points are used: that of the last service that changed the value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<String>,
    /// The line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<Slope>,
    /// Limits of the last point that has any.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// When the band reaches a limit; none within 20 years.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crossing: Option<Crossing>,
    /// Shewhart's chart of single values.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "individuals")]
    pub individuals: Option<Individuals>,
    /// Entries beyond its limits.
    pub beyond: Vec<u64>,
    /// Whether there is a drift, or outliers, or too few points to tell.
    pub alarm: Alarm,
    /// Suggested intervals.
    pub intervals: Vec<Interval>,
}

fn individuals<S: serde::Serializer>(
    chart: &Option<Individuals>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Shown {
        centre: f64,
        moving_range: f64,
        lower: f64,
        upper: f64,
    }
    let shown = chart.map(|Individuals { centre, moving_range, lower, upper }| Shown {
        centre,
        moving_range,
        lower,
        upper,
    });
    shown.serialize(serializer)
}

impl Trend {
    /// The trend of dated points, in any order.
    #[must_use]
    pub fn of(series: Series, points: Vec<(u64, Point)>) -> Self {
        let all = points.len();
        let mut dated: Vec<(Date, u64, Point)> = points
            .into_iter()
            .filter_map(|(entry, point)| Some((day_of(&point.day)?, entry, point)))
            .collect();
        // As found comes before as left on the same day.
        dated.sort_by(|a, b| (a.0, &a.2.state, a.1).cmp(&(b.0, &b.2.state, b.1)));
        let without_day = all - dated.len();
        let first = dated.first().map(|(day, ..)| *day);
        let mut points: Vec<TrendPoint> = dated
            .into_iter()
            .map(|(day, entry, point)| TrendPoint {
                entry,
                days: first.map_or(0.0, |first| days_between(first, day)),
                // A value in doubt is shown, and nothing rests on it.
                used: point.doubts.is_empty() && point.verdict != Some(Verdict::NotMeasured),
                point,
            })
            .collect();
        let since = last_service(&points);
        if let Some(since) = since {
            points[..since].iter_mut().for_each(|point| point.used = false);
        }
        let used: Vec<(f64, f64)> = points
            .iter()
            .filter(|point| point.used)
            .map(|point| (point.days, point.point.value))
            .collect();
        let entries: Vec<u64> =
            points.iter().filter(|point| point.used).map(|point| point.entry).collect();
        let values: Vec<f64> = used.iter().map(|(_, value)| *value).collect();
        let limits = points
            .iter()
            .rev()
            .find(|point| point.point.lower.is_some() || point.point.upper.is_some());
        let (lower, upper) =
            limits.map_or((None, None), |point| (point.point.lower, point.point.upper));
        let line = (used.len() >= LINE_NEEDS).then(|| Line::fit(&used)).flatten().map(slope);
        let crossing = line
            .zip(first)
            .and_then(|(line, first)| crossing(&line, first, used.last()?.0, lower, upper));
        let individuals =
            (values.len() >= LINE_NEEDS).then(|| chart::individuals(&values)).flatten();
        let outside = |value: f64| {
            individuals.is_some_and(|chart| value < chart.lower || value > chart.upper)
        };
        let beyond = values
            .iter()
            .zip(&entries)
            .filter(|(value, _)| outside(**value))
            .map(|(_, entry)| *entry)
            .collect();
        let alarm = alarm::judge(&used, &entries);
        let intervals = interval::suggest(&points, crossing.as_ref());
        Self {
            schema: Form::Trend,
            series,
            since: since.map(|at| points[at].point.day.clone()),
            points,
            without_day,
            line,
            lower,
            upper,
            crossing,
            individuals,
            beyond,
            alarm,
            intervals,
        }
    }

    /// The moving average over the points that are used, from their mean: days and value.
    #[must_use]
    pub fn average(&self) -> Vec<(f64, f64)> {
        let Some(chart) = self.individuals else { return Vec::new() };
        let used: Vec<&TrendPoint> = self.points.iter().filter(|point| point.used).collect();
        let values: Vec<f64> = used.iter().map(|point| point.point.value).collect();
        let averages = chart::ewma(&values, chart.centre, WEIGHT);
        used.iter().map(|point| point.days).zip(averages).collect()
    }
}

fn days_between(first: Date, day: Date) -> f64 {
    first.until(day).map_or(0.0, |span| f64::from(span.get_days()))
}

fn slope(line: Line) -> Slope {
    let year = 365.25;
    let k = crate::numeric::student::coverage_factor(BAND, line.freedom()).unwrap_or(f64::NAN);
    let expanded = k * line.slope_deviation * year;
    Slope {
        points: line.count,
        per_year: line.slope * year,
        expanded_uncertainty: if expanded.is_finite() { expanded } else { 0.0 },
        residual: line.residual,
        chance: line.chance(),
        line,
    }
}

/// The last point as left that differs from the one as found before it by more than U of the difference: the
/// service changed the unit, and what was before is another story.
fn last_service(points: &[TrendPoint]) -> Option<usize> {
    let u = |point: &Point| point.expanded.unwrap_or(0.0);
    (1..points.len()).rev().find(|at| {
        let now = &points[*at].point;
        if now.state != "as left" {
            return false;
        }
        let before = points[..*at].iter().rev().find(|point| point.point.state == "as found");
        before.is_some_and(|before| {
            let near = points[*at].days - before.days <= 31.0;
            near && (now.value - before.point.value).abs() > u(now).hypot(u(&before.point))
        })
    })
}

/// The day on which the band about the line reaches a limit, from the last point on.
fn crossing(
    line: &Slope,
    first: Date,
    last: f64,
    lower: Option<f64>,
    upper: Option<f64>,
) -> Option<Crossing> {
    let beyond = |days: f64| {
        let (value, half) = line.at(days);
        if lower.is_some_and(|lower| value - half < lower) {
            return Some(Side::Lower);
        }
        upper.is_some_and(|upper| value + half > upper).then_some(Side::Upper)
    };
    let day = |days: f64| {
        #[allow(clippy::cast_possible_truncation)]
        let whole = days.floor() as i64;
        first.checked_add(jiff::Span::new().try_days(whole).ok()?).ok().map(|day| day.to_string())
    };
    if let Some(limit) = beyond(last) {
        return Some(Crossing { day: day(last)?, limit, reached: true });
    }
    // The band only widens from the last point on, so that it crosses once.
    let (mut low, mut high) = (last, last + AHEAD);
    let limit = beyond(high)?;
    while high - low > 0.5 {
        let middle = f64::midpoint(low, high);
        if beyond(middle).is_some() { high = middle } else { low = middle }
    }
    Some(Crossing { day: day(high)?, limit: beyond(high).unwrap_or(limit), reached: false })
}

impl Archive {
    /// The series that are asked for; several where the question leaves it open.
    ///
    /// # Errors
    /// Where the archive can't be read.
    pub fn series(&mut self, asked: &Asked) -> Result<Vec<(i64, Series)>, ArchiveError> {
        let sql = format!(
            "SELECT id, {} FROM series WHERE serial = $1 AND measure = $2",
            facts::SERIES_COLUMNS
        );
        let mut found = Vec::new();
        self.db.query(&sql, &[(&asked.serial).into(), (&asked.measure).into()], &mut |row| {
            let read = row.first().and_then(Value::int).zip(row.get(1..).and_then(Series::of_row));
            let Some((id, series)) = read else { return Ok(()) };
            let fits = |wanted: &Option<String>, is: &str| {
                wanted.as_ref().is_none_or(|wanted| wanted == is)
            };
            if fits(&asked.model, &series.model)
                && fits(&asked.setting, &series.setting)
                && fits(&asked.load, &series.load)
                && fits(&asked.part, &series.part)
                && asked.dial.is_none_or(|dial| series.dial == Some(dial))
            {
                found.push((id, series));
            }
            Ok(())
        })?;
        found.sort_by(|a, b| {
            let key = |series: &Series| {
                (series.setting.clone(), series.load.clone(), series.part.clone())
            };
            key(&a.1)
                .cmp(&key(&b.1))
                .then(a.1.dial.unwrap_or(0.0).total_cmp(&b.1.dial.unwrap_or(0.0)))
        });
        Ok(found)
    }

    /// The points of a series, but for results that were replaced.
    ///
    /// # Errors
    /// Where the archive can't be read, or a value is damaged.
    pub fn points(&mut self, series: i64) -> Result<Vec<(u64, Point)>, ArchiveError> {
        let sql = format!(
            "SELECT number, {} FROM value WHERE series = $1 AND NOT EXISTS \
             (SELECT 1 FROM result AS later WHERE later.replaces = value.number) ORDER BY day, number, nth",
            facts::VALUE_COLUMNS
        );
        let (mut points, mut damaged) = (Vec::new(), false);
        self.db.query(&sql, &[series.into()], &mut |row| {
            let number = row.first().and_then(Value::count);
            match (number, row.get(1..).and_then(facts::value_of)) {
                (Some(number), Some((_, point))) => points.push((number, point)),
                _ => damaged = true,
            }
            Ok(())
        })?;
        if damaged { Err(self.altered("a value is damaged")) } else { Ok(points) }
    }

    /// The trend that is asked for. Where the question leaves several open, the one that the setting's own limits are
    /// on is meant, or else the only one with limits.
    ///
    /// # Errors
    /// Where there is none, or several, or the archive can't be read.
    pub fn trend(&mut self, asked: &Asked) -> Result<Trend, ArchiveError> {
        let mut open = self.series(asked)?;
        if open.len() > 1 {
            let mut judged = Vec::new();
            for one in &open {
                if self.has_limits(one.0)? {
                    judged.push(one.clone());
                }
            }
            let own: Vec<_> =
                judged.iter().filter(|(_, series)| !series.part.is_empty()).cloned().collect();
            open =
                [own, judged, open].into_iter().find(|tier| !tier.is_empty()).unwrap_or_default();
        }
        match open.as_slice() {
            [] => Err(ArchiveError::no_entry(
                format!(
                    "the archive has no such values of `{}` of serial {}",
                    asked.measure, asked.serial
                ),
                "see `crestbook archive list`, and the keys of measures in docs/measures.md",
            )),
            [(id, series)] => Ok(Trend::of(series.clone(), self.points(*id)?)),
            _ => Err(several(&open)),
        }
    }

    /// Whether one of the last values of a series was held against limits: captures of a curve stand beside those of
    /// the setting itself.
    ///
    /// # Errors
    /// Where the archive can't be read.
    pub fn has_limits(&mut self, series: i64) -> Result<bool, ArchiveError> {
        let sql = "SELECT lower, upper FROM value WHERE series = $1 ORDER BY day DESC LIMIT 8";
        let rows = self.db.rows(sql, &[series.into()])?;
        Ok(rows.iter().flatten().any(|bound| bound.real().is_some()))
    }
}

fn several(open: &[(i64, Series)]) -> ArchiveError {
    const SHOWN: usize = 12;
    let names = open.iter().take(SHOWN).map(|(_, series)| {
        let Series { model, setting, dial, load, part, .. } = series;
        let dial = dial.map_or(String::new(), |dial| format!(" --dial {dial}"));
        let load = if load.is_empty() { String::new() } else { format!(" --load {load}") };
        let part = if part.is_empty() { String::new() } else { format!(" --in {part}") };
        format!("\n  --model \"{model}\" --setting {setting}{dial}{load}{part}")
    });
    let more = open.len().saturating_sub(SHOWN);
    let more = if more > 0 { format!("\n  and {more} more") } else { String::new() };
    ArchiveError::no_entry(
        format!("there are {} such series:{}{more}", open.len(), names.collect::<String>()),
        "choose one by these flags",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(day: &str, state: &str, value: f64) -> Point {
        Point {
            day: day.into(),
            state: state.into(),
            value,
            expanded: Some(2.0),
            at_least: false,
            lower: Some(80.0),
            upper: Some(120.0),
            verdict: None,
            doubts: String::new(),
        }
    }

    fn series() -> Series {
        Series {
            model: "M".into(),
            serial: "1".into(),
            setting: "cut".into(),
            dial: None,
            load: "500".into(),
            measure: "power_w".into(),
            part: "cut".into(),
            unit: "W".into(),
        }
    }

    #[test]
    fn a_line_that_falls_reaches_its_limit_on_the_day() {
        // 100 W on the first day of 2021, 2 W less every year, without scatter: 80 W in 2031.
        let points = (0..6).map(|k| {
            (k + 1, point(&format!("{}-01-01", 2021 + k), "as found", 100.0 - 2.0 * k as f64))
        });
        let trend = Trend::of(series(), points.collect());
        let line = trend.line.unwrap();
        assert!((line.per_year + 2.0).abs() < 0.01, "{}", line.per_year);
        let crossing = trend.crossing.unwrap();
        assert!((crossing.limit, crossing.reached) == (Side::Lower, false));
        assert!(
            crossing.day.as_str() > "2030-09" && crossing.day.as_str() < "2031-02",
            "{}",
            crossing.day
        );
    }

    #[test]
    fn a_service_begins_another_story() {
        let mut points: Vec<(u64, Point)> = (0..6)
            .map(|k| {
                (k + 1, point(&format!("{}-01-01", 2016 + k), "as found", 100.0 - 3.0 * k as f64))
            })
            .collect();
        points.push((7, point("2021-01-01", "as left", 101.0)));
        for k in 0..4 {
            points.push((8 + k, point(&format!("{}-01-01", 2022 + k), "as found", 100.5)));
        }
        let trend = Trend::of(series(), points.clone());
        assert_eq!(trend.since.as_deref(), Some("2021-01-01"));
        assert!(trend.line.unwrap().per_year.abs() < 0.3);
        assert_eq!(trend.points.iter().filter(|point| point.used).count(), 5);
        // One that changed nothing does not.
        points[6].1.value = 85.5;
        assert_eq!(Trend::of(series(), points.clone()).since, None);
        // A value in doubt is shown, and nothing rests on it.
        points[2].1.doubts = "clipped".into();
        points[3].1.day = String::new();
        let trend = Trend::of(series(), points);
        assert_eq!((trend.points.len(), trend.without_day), (10, 1));
        assert_eq!(trend.points.iter().filter(|point| point.used).count(), 9);
    }
}
