//! Cards, comparisons and nearest settings: known answers, published ranges, wrong input.

use crate::support::{crestbook, text};
use crestbook::card::{Card, Held, Line, Modulation, Point, SettingCard, compare, nearest};
use crestbook::digest::Sha256;
use crestbook::measures::Measure;
use crestbook::result::{Form, Part};
use crestbook::synth::{Output, Recipe, Wave};
use crestbook::trace::Kind;
use crestbook::uncertainty::Extras;
use crestbook::verification::{CaptureOutcome, Correlated, Load, UnitFacts};
use crestbook::{Recording, SampleRate, Settings, Sheet, Unobserved, measure};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};

/// Samples per second and length of a synthetic capture.
const RATE_HZ: f64 = 8e6;
const SAMPLES: u64 = 6_000;

/// One capture of a bench whose scales are off by `gains`, known to 3 % each.
fn point(
    wave: Wave,
    watt: f64,
    dial: Option<f64>,
    ohm: f64,
    gains: (f64, f64),
    bench: u64,
    seed: u64,
) -> Point {
    let rate = SampleRate::new(RATE_HZ).unwrap();
    let output = Output { wave, peak_v: 100.0, carrier_hz: 400e3, ramp_s: 0.0 };
    let kind = Kind::Coag;
    let mut recipe =
        Recipe { snr_db: Some(40.0), seed, ..Recipe::single(output, kind, rate, SAMPLES, ohm) };
    let own = crestbook::synth::truth(&recipe, 0.1).whole.power_w;
    for output in recipe.sections.iter_mut().filter_map(|section| section.output.as_mut()) {
        output.peak_v *= (watt / own).sqrt();
    }
    let block = recipe.block(0..SAMPLES);
    let scaled = |x: Vec<f64>, gain: f64| x.into_iter().map(|x| x * gain).collect::<Vec<f64>>();
    let (v, i) = (scaled(block.v, gains.0), scaled(block.i, gains.1));
    let mut sheet = Sheet::default();
    sheet.voltage.get_or_insert_default().relative_standard_uncertainty = Some(0.03);
    sheet.current.get_or_insert_default().relative_standard_uncertainty = Some(0.03);
    let recording = Recording::from_arrays(Some(v.into()), Some(i.into()), rate, sheet).unwrap();
    // All phases of one kind: what a coag or a cut is does not matter here.
    let settings = Settings {
        expected_sequence: vec![kind],
        extras: Extras { budget: true, monte_carlo: None },
        ..Settings::on_threads(1)
    };
    let run = measure(&recording, &settings, &Unobserved).unwrap();
    let (numbers, missing) = CaptureOutcome::numbers_of(&run.measurement);
    Point {
        step: format!("{bench}-{seed}"),
        dial,
        load: Load::Ohm(ohm),
        instruments_key: Some(Sha256::of(&bench.to_le_bytes())),
        load_key: None,
        correlated: Correlated::default(),
        numbers,
        missing,
        flags: Vec::new(),
    }
}

fn setting(id: String, dial: f64, points: Vec<Point>) -> SettingCard {
    SettingCard {
        id,
        mode: None,
        bipolar: false,
        dial: Some(dial),
        rated_ohm: Some(500.0),
        sequence: vec![Kind::Coag],
        points,
        sketch: None,
        left_out: Vec::new(),
        findings: Vec::new(),
    }
}

fn card(model: &str, settings: Vec<SettingCard>) -> Card {
    Card {
        schema: Form::Card,
        program: "test".into(),
        unit: UnitFacts { model: Some(model.into()), serial: Some(model.into()), inventory: None },
        state: "as left".into(),
        day: None,
        result_sha256: Some(Sha256::of(model.as_bytes())),
        settings,
    }
}

