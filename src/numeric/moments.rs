//! Mean, spread and co-moment of one or two series: push a slice, merge at will.
//!
//! Sums are taken about a pivot inside the data and merged by the pairwise update of Chan, Golub
//! and LeVeque (1983, "Algorithms for computing the sample variance", The American Statistician
//! 37:242), so that a large offset costs no digits.

/// Moments of two simultaneous series `v` and `i`.
///
/// A series that is absent is given as an empty slice and stays at zero.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PairMoments {
    /// Number of samples.
    pub n: u64,
    /// Mean of `v`.
    pub mean_v: f64,
    /// Mean of `i`.
    pub mean_i: f64,
    /// Sum of squared deviations of `v` from its mean.
    pub m2_v: f64,
    /// Sum of squared deviations of `i` from its mean.
    pub m2_i: f64,
    /// Sum of products of both deviations.
    pub c_vi: f64,
}

const LANES: usize = 8;

fn lane_sum(lanes: [f64; LANES]) -> f64 {
    // Pairwise, so that the order is fixed and the error small.
    ((lanes[0] + lanes[1]) + (lanes[2] + lanes[3]))
        + ((lanes[4] + lanes[5]) + (lanes[6] + lanes[7]))
}

/// Sum of a slice over eight interleaved lanes.
#[must_use]
pub fn sum(x: &[f64]) -> f64 {
    let mut lanes = [0.0; LANES];
    let chunks = x.chunks_exact(LANES);
    let tail: f64 = chunks.remainder().iter().sum();
    for chunk in chunks {
        for (lane, value) in lanes.iter_mut().zip(chunk) {
            *lane += value;
        }
    }
    lane_sum(lanes) + tail
}

/// Arithmetic mean, or `None` of nothing.
#[must_use]
pub fn mean(x: &[f64]) -> Option<f64> {
    (!x.is_empty()).then(|| sum(x) / x.len() as f64)
}

/// Mean and sample standard deviation (n - 1); the deviation is `None` below two values.
#[must_use]
pub fn mean_and_deviation(x: &[f64]) -> Option<(f64, Option<f64>)> {
    let moments = PairMoments::of(x, &[]);
    (moments.n > 0).then(|| {
        let deviation = (moments.n > 1).then(|| (moments.m2_v / (moments.n - 1) as f64).sqrt());
        (moments.mean_v, deviation)
    })
}

/// Smallest and largest value; `None` of nothing. Values must not be NaN.
#[must_use]
pub fn extremes(x: &[f64]) -> Option<(f64, f64)> {
    scan(x).map(|scan| (scan.low, scan.high))
}

/// Largest |x|; 0 of nothing. Values must not be NaN.
#[must_use]
pub fn largest_absolute(x: &[f64]) -> f64 {
    extremes(x).map_or(0.0, |(low, high)| high.max(-low))
}

/// Sum and extremes of a slice, in one sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scan {
    /// Sum over eight interleaved lanes.
    pub sum: f64,
    /// Smallest value.
    pub low: f64,
    /// Largest value.
    pub high: f64,
}

/// Sums a slice and finds its extremes; `None` of nothing. Values must not be NaN.
#[must_use]
pub fn scan(x: &[f64]) -> Option<Scan> {
    let first = *x.first()?;
    let (mut low, mut high, mut sums) = ([first; LANES], [first; LANES], [0.0; LANES]);
    let chunks = x.chunks_exact(LANES);
    let mut tail = 0.0;
    for &value in chunks.remainder() {
        low[0] = low[0].min(value);
        high[0] = high[0].max(value);
        tail += value;
    }
    for chunk in chunks {
        for lane in 0..LANES {
            // A plain comparison compiles to one vector instruction, f64::min does not.
            low[lane] = if chunk[lane] < low[lane] { chunk[lane] } else { low[lane] };
            high[lane] = if chunk[lane] > high[lane] { chunk[lane] } else { high[lane] };
            sums[lane] += chunk[lane];
        }
    }
    Some(Scan {
        sum: lane_sum(sums) + tail,
        low: low.into_iter().fold(first, f64::min),
        high: high.into_iter().fold(first, f64::max),
    })
}

