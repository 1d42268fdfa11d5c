//! The kinds of entries that a plan can have: one file each with its keys, what they can't mean, its
//! steps, what those need of a capture, its verdicts and words; and one row below.

mod check;
mod curve;
mod dial;
mod hf_leakage;
mod ladder;
mod manual;
mod open_circuit;
mod repeat;
mod setting;
mod timing;

pub use curve::Curve;
pub use hf_leakage::HfLeakage;
pub use ladder::Ladder;
pub use manual::{Answer, Manual};
pub use open_circuit::OpenCircuit;
pub use repeat::Repeat;
pub use timing::Timing;

pub(super) use check::{Fault, Table, decision, fault};

use super::judge::Bench;
use super::profile::PlanHead;
use super::result::GroupResult;
use super::step::Step;
use crate::check::LOAD_SHARE;
use crate::profile::{Decision, KindThresholds, Setting, Unit};
use serde::{Deserialize, Serialize};

/// One entry of a plan.
pub(super) trait Entry {
    /// Its id, unique among everything that is judged.
    fn id(&self) -> &str;

    /// Refuses what can't be meant.
    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault>;

    /// What is to be captured or read for it.
    fn steps(&self, profile: &Profile) -> Vec<Step>;

    /// Its verdicts; `None` where nothing is asked of it.
    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult>;
}

/// What holds for every entry of a kind.
#[derive(Clone, Copy, Debug)]
pub struct Facts {
    /// Name for people.
    pub title: &'static str,
    /// How the output is connected.
    pub wiring: Wiring,
    /// What a job keeps of its captures beside the measures.
    pub needs: Needs,
    /// Share by which the load of a capture may differ from the planned one. The published tolerance of
    /// a test load is 3 % (IEC 60601-2-2, from memory).
    pub load_share: f64,
    /// Whether a capture whose phases are not those of the setting is one of another step.
    pub own_sequence: bool,
    /// Whether its captures count for the largest power over 1 s.
    pub rated: bool,
    /// Whether its captures show what the setting puts out.
    pub shows_output: bool,
}

/// An entry whose captures are taken into a test load.
const INTO_LOAD: Facts = Facts {
    title: "",
    wiring: Wiring::Load,
    needs: Needs { limits: false, drift: false, switch: false, picture: false },
    load_share: LOAD_SHARE,
    own_sequence: true,
    rated: true,
    shows_output: true,
};

/// How the output is connected, in the order of work: what needs no output first, then into loads,
/// what needs another wiring, open circuit last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Wiring {
    /// No output is needed.
    None,
    /// Across a test load.
    Load,
    /// From one point to earth.
    Earth,
    /// Nothing connected.
    Open,
}

/// What a job keeps of a capture beside the measures.
#[derive(Clone, Copy, Debug)]
pub struct Needs {
    /// Verdicts on the limits of the setting.
    pub limits: bool,
    /// Change of the power along the activation.
    pub drift: bool,
    /// Times between switch and output.
    pub switch: bool,
    /// A picture for the report.
    pub picture: bool,
}

macro_rules! entries {
    ($($(#[$doc:meta])* $table:ident: $Entry:ident),+ $(,)?) => {
        /// What a step belongs to.
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
        )]
        #[serde(rename_all = "snake_case")]
        pub enum StepKind {
            $($(#[$doc])* $Entry,)+
        }

        impl StepKind {
            /// What holds for every entry of this kind.
            #[must_use]
            pub fn facts(self) -> &'static Facts {
                match self {
                    $(Self::$Entry => &$table::FACTS,)+
                }
            }
        }

        /// The profile of a unit: what each setting should put out, and the plan by which the whole
        /// unit is verified.
        #[derive(Clone, Debug, PartialEq, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct Profile {
            /// Version of the profile's form; 1.
            pub format: u32,
            /// The unit.
            #[serde(default)]
            pub unit: Unit,
            /// How verdicts are given.
            #[serde(default)]
            pub decision: Decision,
            /// What tells cut from coag.
            #[serde(default)]
            pub kinds: KindThresholds,
            /// What holds for a whole verification.
            #[serde(default)]
            pub plan: PlanHead,
            $(
                $(#[$doc])*
                #[serde(default)]
                pub $table: Vec<$Entry>,
            )+
        }

        impl Profile {
            /// Every entry with its place in the file, kind by kind.
            pub(super) fn entries(&self) -> impl Iterator<Item = (Table, &dyn Entry)> {
                std::iter::empty()$(.chain(self.$table.iter().enumerate().map(|(k, entry)| {
                    (Table::new(stringify!($table), k), entry as &dyn Entry)
                })))+
            }
        }
    };
}

// In the order of a report.
entries! {
    /// Looked at or read from another instrument.
    manual: Manual,
    /// One setting against its limits.
    setting: Setting,
    /// Power over load.
    curve: Curve,
    /// Power over the dial.
    ladder: Ladder,
    /// Repeated activations.
    repeat: Repeat,
    /// Output against the switch.
    timing: Timing,
    /// HF current to earth.
    hf_leakage: HfLeakage,
    /// Highest voltage with nothing connected.
    open_circuit: OpenCircuit,
}
