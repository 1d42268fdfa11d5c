//! Which channels of a file are the voltage and the current, and whether they can be taken as
//! volts and amperes.

use super::locate::{Capture, CaptureError};
use crate::flag::{Code, Flag};
use crate::ingest::{ChannelInfo, Selection};
use crate::sheet::{ChannelName, ChannelSheet};
use crate::units::Unit;

/// The two channels of a capture, and what is in doubt about them.
pub(super) struct Chosen {
    /// The channels.
    pub selection: Selection,
    /// What is in doubt.
    pub doubts: Vec<Flag>,
}

struct Chooser<'a> {
    capture: &'a Capture,
    channels: &'a [ChannelInfo],
}

/// Chooses; what was taken without being told is given to `note`.
///
/// # Errors
/// Where the sheet names a channel that is not there, or the choice would be a guess.
pub(super) fn choose_roles(
    capture: &Capture,
    channels: &[ChannelInfo],
    note: &mut dyn FnMut(String),
) -> Result<Chosen, CaptureError> {
    let chooser = Chooser { capture, channels };
    let selection = chooser.choose(note)?;
    let mut doubts = Vec::new();
    for (channel, side, word) in [
        (selection.voltage, &capture.sheet.voltage, "voltage"),
        (selection.current, &capture.sheet.current, "current"),
    ] {
        if let Some(info) = channel.and_then(|k| channels.get(k)) {
            chooser.scale(info, side.as_ref(), word, &mut doubts)?;
        }
    }
    Ok(Chosen { selection, doubts })
}

/// The channel of this name or number, where there is just one.
pub fn channel_named(channels: &[ChannelInfo], name: &ChannelName) -> Option<usize> {
    match name {
        ChannelName::Number(k) => (*k < channels.len()).then_some(*k),
        ChannelName::Name(name) => {
            let mut fits = (0..channels.len()).filter(|k| channels[*k].name == name.trim());
            // A name that stands twice names nothing.
            fits.next().filter(|_| fits.next().is_none()).or_else(|| {
                let whole = |k: &usize| {
                    let unit = channels[*k].unit.map_or("", Unit::symbol);
                    name.replace(['(', ')', '[', ']', ' '], "")
                        == format!("{}{unit}", channels[*k].name.replace(' ', ""))
                };
                (0..channels.len()).find(whole)
            })
        }
    }
}

