//! What outputs are compared by.

use super::Point;
use crate::measures::Measure;
use crate::result::Part;
use crate::trace::Kind;
use crate::verification::KeptMeasure;

/// A quantity of one part of an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Quantity {
    /// The measure.
    pub measure: Measure,
    /// How far repeated measurements of one setting commonly vary, as a share (common practice, no
    /// source): the unit in which differences are counted.
    pub permille: u16,
    /// Whether it means something with nothing connected, too; an open output is never compared with a
    /// loaded one.
    pub open: bool,
    /// Whether it is one of whole cycles alone.
    pub of_cycle: bool,
}

const fn quantity(measure: Measure, permille: u16, open: bool, of_cycle: bool) -> Quantity {
    Quantity { measure, permille, open, of_cycle }
}

/// All of them: each is compared as the logarithm of its ratio. CF stands for the equivalent duty, too,
/// which is 2 / CF^2.
pub const QUANTITIES: &[Quantity] = &[
    quantity(Measure::Power, 50, false, false),
    quantity(Measure::VoltagePeak, 50, true, false),
    quantity(Measure::CrestFactor, 50, false, false),
    quantity(Measure::DutyCycle, 100, false, false),
    quantity(Measure::Duration, 100, false, true),
];

impl Quantity {
    /// Its scale in logarithms.
    #[must_use]
    pub fn scale(self) -> f64 {
        f64::from(self.permille) / 1000.0
    }

    /// The quantity of a part of a point, where it was measured and is above zero.
    #[must_use]
    pub fn of(self, point: &Point, part: Part) -> Option<&KeptMeasure> {
        let found = point.had(self.measure, part).ok()?;
        (found.estimate.value > 0.0).then_some(found)
    }
}

/// The part of a kind of phases.
#[must_use]
pub fn part_of(kind: Kind) -> Part {
    match kind {
        Kind::Cut => Part::Cut,
        Kind::Coag => Part::Coag,
        Kind::Rest => Part::Rest,
    }
}

/// How strongly an output is modulated, by its crest factor: a suggestion, not a standard (common
/// practice, no source).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Modulation {
    /// Up to a crest factor of 1.7.
    Continuous,
    /// Up to 4.
    Moderate,
    /// Up to 8.
    Strong,
    /// Above.
    VeryStrong,
}

impl Modulation {
    /// That of a crest factor.
    #[must_use]
    pub fn of(crest_factor: f64) -> Self {
        match crest_factor {
            x if x < 1.7 => Self::Continuous,
            x if x < 4.0 => Self::Moderate,
            x if x < 8.0 => Self::Strong,
            _ => Self::VeryStrong,
        }
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Continuous => "continuous",
            Self::Moderate => "moderately modulated",
            Self::Strong => "strongly modulated",
            Self::VeryStrong => "very strongly modulated",
        }
    }
}
