//! Repeatability and reproducibility of a gauge: analysis of variance over operators, parts and
//! trials.

use crate::statistics::describe::mean;
use crate::statistics::distributions::{chi_squared_quantile, fisher_above};

/// Parts of the standard deviation, and what follows from them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Study {
    /// Of trials of one operator on one part: equipment variation.
    pub repeatability: f64,
    /// Between operators: appraiser variation.
    pub operators: f64,
    /// Of operators with parts; zero where it was pooled into the repeatability.
    pub interaction: f64,
    /// Probability that an interaction as large comes from repeatability alone.
    pub interaction_p: f64,
    /// Of operators and interaction together.
    pub reproducibility: f64,
    /// Of repeatability and reproducibility together.
    pub gauge: f64,
    /// Between parts.
    pub parts: f64,
    /// Of all together.
    pub total: f64,
    /// 1.41 parts / gauge, rounded down: how many sorts of parts the gauge tells apart.
    pub distinct_categories: f64,
}

/// The readings of a study: `trials` of part 0 by operator 0, then of part 1, and so on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Readings<'a> {
    /// All readings.
    pub values: &'a [f64],
    /// Parts that each operator measured.
    pub parts: usize,
    /// Trials per operator and part.
    pub trials: usize,
}

/// Sums of squares and degrees of freedom.
struct Squares {
    operators: (f64, f64),
    parts: (f64, f64),
    interaction: (f64, f64),
    trials: (f64, f64),
}

/// The study by analysis of variance, two-way and crossed with random effects (Measurement Systems
/// Analysis of the automotive industry, and NIST/SEMATECH e-Handbook 2.4, both from memory). An
/// interaction whose probability is above `pool_above` is pooled into the repeatability; a negative
/// part of the variance counts as zero. None unless there are two operators, parts and trials or
/// more, and as many readings as that.
pub(crate) fn study(readings: Readings<'_>, pool_above: f64) -> Option<Study> {
    let (operators, squares) = squares(readings)?;
    let sizes = [readings.parts as f64, readings.trials as f64, operators];
    let (means, interaction_p, _) = squares.mean_squares(pool_above);
    let split = Split::of(means, sizes);
    let gauge = split.gauge();
    Some(Study {
        repeatability: split.error.sqrt(),
        operators: split.operators.sqrt(),
        interaction: split.interaction.sqrt(),
        interaction_p,
        reproducibility: (split.operators + split.interaction).sqrt(),
        gauge: gauge.sqrt(),
        parts: split.parts.sqrt(),
        total: (gauge + split.parts).sqrt(),
        distinct_categories: split.categories().floor(),
    })
}

/// Variances of trials, of operators with parts, of operators and of parts.
struct Split {
    error: f64,
    interaction: f64,
    operators: f64,
    parts: f64,
}

impl Split {
    /// From the mean squares of trials, of operators with parts, of operators and of parts.
    fn of(
        [error, joint, of_operators, of_parts]: [f64; 4],
        [parts, trials, operators]: [f64; 3],
    ) -> Split {
        let part_of = |above: f64, below: f64, times: f64| ((above - below) / times).max(0.0);
        Split {
            error,
            interaction: part_of(joint, error, trials),
            operators: part_of(of_operators, joint, parts * trials),
            parts: part_of(of_parts, joint, operators * trials),
        }
    }

    fn gauge(&self) -> f64 {
        self.error + self.interaction + self.operators
    }

    fn categories(&self) -> f64 {
        1.41 * (self.parts / self.gauge()).sqrt()
    }
}

impl Squares {
    /// Mean squares of trials, of operators with parts, of operators and of parts, the first two pooled where that
    /// is right; the probability of the interaction, and the degrees of freedom of each.
    fn mean_squares(&self, pool_above: f64) -> ([f64; 4], f64, [f64; 4]) {
        let mean_square = |(sum, degrees): (f64, f64)| sum / degrees;
        let (error, joint) = (mean_square(self.trials), mean_square(self.interaction));
        let interaction_p = if joint == 0.0 {
            1.0
        } else {
            fisher_above(joint / error, self.interaction.1, self.trials.1)
        };
        let both = (self.trials.0 + self.interaction.0, self.trials.1 + self.interaction.1);
        let pooled = interaction_p > pool_above;
        let [trials, interaction] =
            if pooled { [both; 2] } else { [self.trials, self.interaction] };
        let all = [trials, interaction, self.operators, self.parts];
        (all.map(mean_square), interaction_p, all.map(|(_, degrees)| degrees))
    }
}