/// 150 outputs, each by two of 20 units: 15 waveforms (gated and damped) times 10 slopes of power over load.
/// Each unit has a law of the dial of its own; each setting was captured on a bench day of its own, whose scales
/// are off by 3 %, with noise at 40 dB. The partner of each of the 300 settings comes first, and its dial within U in 95 %.
#[test]
fn the_partner_comes_first_and_its_dial_lies_within_u() {
    let mut dice = ChaCha8Rng::seed_from_u64(19);
    let unit = Uniform::new(0.0, 1.0).unwrap();
    let normal = |dice: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(dice) };
    let mut settings: Vec<Vec<SettingCard>> = vec![Vec::new(); 20];
    // Output, unit and place of each of a pair, and the dial at which they put out the same.
    let mut pairs = Vec::new();
    let mut seed = 0;
    for output in 0..150_usize {
        let wave = match output % 15 {
            k @ 0..10 => Wave::Gated { burst_hz: 20e3, duty: 0.22 * 1.15_f64.powi(k as i32) },
            k => Wave::Damped { burst_hz: 20e3, decrement: 0.2 * 1.35_f64.powi(k as i32 - 10) },
        };
        let slope = -1.0 + 2.0 * (output / 15) as f64 / 9.0;
        let first = output % 20;
        let second = (first + 1 + output / 20) % 20;
        let watt = 40.0 + 40.0 * unit.sample(&mut dice);
        let mut places = Vec::new();
        for owner in [first, second] {
            // P = watt (dial / own)^growth at 500 ohm, captured at three dials around `own`.
            let growth: f64 = 0.6 + unit.sample(&mut dice);
            let own: f64 = 2.0 + 50.0 * unit.sample(&mut dice);
            let gains = (1.0 + 0.03 * normal(&mut dice), 1.0 + 0.03 * normal(&mut dice));
            let bench = (20 * output + owner) as u64;
            let at = own * (0.85 + 0.3 * unit.sample(&mut dice));
            let dials = [0.6 * own, at, 1.7 * own];
            let mut points = Vec::new();
            for dial in dials {
                for ohm in [200.0_f64, 1000.0] {
                    seed += 1;
                    let power = watt * (dial / own).powf(growth) * (ohm / 500.0).powf(slope);
                    points.push(point(wave, power, Some(dial), ohm, gains, bench, seed));
                }
            }
            places.push((owner, settings[owner].len(), own, growth, at));
            settings[owner].push(setting(format!("s{output}"), at, points));
        }
        pairs.push(places);
    }
    let cards: Vec<Card> =
        settings.into_iter().enumerate().map(|(k, all)| card(&format!("Unit {k}"), all)).collect();
    let (mut first, mut within, mut known, mut all) = (0, 0, 0, 0);
    for places in &pairs {
        for (a, b) in [(0, 1), (1, 0)] {
            let ((unit_a, k, own_a, growth_a, at), (unit_b, j, own_b, growth_b, _)) =
                (places[a], places[b]);
            let others: Vec<&Card> = cards
                .iter()
                .enumerate()
                .filter(|(k, _)| *k != unit_a)
                .map(|(_, card)| card)
                .collect();
            let of = &cards[unit_a];
            let found = nearest(of, &of.settings[k], Some(at), &others, 3);
            let best = &found.matches[0];
            all += 1;
            let partner = &cards[unit_b].settings[j];
            if best.setting == partner.id && best.unit == cards[unit_b].name() {
                first += 1;
                // The same power: (d / own_b)^growth_b = (at / own_a)^growth_a.
                let true_dial = own_b * (at / own_a).powf(growth_a / growth_b);
                if let Some(u) = best.dial_expanded_uncertainty {
                    known += 1;
                    within += usize::from((best.dial.unwrap() - true_dial).abs() <= u);
                }
            }
        }
    }
    assert_eq!(all, 300);
    let share = 100.0 * f64::from(within as u32) / f64::from(known as u32);
    eprintln!("first {first} of 300; dial within U {within} of {known} ({share:.1} %)");
    assert!(first >= 294, "{first} of 300");
    assert!(known > 250, "{known}");
    assert!((93.0..=97.0).contains(&share), "{within} of {known}");
}

/// Crest factor, duty and carrier by mode (Biomedical Engineering Handbook, 2nd ed., table 81.1, from
/// memory): cut CF 1.4-2.1, blend CF 2.1-6.0 with duty 25-80 %, desiccate 3.5-6.0, fulgurate 6-20.
#[test]
fn published_ranges_by_mode_are_met() {
    for (wave, crest, duty, class) in [
        (Wave::Continuous, 1.4..2.1, None, Modulation::Continuous),
        (
            Wave::Gated { burst_hz: 20e3, duty: 0.4 },
            2.1..6.0,
            Some(0.25..0.80),
            Modulation::Moderate,
        ),
        (Wave::Damped { burst_hz: 20e3, decrement: 0.4 }, 3.5..6.0, None, Modulation::Strong),
        (Wave::Damped { burst_hz: 20e3, decrement: 0.8 }, 6.0..20.0, None, Modulation::Strong),
        (Wave::Damped { burst_hz: 8e3, decrement: 0.8 }, 6.0..20.0, None, Modulation::VeryStrong),
    ] {
        let one = point(wave, 60.0, Some(1.0), 500.0, (1.0, 1.0), 1, 1);
        let value = |measure| one.had(measure, Part::Coag).unwrap().estimate.value;
        assert!(crest.contains(&value(Measure::CrestFactor)), "{wave:?}");
        assert_eq!(Modulation::of(value(Measure::CrestFactor)), class, "{wave:?}");
        assert!((300e3..800e3).contains(&value(Measure::Fundamental)), "{wave:?}");
        if let Some(duty) = duty {
            assert!(duty.contains(&value(Measure::DutyCycle)), "{wave:?}");
        }
        let line = Line::of(&setting("a".into(), 1.0, vec![one]));
        assert_eq!(line.to_string().parse::<Line>().unwrap().phases.len(), 1);
    }
}

