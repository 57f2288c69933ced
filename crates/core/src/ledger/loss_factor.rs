//! How many times the published rate a farm's own goods lose weight, learned from its counts; and whether more is missing than that.
//!
//! The published figure (`cold::weight_loss`) is of a single unpacked mushroom. Boxes, lids and damp air let through a fraction of it, which is
//! another one on every farm. So there is one *factor* for each strain and packaging, and the lots that were weighed on a day teach it, by
//! Bayes' rule on a grid. Before any count it is log-normal, with half the published rate in the middle and 90 % between a tenth and two and a
//! half times of it. The lots of a day have some weather in common, which moves all of them alike; each is scattered about that by a share that
//! is learned with the factor. The scale errs as the law lets it. One lot in fifty is taken to be off for another reason, by any weight: such a
//! one hardly moves the factor. All these shares are our own convention (unverified).
//!
//! Whether more is missing than water is asked of all lots of a kind at once, against what was learned before they were weighed.

use std::f64::consts::{LN_10, SQRT_2, TAU};

use super::stock_count::scale_tolerance;
use crate::{
    cold::weight_loss::{ExpectedLoss, LossCurve, PublishedLoss},
    units::quantity::Grams,
};

/// Middle of the factor before any count.
const PRIOR_MEDIAN: f64 = 0.5;
/// Standard deviation of its natural logarithm: 90 % within a factor of 5.2 either way.
const PRIOR_SPREAD: f64 = 1.0;
/// Factors of the grid: so many, evenly in their logarithm, from the least to the most.
const FACTORS: u32 = 300;
const MIN_FACTOR: f64 = 0.01;
const MAX_FACTOR: f64 = 10.0;
/// Shares by which lots of a kind may be scattered about the factor of their day, each as likely as the others before any count.
const SCATTERS: [f64; 3] = [0.07, 0.15, 0.3];
/// Standard deviation of the natural logarithm of a day's factor about that of the kind: weather, how full the fridge is, how often its door is
/// opened.
const DAY_SCATTER: f64 = 0.15;
/// A day's factor is looked for so many standard deviations either way.
const DAY_REACH: f64 = 4.5;
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

/// A lot in the terms of the model, all in grams.
struct LotTerms {
    missing: f64,
    book: f64,
    curve: LossCurve,
    air_spread: f64,
    /// The largest error of the difference of two weighings.
    tolerance: f64,
}

impl LotTerms {
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    fn of(lot: &WeighedLot) -> Self {
        Self {
            missing: (lot.book_g - lot.counted_g).0 as f64,
            book: lot.book_g.0.max(1) as f64,
            curve: lot.published.curve(),
            air_spread: lot.published.air_spread(),
            tolerance: scale_tolerance(lot.book_g.max(lot.counted_g)).0 as f64,
        }
    }

    fn lost(&self, factor: f64) -> f64 {
        self.curve.at(factor).min(self.book)
    }

    /// Variance of the difference of two weighings: each errs by no more than half the tolerance, by any of that as likely as by any other
    /// (JCGM 100:2008, clause 4.3.7: a ÷ √3).
    fn scale_variance(&self) -> f64 {
        self.tolerance.powi(2) / 6.0
    }

