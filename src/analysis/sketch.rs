//! A run as numbers to draw: columns of the whole record, and each kind of output from near.

use super::Run;
use crate::flag::Code;
use crate::measures::Measure;
use crate::recording::Record;
use crate::result::{CloseUp, Column, Levels, Measurement, Panel, Sketch, SketchPhase};
use crate::trace::{self, Channel, Gaps, Kind, ReadFailure};
use crate::units::SampleRate;
use std::ops::Range;

/// How fine a sketch is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Detail {
    /// Both channels, as wide as a page.
    Page,
    /// The leading channel alone, as wide as a column of a report.
    Small,
}

/// Most columns of a page and of a small picture: one pixel each.
const COLUMNS: usize = 1090;
const SMALL_COLUMNS: usize = 360;
/// Records up to this length are drawn as a line.
const AS_LINE: u64 = 3000;

impl Run {
    /// What a picture of this run shows.
    ///
    /// # Errors
    /// Where samples can't be read again.
    pub fn sketch(&self, detail: Detail) -> Result<Sketch, ReadFailure> {
        let (record, measurement) = (&self.record, &self.measurement);
        let rate = record.samples().rate();
        let total = record.overview().samples();
        let near_s = |kind: Kind| close_up_s(measurement, kind);
        let (most, least_s) = match detail {
            Detail::Page => {
                let hz =
                    measurement.phases.iter().filter_map(|p| p.measures.get(Measure::Fundamental));
                let lowest = hz.map(|carrier| carrier.value).reduce(f64::min);
                (COLUMNS, lowest.map_or(0.0, |hz| 2.0 / hz))
            }
            // Two bursts a column, so that the envelope is steady.
            Detail::Small => {
                let longest = [Kind::Cut, Kind::Coag].map(|kind| 0.67 * near_s(kind));
                (SMALL_COLUMNS, longest.into_iter().fold(0.0, f64::max))
            }
        };
        let columns = columns(record, most, least_s)?;
        let seen = |channel: Channel| {
            columns.iter().any(|one| channel.of((one.cell.v, one.cell.i)) != [0.0, 0.0])
        };
        let mut shown: Vec<Channel> = Channel::BOTH.into_iter().filter(|c| seen(*c)).collect();
        if shown.is_empty() {
            shown.push(Channel::Voltage);
        }
        if detail == Detail::Small {
            shown.truncate(1);
        }
        let block = if total <= AS_LINE { Some(record.samples().read(0..total)?) } else { None };
        let gaps = record.samples().gaps();
        let clipped = measurement.flags.iter().any(|flag| flag.code == Code::Clipped);
        let panels = shown.into_iter().map(|channel| Panel {
            channel,
            clipped,
            columns: self.smoothed(columns.iter().map(|one| column(one, channel, rate)).collect()),
            lines: block
                .as_ref()
                .map_or(Vec::new(), |block| lines(block.of(channel), &(0..total), gaps, rate)),
        });
        let panels = panels.collect();
        let phases = self.phases.iter().map(|phase| SketchPhase {
            kind: phase.kind,
            start_s: rate.seconds(phase.start as f64),
            end_s: rate.seconds(phase.end as f64),
        });
        let close_ups = [Kind::Cut, Kind::Coag].into_iter();
        let close_ups =
            close_ups.filter_map(|kind| self.close_up(kind, near_s(kind), detail).transpose());
        Ok(Sketch {
            duration_s: rate.seconds(total as f64),
            phases: phases.collect(),
            panels,
            gaps: gaps_of(gaps, &(0..total), rate),
            close_ups: close_ups.collect::<Result<_, _>>()?,
        })
    }

    /// Columns whose RMS is one of two bursts at least, so that it is a line and no band; no phase reaches
    /// into its neighbour.
    fn smoothed(&self, columns: Vec<Column>) -> Vec<Column> {
        let rate = self.record.samples().rate();
        // Half of six bursts: columns hold more or less of them by turns.
        let span = |kind: Kind| close_up_s(&self.measurement, kind);
        let mut smooth = columns.clone();
        for phase in self.phases.iter().filter(|phase| phase.kind.powered()) {
            let (start, end) = (rate.seconds(phase.start as f64), rate.seconds(phase.end as f64));
            let from = columns.partition_point(|column| column.at_s < start);
            let to = columns.partition_point(|column| column.at_s < end);
            let half = span(phase.kind);
            for k in from..to {
                let at = columns[k].at_s;
                let first = from + columns[from..k].partition_point(|c| c.at_s < at - half);
                let last = k + columns[k..to].partition_point(|c| c.at_s <= at + half);
                let near = &columns[first..last];
                let square: f64 = near.iter().map(|column| column.rms * column.rms).sum();
                smooth[k].rms = (square / near.len() as f64).sqrt();
            }
        }
        smooth
    }

