//! Arrays as a source of samples, the same way as a file.

use crate::ingest::{
    ChannelInfo, IngestError, Piece, RateSource, Receipt, Selection, Source, TraceReader,
};
use crate::trace::{Mark, PerChannel};
use crate::units::{SampleRate, Unit};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

/// Samples of one piece.
const PIECE: usize = 1 << 16;

/// Samples of one channel in memory, of whatever type and layout.
pub trait SampleArray: Send + Sync {
    /// Number of samples.
    fn len(&self) -> usize;

    /// Whether there are none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Appends the samples `range` to `out`.
    fn read(&self, range: Range<usize>, out: &mut Vec<f64>);

    /// Whether its numbers are codes of a converter, which only a scale makes volts or amperes.
    fn holds_codes(&self) -> bool {
        false
    }
}

impl SampleArray for Arc<[f64]> {
    fn len(&self) -> usize {
        <[f64]>::len(self)
    }

    fn read(&self, range: Range<usize>, out: &mut Vec<f64>) {
        out.extend_from_slice(self.get(range).unwrap_or_default());
    }
}

/// Voltage and current as arrays.
pub(super) struct Arrays {
    name: Source,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    rate: SampleRate,
    data: Vec<Arc<dyn SampleArray>>,
    samples: usize,
}

impl Arrays {
    /// Voltage, current or both, of one length; a value that is not finite is a gap.
    pub(super) fn new(
        arrays: PerChannel<Option<Arc<dyn SampleArray>>>,
        rate: SampleRate,
    ) -> Result<Self, IngestError> {
        let file = Path::new("arrays");
        let ask = |message: String, help: &str| IngestError::Ask {
            file: file.to_owned(),
            message,
            help: help.to_owned(),
        };
        if let (Some(v), Some(i)) = (&arrays.voltage, &arrays.current)
            && v.len() != i.len()
        {
            let message = format!("{} samples of voltage, {} of current", v.len(), i.len());
            return Err(ask(message, "give both channels over the same samples"));
        }
        let named =
            [("voltage", Unit::Volt, arrays.voltage), ("current", Unit::Ampere, arrays.current)];
        let (mut channels, mut data) = (Vec::new(), Vec::new());
        for (name, unit, samples) in named {
            let Some(samples) = samples else { continue };
            let codes = samples.holds_codes();
            channels.push(ChannelInfo {
                unit: (!codes).then_some(unit),
                needs_scale: codes.then(|| "its numbers are whole: codes of a converter".into()),
                ..ChannelInfo::named(name)
            });
            data.push(samples);
        }
        let Some(samples) = data.first().map(|data| data.len()) else {
            return Err(ask("neither voltage nor current".into(), "give at least one of them"));
        };
        Ok(Self {
            name: Source::none(file),
            receipt: Receipt::new("arrays"),
            channels,
            rate,
            data,
            samples,
        })
    }
}

impl TraceReader for Arrays {
    fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    fn channels(&self) -> &[ChannelInfo] {
        &self.channels
    }

    fn rate(&self) -> RateSource {
        RateSource::Stated(self.rate)
    }

    fn source(&self) -> &Source {
        &self.name
    }

    /// There is no file.
    fn sources(&self) -> Vec<&Source> {
        Vec::new()
    }

    fn pieces(&self) -> usize {
        self.samples.div_ceil(PIECE)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        out.clear();
        let range = (piece * PIECE).min(self.samples)..((piece + 1) * PIECE).min(self.samples);
        for (channel, samples) in [(wanted.voltage, &mut out.v), (wanted.current, &mut out.i)] {
            if let Some(data) = channel.and_then(|k| self.data.get(k)) {
                data.read(range.clone(), samples);
            }
        }
        let bad = |x: &[f64], k: usize| x.get(k).is_some_and(|x| !x.is_finite());
        let (mut v, mut i) = (std::mem::take(&mut out.v), std::mem::take(&mut out.i));
        for k in 0..range.len() {
            if bad(&v, k) || bad(&i, k) {
                let beyond = [&v, &i].iter().any(|x| x.get(k).is_some_and(|x| x.is_infinite()));
                out.mark(k, if beyond { Mark::Overrange } else { Mark::Missing });
            }
        }
        // A neighbour's value stands in the place of what is no number.
        for x in [&mut v, &mut i] {
            let mut last = 0.0;
            for value in x.iter_mut() {
                if value.is_finite() {
                    last = *value;
                } else {
                    *value = last;
                }
            }
        }
        (out.v, out.i) = (v, i);
        Ok(())
    }
}
