//! A value over the runs: control charts, rule violations and capability. Plain data.

use crate::archive::decisions::Decision;
use crate::archive::store::day_and_minute;
use crate::paper::plot::ends;
use crate::terminal::counted;
use spintrue_head::{noise_of, show_number};
use spintrue_language::{
    ChartRule, Individuals, cnpk, cp, cpk, cpk_doubt, deviation, individuals_chart, mean,
    rule_violations, skewness,
};
use std::collections::HashSet;

/// What an index of capability is held against: what just fits, and what is asked for more often
/// than not (common practice, no source).
pub(crate) const ASKED: [(f64, &str); 2] = [(1.0, "1.00"), (1.33, "1.33")];

/// A moving range beyond its limit.
pub(crate) const LEAP: &str = "moving range beyond its limit";

/// With fewer runs control limits are rough (common practice, no source).
pub(super) const MIN_RUNS: usize = 25;

/// Values are called skewed from this coefficient on (common practice, no source), if it is also more than so many
/// of its standard errors, by which chance alone makes it one time in a hundred.
const MIN_SKEWNESS: f64 = 0.5;
const MIN_ERRORS: f64 = 2.58;

/// With fewer values the percentiles 0.5 and 99.5 are the extreme ones.
pub(super) const MIN_PERCENTILES: usize = 200;

/// A value of one run, in the unit of its series.
#[derive(Clone, Debug)]
pub(crate) struct Point {
    /// Its number in the archive.
    pub run: i64,
    pub started: Box<str>,
    pub serial: Box<str>,
    pub value: f64,
    /// Where the value stands in its run, and its unit among those that were read.
    pub place: u32,
    pub unit: u32,
    /// Of a rehearsal on a simulated head.
    pub simulated: bool,
}

