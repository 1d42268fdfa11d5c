//! What is due: the last result of each unit, and units that were never verified.

use super::store::Value;
use super::{Archive, ArchiveError, facts};
use crate::check::Verdict;
use crate::units::day_of;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Days ahead in which a verification is due soon.
const SOON: i32 = 30;

/// How a unit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum DueState {
    /// The day is past.
    Overdue {
        /// By so many days.
        days: i32,
    },
    /// No result of it is in the archive.
    Never,
    /// The last result is no pass.
    NotAPass,
    /// The day is near.
    Soon {
        /// In so many days.
        days: i32,
    },
    /// The last result states no day.
    NoDay,
    /// The day is far.
    Later {
        /// In so many days.
        days: i32,
    },
}

/// A unit and what is due of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Due {
    /// Model.
    pub model: String,
    /// Serial number.
    pub serial: String,
    /// Inventory number.
    pub inventory: String,
    /// Department or place, as the last result or the inventory states it.
    pub place: String,
    /// Day of the last result.
    pub last: String,
    /// Its entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry: Option<u64>,
    /// Its verdict.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// Day on which the next is due.
    pub next: String,
    /// How it stands.
    #[serde(flatten)]
    pub state: DueState,
}

/// A unit of an inventory.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct Known {
    /// Model.
    #[serde(default)]
    pub model: String,
    /// Serial number.
    #[serde(default)]
    pub serial: String,
    /// Inventory number.
    #[serde(default)]
    pub inventory: String,
    /// Department or place.
    #[serde(default)]
    pub place: String,
}

/// Reads an inventory: comma-separated, with the columns `model`, `serial`, `inventory`, `place`.
///
/// # Errors
/// Where it can't be read, or names units by neither serial nor inventory number.
pub fn inventory(file: &Path) -> Result<Vec<Known>, ArchiveError> {
    let unfit = |message: String| ArchiveError::Unfit {
        name: file.display().to_string(),
        message,
        help: "an inventory is a .csv file with the columns model, serial, inventory, place".into(),
    };
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(file)
        .map_err(|error| unfit(error.to_string()))?;
    let heads = reader.headers().map_err(|error| unfit(error.to_string()))?;
    if !heads.iter().any(|head| matches!(head, "serial" | "inventory")) {
        return Err(unfit("its first line names neither `serial` nor `inventory`".into()));
    }
    let mut all = Vec::new();
    for (k, row) in reader.deserialize::<Known>().enumerate() {
        let known = row.map_err(|error| unfit(error.to_string()))?;
        if known.serial.is_empty() && known.inventory.is_empty() {
            return Err(unfit(format!(
                "row {} has neither a serial nor an inventory number",
                k + 1
            )));
        }
        all.push(known);
    }
    Ok(all)
}

impl Archive {
    /// What is due on a day, by results up to that day, the most pressing first; `known` are units that should be there.
    ///
    /// # Errors
    /// Where the archive can't be read.
    pub fn due(&mut self, today: Date, known: &[Known]) -> Result<Vec<Due>, ArchiveError> {
        let mut all: Vec<Due> = Vec::new();
        let sql = "SELECT number, model, serial, inventory, day, verdict, next_due, department, place FROM result \
                   WHERE form = 'crestbook/job/1' AND day <= $1 AND NOT EXISTS \
                   (SELECT 1 FROM result AS later WHERE later.replaces = result.number) \
                   ORDER BY serial, model, inventory, day, state, number";
        self.db.query(sql, &[(&today.to_string()).into()], &mut |row| {
            let text = |k: usize| row.get(k).and_then(Value::text).unwrap_or_default().to_owned();
            let number = row.first().and_then(Value::count);
            let department = text(7);
            let one = Due {
                model: text(1),
                serial: text(2),
                inventory: text(3),
                place: if department.is_empty() { text(8) } else { department },
                last: text(4),
                entry: number,
                verdict: facts::verdict_of(&text(5)).flatten(),
                next: text(6),
                state: DueState::NoDay,
            };
            // Rows of a unit follow each other; the last one counts.
            let same = |other: &Due| {
                other.model == one.model
                    && other.serial == one.serial
                    && (!one.serial.is_empty() || other.inventory == one.inventory)
            };
            match all.last_mut().filter(|last| same(last)) {
                Some(last) => *last = one,
                None => all.push(one),
            }
            Ok(())
        })?;
        for one in &mut all {
            one.state = state(one, today);
        }
        for unit in known {
            let there = |one: &Due| {
                let by_serial = !unit.serial.is_empty() && one.serial == unit.serial;
                let by_inventory = !unit.inventory.is_empty() && one.inventory == unit.inventory;
                (by_serial && (unit.model.is_empty() || one.model == unit.model)) || by_inventory
            };
            match all.iter_mut().find(|one| there(one)) {
                // The inventory knows better where it is now.
                Some(one) if !unit.place.is_empty() => one.place.clone_from(&unit.place),
                Some(_) => {}
                None => all.push(Due {
                    model: unit.model.clone(),
                    serial: unit.serial.clone(),
                    inventory: unit.inventory.clone(),
                    place: unit.place.clone(),
                    last: String::new(),
                    entry: None,
                    verdict: None,
                    next: String::new(),
                    state: DueState::Never,
                }),
            }
        }
        all.sort_by(|a, b| {
            let pressing = |due: &Due| match due.state {
                DueState::Overdue { days } => (0, -days),
                DueState::Never => (1, 0),
                DueState::NotAPass => (2, 0),
                DueState::Soon { days } => (3, days),
                DueState::NoDay => (4, 0),
                DueState::Later { days } => (5, days),
            };
            pressing(a)
                .cmp(&pressing(b))
                .then_with(|| (&a.model, &a.serial).cmp(&(&b.model, &b.serial)))
        });
        Ok(all)
    }
}

fn state(due: &Due, today: Date) -> DueState {
    let days =
        day_of(&due.next).and_then(|next| today.until(next).ok()).map(|span| span.get_days());
    match (days, due.verdict) {
        (Some(days), _) if days < 0 => DueState::Overdue { days: -days },
        (_, Some(verdict)) if !matches!(verdict, Verdict::Pass | Verdict::ConditionalPass) => {
            DueState::NotAPass
        }
        (Some(days), _) if days <= SOON => DueState::Soon { days },
        (Some(days), _) => DueState::Later { days },
        (None, _) => DueState::NoDay,
    }
}