impl Chooser<'_> {
    fn fail(&self, message: String, help: Option<String>) -> CaptureError {
        let list: Vec<String> = self
            .channels
            .iter()
            .enumerate()
            .map(|(k, channel)| format!("{k} = {}", channel.name))
            .collect();
        CaptureError {
            file: self.capture.data.clone(),
            message,
            help: help.unwrap_or_else(|| {
                format!(
                    "channels here: {}; set `voltage.channel` and `current.channel` in the sheet",
                    list.join(", ")
                )
            }),
        }
    }

    /// The channel that a table of the sheet names.
    fn stated(
        &self,
        side: Option<&ChannelSheet>,
        key: &str,
    ) -> Result<Option<usize>, CaptureError> {
        let Some(name) = side.and_then(|side| side.channel.as_ref()) else { return Ok(None) };
        let shown = match name {
            ChannelName::Number(k) => k.to_string(),
            ChannelName::Name(name) => format!("\"{name}\""),
        };
        channel_named(self.channels, name).map(Some).ok_or_else(|| {
            let message =
                format!("the sheet names {key} = {shown}, which is not there, or not once");
            self.fail(message, None)
        })
    }

    fn choose(&self, note: &mut dyn FnMut(String)) -> Result<Selection, CaptureError> {
        let channels = self.channels;
        let sheet = &self.capture.sheet;
        let (sheet_v, sheet_i) = (sheet.voltage.as_ref(), sheet.current.as_ref());
        let mut voltage = self.stated(sheet_v, "voltage.channel")?;
        let mut current = self.stated(sheet_i, "current.channel")?;
        // A sheet that speaks of one channel only means one channel only.
        let told = sheet_v.is_some() || sheet_i.is_some();
        let (want_v, want_i) = (!told || sheet_v.is_some(), !told || sheet_i.is_some());
        let usable = |k: &usize| channels[*k].not_measured.is_none();
        let by_unit = |unit: Unit, taken: Option<usize>| {
            let all = (0..channels.len()).filter(usable);
            all.into_iter().find(|k| Some(*k) != taken && channels[*k].unit == Some(unit))
        };
        let free = |taken: Option<usize>| {
            let all = (0..channels.len()).filter(usable);
            all.into_iter().find(|k| Some(*k) != taken && channels[*k].unit.is_none())
        };
        let guessed = (want_v && voltage.is_none()) || (want_i && current.is_none());
        let mut by_place = Vec::new();
        if want_v && voltage.is_none() {
            voltage = by_unit(Unit::Volt, current).or_else(|| {
                let found = free(current);
                by_place.extend(found);
                found
            });
        }
        if want_i && current.is_none() {
            current = by_unit(Unit::Ampere, voltage).or_else(|| {
                let found = free(voltage);
                by_place.extend(found);
                found
            });
        }
        if guessed {
            let name = |k: Option<usize>| k.map_or("none", |k| channels[k].name.as_str());
            // Two of one name and no unit: only their place would tell them apart.
            if let [a, b] = by_place.as_slice()
                && channels[*a].name == channels[*b].name
            {
                return Err(self.fail(
                    format!("two channels are named `{}` and have no unit", channels[*a].name),
                    Some(
                        "set `voltage.channel` and `current.channel` in the sheet by number, from 0"
                            .into(),
                    ),
                ));
            }
            note(format!(
                "voltage: {}, current: {} (no sheet says so)",
                name(voltage),
                name(current)
            ));
        }
        if voltage.is_some() && voltage == current {
            return Err(self.fail("voltage and current are the same channel".into(), None));
        }
        for (channel, unit) in [(voltage, Unit::Volt), (current, Unit::Ampere)] {
            let Some(info) = channel.map(|k| &channels[k]) else { continue };
            if let Some(why) = info.not_measured {
                return Err(self.fail(
                    format!("`{}` {why}", info.name),
                    Some("name the channel that it was computed from, and give it a scale".into()),
                ));
            }
            let stated = self.capture.sheet.current.as_ref().and_then(|sheet| sheet.scale);
            match info.unit {
                // A current probe on a voltage input: the sheet's scale is in A per V.
                Some(Unit::Volt) if unit == Unit::Ampere && stated.is_some() => {}
                Some(Unit::Volt) if unit == Unit::Ampere => {
                    return Err(self.fail(
                        format!(
                            "`{}` is the current channel, but the file has it in volts",
                            info.name
                        ),
                        Some("state `current.scale`, in A per V of the file".into()),
                    ));
                }
                Some(found) if found != unit => {
                    return Err(self.fail(
                        "a channel has another unit in the file than its role needs".into(),
                        None,
                    ));
                }
                _ => {}
            }
        }
        if voltage.is_none() && current.is_none() {
            return Err(self.fail("no channel could be a voltage or a current".into(), None));
        }
        Ok(Selection { voltage, current })
    }

    /// Whether numbers can be taken as volts or amperes.
    fn scale(
        &self,
        info: &ChannelInfo,
        side: Option<&ChannelSheet>,
        word: &str,
        doubts: &mut Vec<Flag>,
    ) -> Result<(), CaptureError> {
        let scale = side.and_then(|side| side.scale);
        if let (Some(why), None) = (&info.needs_scale, scale) {
            return Err(self.fail(
                format!("`{}` can't be taken as {word}: {why}", info.name),
                Some(format!("set `{word}.scale` in the sheet: volts or amperes per number")),
            ));
        }
        // One rule for all formats: whole numbers without a unit are codes.
        if info.unit.is_none()
            && scale.is_none()
            && info.number.is_some_and(|number| number.full_scale().is_some())
        {
            return Err(self.fail(
                format!(
                    "`{}` can't be taken as {word}: its numbers are converter codes, and the file \
                     does not state their unit",
                    info.name
                ),
                Some(format!("set `{word}.scale` in the sheet: volts or amperes per number")),
            ));
        }
        if info.unit.is_none() && scale.is_none() {
            doubts.push(Flag::new(
                Code::UnitAssumed,
                format!(
                    "neither the file nor the sheet states the unit of `{}`: taken as {}; set \
                     `{word}.scale`",
                    info.name,
                    if word == "voltage" { "volts" } else { "amperes" }
                ),
            ));
        }
        let told = side.and_then(|side| side.probe_factor);
        match (info.probe_factor, told) {
            (Some(file), Some(told)) if (file / told - 1.0).abs() > 1e-6 => Err(self.fail(
                format!(
                    "the file says that a probe factor of {file} was set for `{}`, the sheet says {told}",
                    info.name
                ),
                Some(format!(
                    "find out which probe was used; set `{word}.probe_factor = {file}` and put what \
                     is missing into `{word}.scale`"
                )),
            )),
            (Some(file), None) if (file - 1.0).abs() > 1e-6 && scale.is_some_and(is_not_one) => {
                Err(self.fail(
                    format!(
                        "the file's numbers of `{}` hold a probe factor of {file} already, and the \
                         sheet scales them again by {}",
                        info.name,
                        scale.unwrap_or(1.0)
                    ),
                    Some(format!(
                        "if both are meant, set `{word}.probe_factor = {file}`; if not, leave \
                         `{word}.scale` out"
                    )),
                ))
            }
            _ => Ok(()),
        }
    }
}

