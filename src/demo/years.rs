//! Five invented years: two units verified every half year, for trends.
//!
//! The power of one falls until a service mends it; the other is steady but for one capture that stands
//! alone.

use super::others::{OTHERS, Other, recipe};
use super::unit::scaled;
use super::{BENCH, looked_at, write_capture};
use crate::files::{WriteError, write_whole};
use crate::job::{self, Beginning, JobError, RunOptions};
use crate::recording::Observer;
use crate::synth::Recipe;
use crate::verification::{Person, ReportFacts, Step, StepKind, UnitFacts};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::path::Path;

/// Units by their folder, and where they stand.
const UNITS: [(&str, &str); 2] = [("wythmoor", "Theatre 2"), ("garthfell", "Day clinic")];
/// Half years.
const ROUNDS: i32 = 10;
/// The round in which the falling unit is mended.
const SERVICE: i32 = 6;
/// What the unit loses in half a year.
const LOSS: f64 = 0.022;
/// Scatter from one verification to the next, relative.
const SCATTER: f64 = 0.004;

/// Lays out the jobs in `folder`, judged.
pub(super) fn lay_out(folder: &Path, observer: &dyn Observer) -> Result<(), JobError> {
    std::fs::create_dir_all(folder)
        .map_err(|source| WriteError { file: folder.to_owned(), source })?;
    let bench = folder.join("bench.capture.toml");
    write_whole(&bench, BENCH.as_bytes())?;
    for (name, department) in UNITS {
        let Some(unit) = OTHERS.iter().find(|other| other.folder == name) else { continue };
        let falls = name == UNITS[0].0;
        for round in 0..ROUNDS {
            let day = day(round, 4);
            let since = if falls && round > SERVICE { round - SERVICE } else { round };
            let share = if falls { 1.0 - LOSS * f64::from(since) } else { 1.0 };
            let visit = Visit {
                unit,
                department,
                day: &day,
                state: "as found",
                share,
                round,
                odd: !falls && round == 5,
            };
            visit.lay_out(folder, &bench, observer)?;
            if falls && round == SERVICE {
                let day = self::day(round, 9);
                let after = Visit { day: &day, state: "as left", share: 1.0, ..visit };
                after.lay_out(folder, &bench, observer)?;
            }
        }
    }
    Ok(())
}

/// The day of a round: in March or September, from 2021 on.
fn day(round: i32, day: i32) -> String {
    let month = if round % 2 == 0 { 3 } else { 9 };
    format!("{}-{month:02}-{day:02}", 2021 + round / 2)
}

/// One verification.
#[derive(Clone, Copy)]
struct Visit<'a> {
    unit: &'a Other,
    department: &'a str,
    day: &'a str,
    state: &'a str,
    /// Share of its power that the unit still has.
    share: f64,
    round: i32,
    /// Whether one capture stands alone.
    odd: bool,
}

impl Visit<'_> {
    fn lay_out(
        &self,
        folder: &Path,
        bench: &Path,
        observer: &dyn Observer,
    ) -> Result<(), JobError> {
        let state = self.state.replace(' ', "-");
        let folder = folder.join(format!("{}-{}-{state}", self.unit.folder, self.day));
        std::fs::create_dir_all(&folder)
            .map_err(|source| WriteError { file: folder.clone(), source })?;
        let plan = folder.join("plan.toml");
        write_whole(&plan, self.unit.plan.as_bytes())?;
        let text = |text: &str| Some(text.to_owned());
        let number = format!("HF-{}-{:02}{}", &self.day[..4], self.round + 1, self.unit.serial);
        let with = Beginning {
            profile: plan,
            bench: Some(bench.to_owned()),
            state: self.state.into(),
            reason: text(if self.state == "as left" {
                "after repair of the output stage"
            } else {
                "half-yearly verification"
            }),
            unit: UnitFacts { model: None, serial: text(self.unit.serial), inventory: None },
            taken_at: text(self.day),
            people: vec![
                Person { role: "measured by".into(), name: "bench engineer 1".into() },
                Person { role: "reviewed by".into(), name: "bench engineer 2".into() },
            ],
            report: ReportFacts {
                number: Some(number),
                laboratory: text("Harrow Fell Hospital, HF bench"),
                address: text("Bench 2, Harrow Fell"),
                country: text("GB"),
                department: text(self.department),
                customer: text("Harrow Fell Hospital"),
                method: text("Bench method HF-1, issue 1 (invented)"),
                condition: text("complete, no damage seen"),
                issued_on: text(self.day),
                deviations: text("none"),
                specification: text("the invented plan of this unit"),
                authorised_by: text("head of the bench"),
                ..ReportFacts::default()
            },
            ..Beginning::default()
        };
        let job = job::begin(&folder, &with)?;
        let seed =
            self.day.bytes().fold(11_u64, |seed, byte| seed.wrapping_mul(31) + u64::from(byte));
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        for step in job.steps.iter().filter(|step| step.to_capture()) {
            if observer.stop() {
                return Err(JobError::Interrupted);
            }
            let scatter: f64 = StandardNormal.sample(&mut random);
            write_capture(&folder, step, &self.recipe(step, scatter))?;
        }
        job::note(&folder, &looked_at(self.day))?;
        let job = job::Job::open(&folder)?;
        let ran = job::run(&job, RunOptions::default(), observer)?;
        job::write(&job, &ran.result).map(|_| ())
    }

    fn recipe(&self, step: &Step, scatter: f64) -> Recipe {
        let mut share = self.share * (1.0 + SCATTER * scatter);
        if self.odd && step.kind == StepKind::Setting {
            share *= 1.06;
        }
        // Power goes with the square of the voltage.
        scaled(recipe(self.unit, step), share.sqrt())
    }
}
