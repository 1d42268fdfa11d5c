//! A delay between the channels, as text and as sheet lines.

use crate::result::DelayEstimate;
use crate::units::{Unit, for_people, significant};

/// The estimate for people, with the lines for the sheet.
#[must_use]
pub fn text(found: &DelayEstimate) -> String {
    let u = found.standard_uncertainty_s;
    // A reactance in series that would turn the carrier as a delay of a nanosecond does.
    let turn = std::f64::consts::TAU * found.carrier_hz * 1e-9;
    format!(
        "the {} lags by {} (standard uncertainty {}), {} of it beyond what the sheet states\n\
         from {} stretches at {}, {} across the load; {:.2} % of the current does not follow the \
         voltage\n\
         not counted: reactance of the load; {} in series would look like 1 ns\n\n\
         [{}]\ndelay_s = {:.3e}\ndelay_standard_uncertainty_s = {:.1e}\n",
        found.lagging.name(),
        for_people(found.delay_s, Unit::Second),
        significant(u, Unit::Second, 2),
        for_people(found.further_s, Unit::Second),
        found.stretches,
        for_people(found.carrier_hz, Unit::Hertz),
        for_people(found.load_ohm, Unit::Ohm),
        100.0 * found.residual_share,
        for_people(found.load_ohm * turn.tan(), Unit::Ohm),
        found.lagging.name(),
        found.delay_s,
        u
    )
}
