//! Correlation between inputs.

use nalgebra::DMatrix;

/// Correlation coefficients of the inputs of one model.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Correlation {
    pairs: Vec<(usize, usize, f64)>,
}

/// Coefficients that no inputs can have.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CorrelationError {
    /// Not between -1 and 1.
    #[error("a correlation lies between -1 and 1, not at {0}")]
    Coefficient(f64),
    /// No set of quantities can be correlated like that.
    #[error(
        "these correlations can't hold together: the matrix is not positive semi-definite (its \
         smallest eigenvalue is {0:.3})"
    )]
    Impossible(f64),
}

/// What rounding may leave of an eigenvalue of 0.
const ROUNDING: f64 = 1e-9;

impl Correlation {
    /// No correlation.
    #[must_use]
    pub fn none() -> Self {
        Self::default()
    }

    /// Coefficients between pairs of inputs, by their places; what is not given is 0.
    ///
    /// # Errors
    /// Where a coefficient is not between -1 and 1, or the matrix is not positive semi-definite.
    pub fn new(pairs: &[(usize, usize, f64)]) -> Result<Self, CorrelationError> {
        for (_, _, r) in pairs {
            if !(-1.0..=1.0).contains(r) {
                return Err(CorrelationError::Coefficient(*r));
            }
        }
        let this = Self { pairs: pairs.iter().copied().filter(|pair| pair.2 != 0.0).collect() };
        let members = this.members();
        if !members.is_empty() {
            let least = this.matrix(&members).symmetric_eigenvalues().min();
            if least < -ROUNDING {
                return Err(CorrelationError::Impossible(least));
            }
        }
        Ok(this)
    }

    /// Coefficient between two inputs.
    #[must_use]
    pub fn between(&self, a: usize, b: usize) -> f64 {
        if a == b {
            return 1.0;
        }
        let same =
            |pair: &&(usize, usize, f64)| (pair.0, pair.1) == (a, b) || (pair.1, pair.0) == (a, b);
        self.pairs.iter().find(same).map_or(0.0, |pair| pair.2)
    }

    /// Inputs that are correlated with any other, in order.
    #[must_use]
    pub fn members(&self) -> Vec<usize> {
        let mut all: Vec<usize> = self.pairs.iter().flat_map(|pair| [pair.0, pair.1]).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Groups of inputs that hang together; an input without company is a group of its own.
    pub(super) fn groups(&self, count: usize) -> Vec<Vec<usize>> {
        let mut label: Vec<usize> = (0..count).collect();
        for (a, b, _) in &self.pairs {
            if let (Some(from), Some(to)) = (label.get(*b).copied(), label.get(*a).copied()) {
                for one in &mut label {
                    if *one == from {
                        *one = to;
                    }
                }
            }
        }
        let mut groups = vec![Vec::new(); count];
        for (input, group) in label.into_iter().enumerate() {
            groups[group].push(input);
        }
        groups.retain(|group| !group.is_empty());
        groups
    }

    fn matrix(&self, members: &[usize]) -> DMatrix<f64> {
        DMatrix::from_fn(members.len(), members.len(), |row, column| {
            self.between(members[row], members[column])
        })
    }

    /// Matrix F with F F' = R over the members: turns independent standard normal values into
    /// correlated ones. By eigenvalues, so that full correlation is no trouble.
    pub(super) fn factor(&self, members: &[usize]) -> DMatrix<f64> {
        if members.is_empty() {
            return DMatrix::zeros(0, 0);
        }
        let eigen = self.matrix(members).symmetric_eigen();
        let roots = eigen.eigenvalues.map(|value| value.max(0.0).sqrt());
        eigen.eigenvectors * DMatrix::from_diagonal(&roots)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_correlations_are_refused() {
        assert!(Correlation::new(&[(0, 1, 0.9), (1, 2, 0.9), (0, 2, 0.7)]).is_ok());
        let bad = Correlation::new(&[(0, 1, 0.9), (1, 2, 0.9), (0, 2, -0.9)]);
        assert!(matches!(bad, Err(CorrelationError::Impossible(_))), "{bad:?}");
        assert!(matches!(Correlation::new(&[(0, 1, 1.2)]), Err(CorrelationError::Coefficient(_))));
        assert!(Correlation::new(&[(0, 1, f64::NAN)]).is_err());
        // Full correlation is possible.
        assert!(Correlation::new(&[(0, 1, 1.0), (1, 2, -1.0), (0, 2, -1.0)]).is_ok());
    }

    #[test]
    fn groups_hang_together() {
        let some = Correlation::new(&[(0, 3, 0.2), (3, 4, 0.2)]).unwrap();
        let groups = some.groups(5);
        assert_eq!(groups.len(), 3);
        assert!(groups.contains(&vec![0, 3, 4]));
    }
}
