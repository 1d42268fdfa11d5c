//! Lists of an archive as text.

use crate::archive::{Act, Due, DueState, Entry, FileRole, Found, Verification};
use crate::check::Verdict;
use crate::report::table::{Manner, Tone, painted, push_table, wrapped};
use crate::verification::Change;

fn or_dash(text: &str) -> String {
    if text.is_empty() { "-".into() } else { text.to_owned() }
}

fn verdict_words(verdict: Option<Verdict>) -> String {
    verdict.map_or_else(|| "-".into(), |verdict| verdict.words().to_owned())
}

/// A unit by model and serial or inventory number.
#[must_use]
pub fn unit(model: &str, serial: &str, inventory: &str) -> String {
    let model = if model.is_empty() { "unit" } else { model };
    match (serial, inventory) {
        ("", "") => model.to_owned(),
        ("", inventory) => format!("{model}, inventory {inventory}"),
        (serial, _) => format!("{model}, serial {serial}"),
    }
}

/// Results that were found; `more` says that there are others.
#[must_use]
pub fn list(found: &[Found], more: bool, manner: Manner) -> String {
    if found.is_empty() {
        return "no result is found\n".into();
    }
    let mut rows = vec![
        ["entry", "day", "unit", "state", "verdict", "report", "next due"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for one in found {
        let facts = &one.facts;
        let mark = one.replaced_by.map_or(String::new(), |later| format!(" (replaced by {later})"));
        rows.push(vec![
            format!("{}{mark}", one.entry),
            or_dash(&facts.day),
            unit(&facts.model, &facts.serial, &facts.inventory),
            or_dash(&facts.state),
            verdict_words(facts.verdict),
            or_dash(&facts.report),
            or_dash(&facts.next_due),
        ]);
    }
    let mut out = String::new();
    push_table(&rows, manner, &mut out);
    if more {
        out.push_str("  ... and more; --most N shows more of them, or narrow the search\n");
    }
    out
}

/// What an entry did, in a few words.
#[must_use]
pub fn act(entry: &Entry) -> String {
    let why = |reason: &Option<String>| {
        reason.as_ref().map_or(String::new(), |reason| format!(": {reason}"))
    };
    match &entry.act {
        Act::Begin { origin, .. } => format!("began the archive {origin}"),
        Act::Add(added) => {
            let meaning =
                added.meaning.map_or(String::new(), |meaning| format!(", {}", meaning.name()));
            let raw = added.files.iter().filter(|file| file.role == FileRole::Capture);
            let (kept, all) =
                raw.fold((0, 0), |(kept, all), file| (kept + usize::from(file.kept), all + 1));
            let captures = match (kept, all) {
                (_, 0) => String::new(),
                (0, all) => format!(", hashes of {all} captures"),
                (kept, _) => format!(", {kept} captures"),
            };
            let replaces =
                added.replaces.map_or(String::new(), |old| format!(" in place of {old}"));
            format!("added a result{replaces}{captures}{meaning}{}", why(&added.reason))
        }
        Act::Sign { of, meaning, reason } => {
            format!("signed {of}: {}{}", meaning.name(), why(reason))
        }
        Act::Hold { of, reason } => format!("put the captures of {of} on hold: {reason}"),
        Act::Release { of, reason } => format!("released the captures of {of}: {reason}"),
        Act::Remove { before, captures, reason } => {
            format!("removed {} captures of results before {before}: {reason}", captures.len())
        }
        Act::Key { key } => format!("began to sign with the key {key}"),
    }
}

/// One line of the log.
#[must_use]
pub fn log_line(entry: &Entry) -> String {
    let clock = entry
        .clock_behind_s
        .map_or(String::new(), |s| format!(" [the clock had gone back by {s} s]"));
    let line = format!("{}: {}{clock}", entry.by, act(entry));
    // One entry is one line, whatever was typed.
    let line = line.split_whitespace().collect::<Vec<_>>().join(" ");
    format!("{:>6}  {}  {line}\n", entry.number, entry.at)
}

/// A result with what stands about it in the log.
#[must_use]
pub fn shown(found: &Found, entry: &Entry, about: &[Entry], manner: Manner) -> String {
    let facts = &found.facts;
    let mut out = format!(
        "{}  {}\n\n",
        manner.heading(&format!("entry {}", found.entry)),
        unit(&facts.model, &facts.serial, &facts.inventory)
    );
    let people: Vec<String> =
        facts.people.iter().map(|(role, name)| format!("{name} ({role})")).collect();
    let rows = [
        ("day", or_dash(&facts.day)),
        ("state", or_dash(&facts.state)),
        ("verdict", verdict_words(facts.verdict)),
        ("report", or_dash(&facts.report)),
        ("place", or_dash(&facts.place)),
        ("department", or_dash(&facts.department)),
        ("people", or_dash(&people.join(", "))),
        ("next due", or_dash(&facts.next_due)),
        ("added", format!("{} by {}, crestbook {}", entry.at, entry.by, entry.program)),
        ("SHA-256", found.sha256.to_string()),
    ];
    for (name, value) in rows {
        out.push_str(&format!("  {name:<11} {value}\n"));
    }
    if let Some(old) = found.replaces {
        out.push_str(&format!("  {:<11} entry {old}\n", "corrects"));
    }
    if let Some(later) = found.replaced_by {
        out.push_str(&format!(
            "  {:<11} entry {later}: this result no longer counts\n",
            "replaced by"
        ));
    }
    if let Act::Add(added) = &entry.act {
        if !added.files.is_empty() {
            out.push_str(&format!("\n{}\n", manner.heading("files")));
        }
        for file in &added.files {
            let kept = if file.kept { "" } else { "  (hash only)" };
            out.push_str(&format!(
                "  {:<8} {}  {} bytes  {}{kept}\n",
                file.role.name(),
                file.sha256,
                file.bytes,
                file.name
            ));
        }
    }
    if !about.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("since then")));
        about.iter().for_each(|entry| out.push_str(&log_line(entry)));
    }
    out
}

