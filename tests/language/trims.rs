//! Trims by scripts on simulated heads: lines that remember theirs, gains, and what few heads can trim.

use crate::inside::{self, Sources, station};
use spintrue_language::{Event, Outcome, Verdict, prepare};

/// Inside the lock window the speed goes on settling, and moves lines along: it waits until that is over.
const START: &str = "
spin(4800 rpm)
wait until locked() within 30 s
wait 10 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
";

#[track_caller]
fn passes(script: &str, head: &str) {
    let script = format!("{START}{script}");
    let prepared = prepare(&mut Sources::of(&script), "trims.spt", &[]).unwrap();
    assert!(prepared.program.is_some(), "{:?}", prepared.diagnostics);
    let (finished, events) = inside::run(&prepared, &mut station(Some(head), 3));
    let checks = events.0.iter().filter_map(|(_, event)| match event {
        Event::Check(check) if check.outcome != Outcome::Conforms => Some(&check.label),
        _ => None,
    });
    let against: Vec<&String> = checks.collect();
    assert_eq!(finished.verdict(), Verdict::Passed, "{finished:?} {against:?}");
}

#[test]
fn lines_of_one_facet_with_other_trims_are_put_together() {
    passes(
        "
arm at 35 % {
    load(no_trims())
    let plain = [test_line(k, plan, readings: 4) for k in facets()]
    let own: list of trim = [{in_scan: k * 20 ns, cross_scan: k * 4 urad} for k in facets()]
    load(own)
    let moved = [test_line(k, plan, readings: 4) for k in facets()]
    expect \"remembered\": [line.in_scan_trim for line in moved] == [t.in_scan for t in loaded_trims()]
    let one = corrected(plain, plan)
    let other = corrected(moved, plan)
    let both = corrected(plain + moved, plan)
    for k in facets() {
        expect \"moved {k}\": abs(one[k].in_scan - other[k].in_scan) <= 4 ns
        expect \"across {k}\": abs(one[k].cross_scan - other[k].cross_scan) <= 1.5 urad
        let middle = (one[k].in_scan + other[k].in_scan) / 2
        expect \"both {k}\": abs(both[k].in_scan - middle) <= 1 ns
    }
    // By hand: a gain of 2 takes half of each change, from the trims in force.
    let half = corrected(moved, plan, in_scan_gain: 2, cross_scan_gain: 2)
    for k in facets() {
        let step = other[k].in_scan - own[k].in_scan
        expect \"half {k}\": abs(half[k].in_scan - own[k].in_scan - step / 2) <= 1 ns
    }
}
",
        "",
    );
}

