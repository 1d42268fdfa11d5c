//! Runs of equal values.

use std::ops::Range;

/// Runs of `flags`, one behind the other; they tile it.
#[must_use]
pub fn runs(flags: &[bool]) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    for (k, flag) in flags.iter().enumerate() {
        match found.last_mut() {
            Some(run) if flags[run.start] == *flag => run.end = k + 1,
            _ => found.push(k..k + 1),
        }
    }
    found
}

/// Runs of places for which `holds` is true.
#[must_use]
pub fn where_true<T>(values: &[T], holds: impl Fn(&T) -> bool) -> Vec<Range<usize>> {
    let flags: Vec<bool> = values.iter().map(holds).collect();
    runs(&flags).into_iter().filter(|run| flags[run.start]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_tile_and_places_are_found() {
        assert_eq!(runs(&[true, true, false, true]), [0..2, 2..3, 3..4]);
        assert!(runs(&[]).is_empty());
        assert_eq!(where_true(&[1, 5, 6, 0, 7], |x| *x > 4), [1..3, 4..5]);
    }
}
