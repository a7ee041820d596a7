//! What an infeasible plan advises is followed to the letter: that reason must be gone, nothing
//! else may have come, and what is said to make everything hold must make the plan feasible.

use proptest::prelude::*;
use spintrue_head::{
    Clock, ClockKind, Decides, Hardware, LineRequest, StartOfScan, parse_quantity, plan_line,
};

/// Words by which a reason is known.
const KINDS: [&str; 10] = [
    "of the line period, but the optics",
    "more than any flat field",
    "lens and medium allow",
    "the polygon runs at",
    "the dot clock makes",
    "but the laser needs",
    "the host needs",
    "words must be queued",
    "in-scan trims move",
    "cross-scan trims move",
];

/// Words before a value that may be followed, and how.
type Apply = fn(&mut LineRequest, f64);
const WAYS: [(&str, Apply); 9] = [
    ("run at most at ", |r, v| r.speed = v),
    ("run at least at ", |r, v| r.speed = v),
    ("ask for at most ", |r, v| r.resolution = v),
    ("ask for at least ", |r, v| r.resolution = v),
    ("draw at most ", |r, v| r.length = v),
    ("use an active fraction of at most ", |r, v| r.decides = Decides::ActiveFraction(v)),
    ("use a focal length of at least ", |r, v| r.decides = Decides::FocalLength(v)),
    ("serve a word within ", |r, v| r.hardware.as_mut().unwrap().word_service = v),
    ("with a line of ", |r, v| r.length = v),
];

const EVERYTHING: &str = "everything holds ";

fn kinds(reasons: &[String]) -> Vec<&'static str> {
    KINDS.into_iter().filter(|kind| reasons.iter().any(|r| r.contains(kind))).collect()
}

fn value(text: &str) -> f64 {
    let end = text.find([',', ';']).unwrap_or(text.len());
    parse_quantity(&text[..end]).unwrap_or_else(|e| panic!("{text}: {e}")).0
}

fn followed(request: &LineRequest, apply: Apply, value: f64) -> Vec<String> {
    let mut request = *request;
    apply(&mut request, value);
    plan_line(&request).unwrap().reasons
}

/// Follows everything that a plan advises; gives how many pieces of advice there were.
fn follow(request: &LineRequest) -> usize {
    let plan = plan_line(request).unwrap();
    let before = kinds(&plan.reasons);
    let mut count = 0;
    for reason in &plan.reasons {
        if let Some(advice) = reason.strip_prefix(EVERYTHING) {
            for way in advice.split(", ").map(|w| w.trim_start_matches("or ")) {
                count += 1;
                let (apply, text): (Apply, &str) = match way.strip_prefix("at ") {
                    Some(text) if text.contains("rpm") => (|r, v| r.speed = v, text),
                    Some(text) => (|r, v| r.resolution = v, text),
                    None => match way.strip_prefix("with an active fraction of ") {
                        Some(text) => (|r, v| r.decides = Decides::ActiveFraction(v), text),
                        None => (|r, v| r.length = v, way.strip_prefix("with a line of ").unwrap()),
                    },
                };
                let after = followed(request, apply, value(text));
                assert!(after.is_empty(), "{reason}\n{after:?}\n{request:?}");
            }
            continue;
        }
        let own = KINDS.into_iter().find(|kind| reason.contains(kind));
        for (words, apply) in WAYS {
            let Some((_, rest)) = reason.split_once(words) else { continue };
            count += 1;
            let after = kinds(&followed(request, apply, value(rest)));
            assert!(!after.contains(&own.unwrap()), "{reason}\n{after:?}\n{request:?}");
            assert!(after.iter().all(|k| before.contains(k)), "{reason}\n{after:?}\n{request:?}");
        }
    }
    count
}

fn decades(low: f64, high: f64) -> impl Strategy<Value = f64> {
    (low.log10()..high.log10()).prop_map(|e| 10.0_f64.powf(e))
}

fn clocks() -> impl Strategy<Value = Clock> {
    let kind = prop_oneof![
        (1_u32..200, 0_u32..5000)
            .prop_map(|(least, more)| ClockKind::Divider { least, most: least + more }),
        (4_u32..40).prop_map(|bits| ClockKind::Accumulator { bits }),
    ];
    (decades(1e6, 2e9), kind).prop_map(|(master, kind)| Clock { master, kind })
}

/// Ranges of in-scan and cross-scan trims, and how far they must reach.
fn reaches() -> impl Strategy<Value = (f64, f64, f64)> {
    let least = prop_oneof![Just(0.0), decades(1e-6, 1e-3)];
    (decades(1e-8, 1e-5), decades(1e-5, 1e-2), least)
}

