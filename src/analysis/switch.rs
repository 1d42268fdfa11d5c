//! The channel that follows hand switch or pedal: when it was pressed and let go.

use crate::ingest::{Selection, stream};
use crate::recording::{
    Capture, CaptureError, Observer, ReadSettings, RecordingError, channel_named, open_reader,
};
use crate::sheet::SideName;
use crate::units::SampleRate;
use std::ops::ControlFlow;

/// One time that a switch was pressed, in samples from the start of the file, between samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Press {
    /// When it was pressed.
    pub pressed: f64,
    /// When it was let go, where that is in the record.
    pub released: Option<f64>,
}

/// Contacts bounce for a few milliseconds: edges closer than this, s, are one (common practice, no
/// source).
const BOUNCE_S: f64 = 5e-3;

/// Every press in a capture whose sheet names a switch channel; none where it names none, or where
/// the switch was never pressed inside the record. A contact that bounces is pressed when it first
/// closes, and let go when it last opens.
///
/// # Errors
/// Where the channel is not there, the threshold is not stated, or the data can't be read.
pub fn presses(
    capture: &Capture,
    rate: SampleRate,
    settings: &ReadSettings,
    observer: &dyn Observer,
) -> Result<Vec<Press>, RecordingError> {
    let Some(switch) = &capture.sheet.switch else { return Ok(Vec::new()) };
    let fail = |message: &str, help: &str| CaptureError {
        file: capture.data.clone(),
        message: message.into(),
        help: help.into(),
    };
    let reader = open_reader(capture, settings)?;
    let channel = switch.channel.as_ref().and_then(|name| channel_named(reader.channels(), name));
    let Some(channel) = channel else {
        let names: Vec<&str> = reader.channels().iter().map(|c| c.name.as_str()).collect();
        let help = format!("set switch.channel in the sheet; channels here: {}", names.join(", "));
        return Err(fail("the switch channel of the sheet is not there", &help).into());
    };
    let (Some(level), Some(side)) = (switch.threshold, switch.pressed) else {
        let help = "set switch.threshold and switch.pressed (above or below) in the sheet";
        return Err(fail("the sheet does not say when the switch is pressed", help).into());
    };
    let sign = if side == SideName::Above { 1.0 } else { -1.0 };
    let wanted = Selection { voltage: Some(channel), current: None };
    let (mut before, mut at) = (None, 0_u64);
    let bounce = rate.samples(BOUNCE_S);
    let mut all: Vec<Press> = Vec::new();
    stream(reader.as_ref(), 0..reader.pieces(), wanted, settings.threads, |_, piece| {
        for (k, value) in piece.v.iter().enumerate() {
            let height = sign * (value - level);
            if let Some(last) = before
                && (last < 0.0) != (height < 0.0)
            {
                // Between the two samples, where a straight line meets the level.
                let place = (at + k as u64) as f64 - height / (height - last);
                if height >= 0.0 {
                    press(&mut all, place, bounce);
                } else if let Some(last) = all.last_mut() {
                    last.released = Some(place);
                }
            }
            before = Some(height);
        }
        at += piece.v.len() as u64;
        if observer.stop() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    if observer.stop() {
        return Err(RecordingError::Interrupted);
    }
    Ok(all)
}

/// Takes in an edge at which the contact closes.
fn press(all: &mut Vec<Press>, place: f64, bounce: f64) {
    match all.last_mut() {
        // It bounces: not let go yet.
        Some(last) if last.released.is_some_and(|released| place - released < bounce) => {
            last.released = None;
        }
        _ => all.push(Press { pressed: place, released: None }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bounce_is_no_press_of_its_own() {
        let mut all = Vec::new();
        for (pressed, released) in [(1000.0, 1020.0), (1030.0, 9000.0), (20_000.0, 25_000.0)] {
            press(&mut all, pressed, 500.0);
            all.last_mut().unwrap().released = Some(released);
        }
        let wanted = [(1000.0, 9000.0), (20_000.0, 25_000.0)];
        let wanted = wanted.map(|(pressed, released)| Press { pressed, released: Some(released) });
        assert_eq!(all, wanted);
    }
}
