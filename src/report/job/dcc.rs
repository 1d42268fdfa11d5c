//! The result as a Digital Calibration Certificate: XML after the open schema DCC 3.3.0 with D-SI 2.2.1.
//!
//! The same result gives the same bytes, so that its hash can stand on the paper.

use super::xml::{Xml, clean};
use super::{Look, ReportError, words};
use crate::check::Verdict;
use crate::digest::Sha256;
use crate::report::CAUTIONS;
use crate::report::table::why;
use crate::sheet::InstrumentSheet;
use crate::units::Unit;
use crate::verification::{GroupResult, JobResult, Line};
use std::collections::BTreeSet;
use std::io::Write;

/// The certificate that a result follows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviousReport {
    /// Its number.
    pub number: String,
    /// SHA-256 of its document.
    pub sha256: Sha256,
}

/// Language of all words.
const LANGUAGE: &str = "en";

/// What a certificate must state and this result does not, as keys of job.toml.
#[must_use]
pub fn absent(result: &JobResult) -> Vec<&'static str> {
    let (job, report) = (&result.job, &result.job.report);
    let there = |text: &Option<String>| text.as_deref().is_some_and(|text| !clean(text).is_empty());
    [
        ("report.number", there(&report.number)),
        ("report.laboratory", there(&report.laboratory)),
        ("report.country", there(&report.country)),
        ("report.customer", there(&report.customer)),
        ("report.authorised_by", there(&report.authorised_by)),
        ("unit.serial or unit.inventory", there(&job.unit.serial) || there(&job.unit.inventory)),
        ("the day of a capture (bench.taken_at)", day(&job.first_day).is_some()),
    ]
    .into_iter()
    .filter_map(|(key, there)| (!there).then_some(key))
    .collect()
}

fn day(text: &Option<String>) -> Option<String> {
    text.as_deref().and_then(crate::units::day_of).map(|day| day.to_string())
}

/// Writes the certificate.
pub(super) fn write(
    result: &JobResult,
    look: &Look,
    out: &mut dyn Write,
) -> Result<(), ReportError> {
    let bytes = dcc(result, look)?;
    out.write_all(&bytes).map_err(|error| ReportError(error.to_string()))
}

/// SHA-256 of the certificate, where the result states all that one needs.
#[must_use]
pub fn hash(result: &JobResult, look: &Look) -> Option<Sha256> {
    dcc(result, look).ok().map(|bytes| Sha256::of(&bytes))
}

/// The certificate.
///
/// # Errors
/// Where the result does not state what a certificate must.
pub fn dcc(result: &JobResult, look: &Look) -> Result<Vec<u8>, ReportError> {
    let absent = absent(result);
    if !absent.is_empty() {
        return Err(ReportError(format!(
            "a digital calibration certificate must state more than this result does; add to job.toml: {}",
            absent.join(", ")
        )));
    }
    let mut xml = Xml::new();
    let root = [
        ("schemaVersion", "3.3.0"),
        ("xmlns:dcc", "https://ptb.de/dcc"),
        ("xmlns:si", "https://ptb.de/si"),
        ("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance"),
        ("xsi:schemaLocation", "https://ptb.de/dcc https://ptb.de/dcc/v3.3.0/dcc.xsd"),
    ];
    xml.within("dcc:digitalCalibrationCertificate", &root, |xml| {
        xml.within("dcc:administrativeData", &[], |xml| administrative(result, look, xml));
        xml.within("dcc:measurementResults", &[], |xml| {
            xml.within("dcc:measurementResult", &[], |xml| measured(result, xml));
        });
    });
    Ok(xml.finish())
}

/// A name or text in the language of the certificate.
fn said(element: &str, text: &str, xml: &mut Xml) {
    xml.within(element, &[], |xml| xml.text("dcc:content", &[("lang", LANGUAGE)], text));
}

fn software(program: &str, xml: &mut Xml) {
    xml.within("dcc:software", &[], |xml| {
        said("dcc:name", "crestbook", xml);
        xml.text("dcc:release", &[], &format!("v{program}"));
        xml.text("dcc:type", &[], "application");
    });
}

/// What an optional text says; never called where it is absent.
fn stated(text: &Option<String>) -> &str {
    text.as_deref().unwrap_or("-")
}

