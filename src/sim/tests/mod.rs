//! The simulated head through the same door that scripts take: trait calls and descriptions.

mod detector;
mod dose;
mod drifts;
mod effects;
mod faults;
mod light;
mod lines;
mod motion;
mod physics;

use crate::{SimGauge, SimHead, open};
use core::f64::consts::PI;
use spintrue_head::{
    Decides, Description, FacetMean, Gauge, Head, LineOrder, LinePlan, LineRequest, Reading, Trim,
    WorstFacet, corrected, plan_line,
};

pub(super) const RPM: f64 = PI / 30.0;
pub(super) const ARCSEC: f64 = PI / 648_000.0;
pub(super) const SPEED: f64 = 4800.0 * RPM;

/// No noise anywhere, perfect facets: rows add what they look at.
pub(super) const CLEAN: &str = "
[rotor]
ripple = []
hunting = []
jitter = 0
[start_of_scan]
jitter = '0 s'
[facets]
division = '0 rad'
facet_to_axis = '0 rad'
reflectivity = 0
[galvanometer]
wobble = '0 rad'
drift = '0 urad/K'
[gauge]
noise = '0 m'
resolution = '1 nm'
in_scan_bias = '0 m'
cross_scan_bias = '0 m'
lost = 0
";

/// [`CLEAN`] with keys put into its tables.
pub(super) fn clean(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(CLEAN.to_string(), |text, (table, key)| {
        let name = key.split(' ').next().unwrap();
        let head = format!("[{table}]\n");
        if !text.contains(&head) {
            return format!("{text}{head}{key}\n");
        }
        let (before, after) = text.split_once(&head).unwrap();
        let (own, others) = match after.find("\n[") {
            Some(at) => after.split_at(at),
            None => (after, ""),
        };
        let kept: Vec<&str> = own.lines().filter(|l| !l.starts_with(name)).collect();
        format!("{before}{head}{key}\n{}\n{others}", kept.join("\n"))
    })
}

pub(super) fn sim(text: &str, seed: u64) -> (SimHead, SimGauge) {
    open(Some(("test", text)), seed).unwrap_or_else(|e| panic!("{e:?}\n{text}"))
}

pub(super) fn locked(text: &str, seed: u64) -> (SimHead, SimGauge, LinePlan) {
    let (mut head, gauge) = sim(text, seed);
    head.spin(SPEED).unwrap();
    head.sleep(12.0);
    assert!(head.status().unwrap().locked);
    let plan = plan(&head.describe().unwrap());
    (head, gauge, plan)
}

pub(super) fn plan(d: &Description) -> LinePlan {
    plan_line(&LineRequest {
        facets: d.facets,
        speed: SPEED,
        decides: Decides::FocalLength(d.focal_length),
        length: 0.3048,
        resolution: 300.0 / 0.0254,
        hardware: Some(d.hardware()),
    })
    .unwrap()
}

pub(super) fn order(facet: u32, plan: &LinePlan) -> LineOrder {
    LineOrder::test_marks(facet, plan)
}

/// One reading per facet, lost ones read again.
pub(super) fn trace(head: &mut SimHead, gauge: &mut SimGauge, plan: &LinePlan) -> Vec<Reading> {
    head.arm(0.3).unwrap();
    let facets = head.describe().unwrap().facets;
    let lines = (0..facets)
        .map(|k| {
            head.expose(&order(k, plan)).unwrap();
            (0..5).find_map(|_| gauge.measure().ok()).unwrap()
        })
        .collect();
    head.disarm().unwrap();
    lines
}

pub(super) fn worst(lines: &[Reading]) -> WorstFacet {
    WorstFacet::of(lines.iter().map(Reading::shift)).unwrap()
}

pub(super) fn trimmed(head: &mut SimHead, lines: &[Reading], plan: &LinePlan) {
    let d = head.describe().unwrap();
    let scale = plan.scale();
    let trims: Vec<Trim> = head
        .trims()
        .unwrap()
        .into_iter()
        .zip(lines)
        .map(|(old, line)| {
            let mean = FacetMean::of(std::slice::from_ref(line), plan.length).unwrap();
            let new = corrected(old, &mean, scale, &d.trim_registers(), f64::NAN);
            new.unwrap().trim
        })
        .collect();
    head.load_trims(&trims).unwrap();
}