/// A source of 200 ohm behind 300 V: P = V^2 R / (R + 200)^2, by hand 90 W into 200 ohm wait for (300/2)^2/200.
#[test]
fn a_source_behind_a_resistance_is_told_over_load() {
    let power = |ohm: f64| 300.0_f64.powi(2) * ohm / (ohm + 200.0).powi(2);
    assert!((power(200.0) - 112.5).abs() < 1e-9);
    let of = |loads: &[f64], power: &dyn Fn(f64) -> f64| {
        let points = loads
            .iter()
            .enumerate()
            .map(|(k, ohm)| {
                point(Wave::Continuous, power(*ohm), Some(5.0), *ohm, (1.0, 1.0), 1, k as u64 + 1)
            })
            .collect();
        Line::of(&setting("a".into(), 5.0, points))
    };
    let held = |line: &Line| line.over_load.iter().map(|one| one.held).collect::<Vec<_>>();
    let source = of(&[10.0, 20.0, 150.0, 250.0, 4000.0, 8000.0], &power);
    assert_eq!(
        held(&source),
        [Held::Current, Held::Rising, Held::Power, Held::Falling, Held::Voltage]
    );
    let constant = of(&[200.0, 500.0, 2000.0], &|_| 80.0);
    assert_eq!(held(&constant), [Held::Power]);
    assert!(constant.sentence().contains("holds its power from 200 to 2000 ohm"));
}

#[test]
fn captures_on_other_loads_are_not_compared() {
    let wave = Wave::Gated { burst_hz: 20e3, duty: 0.5 };
    let at = |ohm, seed| point(wave, 60.0, Some(3.0), ohm, (1.0, 1.0), seed, seed);
    let a = card("A", vec![setting("x".into(), 3.0, vec![at(200.0, 1)])]);
    let b = card("B", vec![setting("y".into(), 3.0, vec![at(1000.0, 2)])]);
    let pair = [("x".to_owned(), "y".to_owned())];
    let found = compare(&a, &b, &pair);
    assert!(found.rows.is_empty());
    assert!(found.not_compared.iter().any(|why| why.contains("no dial and load in common")));
    let none = nearest(&a, &a.settings[0], Some(3.0), &[&b], 5);
    assert!(none.matches.is_empty());
    assert_eq!(none.not_comparable[0].reason.words(), "it was captured on other loads only");
    // A single dial: no other is told.
    let c = card("C", vec![setting("z".into(), 3.0, vec![at(200.0, 3)])]);
    let one = nearest(&a, &a.settings[0], Some(3.0), &[&c], 5);
    assert_eq!(one.matches[0].dial, Some(3.0));
    assert!(one.matches[0].near && !one.matches[0].at_end);
    assert_eq!(one.matches[0].dial_expanded_uncertainty, None);
    // Nothing connected is never compared with a load.
    let mut open = at(200.0, 4);
    open.load = Load::Open;
    let d = card("D", vec![setting("w".into(), 3.0, vec![open])]);
    assert!(nearest(&a, &a.settings[0], Some(3.0), &[&d], 5).matches.is_empty());
    assert!(compare(&a, &d, &[("x".to_owned(), "w".to_owned())]).rows.is_empty());
}

#[test]
fn what_instruments_share_counts_once() {
    let wave = Wave::Continuous;
    let at = |watt, bench, seed| point(wave, watt, Some(3.0), 500.0, (1.0, 1.0), bench, seed);
    let one = |model: &str, point| card(model, vec![setting("x".into(), 3.0, vec![point])]);
    let (a, b) = (one("A", at(60.0, 1, 1)), one("A", at(66.0, 1, 2)));
    let other = one("A", at(66.0, 2, 2));
    let u = |a: &Card, b: &Card| {
        let found = compare(a, b, &[]);
        let row = found.rows.iter().find(|row| row.measure == Measure::Power).unwrap().clone();
        (row.expanded_uncertainty.unwrap(), row.times.unwrap(), row.same_instruments)
    };
    let (shared, apart) = (u(&a, &b), u(&a, &other));
    assert!(shared.2 && !apart.2);
    // Own: 4.24 % of 60 W and of 66 W; together sqrt(60^2 + 66^2) 0.0424 k = 7.4 W at k = 1.96.
    assert!((apart.0 - 7.41).abs() < 0.1, "{apart:?}");
    // Shared: 4.24 % of the 6 W between them, and noise.
    assert!((shared.0 - 0.50).abs() < 0.1, "{shared:?}");
    assert!(shared.1 > 10.0 && apart.1 < 1.0);
}