fn administrative(result: &JobResult, look: &Look, xml: &mut Xml) {
    let (job, report) = (&result.job, &result.job.report);
    xml.within("dcc:dccSoftware", &[], |xml| software(&result.program, xml));
    xml.within("dcc:coreData", &[], |xml| {
        xml.text("dcc:countryCodeISO3166_1", &[], stated(&report.country));
        xml.text("dcc:usedLangCodeISO639_1", &[], LANGUAGE);
        xml.text("dcc:mandatoryLangCodeISO639_1", &[], LANGUAGE);
        xml.text("dcc:uniqueIdentifier", &[], stated(&report.number));
        let first = day(&job.first_day);
        let last = day(&job.last_day).or_else(|| first.clone());
        let days = [
            ("dcc:receiptDate", day(&report.received_on)),
            ("dcc:beginPerformanceDate", first),
            ("dcc:endPerformanceDate", last),
        ];
        for (element, day) in days {
            if let Some(day) = day {
                xml.text(element, &[], &day);
            }
        }
        xml.text("dcc:performanceLocation", &[], "laboratory");
        if let Some(day) = day(&report.issued_on) {
            xml.text("dcc:issueDate", &[], &day);
        }
        if let Some(old) = &report.amends {
            xml.within("dcc:reportAmendedSubstituted", &[], |xml| {
                xml.text("dcc:typeOfChange", &[], "amended");
                xml.text("dcc:replacedUniqueIdentifier", &[], old);
            });
        }
        if let Some(previous) = &look.previous {
            xml.within("dcc:previousReport", &[], |xml| {
                said("dcc:referral", "Result of the verification before this one", xml);
                xml.text("dcc:referralID", &[], &previous.number);
                xml.text("dcc:procedure", &[], "SHA-256");
                xml.text("dcc:value", &[], &previous.sha256.to_string());
            });
        }
    });
    xml.within("dcc:items", &[], |xml| {
        xml.within("dcc:item", &[], |xml| {
            said("dcc:name", "High-frequency surgical generator", xml);
            if let Some(model) = &job.unit.model {
                xml.text("dcc:model", &[], model);
            }
            xml.within("dcc:identifications", &[], |xml| {
                let numbers = [
                    ("basic_serialNumber", "manufacturer", &job.unit.serial),
                    ("basic_inventoryNumber", "owner", &job.unit.inventory),
                ];
                for (kind, issuer, number) in numbers {
                    if let Some(number) = number {
                        xml.within("dcc:identification", &[("refType", kind)], |xml| {
                            xml.text("dcc:issuer", &[], issuer);
                            xml.text("dcc:value", &[], number);
                        });
                    }
                }
            });
        });
    });
    xml.within("dcc:calibrationLaboratory", &[], |xml| {
        xml.within("dcc:contact", &[], |xml| {
            said("dcc:name", stated(&report.laboratory), xml);
            xml.within("dcc:location", &[], |xml| {
                xml.text("dcc:countryCode", &[], stated(&report.country));
                if let Some(address) = &report.address {
                    said("dcc:further", address, xml);
                }
            });
        });
    });
    xml.within("dcc:respPersons", &[], |xml| persons(result, xml));
    xml.within("dcc:customer", &[], |xml| {
        said("dcc:name", stated(&report.customer), xml);
        xml.within("dcc:location", &[], |xml| match &report.department {
            Some(department) => said("dcc:further", department, xml),
            None => xml.text("dcc:countryCode", &[], stated(&report.country)),
        });
    });
    xml.within("dcc:statements", &[], |xml| statements(result, look, xml));
}

fn persons(result: &JobResult, xml: &mut Xml) {
    let authorised = stated(&result.job.report.authorised_by);
    let mut person = |name: &str, role: &str, signs: bool| {
        xml.within("dcc:respPerson", &[], |xml| {
            xml.within("dcc:person", &[], |xml| said("dcc:name", name, xml));
            xml.text("dcc:role", &[], role);
            if signs {
                xml.text("dcc:mainSigner", &[], "true");
            }
        });
    };
    person(authorised, "authorised by", true);
    for one in result.job.people.iter().filter(|one| !clean(&one.name).is_empty()) {
        person(&one.name, if clean(&one.role).is_empty() { "took part" } else { &one.role }, false);
    }
}

/// A verdict in the words of the schema, which are those of ILAC-G8; none for what was not measured.
fn conformity(verdict: Verdict) -> Option<&'static str> {
    match verdict {
        Verdict::Pass => Some("pass"),
        Verdict::ConditionalPass => Some("conditionalPass"),
        Verdict::ConditionalFail => Some("conditionalFail"),
        Verdict::Fail => Some("fail"),
        Verdict::NotMeasured => None,
    }
}

