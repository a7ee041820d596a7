//! What changes on a head while it is accepted or in service is seen by the scripts that judge it, and called by its name:
//! slow warm-ups, dirt on a facet, another ripple or polygon, a lens that is no longer the one of the plan.

use crate::program::{Ended, spintrue};
use crate::support::{Folder, repository};

fn run(folder: &Folder, script: &str, head: &str, more: &[&str]) -> (Ended, String) {
    let script = repository(&format!("scripts/{script}.spt"));
    let ended = spintrue(folder, &[&["run", &script, "--head", head], more].concat());
    let said = ended.all();
    (ended, said)
}

/// The value of a check, or behind some words, as printed.
fn number_behind(said: &str, words: &str) -> f64 {
    let rest = said.split(words).nth(1).unwrap_or_else(|| panic!("no `{words}`: {said}"));
    rest.split_whitespace().next().unwrap().parse().unwrap()
}

/// Lines move by drift of the delay times rise times speed of the spot, 406.4 m/s, until the head is wholly warm: by
/// hand. So far as a head has come, it moves less than the limit.
#[test]
fn a_slow_warm_up_is_foreseen_to_its_end() {
    let folder = Folder::new("slow");
    let accepted = |constant: &str, rise: &str, drift: &str, more: &[&str]| {
        let thermal = [("time_constant", constant), ("rise", rise), ("delay_drift", drift)];
        let lines = thermal.map(|(key, value)| format!("{key} = \"{value}\"\n"));
        folder.file("head.toml", format!("[thermal]\n{}", lines.concat()));
        run(&folder, "accept", "sim:head.toml", more)
    };
    // 0.8 of the highest speed heats by 0.8³ of the rise.
    for (constant, rise, drift) in [("60 min", 14.0, 2.0), ("120 min", 20.0, 4.0)] {
        let moves = drift * 1e-9 * rise * 0.512 * 406.4 * 1e6;
        let (ended, said) = accepted(constant, &format!("{rise} K"), &format!("{drift} ns/K"), &[]);
        assert_eq!(ended.code, Some(1), "{said}");
        let shift = number_behind(&said, "check warm-up shift along: ");
        let u = number_behind(&said, &format!("check warm-up shift along: {shift:.1} um \u{b1} "));
        // What warmed up before lines were first measured is not in it: less than a hundredth.
        assert!((shift - moves).abs() < u, "{shift} \u{b1} {u} um instead of {moves} um");
        assert!(shift - u > 2.0, "{shift} \u{b1} {u} um");
    }
    // What is seen of a good head in 10 min is too little, and in an hour enough.
    let (ended, said) = accepted("120 min", "14 K", "0 ns/K", &[]);
    assert!(ended.code == Some(4) && said.contains("is foreseen from little"), "{said}");
    let (ended, said) = accepted("120 min", "14 K", "0 ns/K", &["--set", "warm_up_most=60min"]);
    assert_eq!(ended.code, Some(0), "{said}");
    let (ended, said) = accepted("8 min", "0 K", "0 ns/K", &[]);
    assert!(ended.code == Some(0) && said.contains("for the time watched only"), "{said}");
}

/// A polygon with these division errors, the reflectivity of facet 3, and a ripple.
fn polygon(errors: [f64; 10], reflectivity: f64, ripple: f64) -> String {
    let errors = errors.map(|error| format!("'{error} arcsec'")).join(", ");
    format!(
        "[facets]\ndivision_errors = [{errors}]\nreflectivities = [1, 1, 1, {reflectivity}, 1, 1, 1, 1, 1, 1]\n\
         [start_of_scan]\nedge_lean = '0 deg'\n[[rotor.ripple]]\norder = 1\namplitude = '{ripple} ppm'\n"
    )
}

