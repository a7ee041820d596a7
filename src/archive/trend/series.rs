//! A value over the runs: control charts, rule violations and capability. Plain data.

use spintrue_head::{noise_of, show_number};
use spintrue_language::{
    ChartRule, Individuals, cp, cpk, cpk_doubt, deviation, individuals_chart, mean, rule_violations,
};

/// What an index of capability is held against: what just fits, and what is asked for more often
/// than not (common practice, no source).
pub(crate) const ASKED: [(f64, &str); 2] = [(1.0, "1.00"), (1.33, "1.33")];

/// A moving range beyond its limit.
pub(crate) const LEAP: &str = "moving range beyond its limit";

/// A value of one run, in the unit of its series.
#[derive(Clone, Debug)]
pub(crate) struct Point {
    pub started: String,
    pub serial: String,
    pub value: f64,
    /// Of a rehearsal on a simulated head.
    pub simulated: bool,
}

/// A value over the runs, oldest first.
#[derive(Default)]
pub(crate) struct Series {
    pub label: String,
    /// The unit of all numbers here; empty for a plain number.
    pub unit: String,
    pub points: Vec<Point>,
    /// Runs whose value was no finite number.
    pub left_out: usize,
    /// Runs on simulated heads that were left out.
    pub rehearsals: usize,
}

/// Digits after the point that tell values apart which lie within a range.
pub(crate) fn decimals(range: f64) -> Option<u8> {
    let tells = range > 0.0 && range.is_finite();
    tells.then(|| (2.0 - range.log10().floor()).clamp(0.0, 12.0) as u8)
}

/// `1 run`, `2 runs`.
pub(super) fn runs(count: usize) -> String {
    if count == 1 { "1 run".to_string() } else { format!("{count} runs") }
}

impl Series {
    /// The least and the largest value.
    fn ends(&self) -> (f64, f64) {
        let values = self.points.iter().map(|point| point.value);
        values.fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)))
    }
}

/// What a series shows.
pub(crate) struct Trend {
    pub series: Series,
    pub charts: Individuals,
    /// From each value to the next.
    pub ranges: Vec<f64>,
    /// Which values break which rules of both charts, oldest first.
    pub violations: Vec<(usize, &'static str)>,
    pub capability: Option<Capability>,
}

/// Limits in the unit of the series, at least one of them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// How well the values fit between limits.
pub(crate) struct Capability {
    pub limits: Limits,
    /// With the deviation from the moving ranges.
    pub short: Indices,
    /// With the deviation of all values.
    pub long: Indices,
    pub blocks: Vec<Block>,
}

/// Indices of capability.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Indices {
    /// Where there are two limits.
    pub width: Option<f64>,
    /// To the nearer limit.
    pub nearer: f64,
}

/// Consecutive runs.
pub(crate) struct Block {
    pub from: usize,
    pub count: usize,
    pub mean: f64,
    pub deviation: f64,
    pub indices: Indices,
    /// Uncertainty of the index to the nearer limit, either way, at 95 %.
    pub doubt: f64,
}

impl Block {
    /// The ends of what is drawn of it.
    pub(super) fn ends(&self) -> [f64; 3] {
        let Indices { width, nearer } = self.indices;
        [nearer - self.doubt, nearer + self.doubt, width.unwrap_or(nearer)]
    }
}

/// Day and minute of a start.
pub(crate) fn day_and_minute(started: &str) -> String {
    started.chars().take(16).map(|c| if c == 'T' { ' ' } else { c }).collect()
}

/// The newest `most` of some items, and how many are older.
pub(super) fn newest<T>(items: &[T], most: usize) -> (&[T], usize) {
    let older = items.len().saturating_sub(most);
    (items.get(older..).unwrap_or_default(), older)
}

impl Limits {
    fn indices(self, mean: f64, deviation: f64) -> Indices {
        let width = self.low.zip(self.high).map(|(low, high)| cp(deviation, low, high));
        Indices { width, nearer: cpk(mean, deviation, self.low, self.high) }
    }
}

/// Blocks, counted back from the newest run so that the newest block is complete. A single run has no
/// deviation and makes no block.
fn blocks(values: &[f64], limits: Limits, size: usize) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    let mut end = values.len();
    for block in values.rchunks(size.max(2)) {
        end -= block.len();
        if block.len() > 1 {
            let (mean, deviation) = (mean(block), deviation(block));
            let indices = limits.indices(mean, deviation);
            let doubt = cpk_doubt(indices.nearer, block.len());
            blocks.push(Block { from: end, count: block.len(), mean, deviation, indices, doubt });
        }
    }
    blocks.reverse();
    blocks
}

impl Trend {
    /// What a series of at least two values shows, with capability for blocks of `block` runs.
    pub(crate) fn new(mut series: Series, limits: Option<Limits>, block: usize) -> Option<Trend> {
        let (least, most) = series.ends();
        if let Some(newest) = series.points.last().map(|point| point.value)
            && most - least <= noise_of(newest)
        {
            // Rounding alone tells them apart.
            series.points.iter_mut().for_each(|point| point.value = newest);
        }
        let values: Vec<f64> = series.points.iter().map(|point| point.value).collect();
        let charts = individuals_chart(&values)?;
        let ranges: Vec<f64> =
            values.iter().zip(values.iter().skip(1)).map(|(a, b)| (b - a).abs()).collect();
        // Where nothing ever moves, rounding of the mean alone would break rules.
        let mut violations = Vec::new();
        if charts.deviation > 0.0 {
            let broken = rule_violations(&values, charts.values.centre, charts.deviation);
            violations.extend(broken.into_iter().map(|(at, rule)| (at, rule.text())));
        }
        let leaps = (1..).zip(&ranges).filter(|(_, range)| **range > charts.ranges.high);
        violations.extend(leaps.map(|(at, _)| (at, LEAP)));
        violations.sort_by_key(|(at, _)| *at);
        let capability = limits.map(|limits| Capability {
            limits,
            short: limits.indices(charts.values.centre, charts.deviation),
            long: limits.indices(charts.values.centre, deviation(&values)),
            blocks: blocks(&values, limits, block),
        });
        Some(Trend { series, charts, ranges, violations, capability })
    }