fn statements(result: &JobResult, look: &Look, xml: &mut Xml) {
    let report = &result.job.report;
    xml.within("dcc:statement", &[("refType", "basic_conformity")], |xml| {
        said("dcc:name", "Conformity of the whole verification", xml);
        xml.text("dcc:norm", &[], "ILAC-G8:09/2019");
        let specification = report
            .specification
            .as_ref()
            .map_or(String::new(), |text| format!(" Specification: {text}."));
        let told = format!(
            "Verdict: {}. Decision rule: {}.{specification} {}",
            result.verdict.words(),
            result.plan.rule,
            words::meaning(result)
        );
        said("dcc:declaration", &told, xml);
        if let Some(word) = conformity(result.verdict) {
            xml.text("dcc:conformity", &[], word);
        }
    });
    if let Some(later) = &look.replaced_by {
        xml.within("dcc:statement", &[], |xml| {
            said("dcc:name", "No longer counts", xml);
            said("dcc:declaration", &format!("Replaced by {later}."), xml);
        });
    }
    for (name, told) in [("Cautions", CAUTIONS), ("Release", words::RELEASE)] {
        xml.within("dcc:statement", &[], |xml| {
            said("dcc:name", name, xml);
            said("dcc:declaration", told, xml);
        });
    }
    let others = [
        ("Deviations from the method", &report.deviations),
        ("Agreement on the decision rule", &report.rule_agreed),
        ("Condition of the unit", &report.condition),
        ("State of the unit", &Some(result.job.state.clone())),
    ];
    for (name, told) in others {
        if let Some(told) = told.as_deref().filter(|told| !clean(told).is_empty()) {
            xml.within("dcc:statement", &[], |xml| {
                said("dcc:name", name, xml);
                said("dcc:declaration", told, xml);
            });
        }
    }
    let seal = result.seal.map_or("none".into(), |seal| seal.to_string());
    xml.within("dcc:statement", &[], |xml| {
        said("dcc:name", "What it rests on", xml);
        let told = format!(
            "Result sealed with SHA-256 {seal}; plan {} with SHA-256 {}; crestbook {}.",
            result.plan.file, result.plan.sha256, result.program
        );
        said("dcc:declaration", &told, xml);
    });
    for one in &result.job.amendments {
        xml.within("dcc:statement", &[], |xml| {
            said("dcc:name", "Amendment", xml);
            let told = format!(
                "{} by {}: {}. Was: {}. Is: {}.",
                one.at, one.by, one.reason, one.old, one.new
            );
            said("dcc:declaration", &told, xml);
        });
    }
}

fn measured(result: &JobResult, xml: &mut Xml) {
    said("dcc:name", "Output of the generator on the bench", xml);
    xml.within("dcc:usedMethods", &[], |xml| {
        if let Some(method) = &result.job.report.method {
            xml.within("dcc:usedMethod", &[], |xml| said("dcc:name", method, xml));
        }
        xml.within("dcc:usedMethod", &[], |xml| {
            said("dcc:name", "Voltage and current sampled across a test load", xml);
            said("dcc:description", &formulas(result), xml);
        });
        xml.within("dcc:usedMethod", &[], |xml| {
            said("dcc:name", "Expanded uncertainty at 95 % after the GUM", xml);
            xml.text("dcc:norm", &[], "JCGM 100:2008");
        });
    });
    xml.within("dcc:usedSoftware", &[], |xml| software(&result.program, xml));
    if !result.job.instruments.is_empty() {
        xml.within("dcc:measuringEquipments", &[], |xml| {
            result.job.instruments.iter().for_each(|one| instrument(one, xml));
        });
    }
    xml.within("dcc:influenceConditions", &[], |xml| conditions(result, xml));
    xml.within("dcc:results", &[], |xml| {
        let groups = result.groups.iter().filter(|group| !group.lines.is_empty());
        let mut count = 0;
        for group in groups {
            xml.within("dcc:result", &[], |xml| group_result(group, result, xml));
            count += 1;
        }
        if count == 0 {
            xml.within("dcc:result", &[], |xml| {
                said("dcc:name", "Nothing was measured", xml);
                xml.within("dcc:data", &[], |xml| said("dcc:text", "There is no result.", xml));
            });
        }
    });
}

/// By which formulas powers were had.
fn formulas(result: &JobResult) -> String {
    let captures = result.steps.iter().filter_map(|step| step.capture.as_ref());
    let all: BTreeSet<&str> =
        captures.filter_map(|one| one.power_by.map(|by| by.words())).collect();
    if all.is_empty() {
        return "No power was computed.".into();
    }
    format!("Power by: {}.", all.into_iter().collect::<Vec<_>>().join("; "))
}