impl PairMoments {
    /// Moments of two slices of equal length, or of one where the other is empty.
    #[must_use]
    pub fn of(v: &[f64], i: &[f64]) -> Self {
        let means = [v, i].map(|x| mean(x).unwrap_or(0.0));
        Self::about(v, i, means).0
    }

    /// The same where the means (or values near them) are known already, and the sum of fourth
    /// powers of the deviations of `v`, or of `i` where there is no `v`.
    #[must_use]
    pub fn about(v: &[f64], i: &[f64], [mean_v, mean_i]: [f64; 2]) -> (Self, f64) {
        let n = v.len().max(i.len());
        if n == 0 {
            return (Self::default(), 0.0);
        }
        let Powers { sum: sum_v, squares: m2_v, fourths } = powers(v, mean_v);
        let (sum_i, m2_i, products, fourths) = if v.len() == i.len() {
            let (sum, squares, products) = beside(v, mean_v, i, mean_i);
            (sum, squares, products, fourths)
        } else {
            let own = powers(i, mean_i);
            (own.sum, own.squares, 0.0, if v.is_empty() { own.fourths } else { fourths })
        };
        // Second-order correction for the rounding of the means (Chan et al., corrected two-pass).
        let count = n as f64;
        let moments = Self {
            n: n as u64,
            mean_v: mean_v + sum_v / count,
            mean_i: mean_i + sum_i / count,
            m2_v: m2_v - sum_v * sum_v / count,
            m2_i: m2_i - sum_i * sum_i / count,
            c_vi: products - sum_v * sum_i / count,
        };
        (moments, fourths)
    }

    /// Adds the samples of `other`.
    pub fn merge(&mut self, other: &Self) {
        if other.n == 0 {
            return;
        }
        if self.n == 0 {
            *self = *other;
            return;
        }
        let (a, b) = (self.n as f64, other.n as f64);
        let total = a + b;
        let (dv, di) = (other.mean_v - self.mean_v, other.mean_i - self.mean_i);
        let cross = a * b / total;
        self.m2_v += other.m2_v + dv * dv * cross;
        self.m2_i += other.m2_i + di * di * cross;
        self.c_vi += other.c_vi + dv * di * cross;
        self.mean_v += dv * b / total;
        self.mean_i += di * b / total;
        self.n += other.n;
    }

    /// Both series with these offsets taken away.
    #[must_use]
    pub fn less_offset(mut self, v: f64, i: f64) -> Self {
        self.mean_v -= v;
        self.mean_i -= i;
        self
    }

    /// Mean square of `v`.
    #[must_use]
    pub fn mean_square_v(&self) -> Option<f64> {
        (self.n > 0).then(|| self.mean_v * self.mean_v + self.m2_v / self.n as f64)
    }

    /// Mean square of `i`.
    #[must_use]
    pub fn mean_square_i(&self) -> Option<f64> {
        (self.n > 0).then(|| self.mean_i * self.mean_i + self.m2_i / self.n as f64)
    }

    /// Mean of the product `v * i`.
    #[must_use]
    pub fn mean_product(&self) -> Option<f64> {
        (self.n > 0).then(|| self.mean_v * self.mean_i + self.c_vi / self.n as f64)
    }
}

/// Sums of powers of deviations.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Powers {
    /// Sum of deviations; 0 but for rounding where they are taken about the mean.
    pub sum: f64,
    /// Sum of squares.
    pub squares: f64,
    /// Sum of fourth powers.
    pub fourths: f64,
}

/// Sums of powers of `x - about`, in one sweep.
#[must_use]
pub fn powers(x: &[f64], about: f64) -> Powers {
    let (mut sums, mut squares, mut fourths) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    let (chunks, rest) = x.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            let d = chunk[lane] - about;
            let square = d * d;
            sums[lane] += d;
            squares[lane] += square;
            fourths[lane] += square * square;
        }
    }
    for (lane, value) in rest.iter().enumerate() {
        let d = value - about;
        sums[lane] += d;
        squares[lane] += d * d;
        fourths[lane] += d * d * d * d;
    }
    Powers { sum: lane_sum(sums), squares: lane_sum(squares), fourths: lane_sum(fourths) }
}

