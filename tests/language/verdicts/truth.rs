//! What a head really draws: the marks of a twin that has the same facets, lens and registers, drawn from
//! the same seed, but on which nothing scatters or hunts, read by a gauge without any error. Its own
//! arithmetic tells the shape of each line from them.

use crate::verdicts::heads::RandomHead;
use core::f64::consts::{PI, TAU};
use spintrue_head::{Fault, Gauge, Head, LineOrder, Mark, Pattern, Register, Trim};
use spintrue_sim::{open, open_with};

/// Laid over a head for its twin.
const QUIET: [(&str, &str); 18] = [
    ("rotor.jitter", "'0 ppm'"),
    ("rotor.hunting", "[]"),
    ("start_of_scan.jitter", "'0 ns'"),
    ("galvanometer.wobble", "'0 urad'"),
    ("gauge.marks", "33"),
    ("gauge.noise", "'0 um'"),
    ("gauge.resolution", "'0.000001 um'"),
    ("gauge.stated", "'0 um'"),
    // Without any noise of the dose there is no dose.
    ("gauge.dose_noise", "1e-12"),
    ("gauge.dose_resolution", "1e-12"),
    ("gauge.scale", "'0 ppm'"),
    ("gauge.turn", "'0 urad'"),
    ("gauge.wild", "0"),
    ("gauge.lost", "0"),
    ("gauge.in_scan_bias", "'0 um'"),
    ("gauge.cross_scan_bias", "'0 um'"),
    ("gauge.creep", "'0 m/s'"),
    ("gauge.time", "'1 ms'"),
];

/// When and how a head was made to draw.
#[derive(Clone)]
pub struct Drawing {
    /// When it was told to spin, in s, and how fast, in rad/s.
    pub spin: (f64, f64),
    /// When the lines were drawn, in s.
    pub time: f64,
    /// Armed share.
    pub power: f64,
    pub trims: Vec<Trim>,
    /// One line of each facet.
    pub orders: Vec<LineOrder>,
}

/// The marks of each facet's line, drawn by the twin of a head.
pub fn drawn(head: &RandomHead, drawing: &Drawing) -> Result<Vec<Vec<Mark>>, Fault> {
    let text = head.text(&QUIET);
    let faults = head.faults.iter().filter(|fault| !fault.starts_with("gauge_"));
    let faults: Vec<String> = faults.cloned().collect();
    let (mut twin, mut gauge) = open_with(Some(("twin.toml", &text)), head.seed, &faults).unwrap();
    twin.sleep(drawing.spin.0);
    twin.spin(drawing.spin.1)?;
    twin.load_trims(&drawing.trims)?;
    let now = twin.now();
    // Light comes out half a second after arming.
    twin.sleep(drawing.time - 0.5 - now);
    // What is planned holds at the speed asked for: it has settled.
    let off = twin.status()?.speed / drawing.spin.1 - 1.0;
    assert!(off.abs() < 1e-6, "{off}");
    twin.arm(drawing.power)?;
    let mut lines = Vec::new();
    for order in &drawing.orders {
        twin.expose(order)?;
        lines.push(gauge.measure()?.marks);
    }
    Ok(lines)
}

/// Coefficients of P0 to P3 in 2s from marks, by least squares of a cubic in 2s (normal equations, solved by
/// elimination), of which 1 = P0, x = P1, x² = (P0 + 2·P2)/3 and x³ = (3·P1 + 2·P3)/5.
pub fn shape(marks: &[Mark], value: impl Fn(&Mark) -> f64) -> [f64; 4] {
    let mut rows = [[0.0; 5]; 4];
    for mark in marks {
        let x = 2.0 * mark.at;
        for (i, row) in rows.iter_mut().enumerate() {
            for (k, cell) in row.iter_mut().enumerate() {
                let other = if k == 4 { value(mark) } else { x.powi(k as i32) };
                *cell += x.powi(i as i32) * other;
            }
        }
    }
    for i in 0..4 {
        for k in 0..4 {
            if i != k {
                let factor = rows[k][i] / rows[i][i];
                let pivot = rows[i];
                rows[k].iter_mut().zip(pivot).for_each(|(cell, of)| *cell -= factor * of);
            }
        }
    }
    let [one, x, square, cube] = std::array::from_fn(|i| rows[i][4] / rows[i][i]);
    [one + square / 3.0, x + 0.6 * cube, square * 2.0 / 3.0, cube * 0.4]
}

/// What is judged, by the label of its check.
pub const LABELS: [&str; 18] = [
    "in-scan residual",
    "cross-scan residual",
    "common position in-scan",
    "common position cross-scan",
    "spread of facets in-scan",
    "spread of facets cross-scan",
    "spread of line ends in-scan",
    "spread of line ends cross-scan",
    "line length",
    "even distortion",
    "odd distortion",
    "skew",
    "bow",
    "off the fitted shape in-scan",
    "off the fitted shape cross-scan",
    "dose spread",
    "dose",
    "dose along the line",
];

