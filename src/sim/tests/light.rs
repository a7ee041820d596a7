//! Arming, orders, faults, and the way to a safe state.

use crate::open;
use crate::tests::{SPEED, locked, order, plan, sim};
use spintrue_head::{Fault, Gauge, Halt, Head, Laser, LineOrder, Pattern, Trim};

#[test]
fn light_needs_lock_interlock_arming_and_its_delay() {
    let (mut head, mut gauge) = open(None, 1).unwrap();
    let plan = plan(&head.describe().unwrap());
    assert_eq!(head.arm(0.5), Err(Fault::NotLocked));
    head.spin(SPEED).unwrap();
    head.sleep(12.0);
    assert_eq!(head.expose(&order(0, &plan)), Err(Fault::NotArmed));
    assert!(matches!(gauge.measure(), Err(Fault::Refused(_))));
    head.arm(0.5).unwrap();
    let armed = head.now();
    assert_eq!(head.status().unwrap().laser, Laser::Armed);
    let line = head.expose(&order(3, &plan)).unwrap();
    assert!(line.time > armed + 0.5 && line.time < armed + 0.52, "{line:?}");
    assert_eq!((line.facet, line.words, line.underrun), (3, 113, false));
    let next = head.expose(&order(4, &plan)).unwrap();
    assert!(next.time - line.time < 0.026, "{next:?}");
    for result in [head.halt(Halt::Brake), head.spin(300.0), head.store_trims(), head.arm(0.1)] {
        assert!(matches!(result, Err(Fault::Armed { .. })), "{result:?}");
    }
    head.disarm().unwrap();
    head.disarm().unwrap();
    assert_eq!(head.expose(&order(0, &plan)), Err(Fault::NotArmed));
}

#[test]
fn orders_that_cannot_be_drawn_are_refused() {
    let (mut head, _, plan) = locked("", 1);
    head.arm(0.3).unwrap();
    let good = order(0, &plan);
    let with = |f: fn(&mut LineOrder)| {
        let mut o = good.clone();
        f(&mut o);
        o
    };
    let rows: [(LineOrder, &str); 14] = [
        (with(|o| o.facet = 10), "facet 10 is outside 0 to 9"),
        (with(|o| o.dots = 0), "number of dots 0"),
        (with(|o| o.dots = u32::MAX), "number of dots"),
        (with(|o| o.dot_period = 1e-9), "time per dot 1 ns is outside"),
        (with(|o| o.dot_period = f64::NAN), "time per dot"),
        (with(|o| o.delay = -1e-6), "pre-scan delay"),
        (with(|o| o.delay = 1e-3), "end of the line"),
        (with(|o| o.pattern = Pattern::Words(vec![0; 3])), "113 words"),
        (with(|o| o.pattern = Pattern::Words(vec![1; 113])), "last 16 bits"),
        (with(|o| o.pattern = Pattern::Map(Vec::new())), "1 to 64 marks on this head, not 0"),
        (with(|o| o.pattern = Pattern::Map(vec![0.0; 65])), "not 65"),
        (with(|o| o.pattern = Pattern::Map(vec![0.0, 0.51])), "mark 0.51 is outside -0.5 to 0.5"),
        (with(|o| o.pattern = Pattern::Map(vec![f64::NAN])), "outside -0.5 to 0.5"),
        (with(|o| o.pattern = Pattern::Map(vec![0.1, 0.1])), "0.1 stands behind 0.1"),
    ];
    for (order, expected) in rows {
        let text = head.expose(&order).unwrap_err().to_string();
        assert!(text.contains(expected), "{text} / {expected}");
    }
    let words = with(|o| o.pattern = Pattern::Words(vec![0xffff_0000; 113]));
    assert_eq!(head.expose(&words).unwrap().words, 113);
    for angle in [0.2, -0.2, f64::NAN] {
        assert!(head.steer(Some(angle)).is_err());
    }
    head.disarm().unwrap();
    for speed in [0.0, 1e4, f64::NAN, f64::INFINITY] {
        assert!(matches!(head.spin(speed), Err(Fault::OutOfRange { .. })));
    }
    assert!(head.turns(0).is_err());
    assert!(head.turns(u32::MAX).is_err());
    // Without light nothing is drawn that a gauge could read.
    for (power, reads) in [(0.0, false), (0.0009, false), (0.001, true)] {
        let (mut head, mut gauge, plan) = locked("[gauge]\nlost = '0 %'\n", 1);
        head.arm(power).unwrap();
        head.expose(&order(0, &plan)).unwrap();
        assert_eq!(gauge.measure().is_ok(), reads, "{power}");
    }
    for power in [-0.1, 1.5, f64::NAN] {
        assert!(head.arm(power).is_err());
    }
}