#[test]
fn a_line_remembers_what_the_register_holds() {
    passes(
        "
provoke(\"stuck_trim(facet=2)\")
load([{in_scan: 5 ns, cross_scan: 1 urad} for k in facets()])
arm at 35 % {
    let seen = [test_line(k, plan) for k in [1, 2]]
    expect \"loaded\": abs(seen[0].in_scan_trim - 5 ns) <= 1 ps
    expect \"stuck\": seen[1].in_scan_trim == 0 ns and seen[1].cross_scan_trim == 0 urad
    load([{in_scan: 7 ns, cross_scan: 1 urad} for k in facets()])
    expect \"while armed\": abs(test_line(1, plan).in_scan_trim - 7 ns) <= 1 ps
    expect \"no such trims\": seen[0].power_trim == 1 and seen[0].length_trim == 1
}
",
        "",
    );
}

#[test]
fn a_gauge_that_reads_wildly_is_no_mistake_of_the_script() {
    let script = format!("{START}arm at 35 % {{ let _seen = test_lines(plan, readings: 4) }}\n");
    let prepared = prepare(&mut Sources::of(&script), "wild.spt", &[]).unwrap();
    let head = "[gauge]\nwild = 0.25\n";
    let (finished, _) = inside::run(&prepared, &mut station(Some(head), 3));
    assert_eq!(finished.verdict(), Verdict::HeadFailed, "{finished:?}");
    let why = finished.failure.unwrap().message;
    assert!(why.contains("look at the gauge"), "{why}");
}

/// The clean twin has no wild marks; what of them is left in would move a mark by 30 um / 6 and more.
#[test]
fn wild_marks_of_a_map_are_left_out_one_by_one() {
    passes(
        "
let places = [(k - 31.5) / 63 for k in 0 .. 64]
arm at 35 % {
    let map = line_map(5, plan, places, readings: 6)
    let rejected = sum([mark.rejected for mark in map])
    // 2 % of 64 marks in 6 to 9 lines are 8 to 12 marks; most lines have one.
    expect \"rejected\": rejected within 2 .. 25
    let line = test_line(5, plan, readings: 6)
    for mark in map {
        let x = 2 * mark.place
        let bent = line.even * (3 * x * x - 1) / 2 + line.odd * (5 * x * x - 3) * x / 2
        let shape = line.in_scan + line.length_error / 2 * x + bent
        expect \"at {mark.place}\": mark.in_scan - shape within -4 um .. 4 um
        expect \"taken {mark.place}\": mark.readings within 6 .. 9
        expect \"places {mark.place}\": mark.place == places[rounded(mark.place * 63 + 31.5, 1)]
    }
}
",
        "[gauge]\nwild = 0.02\n",
    );
}

#[test]
fn one_mark_is_a_map() {
    passes(
        "
arm at 35 % {
    let map = line_map(0, plan, [0.5], readings: 2)
    expect \"one\": count(map) == 1 and map[0].place == 0.5 and map[0].degrees >= 1
    let once = line_map(0, plan, [0])[0]
    // As stated: 0.6 um of noise.
    expect \"stated\": abs(once.in_scan_u - 0.6 um) <= 1 nm and once.degrees == 1e9
}
",
        "",
    );
}

/// By the readings of its gauge: 22.57 um at the ends and 18.58 um in the middle (see the simulator's tests).
#[test]
fn widths_come_from_gauges_that_read_them() {
    passes(
        "
let wanted = [22.57 um, 18.58 um, 22.57 um]
arm at 35 % {
    let map = line_map(0, plan, [-0.5, 0, 0.5], readings: 9)
    for k in 0 .. 3 {
        let U = coverage_factor(99.9 %, degrees_of_freedom: map[k].dose_degrees) * map[k].width_u
        expect \"sure\": U within 0.05 um .. 2 um
        expect \"width\": map[k].width within wanted[k] - U .. wanted[k] + U
    }
}
",
        "[laser]\nbeam_diameter = '20 mm'\n[gauge]\nwidth_noise = '0.5 um'\n",
    );
}

/// Labels of checks that do not conform, and notes.
fn judged(script: &str, head: &str) -> (Verdict, Vec<String>, String) {
    let prepared = prepare(&mut Sources::below("scripts"), script, &[]).unwrap();
    assert!(prepared.program.is_some(), "{:?}", prepared.diagnostics);
    let (finished, events) = inside::run(&prepared, &mut station(Some(head), 3));
    let notes = events.notes().join("\n");
    let checks = events.0.into_iter().filter_map(|(_, event)| match event {
        Event::Check(check) if check.outcome != Outcome::Conforms => Some(check.label),
        _ => None,
    });
    (finished.verdict(), checks.collect(), notes)
}

#[test]
fn heads_are_brought_up_with_the_trims_that_they_have() {
    let all = include_str!("../../scripts/heads/ten_full_trims.toml");
    for script in ["bring_up.spt", "accept.spt"] {
        let (verdict, against, notes) = judged(script, all);
        assert_eq!(verdict, Verdict::Passed, "{script}: {against:?}\n{notes}");
    }
    // The same head without: nothing of it can be corrected, and that is said.
    let optional = ["power_", "length_", "linearity_"];
    let without = all.lines().filter(|line| !optional.iter().any(|key| line.starts_with(key)));
    let without: Vec<&str> = without.collect();
    let (verdict, against, notes) = judged("bring_up.spt", &without.join("\n"));
    assert_eq!(verdict, Verdict::Failed, "{against:?}\n{notes}");
    for word in ["no length trim", "cannot change its dot clock", "no power trim"] {
        assert!(notes.contains(word), "{word}: {notes}");
    }
}

/// A correction of 2 mm leaves more along than such facets did before it, which is no reason to stop.
#[test]
fn a_large_correction_of_good_facets_does_not_diverge() {
    let head = "[facets]\nfacet_to_axis = '1 arcsec'\ndivision = '1 arcsec'\nreflectivity = '0.2 %'\n\
                [lens]\ndistortion = '2 mm'\n[dot_clock]\nkind = 'accumulator'\naccumulator_bits = 48\n\
                [trims]\nin_scan_range = '4 us'\npower_range = '60 %'\nlength_range = '1 %'\n\
                linearity_range = '20 %'\nlinearity_segments = 64\n";
    let (verdict, against, notes) = judged("accept.spt", head);
    assert_eq!((verdict, against.len()), (Verdict::Passed, 0), "{against:?}\n{notes}");
    assert!(!notes.contains("diverging"), "{notes}");
}

/// Without power trims this head passes with a mean dose of 0.972. With all facets turned down to what the dim one
/// reaches, it would be 0.864 and less.
#[test]
fn dose_is_evened_as_far_as_its_mean_allows() {
    for range in [0.03, 0.1, 0.2] {
        let head = format!(
            "[facets]\nreflectivities = [1, 1, 1, 0.72, 1, 1, 1, 1, 1, 1]\n[trims]\npower_range = {range}\n"
        );
        let (verdict, against, notes) = judged("bring_up.spt", &head);
        assert_eq!((verdict, against.len()), (Verdict::Passed, 0), "{range}: {against:?}\n{notes}");
        assert!(notes.contains("of facets 3: too dim"), "{range}: {notes}");
    }
}

/// Two swings within a turn, of which one is taken out, scatter lines by more than the steps move them: that charges no
/// register.
#[test]
fn scatter_that_hides_the_steps_is_undecided() {
    let head = "[lock]\nwindow = '0.2 %'\n[facets]\ncount = 6\n[[rotor.hunting]]\nfrequency = '17 Hz'\namplitude = '250 ppm'\n[[rotor.hunting]]\nfrequency = '43 Hz'\namplitude = '250 ppm'\n";
    let prepared = prepare(&mut Sources::below("scripts"), "bring_up.spt", &[]).unwrap();
    let (finished, events) = inside::run(&prepared, &mut station(Some(head), 1));
    let notes = events.notes().join("\n");
    assert!(notes.contains("scatter too much to tell") && !notes.contains("stuck"), "{notes}");
    assert_eq!(finished.verdict(), Verdict::Failed, "{finished:?}");
    let direction = events.0.iter().find_map(|(_, event)| match event {
        Event::Check(check) if check.label == "direction of trims" => Some(check.outcome),
        _ => None,
    });
    assert_eq!(direction, Some(Outcome::Undecided), "{notes}");
}

/// A facet of 60 % needs more than 120 % of the power; facets 1000 ppm off need more than 600 ppm of length.
#[test]
fn facets_that_need_more_than_registers_hold_are_named() {
    let dim = "[facets]\nreflectivities = [1, 1, 1, 0.6, 1, 1, 1, 1, 1, 1]\n\
               [trims]\npower_step = 0.001\npower_range = 0.2\n";
    let (_, _, notes) = judged("bring_up.spt", dim);
    assert!(notes.contains("upper end of their registers, of facets 3: too dim"), "{notes}");
    let long = "[facets]\nstretches = [0, 1e-3, 0, 0, -1e-3, 0, 0, 0, 0, 0]\n\
                [trims]\nlength_step = 1e-5\nlength_range = 6e-4\n";
    let (_, _, notes) = judged("bring_up.spt", long);
    assert!(notes.contains("an end of their registers, of facets 1, 4: "), "{notes}");
}
