//! How many times the published rate a farm's own goods lose weight, learned from its counts; and whether more is missing than that.
//!
//! The published figure (`cold::weight_loss`) is of a single unpacked mushroom. Boxes, lids and damp air let through a fraction of it, which is
//! another one on every farm. So there is one *factor* for each strain and packaging, and each lot that was weighed at a count teaches it, by
//! Bayes' rule on a grid: before any count it is log-normal, with half the published rate in the middle and 90 % between a tenth and two and a
//! half times of it (our own convention, unverified). A lot's own factor is scattered about that of its kind, by a share that is learned
//! alike. The scale errs as the law lets it. One lot in fifty is taken to be off for another reason, by any weight: such a one hardly moves
//! the factor, and what is stolen is not learned as water.
//!
//! Whether more is missing than water is asked of all lots of a kind at once, over the last one, two and three counts, against what was learned
//! before them.

use std::f64::consts::{LN_10, SQRT_2};

use super::stock_count::scale_tolerance;
use crate::{
    cold::weight_loss::{ExpectedLoss, PublishedLoss},
    units::quantity::Grams,
};

/// Days before a count of which the counts teach it. Boxes, lids and seasons change.
pub const LEARNED_DAYS: i64 = 180;
/// The most counts that are looked at together for what is missing.
pub const MAX_WATCHED: usize = 3;
/// The chance below which what is missing is told: that goods as learned lose so much or more.
pub const MAX_CHANCE: f64 = 1e-4;

/// Middle of the factor before any count.
const PRIOR_MEDIAN: f64 = 0.5;
/// Standard deviation of its natural logarithm: 90 % within a factor of 5.2 either way.
const PRIOR_SPREAD: f64 = 1.0;
/// Factors of the grid: so many, evenly in their logarithm, from the least to the most.
const FACTORS: u32 = 400;
const LEAST_FACTOR: f64 = 0.01;
const MOST_FACTOR: f64 = 10.0;
/// Shares by which lots of a kind may be scattered about its factor, each as likely as the others before any count.
const SCATTERS: [f64; 4] = [0.05, 0.1, 0.2, 0.35];
/// Share of lots that are off by any weight for another reason.
const OFF: f64 = 0.02;
/// Both ends of a range leave out so much.
const TAIL: f64 = 0.05;
/// Cells of the grid that are less likely are not summed over.
const NEGLIGIBLE: f64 = 1e-12;

/// A lot on the scale at a count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeighedLot {
    /// What the book had.
    pub book_g: Grams,
    /// What was there.
    pub counted_g: Grams,
    /// What goods that lose by the published rates had lost by then.
    pub published: PublishedLoss,
}

#[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
impl WeighedLot {
    fn missing(&self) -> f64 {
        (self.book_g - self.counted_g).0 as f64
    }

    fn book(&self) -> f64 {
        self.book_g.0.max(1) as f64
    }

    /// Variance of the difference of two weighings, g²: each errs by no more than half the tolerance, by any of that as likely as by any
    /// other (JCGM 100:2008, clause 4.3.7: a ÷ √3).
    fn scale_variance(&self) -> f64 {
        (scale_tolerance(self.book_g.max(self.counted_g)).0 as f64).powi(2) / 6.0
    }

    /// Variance of what it loses of `lost`, as one of a kind whose lots are scattered by a share, g².
    fn water_variance(&self, lost: f64, scatter: f64) -> f64 {
        lost.powi(2) * (scatter.powi(2) + self.published.air_spread().powi(2))
    }

    /// Likelihood of what is missing.
    fn likelihood(&self, lost: f64, scatter: f64) -> f64 {
        let variance = self.water_variance(lost, scatter) + self.scale_variance();
        let normal =
            (-(self.missing() - lost).powi(2) / (2.0 * variance)).exp() / (std::f64::consts::TAU * variance).sqrt();
        (1.0 - OFF) * normal + OFF / (2.0 * self.book())
    }
}

/// A range of factors: 90 % of what is likely lies in it, and half on either side of the middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FactorRange {
    /// The least.
    pub low: f64,
    /// The middle.
    pub likely: f64,
    /// The most.
    pub high: f64,
}

impl FactorRange {
    /// What a lot is expected to have lost by this, at most what the book has of it.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        reason = "a weight here is far below 2^52 g"
    )]
    pub fn expected(&self, book: Grams, published: &PublishedLoss) -> ExpectedLoss {
        let likely = published.likely_g.0.max(1) as f64;
        let at = |factor: f64, air: Grams| {
            let grams = published.times(factor) * air.0 as f64 / likely;
            Grams((grams.round() as i64).clamp(0, book.0.max(0)))
        };
        ExpectedLoss {
            low_g: at(self.low, published.low_g),
            likely_g: at(self.likely, published.likely_g),
            high_g: at(self.high, published.high_g),
        }
    }
}

/// What is known of the factor of a kind: how likely each factor is with each scatter.
#[derive(Debug, Clone, PartialEq)]
pub struct LossFactor {
    /// Logarithms of the weights, factor by factor, the scatters of one side by side.
    weights: Vec<f64>,
    lots: usize,
}

/// One factor with one scatter, and how likely they are.
struct Cell {
    factor: f64,
    scatter: f64,
    weight: f64,
}