    /// Peak, RMS and crest factor of a kind of output.
    fn levels(&self, kind: Kind, channel: Channel) -> Option<Levels> {
        let measures = &self.measurement.kinds.get(kind)?.measures;
        let value = |measure: Measure| measures.get(measure).map(|estimate| estimate.value);
        let of = channel.of((
            (Measure::VoltagePeak, Measure::VoltageRms),
            (Measure::CurrentPeak, Measure::CurrentRms),
        ));
        let (peak, rms) = (value(of.0)?, value(of.1)?);
        (rms > 0.0).then(|| Levels { peak, rms, crest_factor: peak / rms })
    }

    /// The longest phase of a kind from near; `None` where there is none.
    fn close_up(
        &self,
        kind: Kind,
        wanted_s: f64,
        detail: Detail,
    ) -> Result<Option<CloseUp>, ReadFailure> {
        let (overview, samples) = (self.record.overview(), self.record.samples());
        let rate = samples.rate();
        let of_kind = self.phases.iter().filter(|phase| phase.kind == kind);
        let Some(phase) = of_kind.max_by_key(|phase| phase.len()) else { return Ok(None) };
        let length = (rate.count(wanted_s, 24) as u64).min(phase.len());
        // From the strongest cell near the middle of the phase, so that a burst is in sight.
        let (_, cells, _) = overview.inside(&(phase.start..phase.end));
        let middle = usize::midpoint(cells.start, cells.end);
        let reach = 8 * overview.cells_in(rate.samples(31e-6));
        let near = middle.saturating_sub(reach).max(cells.start)..(middle + reach).min(cells.end);
        let height = |k: &usize| overview.cells()[*k].reach(phase.lead, 0.0);
        let start = near
            .max_by(|a, b| height(a).total_cmp(&height(b)))
            .map_or(phase.start, |k| overview.span(k..k + 1).start)
            .clamp(phase.start, phase.end - length);
        let range = start..start + length;
        let block = samples.read(range.clone())?;
        Ok(Some(CloseUp {
            kind,
            channel: phase.lead,
            start_s: rate.seconds(start as f64),
            length_s: rate.seconds(length as f64),
            lines: lines(block.of(phase.lead), &range, samples.gaps(), rate),
            other: match detail {
                Detail::Page => lines(block.of(phase.lead.other()), &range, samples.gaps(), rate),
                Detail::Small => Vec::new(),
            },
            levels: self.levels(kind, phase.lead),
            gaps: gaps_of(samples.gaps(), &range, rate),
        }))
    }
}

/// Length of a close-up: three bursts, or six carrier cycles, s.
fn close_up_s(measurement: &Measurement, kind: Kind) -> f64 {
    let measures = measurement.kinds.get(kind).map(|kind| &kind.measures);
    let value = |measure: Measure| {
        measures.and_then(|m| m.get(measure)).map(|e| e.value).filter(|v| *v > 0.0)
    };
    let bursts = value(Measure::BurstRate).map(|rate| 3.0 / rate);
    bursts.or_else(|| value(Measure::Fundamental).map(|hz| 6.0 / hz)).unwrap_or(20e-6)
}

fn column(of: &trace::Column, channel: Channel, rate: SampleRate) -> Column {
    let (span, cell) = (&of.span, &of.cell);
    let [low, high] = channel.of((cell.v, cell.i));
    let square = channel.of((cell.moments.mean_square_v(), cell.moments.mean_square_i()));
    let at_s = rate.seconds((span.start + span.end) as f64 / 2.0);
    Column { at_s, low, high, rms: square.unwrap_or(0.0).sqrt() }
}

/// The whole record in at most `most` columns, none shorter than `least_s`, so that each shows both
/// crests and a steady RMS.
fn columns(record: &Record, most: usize, least_s: f64) -> Result<Vec<trace::Column>, ReadFailure> {
    let total = record.overview().samples();
    let longest = record.samples().rate().seconds(total as f64) / least_s.max(f64::MIN_POSITIVE);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = most.min(longest as usize).max(1);
    record.pyramid().columns(0..total, count)
}

/// The samples of `range` as lines that break where there are gaps; times count from its start.
fn lines(x: &[f64], range: &Range<u64>, gaps: &Gaps, rate: SampleRate) -> Vec<Vec<(f64, f64)>> {
    let line = |part: Range<u64>| {
        let of = |sample: u64| usize::try_from(sample - range.start).unwrap_or(usize::MAX);
        let part = of(part.start)..of(part.end).min(x.len());
        let values = x.get(part.clone()).unwrap_or_default();
        part.zip(values).map(|(k, value)| (rate.seconds(k as f64), *value)).collect()
    };
    gaps.valid(range).into_iter().map(line).filter(|line: &Vec<_>| !line.is_empty()).collect()
}

/// Gaps of `range` that are wide enough to be seen, s from its start.
fn gaps_of(gaps: &Gaps, range: &Range<u64>, rate: SampleRate) -> Vec<[f64; 2]> {
    let visible = (range.end - range.start) / (2 * COLUMNS as u64);
    let inside = |(gap, _): &(Range<u64>, _)| {
        let (from, to) = (gap.start.max(range.start), gap.end.min(range.end));
        let at = |sample: u64| rate.seconds((sample - range.start) as f64);
        (from < to && to - from >= visible).then(|| [at(from), at(to)])
    };
    gaps.ranges().iter().filter_map(inside).collect()
}
