//! The printable check list of a job.

use super::html::page;
use crate::report::CAUTIONS;
use crate::units::{Unit, significant};
use crate::verification::{Load, Profile, Step};
use maud::{Markup, html};

/// The steps in the order of work, to be ticked off at the bench.
#[must_use]
pub fn checklist(profile: &Profile, order: &[&Step], unit: &str) -> String {
    let (on, off) = profile.plan.duty_s();
    let captures: Vec<&&Step> = order.iter().filter(|step| step.to_capture()).collect();
    let minutes = (captures.len() as f64 * (on + off) / 60.0).ceil();
    let by_hand: Vec<&&Step> = order.iter().filter(|step| step.setting.is_none()).collect();
    let body = html! {
        header {
            h1 { "Check list" }
            p.lead { (unit) }
        }
        main {
            section.caution aria-label="Cautions" { p { (CAUTIONS) } }
            p {
                "Activate for at most " strong { (on) " s" } ", then rest for at least "
                strong { (off) " s" } ". " (captures.len()) " captures: " (minutes)
                " minutes of activation and rest at most."
            }
            @if !by_hand.is_empty() {
                h2 { "First, by hand" }
                table {
                    thead { tr { th scope="col" { "done" } th scope="col" { "step" }
                        th scope="col" { "what" } th scope="col" { "wanted" } th scope="col" { "found" } } }
                    tbody {
                        @for step in by_hand {
                            tr {
                                td { span.box {} }
                                td.code { (step.id) }
                                td { (step.what) }
                                td { (step.wanted) }
                                td.blank {}
                            }
                        }
                    }
                }
                p.small { "Type them in with " code { "crestbook job note FOLDER STEP VALUE UNIT" } "." }
            }
            h2 { "Then, captures" }
            p.small {
                "Peaks are those that the plan leads to expect; the range is the next of 1-2-5 above 1.2 \
                 times that. Write down the load as measured where it is not the one asked for, and put \
                 it into the sheet."
            }
            table {
                thead { tr { th scope="col" { "done" } th scope="col" { "load" } th scope="col" { "as measured" }
                    th scope="col" { "what" } th scope="col" { "wanted" }
                    th scope="col" { "peaks and ranges" } th scope="col" { "save as (.csv, .wav, ...)" } } }
                tbody { @for step in captures { (capture(step, order)) } }
            }
            div.sign { div { "measured by, date" } div { "reviewed by, date" } }
        }
    };
    page("Check list", body).into_string()
}

fn capture(step: &Step, order: &[&Step]) -> Markup {
    let serves: Vec<&str> = order
        .iter()
        .filter(|other| other.shares.as_deref() == Some(step.id.as_str()))
        .map(|other| other.id.as_str())
        .collect();
    html! {
        tr {
            td { span.box {} }
            td { (load(step)) }
            td.blank {}
            td { (step.what) @if !serves.is_empty() { br; span.small { "also for " (serves.join(", ")) } } }
            td { (step.wanted) }
            td { @for (k, text) in peaks(step).iter().enumerate() { @if k > 0 { br; } (text) } }
            td.code { "captures/" (step.id) }
        }
    }
}

fn load(step: &Step) -> String {
    match step.load {
        Some(Load::Ohm(ohm)) => format!("{ohm} Ω"),
        Some(Load::Open) => "none".into(),
        None => String::new(),
    }
}

/// Expected peaks, and the ranges of the instruments that hold them.
fn peaks(step: &Step) -> Vec<String> {
    let of = |peak: Option<f64>, unit: Unit| {
        let peak = peak?;
        let shown = |x: f64| significant(x, unit, 2);
        Some(format!("{}, range ±{}", shown(peak), shown(range(peak))))
    };
    [of(step.expected.peak_v, Unit::Volt), of(step.expected.peak_a, Unit::Ampere)]
        .into_iter()
        .flatten()
        .collect()
}

/// The next of 1-2-5 above 1.2 times a peak.
fn range(peak: f64) -> f64 {
    let wanted = 1.2 * peak;
    let decade = 10_f64.powf(wanted.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .map(|step| step * decade)
        .into_iter()
        .find(|x| *x >= wanted)
        .unwrap_or(wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_hold_the_peak_with_room() {
        for (peak, wanted) in
            [(283.0, 500.0), (0.57, 1.0), (420.0, 1000.0), (1.66, 2.0), (4.2, 10.0)]
        {
            assert!((range(peak) - wanted).abs() < 1e-9, "{peak}: {}", range(peak));
        }
    }
}