fn hardware() -> impl Strategy<Value = Hardware> {
    (
        (clocks(), prop_oneof![Just(0.0), decades(1e-9, 1e-5)], reaches()),
        decades(1e-8, 1e-3),
        1_u32..300,
        0.1_f64..1.0,
        decades(0.02, 1.0),
        (decades(5.0, 800.0), 1.0_f64..20.0),
        any::<bool>(),
    )
        .prop_map(
            |(
                (clock, dot_least, (in_scan_range, cross_scan_range, min_trim_reach)),
                word_service,
                queue_words,
                active_most,
                line_most,
                speeds,
                every,
            )| Hardware {
                clock,
                dot_least,
                word_service,
                queue_words,
                active_most,
                line_most,
                speed_least: speeds.0,
                speed_most: speeds.0 * speeds.1,
                start_of_scan: if every { StartOfScan::EveryFacet } else { StartOfScan::IndexOnly },
                length_error_most: 1e9,
                length_trim: 0.0,
                in_scan_range,
                cross_scan_range,
                min_trim_reach,
            },
        )
}

fn requests() -> impl Strategy<Value = LineRequest> {
    let decides = prop_oneof![
        decades(0.02, 2.0).prop_map(Decides::FocalLength),
        (0.05_f64..1.0).prop_map(Decides::ActiveFraction),
    ];
    (
        2_u32..60,
        decades(5.0, 5000.0),
        decides,
        decades(0.01, 1.0),
        decades(500.0, 200_000.0),
        prop::option::weighted(0.95, hardware()),
    )
        .prop_map(|(facets, speed, decides, length, resolution, hardware)| LineRequest {
            facets,
            speed,
            decides,
            length,
            resolution,
            hardware,
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, ..ProptestConfig::default() })]
    #[test]
    fn whatever_is_advised_works(request in requests()) {
        follow(&request);
    }
}

fn usual() -> LineRequest {
    LineRequest {
        facets: 10,
        speed: 500.0,
        decides: Decides::FocalLength(0.4042536),
        length: 0.3048,
        resolution: 300.0 / 0.0254,
        hardware: Some(Hardware {
            clock: Clock { master: 480e6, kind: ClockKind::Divider { least: 16, most: 4095 } },
            dot_least: 0.0,
            word_service: 10e-6,
            queue_words: 64,
            active_most: 0.7,
            line_most: 0.33,
            speed_least: 62.9,
            speed_most: 628.0,
            start_of_scan: StartOfScan::EveryFacet,
            length_error_most: 1e9,
            length_trim: 0.0,
            in_scan_range: 1e-6,
            cross_scan_range: 500e-6,
            min_trim_reach: 0.0,
        }),
    }
}

/// 1 us at 2·500 rad/s·404.25 mm moves a line by 404.25 um, and 500 urad by as much: by hand.
#[test]
fn trims_that_reach_too_little_make_a_plan_that_cannot_be_corrected() {
    let mut needy = usual();
    let hardware = needy.hardware.as_mut().unwrap();
    hardware.min_trim_reach = 404e-6;
    assert!(plan_line(&needy).unwrap().feasible);
    needy.hardware.as_mut().unwrap().min_trim_reach = 405e-6;
    let reasons = plan_line(&needy).unwrap().reasons;
    let told = "in-scan trims move a line by 404.25 um at most, but 405 um is needed";
    assert!(reasons[0].starts_with(told), "{reasons:#?}");
    assert!(
        reasons[1].starts_with("cross-scan trims move a line by 404.25 um at most"),
        "{reasons:#?}"
    );
    assert!(follow(&needy) > 1, "{reasons:#?}");
}

#[test]
fn several_broken_limits_get_one_value_for_all() {
    let mut fine = usual();
    fine.resolution *= 8.0;
    let reasons = plan_line(&fine).unwrap().reasons;
    assert_eq!(reasons.len(), 4, "{reasons:#?}");
    assert_eq!(follow(&fine), 8, "{reasons:#?}");
    // The queue asks for less than the polygon's lowest speed.
    assert!(!reasons[2].contains("run at"), "{reasons:#?}");
    assert!(reasons[3].starts_with("everything holds at "), "{reasons:#?}");
}

#[test]
fn where_nothing_in_reach_helps_it_is_said() {
    // One word takes longer to serve than a line lasts at the lowest speed.
    let mut slow = usual();
    slow.hardware.as_mut().unwrap().word_service = 20e-3;
    let reasons = plan_line(&slow).unwrap().reasons;
    let host = reasons.iter().find(|r| r.contains("the host needs")).unwrap();
    assert!(host.contains("nothing that can be asked of this head helps; serve"), "{host}");
    let last = reasons.last().unwrap();
    assert!(last.starts_with("no other speed, resolution or length alone"), "{last}");
}

