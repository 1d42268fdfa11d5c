//! Captures as benches really make them: families of outputs, instruments and exports, each with
//! its truth. Nothing here is shared with the analysis: waves are formulas, truths are closed forms
//! or dense sums of the noise-free formula, never taken from the degraded samples.

mod draw;
mod export;
mod instrument;
mod scene;
mod sheet;
mod truth;
mod wave;

mod arcs;
mod bridges;
mod channels;
mod clipped;
mod coag;
mod cycles;
mod drifts;
mod exports;
mod inputs;
mod loads;
mod quiet;
mod short;
mod slow;
mod starts;
mod steady;
mod tones;
mod uneven;

/// Kind of a true phase.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Continuous or blended output.
    Cut,
    /// Strongly modulated, or continuous and under 200 V.
    Coag,
    /// No output.
    Rest,
}

/// A true phase.
#[derive(Clone, Debug)]
pub struct TruePhase {
    /// Kind.
    pub kind: Kind,
    /// Start on the clock of the record, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// True values by measure, only of measures that have a sensible meaning here.
    pub truth: Vec<(&'static str, f64)>,
}

/// A capture and its truth.
#[derive(Clone, Debug)]
pub struct Capture {
    /// Sample rate as the file states it, Hz.
    pub rate_hz: f64,
    /// Voltage as recorded, V; empty where there is no such channel.
    pub v: Vec<f64>,
    /// Current as recorded, A; empty where there is no such channel.
    pub i: Vec<f64>,
    /// The capture sheet beside channels and rate, TOML.
    pub sheet: String,
    /// Phases that tile the record.
    pub phases: Vec<TruePhase>,
    /// How far an edge may be off, s.
    pub edge_s: f64,
}

/// Captures of one kind.
#[derive(Clone, Copy)]
pub struct Family {
    /// Short name.
    pub name: &'static str,
    /// What they are, for a table.
    pub what: &'static str,
    /// Why the file can't tell the truth, where it can't.
    pub undetectable: Option<&'static str>,
    /// Makes an instance.
    pub make: fn(u64) -> Capture,
}

impl Family {
    /// A family whose files can tell what is wrong with them.
    const fn new(name: &'static str, what: &'static str, make: fn(u64) -> Capture) -> Self {
        Self { name, what, undetectable: None, make }
    }

    /// The same family, whose files can't tell for this reason.
    const fn untold(self, reason: &'static str) -> Self {
        Self { undetectable: Some(reason), ..self }
    }
}

const GROUPS: &[&[Family]] = &[
    steady::FAMILIES,
    coag::FAMILIES,
    cycles::FAMILIES,
    slow::FAMILIES,
    starts::FAMILIES,
    short::FAMILIES,
    uneven::FAMILIES,
    tones::FAMILIES,
    bridges::FAMILIES,
    drifts::FAMILIES,
    clipped::FAMILIES,
    channels::FAMILIES,
    loads::FAMILIES,
    arcs::FAMILIES,
    exports::FAMILIES,
    inputs::FAMILIES,
    quiet::FAMILIES,
];

const COUNT: usize = {
    let (mut count, mut group) = (0, 0);
    while group < GROUPS.len() {
        count += GROUPS[group].len();
        group += 1;
    }
    count
};

const ALL: [Family; COUNT] = {
    let mut all = [GROUPS[0][0]; COUNT];
    let (mut next, mut group) = (0, 0);
    while group < GROUPS.len() {
        let mut member = 0;
        while member < GROUPS[group].len() {
            all[next] = GROUPS[group][member];
            next += 1;
            member += 1;
        }
        group += 1;
    }
    all
};

/// All families.
pub const FAMILIES: &[Family] = &ALL;