fn is_not_one(scale: f64) -> bool {
    (scale.abs() - 1.0).abs() > 1e-9
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::Sheet;

    fn capture(sheet: &str) -> Capture {
        Capture {
            data: "cut.csv".into(),
            data_current: None,
            layout: None,
            sheet: toml::from_str::<Sheet>(sheet).unwrap(),
            sheet_file: None,
        }
    }

    fn channel(name: &str, unit: Option<Unit>) -> ChannelInfo {
        ChannelInfo { unit, ..ChannelInfo::named(name) }
    }

    fn chosen(
        sheet: &str,
        channels: &[ChannelInfo],
    ) -> Result<(Option<usize>, Option<usize>), String> {
        choose_roles(&capture(sheet), channels, &mut |_| ())
            .map(|found| (found.selection.voltage, found.selection.current))
            .map_err(|error| error.message)
    }

    #[test]
    fn units_tell_voltage_from_current_whatever_the_order() {
        let channels = [channel("A", Some(Unit::Ampere)), channel("B", Some(Unit::Volt))];
        assert_eq!(chosen("", &channels), Ok((Some(1), Some(0))));
    }

    #[test]
    fn without_units_the_first_is_the_voltage_and_that_is_noted_and_in_doubt() {
        let channels = [channel("A", None), channel("B", None)];
        let mut notes = Vec::new();
        let found = choose_roles(&capture(""), &channels, &mut |note| notes.push(note)).unwrap();
        assert_eq!((found.selection.voltage, found.selection.current), (Some(0), Some(1)));
        assert_eq!(notes.len(), 1);
        assert!(found.doubts.iter().all(|flag| flag.code == Code::UnitAssumed));
        assert_eq!(found.doubts.len(), 2);
    }

    #[test]
    fn a_sheet_of_one_channel_means_that_channel_alone() {
        let channels = [channel("A", Some(Unit::Volt)), channel("B", Some(Unit::Ampere))];
        assert_eq!(chosen("[voltage]\nchannel = \"A\"", &channels), Ok((Some(0), None)));
        assert_eq!(chosen("[current]\nchannel = 1", &channels), Ok((None, Some(1))));
    }

    #[test]
    fn what_would_be_a_guess_or_a_mistake_is_refused() {
        let volt = || channel("A", Some(Unit::Volt));
        let twice = [channel("in", None), channel("in", None)];
        assert!(chosen("", &twice).unwrap_err().contains("two channels"));
        assert!(chosen("[voltage]\nchannel = \"C\"", &[volt()]).is_err());
        let same = "[voltage]\nchannel = 0\n[current]\nchannel = 0\nscale = 1.0";
        assert!(chosen(same, &[volt()]).unwrap_err().contains("same channel"));
        // Volts are no amperes until the sheet says how many.
        let probe = [volt(), channel("B", Some(Unit::Volt))];
        let sheet = "[voltage]\nchannel = 0\n[current]\nchannel = 1";
        assert!(chosen(sheet, &probe).is_err());
        assert_eq!(chosen(&format!("{sheet}\nscale = 10.0"), &probe), Ok((Some(0), Some(1))));
        assert!(chosen("", &[]).is_err());
    }

    #[test]
    fn a_probe_factor_is_not_applied_twice() {
        let channels = [ChannelInfo { probe_factor: Some(10.0), ..channel("A", Some(Unit::Volt)) }];
        let sheet = |more: &str| format!("[voltage]\nchannel = 0\n{more}");
        assert!(chosen(&sheet(""), &channels).is_ok());
        assert!(chosen(&sheet("scale = 10.0"), &channels).is_err());
        assert!(chosen(&sheet("scale = 10.0\nprobe_factor = 10.0"), &channels).is_ok());
        assert!(chosen(&sheet("probe_factor = 100.0"), &channels).is_err());
    }
}
