//! Whether the standard uncertainty that trims state is honest: over many random heads, measured
//! trims less the true ones, each divided by what was stated, must look like numbers of a normal
//! distribution with variance 1.
//!
//! The truth of a head is what its twin needs: the same facets, lens and warmth, drawn from the same
//! seed, but nothing scatters and registers have no steps, and it is corrected until nothing is
//! left. Constant offsets of the gauge and of the warmth are in both, since no reading can tell
//! them; neither do they belong to the stated uncertainty.

use crate::inside::{self, Sources, station};
use spintrue_language::{Event, Prepared, Shown, Verdict, prepare};
use std::sync::Arc;

/// Corrects roughly, then measures again: the correction is first order, so the second round is
/// the one that counts.
const SCRIPT: &str = "
param readings = 4
param lines = 1
param rounds = 2
spin(4800 rpm)
wait until locked() within 30 s else fail \"no lock\"
// Inside the lock window the speed goes on settling, and moves lines along: wait until it is even.
wait 10 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
var trims = no_trims()
var u = no_trims()
arm at 35 % {
    repeat rounds times {
        load(trims)
        var seen: list of line = []
        repeat lines times {
            seen = seen + [test_line(k, plan, readings: readings) for k in facets()]
        }
        trims = corrected(seen, plan)
        u = trim_uncertainties(seen, plan)
    }
}
record \"trims\": trims
record \"u\": u
";

/// Laid over the built-in head: nothing scatters, and the registers have no steps.
const TWIN: Case = Case {
    name: "twin",
    jitter: "0 ppm",
    start: "0 ns",
    wobble: "0 urad",
    noise: "0 um",
    stated: "1 um",
    digit: "0.00001 um",
    lost: "0 %",
    steps: ("0.00001 ns", "0.00001 urad"),
    readings: 1,
    lines: 1,
    safe_side: false,
};

#[derive(Clone, Copy)]
struct Case {
    name: &'static str,
    jitter: &'static str,
    start: &'static str,
    wobble: &'static str,
    noise: &'static str,
    stated: &'static str,
    digit: &'static str,
    lost: &'static str,
    steps: (&'static str, &'static str),
    readings: u32,
    /// Lines of each facet.
    lines: u32,
    /// What it states may be larger than what there is.
    safe_side: bool,
}

/// What the gauge states is all that there is, and registers are coarse: one step is more than
/// twice the standard deviation of a reading.
const STATED: Case = Case {
    name: "one reading each, as stated",
    noise: "0.5 um",
    stated: "0.5 um",
    digit: "0.01 um",
    // About as large as what five marks leave of the noise: 0.48 of it.
    steps: ("1.4 ns", "0.7 urad"),
    ..TWIN
};

/// Jitter of turns and pulses, wobble and lost readings, of which the gauge knows nothing: all
/// that is stated comes from the scatter of the readings.
const SCATTER: Case = Case {
    name: "scatter alone",
    jitter: "3 ppm",
    start: "0.6 ns",
    wobble: "0.4 urad",
    noise: "0.5 um",
    stated: "0.01 um",
    digit: "0.1 um",
    lost: "1 %",
    steps: ("1 ns", "0.25 urad"),
    readings: 16,
    ..TWIN
};

/// The same readings as lines of their own: only the scatter between them can tell.
const SINGLES: Case = Case { name: "scatter of single lines", readings: 1, lines: 16, ..SCATTER };

/// Some of both: the larger of two estimates counts.
const BOTH: Case =
    Case { name: "scatter of means", readings: 4, lines: 4, safe_side: true, ..SCATTER };

/// Ten degrees of freedom in all: few lines state more, since they know less.
const PAIRS: Case =
    Case { name: "pairs of lines", readings: 1, lines: 2, safe_side: true, ..SCATTER };

/// The built-in head with the readings that the shipped script takes. Its gauge states a little
/// more than its noise, and does not know of the jitter.
const SHIPPED: Case = Case {
    name: "as shipped",
    jitter: "2 ppm",
    start: "0.6 ns",
    wobble: "0.2 urad",
    noise: "0.5 um",
    stated: "0.6 um",
    digit: "0.1 um",
    lost: "0.1 %",
    steps: ("1 ns", "0.25 urad"),
    readings: 4,
    lines: 1,
    safe_side: true,
};

impl Case {
    fn description(&self) -> String {
        format!(
            "[rotor]\njitter = '{}'\n[start_of_scan]\njitter = '{}'\n[galvanometer]\nwobble = \
             '{}'\n[gauge]\nnoise = '{}'\nstated = '{}'\nresolution = '{}'\nlost = '{}'\n\
             [trims]\nin_scan_step = '{}'\ncross_scan_step = '{}'\n",
            self.jitter,
            self.start,
            self.wobble,
            self.noise,
            self.stated,
            self.digit,
            self.lost,
            self.steps.0,
            self.steps.1,
        )
    }
}

