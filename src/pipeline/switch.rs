//! The channel that follows hand switch or pedal: when it was pressed and let go.

use super::select::find;
use super::{Capture, CaptureError, Observer, PipelineError, Settings, open_reader};
use crate::ingest::sheet::SideName;
use crate::ingest::{Selection, stream};
use std::ops::ControlFlow;

/// The first time a switch was pressed, in samples from the start of the file, between samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Press {
    /// When it was pressed.
    pub pressed: f64,
    /// When it was let go, where that is in the record.
    pub released: Option<f64>,
}

/// The first press in a capture whose sheet names a switch channel; `None` where it names none, or
/// the switch was never pressed inside the record.
///
/// # Errors
/// Where the channel is not there, the threshold is not stated, or the data can't be read.
pub fn first_press(
    capture: &Capture,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Option<Press>, PipelineError> {
    let Some(switch) = &capture.sheet.switch else { return Ok(None) };
    let fail = |message: &str, help: &str| CaptureError {
        file: capture.data.clone(),
        message: message.into(),
        help: help.into(),
    };
    let reader = open_reader(capture, settings)?;
    let channel = switch.channel.as_ref().and_then(|name| find(reader.channels(), name));
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
    let (mut pressed, mut released) = (None, None);
    stream(reader.as_ref(), 0..reader.pieces(), wanted, settings.threads, |_, piece| {
        for (k, value) in piece.v.iter().enumerate() {
            let height = sign * (value - level);
            if let Some(last) = before
                && (last < 0.0) != (height < 0.0)
            {
                // Between the two samples, where a straight line meets the level.
                let place = (at + k as u64) as f64 - height / (height - last);
                match (pressed, height >= 0.0) {
                    (None, true) => pressed = Some(place),
                    (Some(_), false) => released = Some(place),
                    _ => {}
                }
                if released.is_some() {
                    return ControlFlow::Break(());
                }
            }
            before = Some(height);
        }
        at += piece.v.len() as u64;
        if observer.stop() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    if observer.stop() {
        return Err(PipelineError::Interrupted);
    }
    Ok(pressed.map(|pressed| Press { pressed, released }))
}