/// Between which values a result of a study lies, to 95 %.
pub(crate) type Ends = [f64; 2];

/// What a study may be: repeatability, reproducibility, gauge, and distinct categories.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StudyLimits {
    pub repeatability: Ends,
    pub reproducibility: Ends,
    pub gauge: Ends,
    pub categories: Ends,
}

/// How many cases a generalized confidence interval is made of; a prime number.
const CASES: usize = 251;

/// How far cases go on in the levels of each mean square: a lattice, by trial of its coverage.
const STRIDES: [usize; 4] = [1, 107, 43, 186];

/// Generalized confidence intervals: each mean square times its degrees of freedom over a chi-squared value, put
/// into the same formulas, over many cases. None as in [`study`].
pub(crate) fn study_limits(readings: Readings<'_>, pool_above: f64) -> Option<StudyLimits> {
    let (operators, squares) = squares(readings)?;
    let sizes = [readings.parts as f64, readings.trials as f64, operators];
    let (means, _, degrees) = squares.mean_squares(pool_above);
    let is_pooled = degrees[0] == degrees[1];
    let level = |at: usize| (at as f64 + 0.5) / CASES as f64;
    let quantiles = degrees.map(|degrees| {
        let each = (0..CASES).map(|at| degrees / chi_squared_quantile(level(at), degrees));
        each.collect::<Vec<f64>>()
    });
    let cases = (0..CASES).map(|case| {
        let mut drawn = means;
        for ((mean, quantiles), stride) in drawn.iter_mut().zip(&quantiles).zip(STRIDES) {
            *mean *= quantiles.get(case * stride % CASES).copied().unwrap_or(f64::NAN);
        }
        if is_pooled {
            drawn[1] = drawn[0];
        }
        let split = Split::of(drawn, sizes);
        let reproducibility = (split.operators + split.interaction).sqrt();
        [split.error.sqrt(), reproducibility, split.gauge().sqrt(), split.categories()]
    });
    let cases: Vec<[f64; 4]> = cases.collect();
    let ends = |of: fn(&[f64; 4]) -> f64| -> Ends {
        let mut all: Vec<f64> = cases.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        [0.025, 0.975].map(|share| crate::statistics::order::percentile(&all, share))
    };
    Some(StudyLimits {
        repeatability: ends(|[repeatability, ..]| *repeatability),
        reproducibility: ends(|[_, reproducibility, ..]| *reproducibility),
        gauge: ends(|[.., gauge, _]| *gauge),
        categories: ends(|[.., categories]| *categories),
    })
}

fn squares(readings: Readings<'_>) -> Option<(f64, Squares)> {
    let Readings { values, parts, trials } = readings;
    let per_operator = parts.checked_mul(trials).filter(|_| parts >= 2 && trials >= 2)?;
    let operators = values.len() / per_operator;
    if operators < 2 || operators * per_operator != values.len() {
        return None;
    }
    let grand = mean(values);
    let values: Vec<f64> = values.iter().map(|x| x - grand).collect();
    let cells: Vec<f64> = values.chunks(trials).map(mean).collect();
    let by_operator: Vec<f64> = cells.chunks(parts).map(mean).collect();
    let by_part: Vec<f64> = (0..parts)
        .map(|part| mean(&cells.iter().skip(part).step_by(parts).copied().collect::<Vec<f64>>()))
        .collect();
    let sum = |values: &[f64]| values.iter().map(|x| x * x).sum::<f64>();
    let (k, p, r) = (operators as f64, parts as f64, trials as f64);
    // What neither the operator nor the part explains, cell by cell.
    let joint = cells.chunks(parts).zip(&by_operator).flat_map(|(cells, operator)| {
        cells.iter().zip(&by_part).map(move |(cell, part)| (cell - operator - part).powi(2))
    });
    let joint = r * joint.sum::<f64>();
    let trial = values.chunks(trials).zip(&cells);
    let trial = trial.flat_map(|(values, cell)| values.iter().map(move |x| (x - cell).powi(2)));
    let squares = Squares {
        operators: (p * r * sum(&by_operator), k - 1.0),
        parts: (k * r * sum(&by_part), p - 1.0),
        interaction: (joint, (k - 1.0) * (p - 1.0)),
        trials: (trial.sum(), k * p * (r - 1.0)),
    };
    Some((k, squares))
}

