//! The printable check list of a job.

use super::html::page;
use crate::report::CAUTIONS;
use crate::verification::{Answer, Load, Manual, Profile, Step};
use maud::html;

/// The steps in the order of work, to be ticked off at the bench.
#[must_use]
pub fn checklist(profile: &Profile, order: &[&Step], unit: &str) -> String {
    let (on, off) = profile.plan.duty_s();
    let captures = order.iter().filter(|step| step.setting.is_some()).count();
    let minutes = (captures as f64 * (on + off) / 60.0).ceil();
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
                strong { (off) " s" } ". " (captures) " captures: " (minutes)
                " minutes of activation and rest at most."
            }
            @if !by_hand.is_empty() {
                h2 { "First, by hand" }
                table {
                    thead { tr { th scope="col" { "done" } th scope="col" { "step" }
                        th scope="col" { "what" } th scope="col" { "wanted" } th scope="col" { "found" } } }
                    tbody {
                        @for step in by_hand {
                            @let manual = profile.manual.iter().find(|manual| manual.id == step.id);
                            tr {
                                td { span.box {} }
                                td.code { (step.id) }
                                td { (step.what) }
                                td { (manual.map(wanted).unwrap_or_default()) }
                                td.blank {}
                            }
                        }
                    }
                }
                p.small { "Type them in with " code { "crestbook job note FOLDER STEP VALUE UNIT" } "." }
            }
            h2 { "Then, captures" }
            table {
                thead { tr { th scope="col" { "done" } th scope="col" { "load" }
                    th scope="col" { "setting" } th scope="col" { "dial" } th scope="col" { "what" }
                    th scope="col" { "save as (.csv, .wav, ...)" } } }
                tbody {
                    @for step in order.iter().filter(|step| step.setting.is_some()) {
                        tr {
                            td { span.box {} }
                            td { (load(step)) }
                            td { (step.setting.as_deref().unwrap_or_default()) }
                            td { (step.dial.map_or(String::new(), |dial| dial.to_string())) }
                            td { (step.what) }
                            td.code { "captures/" (step.id) }
                        }
                    }
                }
            }
        }
    };
    page("Check list", body).into_string()
}

fn load(step: &Step) -> String {
    match step.load {
        Some(Load::Ohm(ohm)) => format!("{ohm} Ω"),
        Some(Load::Open) => "none".into(),
        None => String::new(),
    }
}

fn wanted(manual: &Manual) -> String {
    let unit = manual.unit.as_deref().unwrap_or_default();
    match (manual.takes(), manual.min, manual.max) {
        (Answer::YesNo, ..) => manual.answer.clone().unwrap_or_default(),
        (Answer::Note, ..) => "a note".into(),
        (_, Some(low), Some(high)) => format!("{low} to {high} {unit}"),
        (_, Some(low), None) => format!("at least {low} {unit}"),
        (_, None, Some(high)) => format!("at most {high} {unit}"),
        (_, None, None) => String::new(),
    }
}
