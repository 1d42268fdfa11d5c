//! SigMF recording: metadata here, data beside it.

use super::{Notes, Shape, TraceWriter, rows};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use sha2::{Digest, Sha512};
use std::io::Write;

struct SigmfWriter {
    meta: WholeFile,
    data: WholeFile,
    shape: Shape,
    notes: Notes,
    integer: Option<u32>,
    double: bool,
    hash: Sha512,
}

pub(super) fn create(
    meta: WholeFile,
    shape: &Shape,
    notes: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let data = WholeFile::create(&meta.path().with_extension("sigmf-data"))?;
    Ok(Box::new(SigmfWriter {
        meta,
        data,
        shape: *shape,
        notes: notes.clone(),
        integer: shape.integer_bytes(&[1, 2, 4]),
        double: shape.floats.double(true),
        hash: Sha512::new(),
    }))
}

impl SigmfWriter {
    fn metadata(&self, hash: &str) -> serde_json::Value {
        use serde_json::json;
        let datatype = match (self.integer, self.double) {
            (Some(1), _) => "ri8",
            (Some(2), _) => "ri16_le",
            (Some(_), _) => "ri32_le",
            (None, true) => "rf64_le",
            (None, false) => "rf32_le",
        };
        let program = concat!("crestbook ", env!("CARGO_PKG_VERSION"));
        let channels: Vec<_> = self
            .shape
            .named()
            .into_iter()
            .map(|(name, unit, full)| {
                // Floats are volts and amperes, integers shares of full scale.
                let scale = if self.integer.is_some() { full } else { 1.0 };
                json!({"name": name, "unit": unit, "scale": scale})
            })
            .collect();
        let annotations: Vec<_> = self
            .notes
            .annotations
            .iter()
            .map(|(start, count, label, comment)| {
                json!({
                    "core:sample_start": start,
                    "core:sample_count": count,
                    "core:label": label,
                    "core:comment": comment,
                    "core:generator": program,
                })
            })
            .collect();
        let mut capture = json!({"core:sample_start": 0});
        if let (Some(taken), Some(map)) = (&self.notes.taken_at, capture.as_object_mut()) {
            map.insert("core:datetime".into(), json!(taken));
        }
        let mut global = json!({
            "core:version": "1.2.5",
            "core:datatype": datatype,
            "core:sample_rate": self.shape.rate.hertz(),
            "core:num_channels": self.shape.named().len(),
            "core:sha512": hash,
            "core:recorder": program,
            "core:extensions": [{
                "name": "crestbook",
                "version": "1.0.0",
                "optional": true,
            }],
            "crestbook:channels": channels,
        });
        if let (Some(text), Some(map)) = (&self.notes.description, global.as_object_mut()) {
            map.insert("core:description".into(), json!(text));
        }
        json!({"global": global, "captures": [capture], "annotations": annotations})
    }
}

impl TraceWriter for SigmfWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let bytes = rows(block, &self.shape, self.integer, self.double);
        self.hash.update(&bytes);
        self.data.write_all(&bytes).map_err(|e| self.data.fail(e))
    }

    fn finish(mut self: Box<Self>) -> Result<(), WriteError> {
        let hash = std::mem::take(&mut self.hash).finalize();
        let hash = hash.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        let mut text = format!("{:#}", self.metadata(&hash));
        text.push('\n');
        let Self { mut meta, data, .. } = *self;
        meta.write_all(text.as_bytes()).map_err(|e| meta.fail(e))?;
        // Metadata without data would be half a recording.
        data.finish()?;
        meta.finish()
    }
}