fn instrument(one: &InstrumentSheet, xml: &mut Xml) {
    let filled = |text: &Option<String>| text.clone().filter(|text| !clean(text).is_empty());
    xml.within("dcc:measuringEquipment", &[], |xml| {
        said("dcc:name", &filled(&one.role).unwrap_or_else(|| "instrument".into()), xml);
        let due = filled(&one.calibration_due).map(|due| format!("calibrated until {due}"));
        let number = filled(&one.certificate);
        let hash = one.certificate_sha256.filter(|_| number.is_some());
        let unhashed = number.clone().filter(|_| hash.is_none());
        let unhashed =
            unhashed.map(|number| format!("certificate {number}, whose hash is not stated"));
        let told: Vec<String> = due.into_iter().chain(unhashed).collect();
        let told = if told.is_empty() { "calibration not stated".into() } else { told.join("; ") };
        said("dcc:description", &told, xml);
        if let (Some(number), Some(hash)) = (&number, hash) {
            xml.within("dcc:certificate", &[], |xml| {
                said("dcc:referral", "Calibration certificate", xml);
                xml.text("dcc:referralID", &[], number);
                xml.text("dcc:procedure", &[], "SHA-256");
                xml.text("dcc:value", &[], &hash.to_string());
            });
        }
        if let Some(id) = filled(&one.id) {
            xml.within("dcc:identifications", &[], |xml| {
                xml.within("dcc:identification", &[], |xml| {
                    xml.text("dcc:issuer", &[], "owner");
                    xml.text("dcc:value", &[], &id);
                });
            });
        }
    });
}

fn conditions(result: &JobResult, xml: &mut Xml) {
    let bench = &result.job.bench;
    let status = match result.job.state.as_str() {
        "as found" => Some("beforeAdjustment"),
        "as left" => Some("afterAdjustment"),
        _ => None,
    };
    let known = [
        ("basic_temperature", "Ambient temperature", bench.temperature_c, "\\degreecelsius"),
        ("basic_humidityRelative", "Relative humidity", bench.humidity_percent, "\\percent"),
    ];
    let mut any = false;
    for (kind, name, value, unit) in known {
        let Some(value) = value else { continue };
        any = true;
        xml.within("dcc:influenceCondition", &[("refType", kind)], |xml| {
            said("dcc:name", name, xml);
            if let Some(status) = status {
                xml.text("dcc:status", &[], status);
            }
            xml.within("dcc:data", &[], |xml| {
                xml.within("dcc:quantity", &[], |xml| real(value, unit, None, xml));
            });
        });
    }
    if !any {
        xml.within("dcc:influenceCondition", &[], |xml| {
            said("dcc:name", "Ambient conditions", xml);
            xml.within("dcc:data", &[], |xml| said("dcc:text", "not stated", xml));
        });
    }
}

fn group_result(group: &GroupResult, result: &JobResult, xml: &mut Xml) {
    said("dcc:name", &group.title, xml);
    let mut told = vec![format!("Entry {} of the plan: {}.", group.id, group.verdict.words())];
    told.extend(words::source(group));
    told.extend(group.notes.iter().cloned());
    said("dcc:description", &told.join(" "), xml);
    xml.within("dcc:data", &[], |xml| {
        for line in &group.lines {
            xml.within("dcc:quantity", &[("refType", "basic_measuredValue")], |xml| {
                quantity(line, result, xml)
            });
        }
    });
}

/// A unit in the notation of the SI Brochure by D-SI; `None` for one that it has no word for.
fn unit(text: &str) -> Option<String> {
    if text.is_empty() {
        return Some("\\one".into());
    }
    if text == "%" {
        return Some("\\percent".into());
    }
    if text == "dB" {
        return Some("\\decibel".into());
    }
    let (unit, factor) = Unit::parse(text)?;
    let prefixes = [
        (1e-15, "\\femto"),
        (1e-12, "\\pico"),
        (1e-9, "\\nano"),
        (1e-6, "\\micro"),
        (1e-3, "\\milli"),
        (1.0, ""),
        (1e3, "\\kilo"),
        (1e6, "\\mega"),
        (1e9, "\\giga"),
    ];
    let (_, prefix) = prefixes.into_iter().find(|(by, _)| (by / factor - 1.0).abs() < 1e-9)?;
    let name = match unit {
        Unit::Volt => "\\volt",
        Unit::Ampere => "\\ampere",
        Unit::Watt => "\\watt",
        Unit::VoltAmpere => "\\volt\\ampere",
        Unit::Ohm => "\\ohm",
        Unit::Hertz => "\\hertz",
        Unit::Second => "\\second",
        Unit::Joule => "\\joule",
        Unit::One => "\\one",
    };
    Some(format!("{prefix}{name}"))
}