#[cfg(test)]
mod tests {
    use super::{Readings, study, study_limits};
    use crate::statistics::normals;

    /// Ten parts, three trials of three operators; the data and the results are those of the
    /// study in the manual Measurement Systems Analysis (third and fourth edition), both from
    /// memory. That they agree in every digit says that neither is misremembered.
    const PUBLISHED: [[[f64; 10]; 3]; 3] = [
        [
            [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
            [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
            [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
        ],
        [
            [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
            [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
            [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
        ],
        [
            [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
            [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
            [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
        ],
    ];

    fn published() -> Vec<f64> {
        let parts = PUBLISHED.iter().flat_map(|trials| (0..10).map(move |part| (trials, part)));
        parts.flat_map(|(trials, part)| trials.iter().map(move |trial| trial[part])).collect()
    }

    #[test]
    fn the_published_study() {
        let values = published();
        let readings = Readings { values: &values, parts: 10, trials: 3 };
        let squares = super::squares(readings).unwrap().1;
        let near = |seen: f64, should: f64, digits: f64| {
            assert!((seen - should).abs() < digits, "{seen} instead of {should}");
        };
        near(squares.operators.0, 3.1673, 6e-5);
        near(squares.parts.0, 88.3619, 6e-5);
        near(squares.interaction.0, 0.3590, 6e-5);
        near(squares.trials.0, 2.7589, 6e-5);
        let study = study(readings, 0.25).unwrap();
        assert_eq!(study.interaction, 0.0, "not significant, so pooled");
        near(study.repeatability, 0.199933, 6e-7);
        near(study.reproducibility, 0.226838, 6e-7);
        near(study.gauge, 0.302373, 2e-6);
        near(study.parts, 1.042327, 6e-7);
        near(study.gauge / study.total, 0.279, 6e-4);
        assert_eq!(study.distinct_categories, 4.0);
    }

    /// Of 150 studies drawn from known parts of variance, the intervals hold the truth in about 95 of 100 cases.
    #[test]
    fn limits_hold_what_studies_are_drawn_from() {
        let mut normal = normals(7);
        let (repeat, operator, part) = (1.0, 0.5, 8.0);
        let truth = [repeat, operator, f64::hypot(repeat, operator)];
        let mut held = [0; 3];
        for _ in 0..150 {
            let parts: Vec<f64> = (0..10).map(|_| part * normal()).collect();
            let mut values = Vec::new();
            for _ in 0..3 {
                let by = operator * normal();
                for place in &parts {
                    values.extend((0..3).map(|_| place + by + repeat * normal()));
                }
            }
            let limits =
                study_limits(Readings { values: &values, parts: 10, trials: 3 }, 0.25).unwrap();
            let ends = [limits.repeatability, limits.reproducibility, limits.gauge];
            for ((held, [low, high]), truth) in held.iter_mut().zip(ends).zip(truth) {
                *held += usize::from(low <= truth && truth <= high);
            }
            assert!(limits.categories[0] < limits.categories[1]);
        }
        assert!(held.iter().all(|held| (136..=150).contains(held)), "{held:?} of 150");
    }

    #[test]
    fn a_study_that_is_none() {
        let readings = |values, parts, trials| study(Readings { values, parts, trials }, 0.25);
        assert_eq!(readings(&[1.0; 7], 2, 2), None);
        assert_eq!(readings(&[1.0; 4], 2, 2), None, "one operator");
        assert_eq!(readings(&[1.0; 8], 1, 4), None);
        assert_eq!(readings(&[1.0; 8], 4, 1), None);
        assert_eq!(readings(&[1.0; 8], usize::MAX, 2), None);
        assert!(readings(&[1.0, 2.0, 3.0, 4.0, 1.5, 2.5, 3.5, 4.5], 2, 2).is_some());
    }
}