#[test]
fn lowest_and_highest_speed_are_advised_as_they_can_be_run() {
    for (speed, words) in [(10.0, "run at least at 600.7 rpm"), (1000.0, "run at most at 5996 rpm")]
    {
        let request = LineRequest { speed, ..usual() };
        let reasons = plan_line(&request).unwrap().reasons;
        let own = reasons.iter().find(|r| r.contains("the polygon runs at")).unwrap();
        assert!(own.contains(words), "{own}");
        assert!(follow(&request) > 0);
    }
}

/// The value behind `words` in whichever reason has it.
#[track_caller]
fn advised(request: &LineRequest, words: &str) -> f64 {
    let reasons = plan_line(request).unwrap().reasons;
    let found = reasons.iter().find_map(|r| r.split_once(words));
    value(found.unwrap_or_else(|| panic!("no `{words}` in {reasons:#?}")).1)
}

#[test]
fn advice_is_not_timid() {
    // Each row: what is changed, the words before the value, the reason it belongs to.
    type Change = fn(&mut LineRequest);
    fn hardware(r: &mut LineRequest) -> &mut Hardware {
        r.hardware.as_mut().unwrap()
    }
    let dividers: Change =
        |r| hardware(r).clock.kind = ClockKind::Divider { least: 120, most: 4095 };
    let slow_clock: Change = |r| {
        hardware(r).clock.kind = ClockKind::Divider { least: 2, most: 80 };
        hardware(r).word_service = 1e-6;
    };
    let short_delay: Change = |r| {
        hardware(r).in_scan_range = 140e-9;
        hardware(r).min_trim_reach = 60e-6;
    };
    let short_angle: Change = |r| {
        hardware(r).cross_scan_range = 70e-6;
        hardware(r).min_trim_reach = 60e-6;
    };
    let by_share: Change = |r| {
        r.decides = Decides::ActiveFraction(0.6);
        hardware(r).in_scan_range = 140e-9;
        hardware(r).min_trim_reach = 60e-6;
    };
    let rows: &[(Change, &str, &str)] = &[
        (|r| r.resolution *= 4.0, "run at most at ", "the host needs"),
        (|r| r.resolution *= 4.0, "ask for at most ", "the host needs"),
        (|r| r.resolution *= 4.0, "serve a word within ", "the host needs"),
        (|r| hardware(r).queue_words = 20, "run at most at ", "words must be queued"),
        (|r| hardware(r).queue_words = 20, "ask for at most ", "words must be queued"),
        (|r| hardware(r).queue_words = 20, "serve a word within ", "words must be queued"),
        (|r| hardware(r).active_most = 0.5, "draw at most ", "of the line period"),
        (
            |r| hardware(r).active_most = 0.5,
            "use a focal length of at least ",
            "of the line period",
        ),
        (dividers, "run at most at ", "the dot clock makes"),
        (dividers, "ask for at most ", "the dot clock makes"),
        (|r| hardware(r).dot_least = 300e-9, "run at most at ", "but the laser needs"),
        (|r| hardware(r).dot_least = 300e-9, "ask for at most ", "but the laser needs"),
        (slow_clock, "ask for at least ", "the dot clock makes"),
        (|r| r.length = 0.34, "draw at most ", "lens and medium allow"),
        (|r| r.speed = 1000.0, "run at most at ", "the polygon runs at"),
        (|r| r.speed = 10.0, "run at least at ", "the polygon runs at"),
        (short_delay, "run at least at ", "in-scan trims move"),
        (short_delay, "use a focal length of at least ", "in-scan trims move"),
        (short_angle, "use a focal length of at least ", "cross-scan trims move"),
        (by_share, "use an active fraction of at most ", "in-scan trims move"),
    ];
    for (change, words, reason) in rows {
        let mut bad = usual();
        change(&mut bad);
        let value = advised(&bad, words);
        let harder = if words.contains("least") { value * 0.98 } else { value * 1.02 };
        let (_, apply) = WAYS.into_iter().find(|(w, _)| w == words).unwrap();
        let after = followed(&bad, apply, harder);
        assert!(after.iter().any(|r| r.contains(reason)), "{words}{value} is timid: {after:#?}");
    }
}

#[test]
fn a_line_past_the_sweep_is_refused_on_paper_too() {
    let mut long = LineRequest { hardware: None, length: 0.6, ..usual() };
    let plan = plan_line(&long).unwrap();
    assert!(!plan.feasible);
    assert_eq!(plan.pre_scan_delay, 0.0);
    // 4π·f/N: the whole sweep.
    assert_eq!(advised(&long, "draw at most "), 0.508);
    // Three facets sweep 240 deg, more than a flat field has.
    long = LineRequest { facets: 3, decides: Decides::ActiveFraction(0.9), ..long };
    let share = advised(&long, "use an active fraction of at most ");
    assert!((0.749..=0.75).contains(&share), "{share}");
}