/// What a check of an archive found.
#[must_use]
pub fn verification(found: &Verification, manner: Manner) -> String {
    let (words, tone) =
        if found.intact { ("intact", Tone::Pass) } else { ("not intact", Tone::Fail) };
    let mut out = format!(
        "{}  {}: {} entries, {} results\n",
        painted(words, tone, manner),
        found.origin,
        found.entries,
        found.results
    );
    out.push_str(&format!("  root {}\n", found.root));
    let mut captures = vec![format!("{} captures have their hash", found.captures)];
    if found.not_read > 0 {
        captures = vec![format!("{} captures were left out", found.not_read)];
    }
    if found.hashes_only > 0 {
        captures.push(format!("of {} the hash alone is kept", found.hashes_only));
    }
    if found.removed > 0 {
        captures.push(format!("{} were removed by an entry that says why", found.removed));
    }
    let place =
        found.captures_in.as_ref().map_or(String::new(), |folder| format!(" (in {folder})"));
    out.push_str(&format!("  {}{place}\n", captures.join("; ")));
    if let Some(count) = found.recomputed {
        out.push_str(&format!("  {count} results measured anew from their captures\n"));
    }
    out.push_str(&match found.signed_up_to {
        0 => "  no checkpoint is signed: whoever can write to the archive could have made all of it anew\n".into(),
        up_to if up_to == found.entries => format!("  signed up to entry {up_to}, the last\n"),
        up_to => format!("  signed up to entry {up_to}; entries {} to {} are not\n", up_to + 1, found.entries),
    });
    out.push_str(&match found.kept_elsewhere_up_to {
        None => "  no checkpoint kept elsewhere was given: an archive that was made anew as a whole would not show\n"
            .into(),
        Some(up_to) => format!("  the checkpoint kept elsewhere vouches for entries 1 to {up_to}\n"),
    });
    if !found.faults.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("not as it was written")));
        for fault in &found.faults {
            let place =
                fault.entry.map_or("  archive:".to_owned(), |entry| format!("  entry {entry}:"));
            out.push_str(&wrapped(&place, &fault.message));
        }
    }
    out
}

/// How a unit stands, in words.
#[must_use]
pub fn due_words(state: DueState) -> String {
    let days = |days: i32| if days == 1 { "1 day".to_owned() } else { format!("{days} days") };
    match state {
        DueState::Overdue { days: by } => format!("overdue by {}", days(by)),
        DueState::Never => "never verified".into(),
        DueState::NotAPass => "last result is not a pass".into(),
        DueState::Soon { days: 0 } => "due today".into(),
        DueState::Soon { days: within } => format!("due in {}", days(within)),
        DueState::NoDay => "no day stated".into(),
        DueState::Later { days: within } => format!("in {}", days(within)),
    }
}

/// What is due.
#[must_use]
pub fn due(all: &[Due], manner: Manner) -> String {
    if all.is_empty() {
        return "no unit is known\n".into();
    }
    let heads = ["unit", "place", "last", "verdict", "next due", ""];
    let mut rows = vec![heads.map(str::to_owned).to_vec()];
    for one in all {
        rows.push(vec![
            unit(&one.model, &one.serial, &one.inventory),
            or_dash(&one.place),
            or_dash(&one.last),
            verdict_words(one.verdict),
            or_dash(&one.next),
            due_words(one.state),
        ]);
    }
    let mut out = String::new();
    push_table(&rows, manner, &mut out);
    out
}

/// What differs between two results.
#[must_use]
pub fn change(names: (&str, &str), change: &Change, all: bool, manner: Manner) -> String {
    let mut rows = vec![["", names.0, names.1, "change / U"].map(str::to_owned).to_vec()];
    let mut left = 0;
    for row in &change.rows {
        let moved = row.score.is_none_or(|score| score > 1.0) || row.before.2 != row.after.2;
        if !moved && !all {
            left += 1;
            continue;
        }
        let shown = |(value, u, verdict): (f64, Option<f64>, Verdict)| {
            let u = u.map_or("?".into(), |u| format!("{u:.2}"));
            format!(
                "{} \u{b1} {u} {} {}",
                crate::units::significant(value, crate::units::Unit::One, 4),
                row.unit,
                verdict.words()
            )
        };
        rows.push(vec![
            format!("{}: {}", row.group, row.what),
            shown(row.before),
            shown(row.after),
            row.score.map_or_else(
                || row.differs.clone().unwrap_or_else(|| "U not known".into()),
                |score| format!("{score:.2}"),
            ),
        ]);
    }
    let mut out = String::new();
    if rows.len() > 1 {
        push_table(&rows, manner, &mut out);
    }
    if left > 0 {
        out.push_str(&format!(
            "  {left} values moved by no more than U, with the same verdict; --all shows them\n"
        ));
    }
    if change.rows.is_empty() {
        out.push_str("the two have no value in common\n");
    }
    out
}
