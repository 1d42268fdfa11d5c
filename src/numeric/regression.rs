//! Ordinary least squares: a straight line with its prediction band, and the general case.

use super::student;
use nalgebra::{DMatrix, DVector};

/// Coefficients of a linear model and how well they are known.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Coefficients, in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Standard deviation of each.
    pub deviations: Vec<f64>,
    /// Residual standard deviation.
    pub residual: f64,
    /// Degrees of freedom: rows less columns.
    pub freedom: usize,
}

/// Fits `y` by the columns of `x`, row by row, by QR of the columns scaled to length one.
///
/// `None` where there are not more rows than columns, or columns depend on each other.
#[must_use]
pub fn least_squares(x: &[Vec<f64>], y: &[f64]) -> Option<Fit> {
    let (rows, columns) = (x.len(), x.first()?.len());
    if rows <= columns
        || columns == 0
        || y.len() != rows
        || x.iter().any(|row| row.len() != columns)
    {
        return None;
    }
    let mut matrix = DMatrix::from_fn(rows, columns, |r, c| x[r][c]);
    let scales: Vec<f64> = (0..columns).map(|c| matrix.column(c).norm()).collect();
    for (c, scale) in scales.iter().enumerate() {
        if !(scale.is_finite() && *scale > 0.0) {
            return None;
        }
        matrix.column_mut(c).scale_mut(1.0 / scale);
    }
    let wanted = DVector::from_column_slice(y);
    let qr = matrix.clone().qr();
    let r = qr.r();
    let least = (0..columns).map(|k| r[(k, k)].abs()).fold(f64::INFINITY, f64::min);
    if least < 1e-13 {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(columns, columns))?;
    let mut found = &inverse * (qr.q().transpose() * &wanted);
    // Once more for what rounding left.
    let left = &wanted - &matrix * &found;
    found += &inverse * (qr.q().transpose() * left);
    let residuals = &wanted - &matrix * &found;
    let freedom = rows - columns;
    let residual = (residuals.norm_squared() / freedom as f64).sqrt();
    let deviations = (0..columns).map(|k| residual * inverse.row(k).norm() / scales[k]);
    Some(Fit {
        coefficients: found.iter().zip(&scales).map(|(b, scale)| b / scale).collect(),
        deviations: deviations.collect(),
        residual,
        freedom,
    })
}

/// A straight line through points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Number of points.
    pub count: usize,
    /// Mean of x.
    pub centre: f64,
    /// Value at the mean of x.
    pub level: f64,
    /// Slope.
    pub slope: f64,
    /// Standard deviation of the slope.
    pub slope_deviation: f64,
    /// Residual standard deviation.
    pub residual: f64,
    /// Sum of squares of x about its mean.
    pub spread: f64,
}

impl Line {
    /// Fits a line; `None` below three points, or where they share one x.
    #[must_use]
    pub fn fit(points: &[(f64, f64)]) -> Option<Self> {
        let count = points.len();
        if count < 3 {
            return None;
        }
        let n = count as f64;
        let centre = points.iter().map(|(x, _)| x).sum::<f64>() / n;
        let level = points.iter().map(|(_, y)| y).sum::<f64>() / n;
        let spread: f64 = points.iter().map(|(x, _)| (x - centre).powi(2)).sum();
        if !(spread.is_finite() && spread > 0.0) {
            return None;
        }
        let slope = points.iter().map(|(x, y)| (x - centre) * (y - level)).sum::<f64>() / spread;
        let squares: f64 =
            points.iter().map(|(x, y)| (y - level - slope * (x - centre)).powi(2)).sum();
        let residual = (squares / (n - 2.0)).sqrt();
        let slope_deviation = residual / spread.sqrt();
        Some(Self { count, centre, level, slope, slope_deviation, residual, spread })
    }

    /// Degrees of freedom.
    #[must_use]
    pub fn freedom(&self) -> f64 {
        self.count as f64 - 2.0
    }

    /// Value at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.centre)
    }

    /// Half width of the interval that holds the next value at `x` with this probability.
    #[must_use]
    pub fn prediction(&self, x: f64, probability: f64) -> Option<f64> {
        let k = student::coverage_factor(probability, self.freedom())?;
        let share = 1.0 + 1.0 / self.count as f64 + (x - self.centre).powi(2) / self.spread;
        Some(k * self.residual * share.sqrt())
    }

    /// Probability of a slope this far from zero, to either side, where there is none.
    #[must_use]
    pub fn chance(&self) -> f64 {
        if self.slope_deviation <= 0.0 {
            return if self.slope.abs() > 0.0 { 0.0 } else { 1.0 };
        }
        let t = (self.slope / self.slope_deviation).abs();
        2.0 * (1.0 - student::probability_below(t, self.freedom()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_the_general_fit_of_two_columns() {
        let points = [(0.0, 1.0), (1.0, 2.9), (2.0, 5.2), (3.0, 6.9), (5.0, 11.1)];
        let line = Line::fit(&points).unwrap();
        let rows: Vec<Vec<f64>> = points.iter().map(|(x, _)| vec![1.0, *x]).collect();
        let y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
        let fit = least_squares(&rows, &y).unwrap();
        assert!((line.at(0.0) - fit.coefficients[0]).abs() < 1e-12);
        assert!((line.slope - fit.coefficients[1]).abs() < 1e-12);
        assert!((line.slope_deviation - fit.deviations[1]).abs() < 1e-12);
        assert!((line.residual - fit.residual).abs() < 1e-12);
        assert!(line.prediction(9.0, 0.95).unwrap() > line.prediction(2.0, 0.95).unwrap());
        assert_eq!(Line::fit(&points[..2]), None);
        assert_eq!(Line::fit(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
        assert_eq!(least_squares(&vec![vec![1.0, 2.0]; 5], &[1.0; 5]), None);
    }
}
