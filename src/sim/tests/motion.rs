//! Spin-up, lock, coasting, repeatability, and heads at the edges.

use crate::config::Config;
use crate::tests::{RPM, SPEED, locked, order, plan, sim, trace};
use crate::{SimHead, open};
use spintrue_head::{Fault, Gauge, Halt, Head, Trim};

/// Bring-up with `look` called as often as it likes between the commands.
fn transcript(seed: u64, look: &mut dyn FnMut(&mut SimHead, f64)) -> String {
    // What changes slowly or by a fault must not depend on looks either.
    let slow = "[[rotor.hunting]]\nfrequency = '2 Hz'\namplitude = '100 ppm'\n[thermal]\ndelay_drift = '1 ns/K'\n\
                [[fault]]\nkind = 'slow_lock'\nshare = '80 %'\n\
                [[fault]]\nkind = 'galvanometer_stuck'\nat = '12.3001 s'\n";
    let (mut head, mut gauge) = open(Some(("slow", slow)), seed).unwrap();
    let mut text = String::new();
    let mut say = |what: String| text.push_str(&(what + "\n"));
    head.spin(SPEED).unwrap();
    look(&mut head, 3.3);
    say(format!("{:?}", head.status()));
    look(&mut head, 9.0);
    say(format!("{:?}", head.turns(5)));
    let plan = plan(&head.describe().unwrap());
    head.steer(Some(5e-3)).unwrap();
    let lines = trace(&mut head, &mut gauge, &plan);
    say(format!("{lines:?}"));
    head.halt(Halt::Coast).unwrap();
    look(&mut head, 20.0);
    say(format!("{:?}", head.status()));
    head.spin(300.0).unwrap();
    look(&mut head, 400.0);
    say(format!("{:?} {:?}", head.status(), head.turns(2)));
    say(format!("{:?}", head.make_safe(false)));
    text
}

#[test]
fn the_same_seed_gives_the_same_bytes_however_often_somebody_looks() {
    let quiet = transcript(7, &mut |head, time| head.sleep(time));
    // Sleeps are cut into the same sum by steps that are exact in binary.
    let mut looks = 0;
    let busy = transcript(7, &mut |head, time| {
        let end = head.now() + time;
        while head.now() + 0.007_812_5 < end {
            head.sleep(0.007_812_5);
            for _ in 0..looks % 3 {
                head.status().unwrap();
            }
            looks += 1;
        }
        let rest = end - head.now();
        head.sleep(rest);
    });
    assert_eq!(quiet, busy);
    let other = transcript(8, &mut |head, time| head.sleep(time));
    assert_ne!(quiet, other);
}

#[test]
fn spin_up_overshoots_then_locks_within_the_time_described() {
    let (mut head, _) = open(None, 7).unwrap();
    let d = head.describe().unwrap();
    for speed in [d.speed_least, 2000.0 * RPM, SPEED, d.speed_most] {
        let (mut head, _) = open(None, 7).unwrap();
        head.spin(speed).unwrap();
        let mut highest: f64 = 0.0;
        let locked = loop {
            head.sleep(0.01);
            let status = head.status().unwrap();
            highest = highest.max(status.speed);
            if status.locked {
                break status.time;
            }
            assert!(status.time < d.spin_up_most, "{speed}: {status:?}");
        };
        assert!(highest > speed * 1.001, "{speed} {highest}");
        assert!(locked > 2.0, "{locked}");
    }
    // Lock takes its turns: the window is first entered long before.
    head.spin(SPEED).unwrap();
    head.sleep(6.2);
    let status = head.status().unwrap();
    assert!((status.speed / SPEED - 1.0).abs() < d.lock_window && !status.locked, "{status:?}");
}

#[test]
fn the_measured_speed_is_right_and_jitters() {
    let (mut head, _, _) = locked("[rotor]\nhunting = []\n", 7);
    let speeds: Vec<f64> = (0..200)
        .map(|_| {
            head.sleep(0.05);
            head.status().unwrap().speed / SPEED - 1.0
        })
        .collect();
    assert!(speeds.iter().all(|s| s.abs() < 2e-5));
    let spread = (speeds.iter().map(|s| s * s).sum::<f64>() / 200.0).sqrt();
    // The description says 1.6 ppm at 6000 rpm, which are 2 ppm at 4800 rpm; 200 readings are good to 5 % times five.
    assert!((1.5e-6..2.5e-6).contains(&spread), "{spread}");
}

