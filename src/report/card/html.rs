//! Cards as one HTML page: a sheet of A4 for each unit.

use super::{Sheet, Size};
use crate::card::Card;
use crate::report::job::{Look, ReportError, page};
use maud::{Markup, PreEscaped, html};

const STYLE: &str = include_str!("card.css");

/// The sheets of some cards.
pub(super) fn render(cards: &[Card], size: Size, _: &Look) -> Result<Vec<u8>, ReportError> {
    let sheets: Vec<Sheet> = cards.iter().map(Sheet::of).collect::<Result<_, _>>()?;
    let units: Vec<&str> = sheets.iter().map(|sheet| sheet.unit.as_str()).collect();
    let body = html! {
        style { (PreEscaped(STYLE)) }
        main {
            @for one in &sheets {
                @match size { Size::Wall => (wall(one)), Size::Pocket => (pocket(one)) }
            }
        }
    };
    let title = format!("What each setting puts out: {}", units.join(", "));
    Ok(page(&title, body).into_string().into_bytes())
}

fn drawn(svg: Option<&String>, alt: &str, class: &str) -> Markup {
    html! {
        @if let Some(svg) = svg {
            div class=(class) role="img" aria-label=(alt) { (PreEscaped(svg)) }
        }
    }
}

fn wall(sheet: &Sheet) -> Markup {
    html! {
        section.sheet {
            h1 { (sheet.unit) }
            p.when { (sheet.when) }
            @for row in &sheet.rows {
                article.setting {
                    div.said {
                        h2 { (row.id) }
                        p.label { (row.label) }
                        p.lead { (row.lead) }
                        @for output in &row.outputs { p.output { (output) } }
                        p.behaviour { (row.behaviour) }
                    }
                    div.drawn {
                        (drawn(row.wave.as_ref(), &format!("{}: output over time", row.id), "wave"))
                        div.curves {
                            (drawn(row.curve.as_ref(), &format!("{}: power over load", row.id), "curve"))
                            (drawn(row.dial.as_ref(), &format!("{}: power over dial", row.id), "curve"))
                        }
                    }
                    p.line { (row.line) }
                    @if !row.facts.is_empty() {
                        details { summary { "all that was measured" }
                            table { tbody { @for (name, value) in &row.facts { tr { th scope="row" { (name) } td { (value) } } } } }
                        }
                    }
                    @for one in &row.missing { p.missing { (one) } }
                }
            }
            p.notes { (sheet.notes) }
            p.legend { (sheet.legend) }
            p.foot { (sheet.footer) }
        }
    }
}

fn pocket(sheet: &Sheet) -> Markup {
    html! {
        section.pocket {
            h2 { (sheet.unit) }
            p.when { (sheet.when) }
            @for row in &sheet.rows { p.strip { strong { (row.id) } " " (row.short) } }
            p.notes { "± is the largest U (95 %) of the strip, ? one that lacks a scale, the load or the clock. A dash was not measured." }
            p.notes { "On a bench, into a resistor. Electrical likeness is not tissue likeness; the manufacturer's instructions prevail." }
            p.foot { (sheet.footer) }
        }
    }
}