/// Sum and sum of squares of the deviations of `i`, and of their products with those of `v`.
fn beside(v: &[f64], mean_v: f64, i: &[f64], mean_i: f64) -> (f64, f64, f64) {
    let (mut sums, mut squares, mut products) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    let ((vs, rest_v), (is, rest_i)) = (v.as_chunks::<LANES>(), i.as_chunks::<LANES>());
    for (v, i) in vs.iter().zip(is) {
        for lane in 0..LANES {
            let d = i[lane] - mean_i;
            sums[lane] += d;
            squares[lane] += d * d;
            products[lane] += (v[lane] - mean_v) * d;
        }
    }
    for (lane, (v, i)) in rest_v.iter().zip(rest_i).enumerate() {
        let d = i - mean_i;
        sums[lane] += d;
        squares[lane] += d * d;
        products[lane] += (v - mean_v) * d;
    }
    (lane_sum(sums), lane_sum(squares), lane_sum(products))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative agreement wanted of a sum of a few thousand terms.
    const TIGHT: f64 = 1e-13;

    #[test]
    fn by_hand() {
        // v = 1, 3 -> mean 2, m2 = 1 + 1 = 2; i = 2, 6 -> mean 4, m2 = 8; products 1*2 + 1*2 = 4.
        let m = PairMoments::of(&[1.0, 3.0], &[2.0, 6.0]);
        assert_eq!((m.mean_v, m.m2_v, m.mean_i, m.m2_i, m.c_vi), (2.0, 2.0, 4.0, 8.0, 4.0));
        // mean(v*i) = (2 + 18) / 2 = 10.
        assert_eq!(m.mean_product(), Some(10.0));
        assert_eq!(PairMoments::default().mean_product(), None);
    }

    #[test]
    fn merge_equals_one_pass_at_every_split_even_with_a_large_offset() {
        let v: Vec<f64> = (0..257).map(|k| 1e6 + (f64::from(k) * 0.7).sin()).collect();
        let i: Vec<f64> = (0..257).map(|k| -1e5 + (f64::from(k) * 0.7).cos()).collect();
        let whole = PairMoments::of(&v, &i);
        for split in 0..v.len() {
            let mut left = PairMoments::of(&v[..split], &i[..split]);
            left.merge(&PairMoments::of(&v[split..], &i[split..]));
            assert!((left.m2_v / whole.m2_v - 1.0).abs() < 1e-9, "split {split}");
            assert!((left.c_vi - whole.c_vi).abs() < 1e-7, "split {split}");
            assert!((left.mean_v / whole.mean_v - 1.0).abs() < TIGHT);
        }
    }

    #[test]
    fn nist_numacc4_standard_deviation_survives_its_offset() {
        // NIST StRD univariate set NumAcc4: mean 10000000.2, standard deviation 0.1 (certified).
        let mut x = vec![10_000_000.2];
        for k in 0..1000 {
            x.push(if k % 2 == 0 { 10_000_000.1 } else { 10_000_000.3 });
        }
        let (mean, deviation) = mean_and_deviation(&x).expect("not empty");
        assert!((mean / 10_000_000.2 - 1.0).abs() < 1e-15);
        // The data themselves are off by 1e-9 in f64; 8 digits is the best that can be had.
        assert!((deviation.expect("many") / 0.1 - 1.0).abs() < 1e-8);
    }

    #[test]
    fn extremes_of_any_length() {
        for n in 1..40 {
            let x: Vec<f64> = (0..n).map(|k| f64::from((k * 7) % 13)).collect();
            let low = x.iter().copied().fold(f64::MAX, f64::min);
            let high = x.iter().copied().fold(f64::MIN, f64::max);
            assert_eq!(extremes(&x), Some((low, high)));
        }
        assert_eq!(extremes(&[]), None);
    }
}
