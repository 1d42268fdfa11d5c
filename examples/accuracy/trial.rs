//! The program tried on captures as benches really make them: by family, how many come out right,
//! wrong with a flag, or silently wrong.

use crate::hard::{self, Capture, FAMILIES, Family, TruePhase};
use crestbook::analysis::{Settings, measure_capture};
use crestbook::export::{self, Floats, Shape};
use crestbook::flag::Doubted;
use crestbook::measures::Measure;
use crestbook::measures::MeasureSet;
use crestbook::recording::{self, Unobserved};
use crestbook::result::Measurement;
use crestbook::trace::{Block, Channels, Kind};
use crestbook::units::SampleRate;
use rayon::prelude::*;
use std::path::Path;

/// What became of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// Everything is as in truth.
    Right,
    /// Something is not, and a flag puts it in doubt.
    Flagged,
    /// No flag does.
    Silent,
}

/// One thing that is not as it is in truth.
pub struct Wrong {
    /// Whether a flag puts it in doubt.
    pub flagged: bool,
    /// What was found and what is true.
    pub what: String,
}

/// Shares of U, and of the value, beyond which a number is wrong: both must be passed.
const BEYOND_U: f64 = 1.25;

fn tolerance(measure: &str) -> f64 {
    match measure {
        "fundamental_hz" => 2e-4,
        "burst_rate_hz" => 2e-3,
        "duty_cycle" => 1e-2,
        _ => 5e-3,
    }
}

/// The section on so many instances of each family, or of those whose name holds `only`.
pub fn section(instances: u64, only: Option<&str>, verbose: bool) -> String {
    let families: Vec<&Family> = FAMILIES
        .iter()
        .filter(|family| only.is_none_or(|part| family.name.contains(part)))
        .collect();
    let fates: Vec<Fate> = families
        .iter()
        .flat_map(|family| (0..instances).map(move |instance| (*family, instance)))
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|(family, instance)| {
            let wrong = try_one(&(family.make)(instance));
            if verbose {
                for one in &wrong {
                    let word = if one.flagged { "flagged" } else { "SILENT " };
                    println!("{word} {}-{instance}: {}", family.name, one.what);
                }
            }
            fate(&wrong)
        })
        .collect();
    table(&families, instances, &fates)
}

/// The worst of what is wrong.
pub fn fate(wrong: &[Wrong]) -> Fate {
    let fates = wrong.iter().map(|one| if one.flagged { Fate::Flagged } else { Fate::Silent });
    fates.max().unwrap_or(Fate::Right)
}

fn table(families: &[&Family], instances: u64, fates: &[Fate]) -> String {
    let mut out = format!(
        "## Hard captures\n\n{} families of {instances} captures each, made by generators that share \
         no code with the analysis (`examples/accuracy/hard`). **Right**: every phase with its kind \
         and edges, every measure within 1.25 U or 0.5 % (fundamental 0.02 %, burst rate 0.2 %, duty \
         1 %). **Flagged**: something is not, and a flag puts it in doubt. **Silent**: no flag does.\n\n\
         | family | what it is | right | flagged | silent |\n|---|---|---:|---:|---:|\n",
        families.len()
    );
    let mut total = [0_usize; 3];
    let mut untold = String::new();
    for (family, fates) in families.iter().zip(fates.chunks(instances.max(1) as usize)) {
        let of = |fate: Fate| fates.iter().filter(|one| **one == fate).count();
        let counts = [Fate::Right, Fate::Flagged, Fate::Silent].map(of);
        let [right, flagged, silent] = counts;
        let row = format!("{} | {right} | {flagged} | {silent} |\n", family.what);
        match family.undetectable {
            Some(reason) => {
                untold.push_str(&format!("| `{}` | {row}", family.name));
                untold.push_str(&format!("| | *{reason}* | | | |\n"));
            }
            None => {
                out.push_str(&format!("| `{}` | {row}", family.name));
                total.iter_mut().zip(counts).for_each(|(sum, own)| *sum += own);
            }
        }
    }
    let [right, flagged, silent] = total;
    out.push_str(&format!("| **all** | | **{right}** | **{flagged}** | **{silent}** |\n"));
    if !untold.is_empty() {
        out.push_str(&format!(
            "\nNo file can tell these; they are not counted above:\n\n| family | what it is, and why \
             | right | flagged | silent |\n|---|---|---:|---:|---:|\n{untold}"
        ));
    }
    out
}

fn kind(of: hard::Kind) -> Kind {
    match of {
        hard::Kind::Cut => Kind::Cut,
        hard::Kind::Coag => Kind::Coag,
        hard::Kind::Rest => Kind::Rest,
    }
}

/// Measures a capture and holds it against its truth.
pub fn try_one(capture: &Capture) -> Vec<Wrong> {
    match measure(capture) {
        Ok(measurement) => compare(capture, &measurement),
        // Refused with a reason is no number at all.
        Err(error) => vec![Wrong { flagged: true, what: format!("refused: {error}") }],
    }
}