    /// Logarithm of the likelihood of what is missing.
    fn log_likelihood(&self, lost: f64, scatter: f64) -> f64 {
        let variance = lost.powi(2) * (scatter.powi(2) + self.air_spread.powi(2)) + self.scale_variance();
        let normal = (-(self.missing - lost).powi(2) / (2.0 * variance)).exp() / (TAU * variance).sqrt();
        ((1.0 - OFF) * normal + OFF / (2.0 * self.book)).ln()
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
    /// What a lot is expected to be missing by this, at most what the book has of it: water, and at the most what two weighings may differ by.
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
            high_g: (at(self.high, published.high_g) + scale_tolerance(book)).min(book.max(Grams::ZERO)),
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
    (MAX_FACTOR / MIN_FACTOR).ln() / f64::from(FACTORS - 1)
}

fn grid() -> impl Iterator<Item = f64> {
    (0..FACTORS).map(|i| MIN_FACTOR * (f64::from(i) * grid_step()).exp())
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

/// How likely a day's factor lies so many cells of the grid beside that of the kind: a normal density of its logarithm.
fn day_kernel() -> Vec<f64> {
    let cells = |reach: f64| (0..).map(f64::from).take_while(move |n| n * grid_step() <= reach);
    let density = |n: f64| (-(n * grid_step() / DAY_SCATTER).powi(2) / 2.0).exp();
    let half: Vec<f64> = cells(DAY_REACH * DAY_SCATTER).map(density).collect();
    let sum = 2.0 * half.iter().sum::<f64>() - half[0];
    half.iter().skip(1).rev().chain(&half).map(|share| share / sum).collect()
}

impl Default for LossFactor {
    /// Before any count.
    fn default() -> Self {
        let weight = |factor: f64| -((factor / PRIOR_MEDIAN).ln() / PRIOR_SPREAD).powi(2) / 2.0;
        Self { weights: grid().flat_map(|factor| SCATTERS.map(|_| weight(factor))).collect(), lots: 0 }
    }
}

impl LossFactor {
    /// Learns from the lots that were weighed on a day. Those that stood for no time teach nothing.
    pub fn learn(&mut self, lots: &[WeighedLot]) {
        let lots: Vec<LotTerms> =
            lots.iter().filter(|l| l.published.likely_g > Grams::ZERO).map(LotTerms::of).collect();
        if lots.is_empty() {
            return;
        }
        // How likely the day is by each factor of its own; then by each factor of the kind, which those are scattered about.
        let by_days_own: Vec<[f64; SCATTERS.len()]> = grid()
            .map(|factor| SCATTERS.map(|scatter| lots.iter().map(|l| l.log_likelihood(l.lost(factor), scatter)).sum()))
            .collect();
        let day = day_kernel();
        for scatter in 0..SCATTERS.len() {
            let most = by_days_own.iter().map(|logs| logs[scatter]).fold(f64::NEG_INFINITY, f64::max);
            let likely: Vec<f64> = by_days_own.iter().map(|logs| (logs[scatter] - most).exp()).collect();
            let weights = self.weights.iter_mut().skip(scatter).step_by(SCATTERS.len());
            for (n, weight) in weights.enumerate() {
                let near = |(offset, share): (usize, &f64)| {
                    Some(share * likely.get((n + offset).checked_sub(day.len() / 2)?)?)
                };
                *weight += most + day.iter().enumerate().filter_map(near).sum::<f64>().ln();
            }
        }
        self.lots += lots.len();
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

    /// The range of the factors of its lots on any day, which are scattered about it.
    #[must_use]
    pub fn range_of_a_lot(&self) -> FactorRange {
        let cells = self.cells();
        let below = |factor: f64| {
            cells
                .iter()
                .map(|c| c.weight * normal_cdf((factor / c.factor - 1.0) / c.scatter.hypot(DAY_SCATTER)))
                .sum::<f64>()
        };
        let at = |share| where_reaches(share, (0.0, 3.0 * MAX_FACTOR), below);
        FactorRange { low: at(TAIL), likely: at(0.5), high: at(1.0 - TAIL) }
    }

    /// Of each cell that matters: its weight, and the mean and standard deviation of what the lots of some days are missing together by it.
    ///
    /// The lots of a day have its weather in common, air that nobody read, and a quarter of the scale's tolerance.
    fn sums(&self, days: &[&[WeighedLot]]) -> Vec<(f64, f64, f64)> {
        let days: Vec<Vec<LotTerms>> = days.iter().map(|lots| lots.iter().map(LotTerms::of).collect()).collect();
        let of = |cell: Cell| {
            let (mut mean, mut variance) = (0.0, 0.0);
            for lots in &days {
                let (mut lost_by_all, mut by_air, mut by_scale) = (0.0, 0.0, 0.0);
                for lot in lots {
                    let lost = lot.lost(cell.factor);
                    lost_by_all += lost;
                    by_air += lost * lot.air_spread;
                    by_scale += lot.tolerance / (4.0 * 3f64.sqrt());
                    variance += (lost * cell.scatter).powi(2) + lot.scale_variance();
                }
                mean += lost_by_all;
                variance += (lost_by_all * DAY_SCATTER).powi(2) + by_air.powi(2) + by_scale.powi(2);
            }
            (cell.weight, mean, variance.sqrt().max(f64::MIN_POSITIVE))
        };
        self.cells().into_iter().map(of).collect()
    }

    /// The probability that the lots of some days are missing together as much as they are, or more.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    pub fn probability(&self, days: &[&[WeighedLot]]) -> f64 {
        let missing = days.iter().copied().flatten().map(|l| (l.book_g - l.counted_g).0 as f64).sum::<f64>();
        self.sums(days).iter().map(|(weight, mean, sd)| weight * normal_cdf((mean - missing) / sd)).sum()
    }

    /// What the lots of some days are expected to be missing together, water and scale.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        reason = "a weight here is far below 2^52 g"
    )]
    pub fn expected_together(&self, days: &[&[WeighedLot]]) -> ExpectedLoss {
        let sums = self.sums(days);
        let book = days.iter().copied().flatten().map(|l| l.book_g.0 as f64).sum::<f64>();
        let below =
            |grams: f64| sums.iter().map(|(weight, mean, sd)| weight * normal_cdf((grams - mean) / sd)).sum::<f64>();
        let at = |share| Grams(where_reaches(share, (-book, book), below).round().max(0.0) as i64);
        ExpectedLoss { low_g: at(TAIL), likely_g: at(0.5), high_g: at(1.0 - TAIL) }
    }
}