/// A value over the runs, oldest first.
#[derive(Default)]
pub(crate) struct Series {
    pub label: String,
    /// What its runs are kept apart by from others, such as `station S3`; empty for all runs.
    pub group: String,
    /// The unit of all numbers here; empty for a plain number.
    pub unit: String,
    /// Whether the zero of the unit is none of the quantity, as that of degrees Celsius.
    pub has_own_zero: bool,
    pub points: Vec<Point>,
    /// Runs that were left out by decision, newest first.
    pub excluded: Vec<(Point, Decision)>,
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

/// What a series shows.
pub(crate) struct Trend {
    pub series: Series,
    /// With the frozen limits, where there are some.
    pub charts: Individuals,
    pub frozen: Option<Frozen>,
    /// The first run that is judged: those before the base of frozen limits are not.
    pub judged_from: usize,
    /// The values are magnitudes, of which 0 is the natural bound: there is no lower control limit.
    pub is_bounded: bool,
    /// From each value to the next.
    pub ranges: Vec<f64>,
    /// Which values break which rules of both charts, oldest first.
    pub violations: Vec<(usize, &'static str)>,
    pub capability: Option<Capability>,
    pub skewed: Option<Skewed>,
    /// Digits after the point that tell the values apart.
    decimals: Option<u8>,
}

/// The trends of a value, one for each group of runs.
pub(crate) struct Trends {
    pub all: Vec<Trend>,
    /// What is wrong with groups that have none.
    pub without: Vec<String>,
}

/// Frozen limits in the unit of the series.
pub(crate) struct Frozen {
    pub decision: Decision,
    pub centre: f64,
    pub deviation: f64,
}

/// Values that are clearly not normally distributed.
pub(crate) struct Skewed {
    pub coefficient: f64,
    /// How many of its standard errors that is.
    pub errors: f64,
    /// The index from percentiles, where there are limits.
    pub index: Option<f64>,
}

/// Limits in the unit of the series, at least one of them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// The limits that values are held against.
pub(crate) struct Tolerance {
    pub limits: Limits,
    /// Of the check in the newest run that has one, not given.
    pub stored: bool,
    pub changes: Option<Changes>,
}

/// How stored limits changed over the runs.
pub(crate) struct Changes {
    pub count: usize,
    /// Start of the first run with those of the newest.
    pub since: String,
    /// The limits before.
    pub before: Limits,
}

/// How well the values fit between limits.
pub(crate) struct Capability {
    pub tolerance: Tolerance,
    /// Those that indices are taken to: not the natural bound.
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

/// The newest `most` of some items, and how many are older.
pub(super) fn newest<T>(items: &[T], most: usize) -> (&[T], usize) {
    let older = items.len().saturating_sub(most);
    (items.get(older..).unwrap_or_default(), older)
}

/// An index of capability, with limits to what is shown.
pub(super) fn shown_index(value: f64) -> String {
    match value {
        value if !value.is_finite() => "–".to_string(),
        value if value >= 999.995 => "> 999".to_string(),
        value if value <= -999.995 => "< -999".to_string(),
        value => format!("{value:.2}"),
    }
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

/// Rules that values break, and ranges beyond their limit, from a run on.
fn violations(
    values: &[f64],
    ranges: &[f64],
    charts: &Individuals,
    from: usize,
) -> Vec<(usize, &'static str)> {
    let mut violations = Vec::new();
    // Where nothing ever moves, rounding of the mean alone would break rules.
    if charts.deviation > 0.0 {
        let judged = values.get(from..).unwrap_or_default();
        let broken = rule_violations(judged, charts.values.centre, charts.deviation);
        violations.extend(broken.into_iter().map(|(at, rule)| (from + at, rule.text())));
    }
    let leaps = (1..).zip(ranges).skip(from).filter(|(_, range)| **range > charts.ranges.high);
    violations.extend(leaps.map(|(at, _)| (at, LEAP)));
    violations.sort_by_key(|(at, _)| *at);
    violations
}

/// The skewness of values that are clearly skewed, with the index from percentiles.
fn skewed(values: &[f64], limits: Option<Limits>) -> Option<Skewed> {
    let (coefficient, error) = skewness(values)?;
    let errors = coefficient.abs() / error;
    (coefficient.abs() >= MIN_SKEWNESS && errors > MIN_ERRORS).then(|| Skewed {
        coefficient,
        errors,
        index: limits.map(|limits| cnpk(values, limits.low, limits.high)),
    })
}

impl Trend {
    /// What a series shows, with capability for blocks of `block` runs. None of fewer than two values, or of none
    /// where limits are frozen.
    pub(crate) fn new(
        mut series: Series,
        tolerance: Option<Tolerance>,
        frozen: Option<Frozen>,
        block: usize,
    ) -> Option<Trend> {
        let (least, most) = ends(series.points.iter().map(|point| point.value));
        let newest = series.points.last().map(|point| point.value)?;
        if most - least <= noise_of(newest) {
            // Rounding alone tells them apart.
            series.points.iter_mut().for_each(|point| point.value = newest);
        }
        let values: Vec<f64> = series.points.iter().map(|point| point.value).collect();
        let own = individuals_chart(&values);
        let charts = match &frozen {
            Some(frozen) => Individuals::known(frozen.centre, frozen.deviation),
            None => own?,
        };
        let judged_from = frozen.as_ref().map_or(0, |frozen| {
            series.points.partition_point(|point| *point.started < *frozen.decision.base.from)
        });
        let ranges: Vec<f64> =
            values.iter().zip(values.iter().skip(1)).map(|(a, b)| (b - a).abs()).collect();
        let violations = violations(&values, &ranges, &charts, judged_from);
        let is_signed =
            tolerance.as_ref().and_then(|of| of.limits.low).is_some_and(|low| low < 0.0);
        let is_bounded =
            least >= 0.0 && charts.values.low < 0.0 && !series.has_own_zero && !is_signed;
        let capability = own.zip(tolerance).and_then(|(own, tolerance)| {
            let Limits { low, high } = tolerance.limits;
            let limits = Limits { low: low.filter(|low| !is_bounded || *low > 0.0), high };
            let has_some = limits.low.is_some() || limits.high.is_some();
            has_some.then(|| Capability {
                tolerance,
                limits,
                short: limits.indices(own.values.centre, own.deviation),
                long: limits.indices(own.values.centre, deviation(&values)),
                blocks: blocks(&values, limits, block),
            })
        });
        let skewed = skewed(&values, capability.as_ref().map(|of| of.limits));
        let decimals = decimals((most - least).min(6.0 * charts.deviation));
        Some(Trend {
            series,
            charts,
            frozen,
            judged_from,
            is_bounded,
            ranges,
            violations,
            capability,
            skewed,
            decimals,
        })
    }

    /// The lower control limit, where there is one.
    pub(super) fn lower(&self) -> Option<f64> {
        (!self.is_bounded).then_some(self.charts.values.low)
    }

    /// Whether the newest run completes a pattern that breaks a rule.
    pub(crate) fn newest_signals(&self) -> bool {
        let newest = self.series.points.len().checked_sub(1);
        newest.is_some() && self.violations.last().map(|(at, _)| *at) == newest
    }

    /// Limits in words, such as `at least 1, at most 3 um`.
    pub(super) fn limits(&self, limits: Limits) -> String {
        let low = limits.low.map(|low| format!("at least {}", show_number(low, None)));
        let high = limits.high.map(|high| format!("at most {}", show_number(high, None)));
        let both: Vec<String> = low.into_iter().chain(high).collect();
        format!("{}{}", both.join(", "), self.unit(""))
    }

    /// Sentences on what its numbers rest on, each with a word for it.
    pub(super) fn notes(&self) -> Vec<(&'static str, String)> {
        let mut notes = Vec::new();
        if let Some(Frozen { decision, .. }) = &self.frozen {
            let base = &decision.base;
            let earlier = match self.judged_from {
                0 => String::new(),
                earlier => format!("; {} before are not judged", counted(earlier, "run")),
            };
            notes.push((
                "frozen",
                format!(
                    "{}. From {} since {}{earlier}",
                    decision.told(),
                    counted(base.runs as usize, "run"),
                    day_and_minute(&base.from)
                ),
            ));
        }
        if self.is_bounded {
            let words =
                "no value is below 0, and three sigma below the centre is: no lower control limit";
            notes.push(("magnitude", words.to_string()));
        }
        if let Some(Capability { tolerance, limits, .. }) = &self.capability {
            let mut words = self.limits(tolerance.limits);
            if tolerance.stored {
                words.push_str(", of the check in the newest run");
            }
            if tolerance.limits.low.is_some() && limits.low.is_none() {
                words
                    .push_str("; 0 is the natural bound, and indices are to the upper limit alone");
            }
            if let Some(Changes { count, since, before }) = &tolerance.changes {
                let times = if *count == 1 { "once".to_string() } else { format!("{count} times") };
                words.push_str(&format!(
                    "; they changed {times}, last on {}: before, {}",
                    day_and_minute(since),
                    self.limits(*before)
                ));
            }
            notes.push(("limits", words));
        }
        if let Some(Skewed { coefficient, errors, index }) = &self.skewed {
            let count = self.series.points.len();
            let index = index.map(|index| {
                let few = match count < MIN_PERCENTILES {
                    true => "; with so few runs it rests on the extreme values",
                    false => "",
                };
                format!(". Cnpk {} from percentiles does not{few}", shown_index(index))
            });
            notes.push((
                "skewed",
                format!(
                    "skewness {coefficient:.2}, {errors:.1} standard errors: control limits, Cpk and Ppk \
                     assume normally distributed values{}",
                    index.unwrap_or_default()
                ),
            ));
        }
        notes.extend(self.rehearsals().map(|words| ("rehearsals", words)));
        if self.series.left_out > 0 {
            notes.push((
                "left out",
                format!("{} without a number", counted(self.series.left_out, "run")),
            ));
        }
        notes
    }

    /// A value with as many digits as tell the values apart.
    pub(super) fn number(&self, value: f64) -> String {
        show_number(value, self.decimals)
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
    fn rehearsals(&self) -> Option<String> {
        let taken = self.series.points.iter().filter(|point| point.simulated).count();
        match (taken, self.series.rehearsals) {
            (0, 0) => None,
            (0, out) => Some(format!(
                "{} on simulated heads left out (--with-simulated includes them)",
                counted(out, "run")
            )),
            (taken, _) => Some(format!(
                "{} of {} on simulated heads: rehearsals, which say nothing of real ones",
                counted(taken, "run"),
                self.series.points.len()
            )),
        }
    }

    /// How many heads the values come from.
    pub(crate) fn heads(&self) -> usize {
        let serials = self.series.points.iter().map(|point| &*point.serial);
        serials.collect::<HashSet<_>>().len()
    }
}

#[cfg(test)]
mod tests {
    use super::{Limits, Point, Series, Tolerance, Trend};
    use spintrue_language::ChartRule;

    fn series(values: &[f64]) -> Series {
        let point = |value: &f64| Point {
            run: 0,
            place: 0,
            unit: 0,
            started: "2026-01-02T03:04:05.000Z".into(),
            serial: "A".into(),
            value: *value,
            simulated: false,
        };
        let points = values.iter().map(point).collect();
        Series { label: "x".to_string(), points, ..Series::default() }
    }

    fn within(low: f64, high: f64) -> Option<Tolerance> {
        let limits = Limits { low: Some(low), high: Some(high) };
        Some(Tolerance { limits, stored: false, changes: None })
    }

    /// 0 bounds magnitudes only: not what has a limit below it, nor a scale with a zero of its own.
    #[test]
    fn magnitudes_have_no_lower_limit() {
        let values = [0.2, 1.0, 0.1, 2.0, 0.3, 1.1, 0.2, 0.9];
        let trend = Trend::new(series(&values), within(0.0, 5.0), None, 25).unwrap();
        let capability = trend.capability.as_ref().unwrap();
        assert_eq!(
            (trend.lower(), capability.limits.low, capability.short.width),
            (None, None, None)
        );
        let signed = Trend::new(series(&values), within(-5.0, 5.0), None, 25).unwrap();
        assert!(signed.lower().unwrap() < 0.0 && signed.capability.unwrap().short.width.is_some());
        let celsius = Series { has_own_zero: true, ..series(&values) };
        assert!(Trend::new(celsius, None, None, 25).unwrap().lower().is_some());
    }

    #[test]
    fn a_leap_and_its_violation_are_found() {
        let mut values: Vec<f64> = (0..20).map(|k| f64::from(k % 2)).collect();
        values.push(9.0);
        let trend = Trend::new(series(&values), None, None, 25).unwrap();
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
        let trend = Trend::new(series(&values), None, None, 25).unwrap();
        assert!(trend.violations.is_empty());
        assert_eq!(trend.decimals, None);
    }

    /// By hand: 1, 3, 1, 3 has mean 2 and s = sqrt(4/3); Cp = 5.9 / (6 s), Cpk = 1.9 / (3 s).
    #[test]
    fn capability_is_told_of_each_block() {
        let trend = Trend::new(series(&[5.0, 1.0, 3.0, 1.0, 3.0]), within(0.1, 6.0), None, 4);
        let blocks = trend.unwrap().capability.unwrap().blocks;
        assert_eq!((blocks.len(), blocks[0].from, blocks[0].count), (1, 1, 4));
        let s = (4.0_f64 / 3.0).sqrt();
        assert!((blocks[0].indices.width.unwrap() - 5.9 / (6.0 * s)).abs() < 1e-12);
        assert!((blocks[0].indices.nearer - 1.9 / (3.0 * s)).abs() < 1e-12);
    }
}
