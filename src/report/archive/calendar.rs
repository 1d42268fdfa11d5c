//! What is due as an iCalendar file (RFC 5545): one event of a whole day for each unit.

use super::text::{due_words, unit};
use crate::archive::Due;
use crate::digest::Sha256;
use crate::units::day_of;

/// The most octets of a line (RFC 5545, 3.1).
const LINE: usize = 75;

/// Adds a line, folded where it is long, never inside a sign.
fn push(line: &str, out: &mut String) {
    let mut room = LINE;
    for sign in line.chars() {
        if sign.len_utf8() > room {
            out.push_str("\r\n ");
            room = LINE - 1;
        }
        out.push(sign);
        room -= sign.len_utf8();
    }
    out.push_str("\r\n");
}

/// A text as a value (RFC 5545, 3.3.11).
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for sign in text.chars() {
        match sign {
            '\\' | ';' | ',' => {
                out.push('\\');
                out.push(sign);
            }
            '\n' => out.push_str("\\n"),
            sign if sign.is_control() => {}
            sign => out.push(sign),
        }
    }
    out
}

/// The calendar; units without a day are left out.
#[must_use]
pub fn ics(all: &[Due], made_at: jiff::Timestamp) -> String {
    let stamp: String =
        made_at.to_string().chars().filter(|c| c.is_ascii_digit()).take(14).collect();
    let stamp = format!("{}T{}Z", &stamp[..8], &stamp[8..]);
    let mut out = String::new();
    for line in
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//crestbook//archive//EN", "CALSCALE:GREGORIAN"]
    {
        push(line, &mut out);
    }
    for one in all {
        let Some(day) = day_of(&one.next) else { continue };
        let name = unit(&one.model, &one.serial, &one.inventory);
        // The same unit keeps its event when the calendar is read again.
        let id = Sha256::of(format!("{}\n{}\n{}", one.model, one.serial, one.inventory).as_bytes())
            .to_string();
        let compact = day.to_string().replace('-', "");
        let last = if one.last.is_empty() { "never".into() } else { one.last.clone() };
        for line in [
            "BEGIN:VEVENT".to_owned(),
            format!("UID:{}@crestbook", &id[..32]),
            format!("DTSTAMP:{stamp}"),
            format!("DTSTART;VALUE=DATE:{compact}"),
            format!("SUMMARY:{}", escaped(&format!("Verify {name}"))),
            format!("LOCATION:{}", escaped(&one.place)),
            format!(
                "DESCRIPTION:{}",
                escaped(&format!("Last verified: {last}. {}", due_words(one.state)))
            ),
            "TRANSP:TRANSPARENT".to_owned(),
            "END:VEVENT".to_owned(),
        ] {
            push(&line, &mut out);
        }
    }
    push("END:VCALENDAR", &mut out);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::DueState;

    #[test]
    fn lines_are_folded_and_texts_escaped() {
        let one = Due {
            model: "Harrow; 2, \u{fc}ber\nX".into(),
            serial: "\u{1f600}".repeat(30),
            inventory: String::new(),
            place: "Theatre 1".into(),
            last: "2026-01-01".into(),
            entry: Some(2),
            verdict: None,
            next: "2027-01-01".into(),
            state: DueState::Later { days: 40 },
        };
        let none = Due { next: String::new(), ..one.clone() };
        let text = ics(&[one, none], jiff::Timestamp::UNIX_EPOCH);
        assert!(text.split("\r\n").all(|line| line.len() <= LINE), "{text}");
        assert!(text.contains("Harrow\\; 2\\, \u{fc}ber\\nX"));
        assert!(text.contains("DTSTART;VALUE=DATE:20270101\r\n"));
        assert!(text.contains("DTSTAMP:19700101T000000Z\r\n"));
        assert_eq!(text.matches("BEGIN:VEVENT").count(), 1);
        assert!(!text.replace("\r\n", "").contains('\n'));
    }
}
