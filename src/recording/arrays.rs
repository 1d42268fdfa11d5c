//! Arrays as a source of samples, the same way as a file.

use crate::ingest::{
    ChannelInfo, IngestError, Piece, RateSource, Receipt, Selection, Source, TraceReader,
};
use crate::trace::Mark;
use crate::units::{SampleRate, Unit};
use std::path::Path;
use std::sync::Arc;

/// Samples of one piece.
const PIECE: usize = 1 << 16;

/// Voltage and current as arrays.
pub(super) struct Arrays {
    name: Source,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    rate: SampleRate,
    data: Vec<Arc<[f64]>>,
    samples: usize,
}

impl Arrays {
    /// Volts, amperes or both, of one length; a value that is not finite is a gap.
    pub(super) fn new(
        volts: Option<Arc<[f64]>>,
        amperes: Option<Arc<[f64]>>,
        rate: SampleRate,
    ) -> Result<Self, IngestError> {
        let file = Path::new("arrays");
        let ask = |message: String, help: &str| IngestError::Ask {
            file: file.to_owned(),
            message,
            help: help.to_owned(),
        };
        if let (Some(v), Some(i)) = (&volts, &amperes)
            && v.len() != i.len()
        {
            let message = format!("{} samples of voltage, {} of current", v.len(), i.len());
            return Err(ask(message, "give both channels over the same samples"));
        }
        let named = [("voltage", Unit::Volt, volts), ("current", Unit::Ampere, amperes)];
        let (mut channels, mut data) = (Vec::new(), Vec::new());
        for (name, unit, samples) in named {
            let Some(samples) = samples else { continue };
            channels.push(ChannelInfo { unit: Some(unit), ..ChannelInfo::named(name) });
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
        let of = |channel: Option<usize>| {
            let data = channel.and_then(|k| self.data.get(k));
            data.and_then(|data| data.get(range.clone())).unwrap_or_default()
        };
        let (v, i) = (of(wanted.voltage), of(wanted.current));
        out.v.extend_from_slice(v);
        out.i.extend_from_slice(i);
        let bad = |x: &[f64], k: usize| x.get(k).is_some_and(|x| !x.is_finite());
        let mut last = 0.0;
        for k in 0..range.len() {
            if bad(v, k) || bad(i, k) {
                let beyond = [v, i].iter().any(|x| x.get(k).is_some_and(|x| x.is_infinite()));
                out.mark(k, if beyond { Mark::Overrange } else { Mark::Missing });
            }
        }
        // A neighbour's value stands in the place of what is no number.
        for x in [&mut out.v, &mut out.i] {
            for value in x.iter_mut() {
                if value.is_finite() {
                    last = *value;
                } else {
                    *value = last;
                }
            }
        }
        Ok(())
    }
}