fn grid_step() -> f64 {
    (MOST_FACTOR / LEAST_FACTOR).ln() / f64::from(FACTORS - 1)
}

fn grid() -> impl Iterator<Item = f64> {
    (0..FACTORS).map(|i| LEAST_FACTOR * (f64::from(i) * grid_step()).exp())
}

/// Probability that a standard normal variable is no more than `z`.
fn normal_cdf(z: f64) -> f64 {
    libm::erfc(-z / SQRT_2) / 2.0
}

/// Where a rising function reaches a share, between two ends.
fn where_reaches(share: f64, (mut low, mut high): (f64, f64), rising: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if rising(middle) < share {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

impl Default for LossFactor {
    /// Before any count.
    fn default() -> Self {
        let weight = |factor: f64| -((factor / PRIOR_MEDIAN).ln() / PRIOR_SPREAD).powi(2) / 2.0;
        Self { weights: grid().flat_map(|factor| SCATTERS.map(|_| weight(factor))).collect(), lots: 0 }
    }
}

impl LossFactor {
    /// Learns from a lot that was weighed. One that stood for no time, or that nothing is known of but its weight, teaches nothing.
    pub fn learn(&mut self, lot: &WeighedLot) {
        if lot.published.likely_g <= Grams::ZERO {
            return;
        }
        for (weights, factor) in self.weights.chunks_exact_mut(SCATTERS.len()).zip(grid()) {
            let lost = lot.published.times(factor).min(lot.book());
            for (weight, scatter) in weights.iter_mut().zip(SCATTERS) {
                *weight += lot.likelihood(lost, scatter).ln();
            }
        }
        self.lots += 1;
    }

    /// How many lots taught it.
    #[must_use]
    pub const fn lots(&self) -> usize {
        self.lots
    }

    /// The cells that matter, their weights adding up to 1.
    fn cells(&self) -> Vec<Cell> {
        let most = self.weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sum: f64 = self.weights.iter().map(|w| (w - most).exp()).sum();
        self.weights
            .chunks_exact(SCATTERS.len())
            .zip(grid())
            .flat_map(|(weights, factor)| weights.iter().zip(SCATTERS).map(move |(w, scatter)| (*w, factor, scatter)))
            .map(|(w, factor, scatter)| Cell { factor, scatter, weight: (w - most).exp() / sum })
            .filter(|cell| cell.weight > NEGLIGIBLE)
            .collect()
    }

    /// The range of the kind's own factor. What lies in a cell is spread over the cell.
    #[must_use]
    pub fn range(&self) -> FactorRange {
        let (cells, half) = (self.cells(), grid_step() / 2.0);
        let below = |log: f64| {
            cells.iter().map(|c| c.weight * ((log - c.factor.ln() + half) / (2.0 * half)).clamp(0.0, 1.0)).sum::<f64>()
        };
        let at = |share| where_reaches(share, (-3.0 * LN_10, 2.0 * LN_10), below).exp();
        FactorRange { low: at(TAIL), likely: at(0.5), high: at(1.0 - TAIL) }
    }

    /// The range of the factors of its lots, which are scattered about it.
    #[must_use]
    pub fn range_of_a_lot(&self) -> FactorRange {
        let cells = self.cells();
        let below = |factor: f64| {
            cells.iter().map(|c| c.weight * normal_cdf((factor / c.factor - 1.0) / c.scatter)).sum::<f64>()
        };
        let at = |share| where_reaches(share, (0.0, 3.0 * MOST_FACTOR), below);
        FactorRange { low: at(TAIL), likely: at(0.5), high: at(1.0 - TAIL) }
    }

    /// Of each cell that matters: its weight, and the mean and standard deviation of what lots are missing together by it, water and scale.
    fn sums(&self, lots: &[WeighedLot]) -> Vec<(f64, f64, f64)> {
        let cells = self.cells().into_iter();
        let of = |cell: Cell| {
            let (mut mean, mut variance) = (0.0, 0.0);
            for lot in lots {
                let lost = lot.published.times(cell.factor).min(lot.book());
                mean += lost;
                variance += lot.water_variance(lost, cell.scatter) + lot.scale_variance();
            }
            (cell.weight, mean, variance.sqrt().max(f64::MIN_POSITIVE))
        };
        cells.map(of).collect()
    }

    /// The chance that lots are missing together as much as they are, or more.
    #[must_use]
    pub fn chance(&self, lots: &[WeighedLot]) -> f64 {
        let missing: f64 = lots.iter().map(WeighedLot::missing).sum();
        self.sums(lots).iter().map(|(weight, mean, sd)| weight * normal_cdf((mean - missing) / sd)).sum()
    }

    /// What lots are expected to be missing together, water and scale.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "a weight here is far below 2^52 g")]
    pub fn expected_together(&self, lots: &[WeighedLot]) -> ExpectedLoss {
        let (sums, book) = (self.sums(lots), lots.iter().map(WeighedLot::book).sum::<f64>());
        let below =
            |grams: f64| sums.iter().map(|(weight, mean, sd)| weight * normal_cdf((grams - mean) / sd)).sum::<f64>();
        let at = |share| Grams(where_reaches(share, (-book, book), below).round().max(0.0) as i64);
        ExpectedLoss { low_g: at(TAIL), likely_g: at(0.5), high_g: at(1.0 - TAIL) }
    }
}
