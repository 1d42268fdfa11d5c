//! Cards as PDF/A: a page of A4 for each unit.

use super::{Sheet, Size};
use crate::card::Card;
use crate::report::job::{Look, ReportError};
use crate::report::typeset::{self, DATA, Files, drawn};
use serde_json::json;

const TEMPLATE: &str = include_str!("card.typ");

/// The sheets of some cards.
pub(super) fn render(cards: &[Card], size: Size, look: &Look) -> Result<Vec<u8>, ReportError> {
    let mut files = Files::new();
    let mut sheets = Vec::new();
    for (k, card) in cards.iter().enumerate() {
        let sheet = Sheet::of(card)?;
        let mut told =
            serde_json::to_value(&sheet).map_err(|error| ReportError(error.to_string()))?;
        for (n, row) in sheet.rows.iter().enumerate() {
            for (what, svg) in [("curve", &row.curve), ("dial", &row.dial), ("wave", &row.wave)] {
                if let Some(svg) = svg {
                    let name = format!("{what}-{k}-{n}.svg");
                    files.insert(name.clone(), drawn(svg));
                    told["rows"][n][what] = json!(name);
                }
            }
        }
        sheets.push(told);
    }
    let data = json!({ "sheets": sheets, "pocket": size == Size::Pocket });
    files.insert(DATA.into(), data.to_string().into_bytes());
    typeset::pdf(TEMPLATE, files, env!("CARGO_PKG_VERSION"), look)
}