/// The detector trips at half of its light, with a time constant of 0.5 µs: a facet that has lost 3 % of its light trips it
/// by 0.5 µs · ln(0.97/(0.97 − 0.5) · 0.5) = 15.7 ns later, 7.9 µrad at 4800 rpm (by hand; docs/simulated-head.md).
#[test]
fn pulses_that_moved_are_told_from_another_polygon() {
    const ERRORS: [f64; 10] = [3.0, -7.0, 12.0, 1.0, -4.0, 8.0, -11.0, 2.0, -6.0, 5.0];
    let folder = Folder::new("polygons");
    let with = |text: &str, script: &str, more: &[&str]| {
        folder.file("head.toml", text);
        run(&folder, script, "sim:head.toml?memory=head.json", more)
    };
    let (accepted, said) = with(&polygon(ERRORS, 1.0, 5.0), "accept", &["--record", "kept"]);
    assert_eq!(accepted.code, Some(0), "{said}");
    let again = |text: &str| with(text, "requalify", &["--last", "kept"]);

    let (dusty, said) = again(&polygon(ERRORS, 0.97, 5.0));
    let later = number_behind(&said, "the pulse of facet 3 comes ");
    assert!((later - 7.9).abs() < 1.0, "{said}");
    // 15.7 ns at 406.4 m/s are 6.4 um along the line of this facet.
    let off = number_behind(&said, "check in-scan residual: ");
    assert!(dusty.code == Some(1) && (off - 6.4).abs() < 1.0, "{said}");
    assert_eq!(said.matches("the pulse of facet").count(), 1, "{said}");

    let (rippled, said) = again(&polygon(ERRORS, 1.0, 8.0));
    assert!(
        rippled.code == Some(0) && said.contains("no other polygon has this pattern"),
        "{said}"
    );

    let other = [-6.0, 4.0, 9.0, -2.0, -7.0, 0.0, 3.0, -8.0, 5.0, 2.0];
    let (exchanged, said) = again(&polygon(other, 1.0, 5.0));
    assert!(exchanged.code == Some(3) && said.contains("fault: another polygon"), "{said}");
    assert!(!said.contains("the pulse of facet"), "{said}");
    // The index came back three facets off, and facet 3 is dusty, too.
    let mut turned = ERRORS;
    turned.rotate_left(3);
    let (moved, said) = again(&polygon(turned, 0.97, 5.0));
    assert!(moved.code == Some(3) && said.contains("index has moved by 3"), "{said}");
}

/// A line of 304.8 mm grows by 0.2 % with its lens: 610 um. The plan that the trims were proved with is in the record, so
/// that requalifying does not correct it away.
#[test]
fn a_lens_that_changed_in_service_is_not_corrected_away() {
    let folder = Folder::new("lens");
    let with = |focal_length: &str, script: &str, more: &[&str]| {
        folder.file(
            "head.toml",
            format!(
                "[lens]\nfocal_length_error = '{focal_length}'\ndistortion = '1 mm'\n[dot_clock]\nkind = 'accumulator'\n\
                 accumulator_bits = 48\n[trims]\nin_scan_range = '4 us'\nlinearity_range = '20 %'\n\
                 linearity_segments = 64\n"
            ),
        );
        run(&folder, script, "sim:head.toml?memory=head.json", more)
    };
    for script in ["bring_up", "accept"] {
        let (ended, said) = with("0.3 %", script, &["--record", script]);
        assert_eq!(ended.code, Some(0), "{said}");
        let values: toml::Table = folder.read(&format!("{script}/values.toml")).parse().unwrap();
        let values = values["values"].as_table().unwrap();
        assert_eq!(values["dot clock ratios"].as_array().unwrap().len(), 64, "{values}");
        // Without its correction the clock has 208.33 ns.
        let period = values["dot period"].as_str().unwrap().trim_end_matches(" s");
        let period: f64 = period.parse().unwrap();
        assert!((period - 206.65e-9).abs() < 0.1e-9, "{period}");
    }
    let (same, said) = with("0.3 %", "requalify", &["--last", "accept", "--record", "again"]);
    assert_eq!(same.code, Some(0), "{said}");
    // What it was drawn by is in its own record, too.
    for last in ["accept", "again"] {
        let (grown, said) = with("0.5 %", "requalify", &["--last", last]);
        assert_eq!(grown.code, Some(1), "{said}");
        let longer = number_behind(&said, "check line length: ");
        assert!((longer - 609.6).abs() < 10.0, "{said}");
        // (1.003/1.005 - 1) = -1990 ppm.
        let changed = number_behind(&said, "would differ in its dot period by ");
        assert!((changed + 1990.0).abs() < 30.0, "{said}");
    }
    let (other, said) = with("0.3 %", "requalify", &["--last", "accept", "--set", "length=300 mm"]);
    assert!(other.code != Some(0) && said.contains("the last record is of 3600 dots"), "{said}");
}