#[test]
fn interlock_or_lock_lost_under_light_disarms() {
    for (kind, fault) in
        [("interlock_opened", Fault::InterlockOpen), ("lock_lost", Fault::NotLocked)]
    {
        // Between lines, by time.
        let text = format!("[[fault]]\nkind = '{kind}'\nat = '13 s'\n");
        let (mut head, mut gauge, plan) = locked(&text, 1);
        head.arm(0.3).unwrap();
        head.expose(&order(0, &plan)).unwrap();
        head.sleep(2.0);
        let status = head.status().unwrap();
        assert_eq!(status.laser, Laser::Off, "{kind}");
        assert_eq!(head.expose(&order(0, &plan)), Err(fault.clone()));
        assert_eq!(status.interlock_closed, kind != "interlock_opened");
        // The last line was whole.
        assert!((0..9).any(|_| gauge.measure().is_ok()));
    }
    // In the middle of the third line.
    let text = "[[fault]]\nkind = 'interlock_opened'\nline = 3\n";
    let (mut head, mut gauge, plan) = locked(text, 1);
    head.arm(0.3).unwrap();
    head.expose(&order(0, &plan)).unwrap();
    head.expose(&order(1, &plan)).unwrap();
    assert_eq!(head.expose(&order(2, &plan)), Err(Fault::InterlockOpen));
    assert_eq!(head.status().unwrap().laser, Laser::Off);
    assert_eq!(gauge.measure(), Err(Fault::LostReading));
    assert_eq!(head.arm(0.3), Err(Fault::InterlockOpen));
}

#[test]
fn a_bump_loses_lock_and_the_loop_finds_it_again() {
    let (mut head, _, _) = locked("[[fault]]\nkind = 'lock_lost'\nat = '13 s'\n", 1);
    let mut lost = None;
    let found = loop {
        head.sleep(0.01);
        let status = head.status().unwrap();
        assert!(status.time < 30.0);
        match (lost, status.locked) {
            (None, false) => lost = Some(status.time),
            (Some(_), true) => break status.time,
            _ => {}
        }
    };
    let lost = lost.unwrap();
    assert!(lost > 13.0 && lost < 13.1, "{lost}");
    assert!(found > lost + 0.8, "{found}");
}

#[test]
fn injected_faults_show_where_they_should() {
    let fault = |keys: &str| format!("[[fault]]\n{keys}\n");
    // No lock: the drive stays short of the window for as long as one likes.
    let (mut head, _) = sim(&fault("kind = 'no_lock'"), 1);
    head.spin(SPEED).unwrap();
    head.sleep(1e5);
    let status = head.status().unwrap();
    assert!(!status.locked && status.speed > 0.9 * SPEED && status.speed < 0.99 * SPEED);

    let (mut head, _, _) = locked(&fault("kind = 'rail_low'\nrail = 'drive'\nat = '1 s'"), 1);
    let rails = head.status().unwrap().rails;
    assert!((rails[1] - 19.2).abs() < 0.1 && (rails[0] - 5.0).abs() < 0.01, "{rails:?}");

    let (mut head, mut gauge, plan) = locked(&fault("kind = 'gauge_dead'\nline = 1"), 1);
    head.arm(0.3).unwrap();
    head.expose(&order(0, &plan)).unwrap();
    assert!(matches!(gauge.measure(), Err(Fault::Broken(_))));

    let (mut head, _, plan) = locked(&fault("kind = 'index_missing'"), 1);
    assert_eq!(head.turns(3), Err(Fault::no_pulse("index")));
    assert_eq!(head.status().unwrap().facet, None);
    head.arm(0.3).unwrap();
    assert_eq!(head.expose(&order(0, &plan)), Err(Fault::no_pulse("index")));

    let (mut head, _, _) = locked(&fault("kind = 'index_slipping'"), 1);
    let counts: Vec<u32> = head.turns(6).unwrap().iter().map(|t| t.start_of_scan).collect();
    assert!(counts.contains(&11) && counts.contains(&9) && counts.contains(&10), "{counts:?}");

    let (mut head, _, _) = locked(&fault("kind = 'start_of_scan_dropouts'\nshare = '20 %'"), 1);
    let counts = head.turns(100).unwrap();
    let seen: u32 = counts.iter().map(|t| t.start_of_scan).sum();
    // 800 of 1000 with a standard deviation of 12.6.
    assert!((735..=865).contains(&seen), "{seen}");
    let all = fault("kind = 'start_of_scan_dropouts'\nshare = 1");
    let (mut head, _, plan) = locked(&all, 1);
    head.arm(0.3).unwrap();
    assert_eq!(head.expose(&order(0, &plan)), Err(Fault::no_pulse("start-of-scan")));

    let (mut head, _) = sim(&fault("kind = 'stuck_trim'\nfacet = 3"), 1);
    let trim = Trim { in_scan: 1e-8, cross_scan: 1e-6, ..Trim::default() };
    head.load_trims(&[trim; 10]).unwrap();
    let held = head.trims().unwrap();
    assert!(held[3] == Trim::default() && held[2] != Trim::default());

    let (mut head, mut gauge, plan) = locked(&fault("kind = 'queue_underrun'"), 1);
    head.arm(0.3).unwrap();
    assert!(head.expose(&order(0, &plan)).unwrap().underrun);
    assert_eq!(gauge.measure(), Err(Fault::LostReading));
}