/// A value with its U and k, where they are known.
fn real(value: f64, unit: &str, doubt: Option<(f64, f64)>, xml: &mut Xml) {
    xml.within("si:real", &[], |xml| {
        xml.text("si:value", &[], &value.to_string());
        xml.text("si:unit", &[], unit);
        if let Some((u, k)) = doubt {
            xml.within("si:measurementUncertaintyUnivariate", &[], |xml| {
                xml.within("si:expandedMU", &[], |xml| {
                    xml.text("si:valueExpandedMU", &[], &u.to_string());
                    xml.text("si:coverageFactor", &[], &k.to_string());
                    xml.text("si:coverageProbability", &[], "0.95");
                });
            });
        }
    });
}

fn quantity(line: &Line, result: &JobResult, xml: &mut Xml) {
    let judged = &line.judged;
    said("dcc:name", &line.what, xml);
    let known = judged.value.zip(unit(&line.unit));
    // The schema knows no k below 1.
    let doubt = judged.expanded_uncertainty.zip(judged.coverage_factor).filter(|(_, k)| *k >= 1.0);
    let mut told: Vec<String> = Vec::new();
    match &known {
        Some((value, unit)) => real(*value, unit, doubt, xml),
        None => {
            let text = match (judged.value, &line.text) {
                (Some(value), _) => {
                    words::maybe_doubt(value, judged.expanded_uncertainty, &line.unit)
                }
                (None, Some(text)) if !clean(text).is_empty() => text.clone(),
                _ => "no value".into(),
            };
            said("dcc:noQuantity", &text, xml);
        }
    }
    match (known.is_some(), judged.expanded_uncertainty, doubt) {
        (true, None, _) => told.push("U is not known.".into()),
        (true, Some(u), None) => told.push(format!("U is {}.", words::doubt(u, &line.unit))),
        _ => {}
    }
    if line.remark {
        told.push("A remark; nothing is judged.".into());
    } else {
        let bound = |name: &str, bound: Option<f64>| {
            bound.map(|bound| format!("{name} {}", words::value(bound, &line.unit)))
        };
        let bounds: Vec<String> =
            [bound("lower limit", judged.lower), bound("upper limit", judged.upper)]
                .into_iter()
                .flatten()
                .collect();
        if !bounds.is_empty() {
            told.push(format!("Limits: {}.", bounds.join(", ")));
        }
        told.push(format!("Rule: {}.", judged.rule));
        if let Some(p) = judged.conformance_probability {
            told.push(format!(
                "Probability of conformity: {}.",
                crate::report::table::probability(p)
            ));
        }
        if judged.verdict == Verdict::NotMeasured {
            told.push("Not measured.".into());
        }
    }
    told.extend(why(judged).map(|why| format!("{why}.")));
    if !judged.missing_terms.is_empty() {
        let least = if judged.at_least { "; U is at least that large" } else { "" };
        told.push(format!("Not included in U: {}{least}.", judged.missing_terms.names(", ")));
    }
    let steps = line.step.iter().chain(&line.of);
    let files: BTreeSet<String> = steps
        .filter_map(|id| result.steps.iter().find(|step| step.id == *id)?.capture.as_ref())
        .flat_map(|capture| capture.sha256.iter().map(ToString::to_string))
        .collect();
    if !files.is_empty() {
        let files: Vec<String> = files.into_iter().collect();
        told.push(format!("Captures with SHA-256 {}.", files.join(", ")));
    }
    if told.is_empty() {
        return;
    }
    xml.within("dcc:measurementMetaData", &[], |xml| {
        let kind = [("refType", "basic_conformity")];
        let kind = if line.remark { &[] as &[_] } else { &kind };
        xml.within("dcc:metaData", kind, |xml| {
            said("dcc:declaration", &told.join(" "), xml);
            if let Some(word) = conformity(judged.verdict).filter(|_| !line.remark) {
                xml.text("dcc:conformity", &[], word);
            }
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_those_of_the_notation() {
        for (text, wanted) in [
            ("W", Some("\\watt")),
            ("mA", Some("\\milli\\ampere")),
            ("mohm", Some("\\milli\\ohm")),
            ("\u{3a9}", Some("\\ohm")),
            ("kHz", Some("\\kilo\\hertz")),
            ("", Some("\\one")),
            ("%", Some("\\percent")),
            ("dB(A)", None),
            ("furlong", None),
        ] {
            assert_eq!(unit(text).as_deref(), wanted, "{text}");
        }
    }
}