fn measure(capture: &Capture) -> Result<Measurement, Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("made.npy");
    let channels = Channels { voltage: !capture.v.is_empty(), current: !capture.i.is_empty() };
    let shape = Shape {
        channels,
        rate: SampleRate::new(capture.rate_hz).ok_or("no rate")?,
        samples: capture.v.len().max(capture.i.len()) as u64,
        bits: None,
        full_scale: (1.0, 1.0).into(),
        floats: Floats::Usual,
    };
    let mut writer = export::create(&path, &shape)?;
    writer.push(&Block { start: 0, v: capture.v.clone(), i: capture.i.clone() })?;
    writer.finish()?;
    let current = usize::from(channels.voltage);
    let sheet = capture
        .sheet
        .replace("[voltage]\n", "[voltage]\nchannel = 0\n")
        .replace("[current]\n", &format!("[current]\nchannel = {current}\n"));
    let text = format!("sample_rate_hz = {:e}\n{sheet}", capture.rate_hz);
    let sheet = crestbook::sheet::read(Path::new("made"), &text)?;
    let bare = recording::Capture { sheet, ..recording::Capture::bare(&path) };
    let settings = Settings::on_threads(1);
    Ok(measure_capture(bare, &settings, &Unobserved)?.measurement)
}

/// Phases that the record cuts to less than this are not asked for, s.
const STUB_S: f64 = 1e-3;

fn compare(capture: &Capture, found: &Measurement) -> Vec<Wrong> {
    let mut wrong = Vec::new();
    let doubted = |of: Doubted, kind: Option<Kind>| {
        found.flags.iter().any(|flag| {
            let here = kind.is_none_or(|kind| flag.kinds.is_empty() || flag.kinds.contains(&kind));
            here && flag.measures.contains(&of)
        })
    };
    let wanted = &capture.phases;
    let alike = wanted.len() == found.phases.len()
        && wanted.iter().zip(&found.phases).all(|(a, b)| kind(a.kind) == b.kind);
    if !alike {
        let shown = |kinds: Vec<(Kind, f64)>| {
            let parts = kinds.iter().map(|(kind, start)| format!("{kind}@{:.4}ms", 1e3 * start));
            parts.collect::<Vec<_>>().join(" ")
        };
        wrong.push(Wrong {
            flagged: doubted(Doubted::Phases, None),
            what: format!(
                "phases {}, true {} [{}]",
                shown(found.phases.iter().map(|p| (p.kind, p.start_s)).collect()),
                shown(wanted.iter().map(|p| (kind(p.kind), p.start_s)).collect()),
                codes(found)
            ),
        });
        return wrong;
    }
    for (a, b) in wanted.iter().zip(&found.phases).skip(1) {
        let off = (a.start_s - b.start_s).abs();
        if off > capture.edge_s {
            wrong.push(Wrong {
                flagged: doubted(Doubted::Phases, None),
                what: format!(
                    "edge at {:.6} s, true {:.6} s, allowed {:.2e} s [{}]",
                    b.start_s,
                    a.start_s,
                    capture.edge_s,
                    codes(found)
                ),
            });
        }
    }
    for (k, (a, b)) in wanted.iter().zip(&found.phases).enumerate() {
        let border = k == 0 || k + 1 == wanted.len();
        if border && a.end_s - a.start_s < STUB_S {
            continue;
        }
        measures(
            a,
            &b.measures,
            &|measure| doubted(Doubted::Measure(measure), Some(b.kind)),
            &mut wrong,
            found,
        );
    }
    wrong
}

fn measures(
    phase: &TruePhase,
    found: &MeasureSet,
    doubted: &dyn Fn(Measure) -> bool,
    wrong: &mut Vec<Wrong>,
    all: &Measurement,
) {
    for (key, truth) in &phase.truth {
        let Ok(measure) = Measure::find(key) else { panic!("there is no measure {key}") };
        let found = found.had(measure);
        let Ok(estimate) = found else {
            let why = found.err().map_or(String::new(), |why| why.to_string());
            wrong.push(Wrong {
                flagged: true,
                what: format!(
                    "{:?} {measure} {truth:.6}: missing, {why} [{}]",
                    phase.kind,
                    codes(all)
                ),
            });
            continue;
        };
        let off = (estimate.value - truth).abs();
        let expanded = estimate.expanded().unwrap_or(0.0);
        if off > BEYOND_U * expanded && off > tolerance(key) * truth.abs() {
            wrong.push(Wrong {
                flagged: doubted(measure) || estimate.partial,
                what: format!(
                    "{:?} {measure} {:.7} +- {expanded:.3}, true {truth:.7} ({:+.2} %) [{}]",
                    phase.kind,
                    estimate.value,
                    100.0 * (estimate.value / truth - 1.0),
                    codes(all)
                ),
            });
        }
    }
}

fn codes(found: &Measurement) -> String {
    found.flags.iter().map(|flag| flag.code.name()).collect::<Vec<_>>().join(" ")
}
