//! Cards, comparisons and nearest settings as text.

use super::ReportError;
use super::sheet::{Sheet, dial_words, load_words};
use crate::card::{Card, Comparison, NOT_TISSUE, Nearest};
use crate::report::table::{Manner, push_table, wrapped};
use crate::units::{for_people, significant};

/// Cards for people.
///
/// # Errors
/// Where a picture of the sheet can't be drawn.
pub fn cards(cards: &[Card], manner: Manner) -> Result<String, ReportError> {
    let mut out = String::new();
    for card in cards {
        let sheet = Sheet::of(card)?;
        out.push_str(&manner.heading(&format!("{}, {}", sheet.unit, sheet.when)));
        out.push('\n');
        for row in &sheet.rows {
            out.push_str(&format!("\n{}", manner.heading(&row.id)));
            if !row.label.is_empty() {
                out.push_str(&format!("  ({})", row.label));
            }
            out.push('\n');
            out.push_str(&wrapped("  ", &row.line));
            out.push_str(&wrapped("  ", &row.sentence));
            if manner.all {
                for (name, value) in &row.facts {
                    out.push_str(&wrapped(&format!("  {name}:"), value));
                }
            }
            for one in &row.missing {
                out.push_str(&wrapped("  -", one));
            }
        }
        out.push_str(&format!("\n{}\n\n", sheet.footer));
    }
    out.push_str(&wrapped("", NOT_TISSUE));
    Ok(out)
}

/// A comparison for people: what differs beyond U first.
#[must_use]
pub fn comparison(found: &Comparison, manner: Manner) -> String {
    let day = |day: &Option<String>| match day {
        Some(day) => format!(" ({})", day.get(..10).unwrap_or(day)),
        None => String::new(),
    };
    let mut out = manner.heading(&format!(
        "{}{} against {}{}",
        found.a.0,
        day(&found.a.1),
        found.b.0,
        day(&found.b.1)
    ));
    out.push_str("\n\n");
    let (beyond, within): (Vec<_>, Vec<_>) =
        found.rows.iter().partition(|row| row.times.is_none_or(|times| times > 1.0));
    let heading =
        ["setting", "dial", "load", "what", "first", "second", "difference", "± U", "times U"];
    let line = |row: &&crate::card::Compared| {
        let unit = row.measure.unit();
        let one = row.settings.0 == row.settings.1;
        let doubt = if row.at_least { " ?" } else { "" };
        vec![
            if one {
                row.settings.0.clone()
            } else {
                format!("{} / {}", row.settings.0, row.settings.1)
            },
            if row.dials.0 == row.dials.1 {
                dial_words(row.dials.0)
            } else {
                format!("{} / {}", dial_words(row.dials.0), dial_words(row.dials.1))
            },
            load_words(row.load),
            format!("{}, {}", row.measure.title(), row.part.name()),
            for_people(row.values.0, unit),
            for_people(row.values.1, unit),
            format!("{:+.1} %", 100.0 * row.difference / row.values.0),
            row.expanded_uncertainty
                .map_or("?".into(), |u| format!("{}{doubt}", significant(u, unit, 2))),
            row.times.map_or("?".into(), |times| format!("{times:.1}{doubt}")),
        ]
    };
    let mut table = |title: String, rows: &[&crate::card::Compared]| {
        out.push_str(&format!("{title}\n"));
        if rows.is_empty() {
            return;
        }
        let mut all = vec![heading.map(str::to_owned).to_vec()];
        all.extend(rows.iter().map(line));
        push_table(&all, manner, &mut out);
        out.push('\n');
    };
    table(format!("beyond U, or U not known: {} of {}", beyond.len(), found.rows.len()), &beyond);
    let shown = if manner.all { within.clone() } else { Vec::new() };
    let more = if manner.all || within.is_empty() { "" } else { " (--all shows them)" };
    table(format!("within U: {}{more}", within.len()), &shown);
    for one in &found.not_compared {
        out.push_str(&wrapped("not compared:", one));
    }
    let mut doubts: Vec<&str> =
        found.rows.iter().flat_map(|row| &row.in_doubt).map(|code| code.name()).collect();
    doubts.sort_unstable();
    doubts.dedup();
    if !doubts.is_empty() {
        out.push_str(&wrapped("flags of these captures:", &doubts.join(", ")));
    }
    out.push('\n');
    out.push_str(&wrapped("", "What the instruments of both share counts once. ? marks a U without a scale, the load or the clock: it is at least that large."));
    out.push_str(&wrapped("", NOT_TISSUE));
    out
}

