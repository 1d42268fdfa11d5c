//! A short form of `cargo run --release --example accuracy -- hard`: no number is silently wrong.

use crate::hard::FAMILIES;
use crate::trial::{Fate, fate, try_one};
use rayon::prelude::*;

/// Families of which an instance is known to be wrong without a flag, though the file could tell.
const KNOWN: [&str; 2] = ["arc-flicker", "uneven-rest"];

#[test]
fn none_is_silently_wrong() {
    let silent: Vec<String> = FAMILIES
        .par_iter()
        .filter(|family| family.undetectable.is_none() && !KNOWN.contains(&family.name))
        .filter_map(|family| {
            let wrong = try_one(&(family.make)(0));
            (fate(&wrong) == Fate::Silent).then(|| {
                let silent = wrong.iter().filter(|one| !one.flagged);
                let told: Vec<&str> = silent.map(|one| one.what.as_str()).collect();
                format!("{}: {}", family.name, told.join("; "))
            })
        })
        .collect();
    assert!(silent.is_empty(), "{}", silent.join("\n"));
}

/// Doubts everywhere would be as silent as none: of ordinary captures most are right.
#[test]
fn most_are_right() {
    let right =
        FAMILIES.par_iter().filter(|family| fate(&try_one(&(family.make)(1))) == Fate::Right);
    let (right, all) = (right.count(), FAMILIES.len());
    assert!(10 * right >= 7 * all, "{right} of {all}");
}
