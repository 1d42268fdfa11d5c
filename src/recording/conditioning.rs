//! What is done to the raw numbers of both channels, as sheet and file state it.

use super::locate::Capture;
use crate::condition::{Chain, ChannelChain};
use crate::ingest::{ChannelInfo, Selection};
use crate::trace::{Channel, PerChannel};
use crate::units::SampleRate;

/// What is done to the raw numbers of both channels.
#[derive(Clone, Copy, Debug)]
pub(super) struct Conditioning {
    pub present: PerChannel<bool>,
    pub gains: PerChannel<f64>,
    /// Offsets that the file's own description of its numbers asks for.
    pub own_offsets: PerChannel<f64>,
    pub stated_offsets: PerChannel<Option<f64>>,
    pub delays_s: PerChannel<f64>,
}

impl Conditioning {
    /// As sheet and file state it.
    pub(super) fn of(capture: &Capture, channels: &[ChannelInfo], selection: Selection) -> Self {
        let column = |channel: Channel| {
            let column = channel.of((selection.voltage, selection.current))?;
            channels.get(column)
        };
        let sheet = |channel: Channel| capture.channel_sheet(channel);
        Self {
            present: PerChannel {
                voltage: selection.voltage.is_some(),
                current: selection.current.is_some(),
            },
            gains: PerChannel::each(|channel| {
                let factor = column(channel).map_or(1.0, |info| info.factor);
                factor * sheet(channel).scale.unwrap_or(1.0)
            }),
            own_offsets: PerChannel::each(|channel| column(channel).map_or(0.0, |i| i.offset)),
            stated_offsets: PerChannel::each(|channel| sheet(channel).offset),
            delays_s: PerChannel::each(|channel| sheet(channel).delay_s.unwrap_or(0.0)),
        }
    }

    /// The chain at a sample rate.
    pub(super) fn at(&self, rate: SampleRate) -> Chain {
        let side = |present: bool, gain: f64, offset: f64, delay: f64| {
            present.then(|| ChannelChain { gain, offset, lag: rate.samples(delay) })
        };
        let (v, i) = (
            self.stated_offsets.voltage.unwrap_or(0.0),
            self.stated_offsets.current.unwrap_or(0.0),
        );
        Chain::new(
            side(
                self.present.voltage,
                self.gains.voltage,
                self.own_offsets.voltage + v,
                self.delays_s.voltage,
            ),
            side(
                self.present.current,
                self.gains.current,
                self.own_offsets.current + i,
                self.delays_s.current,
            ),
        )
    }

    /// Samples by which a change of the rate moves a channel.
    pub(super) fn shift(&self, a: SampleRate, b: SampleRate) -> f64 {
        (self.delays_s.voltage.abs() + self.delays_s.current.abs()) * (a.hertz() - b.hertz()).abs()
    }
}
