//! What all facets share belongs into the plan: heads that cannot be brought up otherwise, and what a plan leaves
//! between the marks of a gauge.

use crate::verdicts::heads::RandomHead;
use crate::verdicts::{Tally, limits, number, run, script, truth};
use spintrue_language::Verdict;

/// A head with these keys and no constant offset of its gauge.
fn head(seed: u64, keys: &[(&str, &str)]) -> RandomHead {
    let mut head = RandomHead { seed, ..RandomHead::built_in() };
    let bias = [("gauge.in_scan_bias", "'0 um'"), ("gauge.cross_scan_bias", "'0 um'")];
    head.keys.extend(bias.iter().chain(keys).map(|(k, value)| (k.to_string(), value.to_string())));
    head
}

const ACCUMULATOR: [(&str, &str); 2] =
    [("dot_clock.kind", "'accumulator'"), ("dot_clock.accumulator_bits", "48")];
const ALL_TRIMS: [(&str, &str); 5] = [
    ("trims.in_scan_range", "'8 us'"),
    ("trims.power_range", "'60 %'"),
    ("trims.length_range", "'1 %'"),
    ("trims.linearity_range", "'30 %'"),
    ("trims.linearity_segments", "128"),
];
/// Facets that leave less than the second order of a large correction.
const WELL_MADE: [(&str, &str); 3] = [
    ("facets.facet_to_axis", "'1 arcsec'"),
    ("facets.division", "'1 arcsec'"),
    ("facets.reflectivity", "'0.2 %'"),
];
/// Lengths that take nine tenths of their registers.
const ZIGZAG: &str = "[9e-3, -9e-3, 9e-3, -9e-3, 9e-3, -9e-3, 9e-3, -9e-3, 9e-3, -9e-3]";

#[test]
fn what_all_facets_share_is_taken_by_the_plan() {
    let prepared = script("bring_up.spt", &[]);
    let limits = limits(&prepared);
    let all = [&ACCUMULATOR[..], &ALL_TRIMS].concat();
    let full = |more: &[(&'static str, &'static str)]| [&all, more].concat();
    let lenses = [("lens.distortion", "'-2 mm'"), ("lens.even_distortion", "'1 mm'")];
    let long = [("lens.focal_length_error", "'1 %'"), ("facets.stretches", ZIGZAG)];
    let heads = [
        full(&[&WELL_MADE[..], &[("lens.distortion", "'2 mm'")]].concat()),
        full(&[("lens.distortion", "'-4 mm'")]),
        full(&[("lens.distortion", "'6 mm'")]),
        full(&[&lenses[..], &long].concat()),
        // A clock that makes any period, which does not change along a line.
        [&ACCUMULATOR[..], &[("lens.focal_length_error", "'0.3 %'")]].concat(),
        // Light that comes 2 us late: 813 um, twice what registers hold.
        vec![("laser.rise", "'2 us'")],
    ];
    for keys in heads {
        for seed in 1..=2 {
            let head = head(seed, &keys);
            let told = run(&prepared, &head);
            assert_eq!(told.verdict, Verdict::Passed, "{keys:?}: {:?}\n{}", told.why, told.notes);
            assert!(told.notes.contains("the plan takes what all lines share"), "{}", told.notes);
            let mut tally = Tally::default();
            tally.check(&head, &told, &limits);
            assert!(tally.wrong.is_empty() && tally.beyond == [0, 0], "{:?}", tally.wrong);
        }
    }
}

/// Five marks lie on the boundaries of four parts, and of eight: what is left between them shows in none of them.
#[test]
fn few_ratios_of_the_dot_clock_are_judged_between_marks() {
    let prepared = script("bring_up.spt", &[]);
    for segments in ["2", "3", "4", "8", "16", "64"] {
        let mut keys = [&ACCUMULATOR[..], &ALL_TRIMS, &WELL_MADE].concat();
        keys.extend([("lens.distortion", "'2 mm'"), ("trims.linearity_segments", segments)]);
        let head = head(1, &keys);
        let told = run(&prepared, &head);
        let lines = truth::drawn(&head, &told.drawing(head.facets).unwrap()).unwrap();
        let marks = lines.iter().flatten();
        let farthest = marks.map(|mark| mark.in_scan.abs()).fold(0.0, f64::max);
        let check = &told.checks["left along by the ratios of the dot clock"];
        let left = number(&check.measured.as_ref().unwrap().value);
        println!("{segments} parts: {left:e}, drawn {farthest:e}");
        // 33 marks do not lie where it is largest, and facets are a little off. With three parts marks lie inside
        // them, and what they show is corrected once more: both are added up.
        let least = if segments == "3" { 0.0 } else { 0.8 * left - 3e-6 };
        assert!(
            (least..1.1 * left + 3e-6).contains(&farthest),
            "{segments}: {left:e} {farthest:e}"
        );
        let passes = told.verdict == Verdict::Passed;
        assert_eq!(passes, left <= 25e-6, "{segments}: {left:e} {}", told.notes);
    }
}