/// What a command prints that must succeed.
fn run_ok(arguments: &[&str]) -> String {
    let out = crestbook(arguments);
    assert!(out.status.success(), "{arguments:?}: {}", text(&out.stderr));
    text(&out.stdout)
}

#[test]
fn cards_of_the_demo_read_back_and_compare() {
    let folder = tempfile::tempdir().unwrap();
    let demo = folder.path().join("bench");
    run_ok(&["demo", demo.to_str().unwrap(), "--quiet"]);
    let _ = crestbook(&["job", demo.to_str().unwrap(), "--quiet"]);
    let path = |name: &str| demo.join("others").join(name).to_str().unwrap().to_owned();
    let own = demo.to_str().unwrap().to_owned();
    let kept = folder.path().join("card.json").to_str().unwrap().to_owned();
    run_ok(&["card", &own, "-o", &kept]);
    let card: Card = Form::Card.read(&std::fs::read(&kept).unwrap()).unwrap();
    assert_eq!(card.settings.len(), 6);
    for one in &card.settings {
        let line = Line::of(one).to_string();
        assert_eq!(line.parse::<Line>().unwrap().to_string(), line);
    }
    // A kept card is as good as the job.
    let by = |first: &str| {
        let out = run_ok(&["nearest", "--table", first, &path("skelbeck"), "--json"]);
        serde_json::from_str::<serde_json::Value>(&out).unwrap()
    };
    assert_eq!(by(&own), by(&kept));
    let table = run_ok(&["nearest", "--table", &own, &path("skelbeck")]);
    assert!(table.contains("Electrical likeness is not tissue likeness"), "{table}");
    let blend = table.lines().find(|line| line.contains("blend-60")).unwrap();
    assert!(blend.contains("weave"), "{table}");
    for (name, begins) in [("s.html", "<!DOCTYPE html>"), ("s.svg", "<svg"), ("s.txt", "Tarnbeck")]
    {
        let file = folder.path().join(name);
        run_ok(&["card", &own, &path("garthfell"), "-o", file.to_str().unwrap()]);
        let written = std::fs::read_to_string(&file).unwrap();
        assert!(written.starts_with(begins) && !written.contains("NaN"), "{name}");
    }
    for (args, said) in [
        (vec!["card", "nowhere"], "can't read it"),
        (vec!["card", &own, "-o", "a.xyz"], "no sheet has this ending"),
        (vec!["nearest", "--to", &own, "--setting", "cut", "--in", &own], "did you mean `cut-80`"),
        (
            vec!["nearest", "--to", &own, "--setting", "cut-80", "--dial", "33", "--in", &own],
            "was not captured at dial 33",
        ),
        (vec!["compare", &own, &path("skelbeck")], "nothing of"),
        (
            vec!["compare", &own, &path("skelbeck"), "--setting", "cut-80=smoth"],
            "did you mean `smooth`",
        ),
    ] {
        let out = crestbook(&args);
        let told = text(&out.stderr);
        assert!(!out.status.success() && told.contains(said), "{args:?}: {told}");
    }
    // A result that was edited gives a card that names no seal, and says so.
    let result = demo.join("results/result.json");
    let whole = std::fs::read_to_string(&result).unwrap();
    let edited = folder.path().join("edited.json");
    std::fs::write(&edited, whole.replacen("TB-0417", "TB-0418", 1)).unwrap();
    let out = crestbook(&["card", edited.to_str().unwrap()]);
    assert!(text(&out.stderr).contains("its seal does not fit"), "{}", text(&out.stderr));
    assert!(text(&out.stdout).contains("has no seal"));
    std::fs::write(&edited, &whole[..whole.len() / 2]).unwrap();
    let out = crestbook(&["card", edited.to_str().unwrap()]);
    assert!(text(&out.stderr).contains("damaged"), "{}", text(&out.stderr));
    // A card of another version is refused by name.
    let other =
        std::fs::read_to_string(&kept).unwrap().replace("crestbook/card/1", "crestbook/card/7");
    let newer = folder.path().join("newer.json");
    std::fs::write(&newer, other).unwrap();
    let out = crestbook(&["card", newer.to_str().unwrap()]);
    assert!(text(&out.stderr).contains("form 7"));
}