/// The worst of all facets in SI for each of [`LABELS`], from five marks of a line.
pub fn judged(lines: &[Vec<Mark>]) -> impl Iterator<Item = (&'static str, f64)> {
    let marks = |line: &[Mark]| line.iter().copied().step_by(8).collect::<Vec<Mark>>();
    let seen: Vec<Vec<Mark>> = lines.iter().map(|line| marks(line)).collect();
    let shapes = |value: fn(&Mark) -> f64| -> Vec<[f64; 4]> {
        seen.iter().map(|line| shape(line, value)).collect()
    };
    let (along, across) = (shapes(|mark| mark.in_scan), shapes(|mark| mark.cross_scan));
    let each = |of: &[[f64; 4]], k: usize| of.iter().map(|c| c[k]).collect::<Vec<f64>>();
    let largest =
        |of: &[[f64; 4]], k: usize| each(of, k).iter().fold(0.0, |m: f64, c| m.max(c.abs()));
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    let spread = |of: &[f64]| {
        of.iter().copied().fold(f64::MIN, f64::max) - of.iter().copied().fold(f64::MAX, f64::min)
    };
    // At the start P0 to P3 are 1, -1, 1, -1, and at the end they are all 1.
    let ends = |of: &[[f64; 4]]| {
        let at = |sign: f64| -> f64 {
            let place = |c: &[f64; 4]| (0..4).map(|k| sign.powi(k as i32) * c[k]).sum();
            spread(&of.iter().map(place).collect::<Vec<f64>>())
        };
        at(-1.0).max(at(1.0))
    };
    let off = |of: &[[f64; 4]], told: usize, value: fn(&Mark) -> f64| {
        let left = |c: &[f64; 4], mark: &Mark| {
            let x = 2.0 * mark.at;
            let at = [1.0, x, (3.0 * x * x - 1.0) / 2.0, (5.0 * x * x - 3.0) * x / 2.0];
            (value(mark) - (0..told).map(|k| c[k] * at[k]).sum::<f64>()).abs()
        };
        let lines = of.iter().zip(&seen);
        lines.flat_map(|(c, line)| line.iter().map(move |mark| left(c, mark))).fold(0.0, f64::max)
    };
    let (shifts, heights) = (each(&along, 0), each(&across, 0));
    let doses = each(&shapes(|mark| mark.dose), 0);
    let ranges = seen.iter().map(|line| line.iter().map(|mark| mark.dose).collect::<Vec<f64>>());
    let judged = [
        largest(&along, 0),
        largest(&across, 0),
        mean(&shifts).abs(),
        mean(&heights).abs(),
        spread(&shifts),
        spread(&heights),
        ends(&along),
        ends(&across),
        // P1 in 2s runs from -1 to 1.
        2.0 * largest(&along, 1),
        largest(&along, 2),
        largest(&along, 3),
        2.0 * largest(&across, 1),
        largest(&across, 2),
        off(&along, 4, |mark| mark.in_scan),
        off(&across, 3, |mark| mark.cross_scan),
        spread(&doses),
        (mean(&doses) - 1.0).abs(),
        ranges.map(|doses| spread(&doses)).fold(0.0, f64::max),
    ];
    LABELS.into_iter().zip(judged)
}

/// Lines with the best trims of time and angle; none where registers do not reach so far, or nothing is drawn.
/// All trims act, more or less as they should.
pub fn trimmed(head: &RandomHead) -> Option<Vec<Vec<Mark>>> {
    // 304.8 mm at 300 dpi and 4800 rpm with a lens of 404.2536 mm, in the middle of the sweep.
    let (length, speed, focal_length) = (0.3048, 160.0 * PI, 0.404_253_6);
    let velocity = 2.0 * speed * focal_length;
    let delay = (TAU / speed / f64::from(head.facets) - length / velocity) / 2.0;
    let dot_period = length / velocity / 3600.0;
    let order = |facet| LineOrder {
        facet,
        dots: 3600,
        dot_period,
        delay,
        pattern: Pattern::TestMarks,
        correction: None,
    };
    let mut drawing = Drawing {
        spin: (0.0, speed),
        time: 25.0,
        power: 0.35,
        trims: vec![Trim::default(); head.facets as usize],
        orders: (0..head.facets).map(order).collect(),
    };
    let description = open(Some(("head.toml", &head.text(&[]))), 1).unwrap().0.describe().unwrap();
    let reach = |register: Register| 0.9 * register.range;
    let mut lines = drawn(head, &drawing).ok()?;
    for _ in 0..4 {
        for (trim, line) in drawing.trims.iter_mut().zip(&lines) {
            trim.in_scan -= shape(line, |mark| mark.in_scan)[0] / velocity;
            trim.cross_scan -= shape(line, |mark| mark.cross_scan)[0] / (2.0 * focal_length);
            if trim.in_scan.abs() > reach(description.in_scan_trim)
                || trim.cross_scan.abs() > reach(description.cross_scan_trim)
            {
                return None;
            }
        }
        drawing.trims = description.round_trims(&drawing.trims).ok()?;
        lines = drawn(head, &drawing).ok()?;
    }
    Some(lines)
}