#[test]
fn a_silent_link_is_told_within_bounded_time_and_ends_dark() {
    let (mut head, _, plan) = locked("[[fault]]\nkind = 'link_silent'\nat = '12.7 s'\n", 1);
    head.arm(0.3).unwrap();
    head.sleep(1.0);
    let before = head.now();
    assert!(matches!(head.status(), Err(Fault::Broken(_))));
    assert!(matches!(head.expose(&order(0, &plan)), Err(Fault::Broken(_))));
    assert_eq!(head.now() - before, 2.0);
    let state = head.make_safe(false);
    assert!(!state.laser_off && state.troubles.len() == 4, "{state:?}");
    assert!(head.world.borrow().arming.is_none());
}

#[test]
fn the_queue_underruns_exactly_where_the_plan_says() {
    for queue in [38, 39] {
        let (mut head, _, plan) = locked(&format!("[words]\nqueue = {queue}\n"), 1);
        head.arm(0.3).unwrap();
        let line = head.expose(&order(0, &plan)).unwrap();
        assert_eq!(line.underrun, !plan.feasible, "{queue}");
        assert_eq!(plan.feasible, queue == 39);
    }
}

#[test]
fn making_safe_leaves_dark_parked_and_stopping_or_kept() {
    for keep in [false, true] {
        let (mut head, _, _) = locked("", 1);
        head.steer(Some(50e-3)).unwrap();
        head.arm(0.3).unwrap();
        let state = head.make_safe(keep);
        assert!(state.laser_off && state.parked, "{state:?}");
        assert_eq!(state.kept_spinning, keep);
        assert!(!state.at_rest && state.speed > 400.0, "{state:?}");
        assert_eq!(state.troubles, Vec::<String>::new());
        head.sleep(10.0);
        assert_eq!(head.status().unwrap().at_rest, !keep);
    }
}

/// Two heads of one seed, which differ in nothing but what they were asked for.
#[test]
fn a_map_reads_what_test_marks_read_at_their_places_and_more_elsewhere() {
    let text = "[gauge]\nlost = '0 %'\n[lens]\ndistortion = '300 um'\n";
    let read = |pattern: Pattern| {
        let (mut head, mut gauge, plan) = locked(text, 7);
        head.arm(0.35).unwrap();
        head.expose(&LineOrder { pattern, ..order(4, &plan) }).unwrap();
        gauge.measure().unwrap()
    };
    let map = |places: &[f64]| read(Pattern::Map(places.to_vec()));
    let test_line = read(Pattern::TestMarks);
    assert_eq!(map(&[-0.5, -0.25, 0.0, 0.25, 0.5]), test_line);
    assert_eq!(map(&[-0.5]).marks, test_line.marks[..1]);
    // The lens bends by 300 um at the end of 330 mm as the cube of the place: by hand.
    let marks = map(&[-0.4, 0.0, 0.4]).marks;
    assert_eq!(marks.iter().map(|mark| mark.at).collect::<Vec<_>>(), [-0.4, 0.0, 0.4]);
    let bent = (marks[2].in_scan - marks[0].in_scan) / 2.0;
    let wanted = 300e-6 * (0.4 * 304.8e-3 / 165e-3_f64).powi(3);
    assert!((bent - wanted).abs() < 3e-6, "{bent} {wanted}");
}

#[test]
fn a_head_that_draws_no_maps_refuses_them() {
    let (mut head, _, plan) = locked("[gauge]\nmap_marks = 0\n", 1);
    head.arm(0.35).unwrap();
    let order = LineOrder { pattern: Pattern::Map(vec![0.0]), ..order(0, &plan) };
    let why = head.expose(&order).unwrap_err().to_string();
    assert!(why.contains("draws no maps"), "{why}");
}
