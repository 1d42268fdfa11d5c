//! Order statistics.

/// Value below which the share `p` (0..1) of `x` lies: the order statistic nearest to it.
///
/// Reorders `x`. `None` of nothing. Values must not be NaN (they are kept out at the door).
pub fn quantile(x: &mut [f64], p: f64) -> Option<f64> {
    if x.is_empty() {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let rank = (p.clamp(0.0, 1.0) * (x.len() - 1) as f64).round() as usize;
    let (_, value, _) = x.select_nth_unstable_by(rank, f64::total_cmp);
    Some(*value)
}

/// Median; reorders `x`.
pub fn median(x: &mut [f64]) -> Option<f64> {
    quantile(x, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn picks_order_statistics() {
        let mut x = [5.0, 1.0, 4.0, 2.0, 3.0];
        assert_eq!(median(&mut x), Some(3.0));
        assert_eq!(quantile(&mut x, 0.0), Some(1.0));
        assert_eq!(quantile(&mut x, 1.0), Some(5.0));
        assert_eq!(median(&mut []), None);
    }
}