/// Nearest settings for people.
#[must_use]
pub fn nearest(found: &Nearest, manner: Manner) -> String {
    let to = &found.to;
    let mut out = manner.heading(&format!(
        "nearest to {}, {}{}",
        to.unit,
        to.setting,
        to.dial.map_or(String::new(), |dial| format!(" at dial {dial}"))
    ));
    out.push_str("\n\n");
    if found.matches.is_empty() {
        out.push_str("Nothing there can be compared with it.\n\n");
    } else if !found.matches.iter().any(|one| one.near) {
        out.push_str("No setting is near: each differs by more than three times what repeated measurements vary.\n\n");
    }
    for (k, one) in found.matches.iter().enumerate() {
        let mode = one.mode.as_ref().map_or(String::new(), |mode| format!(" ({mode})"));
        let near = if one.near { "" } else { ", not near" };
        let dial = match (one.dial, one.dial_expanded_uncertainty) {
            (None, _) => String::new(),
            (Some(dial), Some(u)) => {
                let doubt = if one.at_least { " ?" } else { "" };
                format!(" at dial {}{doubt}", beside(dial, u))
            }
            (Some(dial), None) if one.at_end => {
                format!(" at dial {} (an end of what was captured)", rounded(dial))
            }
            (Some(dial), None) => format!(" at dial {}", rounded(dial)),
        };
        out.push_str(&format!(
            "{}. {}, {}{mode}{dial}: distance {:.2}{near}\n",
            k + 1,
            one.unit,
            one.setting,
            one.distance
        ));
        if one.not_monotonic {
            out.push_str(
                "   its power is not monotonic over the dial: other dials may come as near\n",
            );
        }
        if !one.in_doubt.is_empty() {
            let codes: Vec<&str> = one.in_doubt.iter().map(|code| code.name()).collect();
            out.push_str(&wrapped("   in doubt:", &codes.join(", ")));
        }
        if !one.not_compared.is_empty() {
            let of = |q: &crate::card::Uncompared| {
                format!("{} of {} at {}", q.measure.title(), q.part.name(), load_words(q.load))
            };
            let all: Vec<String> = one.not_compared.iter().map(of).collect();
            let more = all.len().saturating_sub(3);
            let shown = all.iter().take(3).cloned().collect::<Vec<_>>().join(", ");
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            out.push_str(&wrapped(
                "   not measured there, so not compared:",
                &format!("{shown}{more}"),
            ));
        }
        if k > 0 && !manner.all {
            continue;
        }
        let mut rows = vec![
            ["quantity", "load", "wanted", "there", "ratio", "times", ""]
                .map(str::to_owned)
                .to_vec(),
        ];
        rows.extend(one.quantities.iter().map(|q| {
            let unit = q.measure.unit();
            vec![
                format!("{}, {}", q.measure.title(), q.part.name()),
                if q.load == q.their_load {
                    load_words(q.load)
                } else {
                    format!("{} / {}", load_words(q.load), load_words(q.their_load))
                },
                for_people(q.values.0, unit),
                for_people(q.values.1, unit),
                format!("{:.3}", q.values.1 / q.values.0),
                format!("{:+.1}", q.multiples),
                if q.agrees { "agrees" } else { "differs" }.to_owned(),
            ]
        }));
        push_table(&rows, manner, &mut out);
        out.push('\n');
    }
    for one in &found.not_comparable {
        out.push_str(&wrapped(
            &format!("not comparable: {}, {}:", one.unit, one.setting),
            one.reason.words(),
        ));
    }
    if let Some(changes) = found.rank_changes {
        out.push_str(&format!(
            "\nIn {} draws from the uncertainties another setting came first in {:.1} %.\n",
            found.draws,
            100.0 * changes
        ));
    }
    out.push_str(&wrapped("", "Times counts differences in what repeated measurements of one setting commonly vary: 5 % of power, peak and crest factor, 10 % of duty and times. Dials lie between those that were captured, never beyond."));
    out.push_str(&wrapped("", NOT_TISSUE));
    out
}

/// A dial with its U, both to the same digit.
fn beside(dial: f64, u: f64) -> String {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // between 0 and 4
    let places = (1.0 - u.log10().floor()).clamp(0.0, 4.0) as usize;
    format!("{dial:.places$} ± {u:.places$}")
}

/// A dial to what makes sense on one.
fn rounded(dial: f64) -> String {
    let text = format!("{dial:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A whole table from the settings of one unit to those of another.
#[must_use]
pub fn translation(all: &[Nearest], manner: Manner) -> String {
    let mut rows = vec![
        ["setting", "dial", "nearest", "dial there", "distance", "what remains different"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for found in all {
        let first = found.matches.first();
        let near = first.filter(|one| one.near);
        let differs = |one: &crate::card::Match| {
            let all = one.quantities.iter().filter(|q| !q.agrees).map(|q| {
                let part = q.part.name();
                format!(
                    "{} {part} {} x{:.2}",
                    q.measure.title(),
                    load_words(q.load),
                    q.values.1 / q.values.0
                )
            });
            let mut all: Vec<String> = all.collect();
            let more = all.len().saturating_sub(2);
            all.truncate(2);
            match (all.is_empty(), more) {
                (true, _) => "nothing that was compared".to_owned(),
                (false, 0) => all.join(", "),
                (false, more) => format!("{}, {more} more", all.join(", ")),
            }
        };
        rows.push(vec![
            found.to.setting.clone(),
            dial_words(found.to.dial),
            near.map_or("none is near".into(), |one| one.setting.clone()),
            match near.map(|one| (one.dial, one.dial_expanded_uncertainty)) {
                Some((Some(dial), Some(u))) => {
                    let doubt = if near.is_some_and(|one| one.at_least) { " ?" } else { "" };
                    format!("{}{doubt}", beside(dial, u))
                }
                Some((Some(dial), None)) => rounded(dial),
                _ => "-".into(),
            },
            first.map_or("-".into(), |one| format!("{:.2}", one.distance)),
            first.map_or_else(
                || {
                    let why = found.not_comparable.iter().map(|one| one.reason.words());
                    why.min_by_key(|why| why.len()).unwrap_or("nothing to compare with").to_owned()
                },
                |one| {
                    let doubt = if one.in_doubt.is_empty() { "" } else { "; in doubt" };
                    format!("{}{doubt}", differs(one))
                },
            ),
        ]);
    }
    let mut out = String::new();
    push_table(&rows, manner, &mut out);
    out.push('\n');
    out.push_str(&wrapped("", NOT_TISSUE));
    out
}