    /// A value with as many digits as tell the values apart.
    pub(super) fn number(&self, value: f64) -> String {
        show_number(value, self.decimals())
    }

    /// The unit after a word and a blank; empty for plain numbers.
    pub(super) fn unit(&self, word: &str) -> String {
        match self.series.unit.as_str() {
            "" => String::new(),
            unit => format!(" {word}{unit}"),
        }
    }

    /// The values of the runs.
    pub(super) fn values(&self) -> Vec<f64> {
        self.series.points.iter().map(|point| point.value).collect()
    }

    /// When the first run of a block started; empty where that is not known.
    pub(super) fn started(&self, block: &Block) -> String {
        let point = self.series.points.get(block.from);
        point.map_or(String::new(), |point| day_and_minute(&point.started))
    }

    /// Digits after the point that tell the values apart.
    pub(crate) fn decimals(&self) -> Option<u8> {
        let (least, most) = self.series.ends();
        decimals((most - least).min(6.0 * self.charts.deviation))
    }

    /// The rules of both charts that a value breaks.
    fn broken(&self, at: usize) -> impl Iterator<Item = &'static str> {
        let from = self.violations.partition_point(|(index, _)| *index < at);
        let of = self.violations.iter().skip(from).take_while(move |(index, _)| *index == at);
        of.map(|(_, name)| *name)
    }

    /// The rules that a value breaks by where it lies.
    pub(crate) fn rules_at(&self, at: usize) -> impl Iterator<Item = &'static str> {
        self.broken(at).filter(|name| *name != LEAP)
    }

    /// Whether a value's step from the one before is beyond its limit.
    pub(crate) fn leaps_at(&self, at: usize) -> bool {
        self.broken(at).any(|name| name == LEAP)
    }

    /// How often each violation was given, of those that were.
    pub(crate) fn counted(&self) -> Vec<(usize, &'static str)> {
        let names = ChartRule::ALL.iter().map(|rule| rule.text()).chain([LEAP]);
        let count = |name| self.violations.iter().filter(|(_, known)| *known == name).count();
        names.map(|name| (count(name), name)).filter(|(count, _)| *count > 0).collect()
    }

    /// A sentence on rehearsals; none where there were none.
    pub(crate) fn rehearsals(&self) -> Option<String> {
        let taken = self.series.points.iter().filter(|point| point.simulated).count();
        match (taken, self.series.rehearsals) {
            (0, 0) => None,
            (0, out) => Some(format!(
                "{} on simulated heads left out (--with-simulated includes them)",
                runs(out)
            )),
            (taken, _) => Some(format!(
                "{} of {} on simulated heads: rehearsals, which say nothing of real ones",
                runs(taken),
                self.series.points.len()
            )),
        }
    }

    /// How many heads the values come from.
    pub(crate) fn heads(&self) -> usize {
        let mut serials: Vec<&str> =
            self.series.points.iter().map(|point| point.serial.as_str()).collect();
        serials.sort_unstable();
        serials.dedup();
        serials.len()
    }
}

#[cfg(test)]
mod tests {
    use super::{Limits, Point, Series, Trend};
    use spintrue_language::ChartRule;

    fn series(values: &[f64]) -> Series {
        let point = |value: &f64| Point {
            started: "2026-01-02T03:04:05.000Z".to_string(),
            serial: "A".to_string(),
            value: *value,
            simulated: false,
        };
        let points = values.iter().map(point).collect();
        Series { label: "x".to_string(), points, ..Series::default() }
    }

    #[test]
    fn a_leap_and_its_violation_are_found() {
        let mut values: Vec<f64> = (0..20).map(|k| f64::from(k % 2)).collect();
        values.push(9.0);
        let trend = Trend::new(series(&values), None, 25).unwrap();
        let leaps: Vec<usize> = (0..21).filter(|at| trend.leaps_at(*at)).collect();
        assert_eq!(leaps, [20]);
        let beyond = (20, ChartRule::BeyondThree.text());
        assert!(trend.violations.contains(&beyond), "{:?}", trend.violations);
        assert_eq!(trend.heads(), 1);
    }

    #[test]
    fn what_never_moves_breaks_no_rule() {
        let mut values = [0.3; 40];
        values[7] = 0.1 + 0.2;
        let trend = Trend::new(series(&values), None, 25).unwrap();
        assert!(trend.violations.is_empty());
        assert_eq!(trend.decimals(), None);
    }

    /// By hand: 1, 3, 1, 3 has mean 2 and s = sqrt(4/3); Cp = 6 / (6 s), Cpk = 2 / (3 s).
    #[test]
    fn capability_is_told_of_each_block() {
        let limits = Some(Limits { low: Some(0.0), high: Some(6.0) });
        let trend = Trend::new(series(&[5.0, 1.0, 3.0, 1.0, 3.0]), limits, 4).unwrap();
        let blocks = trend.capability.unwrap().blocks;
        assert_eq!((blocks.len(), blocks[0].from, blocks[0].count), (1, 1, 4));
        let s = (4.0_f64 / 3.0).sqrt();
        assert!((blocks[0].indices.width.unwrap() - 1.0 / s).abs() < 1e-12);
        assert!((blocks[0].indices.nearer - 2.0 / (3.0 * s)).abs() < 1e-12);
    }
}
