//! Cards for people: one model of the sheet, and renderers that return bytes.

mod html;
mod map;
#[cfg(feature = "pdf")]
mod pdf;
mod sheet;
pub mod text;

pub use map::{Axes, map};
pub use sheet::Sheet;

use super::job::{Look, ReportError};
use crate::card::Card;

/// How much of a card is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Size {
    /// A page for the wall.
    #[default]
    Wall,
    /// Strips for the pocket: the short form alone.
    Pocket,
}

/// Writes cards.
type Render = fn(&[Card], Size, &Look) -> Result<Vec<u8>, ReportError>;

/// A kind of sheet.
#[derive(Debug)]
pub struct CardSheet {
    /// Ending of its file.
    pub ending: &'static str,
    /// Whether it has a form for the pocket.
    pub has_pocket: bool,
    /// Writes it.
    pub render: Render,
}

/// All kinds of sheets.
pub const SHEETS: &[CardSheet] = &[
    CardSheet { ending: "html", has_pocket: true, render: html::render },
    #[cfg(feature = "pdf")]
    CardSheet { ending: "pdf", has_pocket: true, render: pdf::render },
    CardSheet { ending: "json", has_pocket: false, render: |cards, _, _| json(cards) },
    CardSheet {
        ending: "txt",
        has_pocket: false,
        render: |cards, _, _| Ok(lines(cards).into_bytes()),
    },
    CardSheet {
        ending: "svg",
        has_pocket: false,
        render: |cards, _, _| map(cards, Axes::default()).map(String::into_bytes),
    },
];

/// The kind of sheet that a file of this ending is.
#[must_use]
pub fn sheet(ending: &str) -> Option<&'static CardSheet> {
    SHEETS.iter().find(|sheet| sheet.ending.eq_ignore_ascii_case(ending))
}

fn json(cards: &[Card]) -> Result<Vec<u8>, ReportError> {
    let text = match cards {
        [one] => serde_json::to_string_pretty(one),
        all => serde_json::to_string_pretty(all),
    };
    let mut text = text.map_err(|error| ReportError(error.to_string()))?;
    text.push('\n');
    Ok(text.into_bytes())
}

/// The neutral line of each setting, one a line, after its unit and id.
fn lines(cards: &[Card]) -> String {
    let mut out = String::new();
    for card in cards {
        for setting in &card.settings {
            let line = crate::card::Line::of(setting);
            let id = crate::keyfile::shown_plainly(&setting.id);
            out.push_str(&format!("{} / {id}\t{line}\n", card.name()));
        }
    }
    out
}