/// Keeps what is recorded: in-scan and cross-scan of each facet.
#[derive(Default)]
struct Keeper {
    trims: Vec<[f64; 2]>,
    u: Vec<[f64; 2]>,
}

impl Keeper {
    fn keep(&mut self, event: Event) {
        let Event::Recorded { label, shown: Shown::List(list), .. } = event else {
            return;
        };
        let number = |fields: &[(Arc<str>, Shown)], name: &str| {
            let field = fields.iter().find(|(n, _)| &**n == name).unwrap();
            match &field.1 {
                Shown::Quantity { value, .. } => *value,
                other => panic!("{other:?}"),
            }
        };
        let pairs = list.iter().map(|trim| match trim {
            Shown::Record(fields) => [number(fields, "in_scan"), number(fields, "cross_scan")],
            other => panic!("{other:?}"),
        });
        match label.as_str() {
            "trims" => self.trims = pairs.collect(),
            _ => self.u = pairs.collect(),
        }
    }
}

fn script(case: &Case, rounds: u32) -> Prepared {
    let settings = [
        format!("readings={}", case.readings),
        format!("lines={}", case.lines),
        format!("rounds={rounds}"),
    ];
    let prepared = prepare(&mut Sources::of(SCRIPT), "trims.spt", &settings).unwrap();
    assert!(prepared.program.is_some(), "{:?}", prepared.diagnostics);
    prepared
}

fn run(prepared: &Prepared, description: &str, seed: u64) -> Keeper {
    let (finished, events) = inside::run(prepared, &mut station(Some(description), seed));
    assert_eq!(finished.verdict(), Verdict::Passed, "{finished:?}");
    let mut keeper = Keeper::default();
    events.0.into_iter().for_each(|(_, event)| keeper.keep(event));
    keeper
}

/// Errors over stated uncertainties, along and across.
struct Errors {
    along: Vec<f64>,
    across: Vec<f64>,
}

fn errors(case: &Case, heads: u64) -> Errors {
    let measured = script(case, 2);
    let true_one = script(&TWIN, 4);
    let mut errors = Errors { along: Vec::new(), across: Vec::new() };
    for seed in 1..=heads {
        let truth = run(&true_one, &TWIN.description(), seed);
        let seen = run(&measured, &case.description(), seed);
        assert_eq!((truth.trims.len(), seen.u.len()), (10, 10));
        for ((trim, u), right) in seen.trims.iter().zip(&seen.u).zip(&truth.trims) {
            errors.along.push((trim[0] - right[0]) / u[0]);
            errors.across.push((trim[1] - right[1]) / u[1]);
        }
    }
    errors
}

/// Mean of the squares, and the share beyond two standard uncertainties.
fn shape(errors: &[f64]) -> (f64, f64) {
    let n = errors.len() as f64;
    let squares = errors.iter().map(|z| z * z).sum::<f64>() / n;
    (squares, errors.iter().filter(|z| z.abs() > 2.0).count() as f64 / n)
}

/// Two-sided bounds at a probability of 1e-4: of χ² over its degrees of freedom, and of the share of
/// normal numbers beyond 2, 4.55 % on the mean. Computed with SciPy 1.17.1, `chi2.ppf(q, n) / n` and
/// `binom.ppf(q, n, 2 * norm.sf(2)) / n` for q = 5e-5 and 1 - 5e-5.
struct Bounds {
    heads: u64,
    squares: (f64, f64),
    beyond: (f64, f64),
}

const FEW: Bounds =
    Bounds { heads: 30, squares: (0.713_226, 1.349_518), beyond: (0.006_666, 0.100_000) };
const MANY: Bounds =
    Bounds { heads: 1000, squares: (0.945_918, 1.055_966), beyond: (0.037_6, 0.053_8) };

fn honest(bounds: &Bounds) {
    for case in [STATED, SCATTER, SINGLES, BOTH, PAIRS, SHIPPED] {
        let errors = errors(&case, bounds.heads);
        for (which, errors) in [("along", errors.along), ("across", errors.across)] {
            assert_eq!(errors.len() as u64, 10 * bounds.heads);
            let (squares, beyond) = shape(&errors);
            let told = format!("{}, {which}: mean square {squares}, beyond {beyond}", case.name);
            println!("{told}");
            assert!(squares <= bounds.squares.1, "too sure: {told}");
            assert!(beyond <= bounds.beyond.1, "too sure: {told}");
            // What the gauge states is a floor, so the head as shipped may err on the safe side, and
            // so may a few lines.
            let low = if case.safe_side { 0.5 } else { bounds.squares.0 };
            assert!(squares >= low, "not sure enough: {told}");
            if !case.safe_side {
                assert!(beyond >= bounds.beyond.0, "not sure enough: {told}");
            }
        }
    }
}

#[test]
fn trims_are_as_sure_as_they_say() {
    honest(&FEW);
}

#[test]
#[ignore = "takes half a minute: tests/extra/trims.sh"]
fn trims_of_a_thousand_heads_are_as_sure_as_they_say() {
    honest(&MANY);
}