#[test]
fn coasting_takes_as_long_as_described_and_braking_less() {
    for (how, brakes) in [(Halt::Coast, false), (Halt::Brake, true)] {
        let (mut head, _) = open(None, 7).unwrap();
        let d = head.describe().unwrap();
        head.spin(d.speed_most).unwrap();
        head.sleep(d.spin_up_most);
        let from = head.now();
        head.halt(how).unwrap();
        assert!(!head.status().unwrap().locked);
        while !head.status().unwrap().at_rest {
            head.sleep(0.05);
            assert!(head.now() - from < d.coast_most + 0.05);
        }
        let took = head.now() - from;
        assert_eq!(took < 8.0, brakes, "{took}");
        let status = head.status().unwrap();
        assert_eq!((status.speed, status.facet, status.target), (0.0, None, None));
        assert_eq!(head.turns(1), Err(Fault::no_pulse("index")));
    }
}

#[test]
fn the_head_warms_up_towards_its_speed() {
    let (mut head, _, _) = locked("", 1);
    let cold = head.status().unwrap().temperature;
    head.sleep(3600.0);
    let warm = head.status().unwrap().temperature;
    assert!((cold - 295.15).abs() < 0.3);
    // 14 K at full speed, by the cube of 4800/6000.
    assert!((warm - 295.15 - 14.0 * 0.512).abs() < 0.05, "{warm}");
}

#[test]
fn no_call_panics_or_hangs_on_strange_values() {
    let strange = [
        0.0,
        -0.0,
        1e-300,
        -1e300,
        1e300,
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MIN_POSITIVE,
    ];
    let (mut head, mut gauge, plan) = locked("", 1);
    let _ = head.arm(0.1);
    for a in strange {
        for b in strange {
            let mut line = order(0, &plan);
            line.dot_period = a;
            line.delay = b;
            let _ = head.expose(&line);
            let _ = head.steer(Some(a));
            let trim = Trim { in_scan: a, cross_scan: b, ..Trim::default() };
            let _ = head.load_trims(&[trim; 10]);
            let _ = gauge.measure();
        }
        head.sleep(a);
        let _ = head.arm(a);
        let _ = head.disarm();
        let _ = head.spin(a);
        assert!(head.now().is_finite());
    }
    assert!(head.make_safe(false).laser_off);
}

#[test]
fn heads_at_the_edges_of_what_can_be_described_still_end_every_call() {
    let rows = [
        "[rotor]\ninertia = '1e-2 kg*m^2'\n",
        "[rotor]\ninertia = '5e-6 kg*m^2'\n",
        "[rotor]\nintegral = '1 N*m/rad'\n",
        "[rotor]\nproportional = '0.02 N*m*s/rad'\n",
        "[rotor]\nbearing = '1 uN*m'\nviscous = '1e-7 N*m*s/rad'\n",
        "[rotor]\nspeed_least = '1 rpm'\njitter = '60 ppm'\nripple = [{ order = 1, amplitude = '5 %' }]\n",
        "[lock]\nwindow = '10 ppm'\nturns = 100000\n[rotor]\njitter = '1 ppm'\nhunting = []\n",
        "[facets]\ncount = 2\n",
        "[facets]\ncount = 1000\n",
    ];
    for text in rows {
        let (mut head, _) = sim(text, 1);
        let d = head.describe().unwrap();
        head.spin(d.speed_most).unwrap();
        head.sleep(30.0);
        let status = head.status().unwrap();
        assert!(status.speed.is_finite(), "{text}");
        let _ = head.turns(3);
        head.halt(Halt::Coast).unwrap();
        head.sleep(100.0);
        assert!(head.make_safe(false).laser_off, "{text}");
        assert!(Config::read(Some(text), 1).is_ok());
    }
}

/// Right after a start no pulse has come yet: that is no rest.
#[test]
fn a_rotor_that_was_pushed_just_now_is_not_at_rest() {
    let (mut head, _) = open(None, 1).unwrap();
    assert!(head.status().unwrap().at_rest);
    head.spin(500.0).unwrap();
    head.sleep(0.06);
    assert!(!head.status().unwrap().at_rest);
    head.halt(Halt::Brake).unwrap();
    head.sleep(0.01);
    assert!(head.truth().speed > 1.0);
    assert!(!head.status().unwrap().at_rest);
    head.sleep(3.0);
    assert!(head.status().unwrap().at_rest);
}
