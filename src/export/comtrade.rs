//! COMTRADE (IEC 60255-24, edition 2013, from memory): a configuration with its data beside it
//! (`.cfg`), or both in one file (`.cff`).

use super::{Notes, Shape, TraceWriter, put};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::io::Write;

struct ComtradeWriter {
    /// The configuration where the data have their own file.
    config: Option<WholeFile>,
    data: WholeFile,
    shape: Shape,
    integer: Option<u32>,
}

pub(super) fn create(
    mut file: WholeFile,
    shape: &Shape,
    notes: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    // The lowest code is the mark for no value: codes are written in 32 bits over twice the range, where
    // all of them are their own.
    let integer = shape.integer_bytes(&[2, 4]).map(|_| 4);
    let shape = &match integer {
        Some(_) => Shape { full_scale: shape.full_scale.map(|full| 2.0 * full), ..*shape },
        None => *shape,
    };
    let text = config(shape, integer, notes);
    let combined = file.path().extension().is_some_and(|ending| ending.eq_ignore_ascii_case("cff"));
    let kind = kind(integer);
    let head = if combined {
        let row = 8 + u64::from(integer.unwrap_or(4)) * shape.named().len() as u64;
        let mut head = format!("--- file type: CFG ---\r\n{text}");
        if kind == "BINARY" || kind == "BINARY32" || kind == "FLOAT32" {
            head.push_str(&format!("--- file type: DAT {kind}: {} ---\r\n", row * shape.samples));
        }
        head
    } else {
        text
    };
    file.write_all(head.as_bytes()).map_err(|e| file.fail(e))?;
    let (config, data) = if combined {
        (None, file)
    } else {
        let data = WholeFile::create(&file.path().with_extension("dat"))?;
        (Some(file), data)
    };
    Ok(Box::new(ComtradeWriter { config, data, shape: *shape, integer }))
}

fn kind(integer: Option<u32>) -> &'static str {
    match integer {
        Some(2) => "BINARY",
        Some(_) => "BINARY32",
        None => "FLOAT32",
    }
}

fn config(shape: &Shape, integer: Option<u32>, notes: &Notes) -> String {
    let channels = shape.named();
    let clean = |text: &str| text.replace([',', '\r', '\n'], " ");
    let place = notes.description.as_deref().map_or_else(|| "bench".to_owned(), clean);
    let mut lines = vec![format!("{place},crestbook,2013"), format!("{0},{0}A,0D", channels.len())];
    for (k, (name, unit, full)) in channels.iter().enumerate() {
        let (low, high, factor) = match integer {
            Some(2) => (-32_767.0, 32_767.0, full / 32_768.0),
            Some(_) => (-2_147_483_647.0, 2_147_483_647.0, full / 2_147_483_648.0),
            None => (-3.4e38, 3.4e38, 1.0),
        };
        lines.push(format!("{},{name},,test load,{unit},{factor:e},0,0,{low},{high},1,1,P", k + 1));
    }
    let start = stamp(notes.taken_at.as_deref());
    lines.extend([
        "0".to_owned(),
        "1".to_owned(),
        format!("{},{}", shape.rate.hertz(), shape.samples),
        start.clone(),
        start,
        kind(integer).to_owned(),
        "1".to_owned(),
        "0,0".to_owned(),
        "0,0".to_owned(),
    ]);
    lines.iter().map(|line| format!("{line}\r\n")).collect()
}

/// Day and time as the standard writes them; the epoch where the time is not known.
fn stamp(taken: Option<&str>) -> String {
    let found = taken.and_then(|text| {
        let (date, time) = text.split_once('T')?;
        let mut parts = date.split('-');
        let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
        let time = time.get(..8)?;
        Some(format!("{day}/{month}/{year},{time}.000000"))
    });
    found.unwrap_or_else(|| "01/01/1970,00:00:00.000000".to_owned())
}

impl TraceWriter for ComtradeWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let rate = self.shape.rate.hertz();
        let mut bytes = Vec::with_capacity(block.len() * 16);
        for k in 0..block.len() {
            let place = block.start + k as u64;
            // Rows count from 1, stamps are microseconds; both run over as 32 bit must.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let (number, micros) =
                ((place + 1) as u32, (place as f64 * 1e6 / rate).round() as u64 as u32);
            bytes.extend(number.to_le_bytes());
            bytes.extend(micros.to_le_bytes());
            let scales = [self.shape.full_scale.voltage, self.shape.full_scale.current];
            for (x, full) in [&block.v, &block.i].into_iter().zip(scales) {
                let Some(value) = x.get(k) else { continue };
                if value.is_infinite() {
                    return Err(self.data.fail(std::io::Error::other(
                        "COMTRADE has no mark for a value beyond the range: convert to .npy or .csv",
                    )));
                }
                // The mark of the standard for no value.
                let value = if value.is_finite() { *value } else { f64::from(f32::MIN) };
                put(value, full, self.integer, false, &mut bytes);
            }
        }
        self.data.write_all(&bytes).map_err(|e| self.data.fail(e))
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        self.data.finish()?;
        self.config.map_or(Ok(()), WholeFile::finish)
    }
}
