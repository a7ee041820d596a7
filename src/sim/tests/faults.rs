//! Faults on demand, as they show through the head.

use crate::open;
use crate::tests::{SPEED, locked, order, sim};
use spintrue_head::{Fault, Gauge, Halt, Head, Laser, Trim};

#[test]
fn power_lost_while_storing_leaves_the_old_trims_or_the_new_ones() {
    let mut kept = [0, 0];
    for seed in 0..20 {
        let (mut head, _, _) = locked("[[fault]]\nkind = 'store_interrupted'\nat = '13 s'\n", seed);
        let set =
            |value: f64| vec![Trim { in_scan: value, cross_scan: value, ..Trim::default() }; 10];
        let (old, new) = (set(10e-9), set(20e-9));
        head.load_trims(&old).unwrap();
        let old = head.trims().unwrap();
        head.store_trims().unwrap();
        head.sleep(2.0);
        head.load_trims(&new).unwrap();
        let new = head.trims().unwrap();
        let started = head.now();
        assert!(matches!(head.store_trims(), Err(Fault::Broken(_))));
        assert_eq!(head.now() - started, head.describe().unwrap().times.silence_most);
        let found = head.trims().unwrap();
        assert_eq!(found, head.truth().stored);
        assert!(found == old || found == new, "{found:?}");
        kept[usize::from(found == new)] += 1;
        let status = head.status().unwrap();
        assert!(!status.locked && status.target.is_none() && status.laser == Laser::Off);
        // Once only.
        head.load_trims(&new).unwrap();
        head.store_trims().unwrap();
        head.power_cycle();
        assert_eq!(head.trims().unwrap(), new);
    }
    assert!(kept[0] > 2 && kept[1] > 2, "{kept:?}");
}

#[test]
fn only_the_interlock_darkens_a_laser_that_stays_armed() {
    let text = "[[fault]]\nkind = 'laser_stays_armed'\nat = '13 s'\n\
                [[fault]]\nkind = 'lock_lost'\nat = '15 s'\n\
                [[fault]]\nkind = 'interlock_opened'\nat = '17 s'\n";
    let (mut head, _, _) = locked(text, 1);
    head.arm(0.3).unwrap();
    head.sleep(2.0);
    assert!(head.disarm().is_err());
    assert!(matches!(head.halt(Halt::Brake), Err(Fault::Armed { .. })));
    head.sleep(2.0);
    assert!(head.truth().light);
    assert_eq!(head.status().unwrap().laser, Laser::Armed);
    head.sleep(2.0);
    assert!(!head.truth().light);
    head.disarm().unwrap();
    assert!(head.make_safe(false).laser_off);
}

#[test]
fn a_stuck_galvanometer_stays_where_it_is() {
    let text = "[[fault]]\nkind = 'galvanometer_stuck'\nat = '1 s'\n";
    let (mut head, _) = sim(text, 1);
    head.steer(Some(0.02)).unwrap();
    head.sleep(2.0);
    head.steer(Some(-0.02)).unwrap();
    head.sleep(1.0);
    assert!((head.status().unwrap().galvanometer - 0.02).abs() < 1e-6);
    let state = head.make_safe(false);
    assert!(!state.parked && state.laser_off);
}

#[test]
fn a_lying_gauge_adds_its_offset_and_nothing_else() {
    let read = |text: &str| {
        let (mut head, mut gauge, plan) = locked(text, 3);
        head.arm(0.3).unwrap();
        head.expose(&order(0, &plan)).unwrap();
        gauge.measure().unwrap()
    };
    let (honest, lying) = (read(""), read("[[fault]]\nkind = 'gauge_lying'\noffset = '20 um'\n"));
    assert!((lying.shift().0 - honest.shift().0 - 20e-6).abs() < 1e-9);
    assert!((lying.shift().1 - honest.shift().1 - 20e-6).abs() < 1e-9);
    assert_eq!(lying.in_scan_u, honest.in_scan_u);
}

#[test]
fn a_slow_lock_comes_late_and_never_later_than_its_share_says() {
    let locks = |text: &str| {
        let (mut head, _) = open(Some(("head", text)), 1).unwrap();
        head.spin(SPEED).unwrap();
        while !head.status().unwrap().locked {
            head.sleep(0.1);
            assert!(head.now() < 200.0);
        }
        head.now()
    };
    let good = locks("");
    let slow = locks("[[fault]]\nkind = 'slow_lock'\nshare = '20 %'\n");
    assert!(slow > 1.5 * good && slow < 5.0 * good + 1.0, "{good} {slow}");
}
