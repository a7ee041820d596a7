//! Reads what a simulated head is made of from a TOML description laid over the built-in one.

use crate::head::description::{Clock, ClockKind, Rail, Register, StartOfScan};
use crate::head::read::{ConfigError, Mistakes, Root};
use crate::head::sim::config::{BUILT_IN, Config, Detector, Facet, GaugeModel, Hunting};
use crate::head::sim::faults::{self, Known};
use crate::head::sim::fixtures;
use crate::head::sim::galvanometer::Loop;
use crate::head::sim::limits;
use crate::head::sim::noise::{Noise, Stream};
use crate::head::sim::rotor::Rotor;
use crate::units::Dimension;
use core::f64::consts::TAU;
use toml::Spanned;
use toml::de::DeTable;

const TORQUE: Dimension = Dimension::of([2, -2, 1, 0, 0, 0]);
const INERTIA: Dimension = Dimension::of([2, 0, 1, 0, 0, 0]);
const PER_SPEED: Dimension = Dimension::of([2, -1, 1, 0, 0, -1]);
const PER_ANGLE: Dimension = Dimension::of([2, -2, 1, 0, 0, -1]);
const PER_SPEED_SQUARED: Dimension = Dimension::of([2, 0, 1, 0, 0, -2]);
const POWER: Dimension = Dimension::of([2, -3, 1, 0, 0, 0]);
const DELAY_DRIFT: Dimension = Dimension::of([0, 1, 0, 0, -1, 0]);
const DRIFT: Dimension = Dimension::of([0, 0, 0, 0, -1, 1]);

/// Fastest speed loop in rad/s that is believed.
const LOOP_MOST: f64 = 200.0;

const TABLES: &[&str] = &[
    "head",
    "rotor",
    "lock",
    "start_of_scan",
    "facets",
    "lens",
    "galvanometer",
    "laser",
    "dot_clock",
    "words",
    "trims",
    "gauge",
    "thermal",
    "rail",
    "signal",
    "channel",
    "fault",
];

/// Largest description that is read, in bytes.
const TEXT_MOST: usize = 1 << 20;

fn parse(text: &str) -> Result<Spanned<DeTable<'_>>, Vec<ConfigError>> {
    let mistakes = Mistakes::new(text);
    if text.len() > TEXT_MOST {
        let message = "the description is larger than 1 MiB".to_string();
        mistakes.add(0..0, message, None);
        return Err(mistakes.take());
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(table);
    }
    for error in errors {
        let message = format!("this is not TOML: {}", error.message());
        mistakes.add(error.span().unwrap_or(0..0), message, None);
    }
    Err(mistakes.take())
}

impl Config {
    /// Reads a description laid over the built-in one; `seed` draws what it gives as a spread.
    pub fn read(text: Option<&str>, seed: u64) -> Result<Config, Vec<ConfigError>> {
        // Comments are half of it, and nobody points into it.
        let lines = BUILT_IN.lines().filter(|line| !line.starts_with('#'));
        let bare = lines.collect::<Vec<_>>().join("\n");
        let built_in = parse(&bare)?;
        let text = text.unwrap_or_default();
        let user = parse(text)?;
        let mistakes = Mistakes::new(text);
        let root =
            Root { user: Some(user.get_ref()), built_in: built_in.get_ref(), mistakes: &mistakes };
        root.know(TABLES);
        let mut config = Config::from(&root, Noise::new(seed));
        if mistakes.is_empty() {
            config.spin_up_most = limits::spin_up_most(&config);
            config.coast_most = limits::coast_most(&config);
            config.check_times(&root);
        }
        let found = mistakes.take();
        if found.is_empty() { Ok(config) } else { Err(found) }
    }

    /// A head that cannot lock or cannot come to rest is described wrongly.
    fn check_times(&self, root: &Root<'_, '_>) {
        let complain = |table, key: &str, message: String, help: &str| {
            let place = root.section(table).place(key);
            root.mistakes.add(place, message, Some(help.to_string()));
        };
        if self.spin_up_most > limits::NEVER {
            let message =
                "with this `rotor` and `lock.window` the polygon does not lock within a day";
            let help = "a stronger `torque_most`, less `jitter`, fewer `turns` or a wider `window`";
            complain("lock", "window", message.to_string(), help);
        }
        if self.coast_most > limits::NEVER {
            let message =
                "with this `rotor.bearing` the polygon does not come to rest within a day";
            complain("rotor", "bearing", message.to_string(), "more drag or less inertia");
        }
    }

    fn from(root: &Root<'_, '_>, noise: Noise) -> Config {
        let mut s = root.section("head");
        let (model, serial) = (s.text("model"), s.text("serial"));
        s.finish();

        let mut s = root.section("rotor");
        let rotor = Rotor {
            inertia: s.quantity("inertia", INERTIA, 1e-8..=1.0),
            torque_most: s.quantity("torque_most", TORQUE, 1e-6..=100.0),
            bearing: s.quantity("bearing", TORQUE, 1e-9..=10.0),
            viscous: s.quantity("viscous", PER_SPEED, 0.0..=1.0),
            windage: s.quantity("windage", PER_SPEED_SQUARED, 0.0..=1.0),
            proportional: s.quantity("proportional", PER_SPEED, 1e-9..=1e3),
            integral: s.quantity("integral", PER_ANGLE, 1e-9..=1e3),
        };
        let speed_least = s.quantity("speed_least", Dimension::ROTATION, 0.1..=1e5);
        let speed_most = s.quantity("speed_most", Dimension::ROTATION, 0.1..=1e5);
        let ripple = s.quantity("ripple", Dimension::NUMBER, 0.0..=0.05);
        let turn_jitter = s.quantity("jitter", Dimension::NUMBER, 0.0..=0.002);
        let hunting = Hunting {
            amplitude: s.quantity("hunting", Dimension::NUMBER, 0.0..=0.01),
            rate: TAU * s.quantity("hunting_frequency", Dimension::FREQUENCY, 0.1..=10.0),
        };
        let hunting_place = s.place("hunting");
        if speed_least > speed_most {
            let message = "`rotor.speed_least` is above `rotor.speed_most`".to_string();
            root.mistakes.add(s.place("speed_least"), message, None);
        } else if rotor.drag(speed_most) * 1.05 > rotor.torque_most {
            let message = format!(
                "`rotor.torque_most` is too small: at the highest speed the drag alone takes {} N*m",
                rotor.drag(speed_most)
            );
            let help = Some("give 5 % more than that, or lower `speed_most`".to_string());
            root.mistakes.add(s.place("torque_most"), message, help);
        }
        let fastest = LOOP_MOST * rotor.inertia;
        for (key, gain, most) in [
            ("proportional", rotor.proportional, fastest),
            ("integral", rotor.integral, fastest * LOOP_MOST),
        ] {
            if gain > most {
                let message = format!(
                    "`rotor.{key}` makes a speed loop faster than {LOOP_MOST} rad/s on this inertia"
                );
                let help = format!("give at most {most} in SI units");
                root.mistakes.add(s.place(key), message, Some(help));
            }
        }
        s.finish();

        let mut s = root.section("lock");
        let lock_window = s.quantity("window", Dimension::NUMBER, 1e-7..=0.5);
        let lock_turns = s.whole("turns", 1..=100_000);
        let lock_misses = s.whole("misses", 1..=100_000);
        if hunting.amplitude > lock_window / 4.0 {
            let message = "`rotor.hunting` is more than a quarter of `lock.window`, so that lock \
                           would come and go"
                .to_string();
            let help = Some("give less, or a wider window".to_string());
            root.mistakes.add(hunting_place.clone(), message, help);
        }
        s.finish();

        let mut s = root.section("start_of_scan");
        let detector = Detector {
            pulse: match s.choice("pulse", &["every_facet", "index_only"]) {
                0 => StartOfScan::EveryFacet,
                _ => StartOfScan::IndexOnly,
            },
            jitter: s.quantity("jitter", Dimension::TIME, 0.0..=1e-3),
            response: s.quantity("response", Dimension::TIME, 0.0..=1e-3),
            threshold: s.quantity("threshold", Dimension::NUMBER, 0.01..=0.95),
            edge_lean: s.quantity("edge_lean", Dimension::ANGLE, -1.2..=1.2),
            rest_after: s.quantity("rest_after", Dimension::TIME, 1e-3..=100.0),
        };
        s.finish();

        let facets = read_facets(root, noise);
        // What follows takes a facet for on time but for a small share of its sweep.
        let sweep = TAU / speed_most / facets.len() as f64;
        if hunting.amplitude / hunting.rate > sweep / 4.0 {
            let message =
                "`rotor.hunting` swings the polygon by more than a quarter of a facet at \
                           the highest speed"
                    .to_string();
            let help = Some("give less, or a higher `hunting_frequency`".to_string());
            root.mistakes.add(hunting_place, message, help);
        }

        let mut s = root.section("lens");
        let focal_length = s.quantity("focal_length", Dimension::LENGTH, 1e-3..=100.0);
        let line_most = s.quantity("line_most", Dimension::LENGTH, 1e-3..=100.0);
        let active_most = s.quantity("active_most", Dimension::NUMBER, 0.01..=1.0);
        let distortion = s.quantity("distortion", Dimension::LENGTH, -0.01..=0.01);
        s.finish();

        let mut s = root.section("galvanometer");
        let galvanometer_range = s.quantity("range", Dimension::ANGLE, 1e-6..=1.5);
        let parked = s.quantity("parked", Dimension::ANGLE, -1.5..=1.5);
        if parked.abs() > galvanometer_range {
            let message = "`galvanometer.parked` is outside its range".to_string();
            root.mistakes.add(s.place("parked"), message, None);
        }
        let galvanometer_step = s.quantity("step", Dimension::ANGLE, 1e-12..=1e-2);
        let galvanometer = Loop {
            natural: TAU * s.quantity("natural_frequency", Dimension::FREQUENCY, 0.1..=1e6),
            damping: s.quantity("damping", Dimension::NUMBER, 0.05..=10.0),
        };
        let wobble = s.quantity("wobble", Dimension::ANGLE, 0.0..=1e-2);
        let drift = s.quantity("drift", DRIFT, -1e-3..=1e-3);
        s.finish();

        let mut s = root.section("laser");
        let laser_power = s.quantity("power", POWER, 1e-9..=1e5);
        let arming_delay = s.quantity("arming_delay", Dimension::TIME, 0.0..=60.0);
        let laser_rise = s.quantity("rise", Dimension::TIME, 0.0..=1e-5);
        let dot_least = s.quantity("dot_least", Dimension::TIME, 0.0..=1e-3);
        let dot_least_place = s.place("dot_least");
        s.finish();

        let mut s = root.section("dot_clock");
        let master = s.quantity("master", Dimension::FREQUENCY, 1e3..=1e11);
        let kind = s.choice("kind", &["divider", "accumulator"]);
        let (least, most) = (
            s.whole("divisor_least", 1..=1_000_000_000),
            s.whole("divisor_most", 1..=1_000_000_000),
        );
        if least > most {
            let message = "`dot_clock.divisor_least` is above `divisor_most`".to_string();
            root.mistakes.add(s.place("divisor_least"), message, None);
        }
        let bits = s.whole("accumulator_bits", 2..=52);
        // A divider that cannot make what the laser cannot keeps plans honest.
        let least_of_laser = (dot_least * master * (1.0 - 1e-9)).ceil();
        let kind = match kind {
            0 if least_of_laser > f64::from(most) => {
                let message = "`laser.dot_least` is longer than the longest dot of the dot clock";
                let help = Some("give less, or a larger `dot_clock.divisor_most`".to_string());
                root.mistakes.add(dot_least_place, message.to_string(), help);
                ClockKind::Divider { least, most }
            }
            0 => ClockKind::Divider { least: least.max(least_of_laser as u32), most },
            _ => ClockKind::Accumulator { bits },
        };
        s.finish();

        let mut s = root.section("words");
        let word_service = s.quantity("service", Dimension::TIME, 1e-12..=1.0);
        let queue_words = s.whole("queue", 1..=10_000_000);
        s.finish();

        let mut s = root.section("trims");
        let in_scan_trim = Register {
            step: s.quantity("in_scan_step", Dimension::TIME, 1e-15..=1e-3),
            range: s.quantity("in_scan_range", Dimension::TIME, 1e-15..=1.0),
        };
        let cross_scan_trim = Register {
            step: s.quantity("cross_scan_step", Dimension::ANGLE, 1e-12..=1e-2),
            range: s.quantity("cross_scan_range", Dimension::ANGLE, 1e-12..=1.5),
        };
        s.finish();

        let mut s = root.section("gauge");
        let small = 0.0..=0.01;
        let gauge = GaugeModel {
            noise: s.quantity("noise", Dimension::LENGTH, small.clone()),
            resolution: s.quantity("resolution", Dimension::LENGTH, 1e-12..=0.01),
            stated: s.quantity("stated", Dimension::LENGTH, small),
            in_scan_bias: s.quantity("in_scan_bias", Dimension::LENGTH, -0.01..=0.01),
            cross_scan_bias: s.quantity("cross_scan_bias", Dimension::LENGTH, -0.01..=0.01),
            lost: s.share("lost"),
            time: s.quantity("time", Dimension::TIME, 0.0..=60.0),
        };
        s.finish();

        let mut s = root.section("thermal");
        let ambient = s.quantity("ambient", Dimension::TEMPERATURE, 200.0..=400.0);
        let rise = s.quantity("rise", Dimension::TEMPERATURE, 0.0..=200.0);
        let thermal_time = s.quantity("time_constant", Dimension::TIME, 1e-3..=1e6);
        let delay_drift = s.quantity("delay_drift", DELAY_DRIFT, -1e-7..=1e-7);
        s.finish();

        let mut rails = Vec::new();
        for mut s in root.list("rail") {
            rails.push(Rail {
                name: s.text("name"),
                nominal: s.quantity("nominal", Dimension::VOLTAGE, -1e4..=1e4),
                tolerance: s.quantity("tolerance", Dimension::NUMBER, 1e-6..=1.0),
            });
            s.finish();
        }
        let fixtures = fixtures::read(root);
        let known = Known::new(facets.len(), &rails, &fixtures);
        let complain = |span, message| root.mistakes.add(span, message, None);
        let faults = root
            .list("fault")
            .into_iter()
            .filter_map(|s| faults::read(s, &known, &complain))
            .collect();
        Config {
            model,
            serial,
            rotor,
            speed_least,
            speed_most,
            ripple,
            turn_jitter,
            hunting,
            lock_window,
            lock_turns,
            lock_misses,
            detector,
            facets,
            focal_length,
            line_most,
            active_most,
            distortion,
            galvanometer_range,
            parked,
            galvanometer_step,
            galvanometer,
            wobble,
            drift,
            laser_power,
            arming_delay,
            laser_rise,
            dot_least,
            clock: Clock { master, kind },
            word_service,
            queue_words,
            in_scan_trim,
            cross_scan_trim,
            gauge,
            ambient,
            rise,
            thermal_time,
            delay_drift,
            rails,
            fixtures,
            faults,
            spin_up_most: 0.0,
            coast_most: 0.0,
        }
    }
}

fn read_facets(root: &Root<'_, '_>, noise: Noise) -> Vec<Facet> {
    let mut s = root.section("facets");
    let count = s.whole("count", 2..=1000);
    let division = s.quantity("division", Dimension::ANGLE, 0.0..=0.01);
    let facet_to_axis = s.quantity("facet_to_axis", Dimension::ANGLE, 0.0..=0.01);
    let reflectivity = s.quantity("reflectivity", Dimension::NUMBER, 0.0..=0.3);
    let stretch = s.quantity("stretch", Dimension::NUMBER, 0.0..=0.01);
    let divisions = s.quantities("division_errors", Dimension::ANGLE, -0.01..=0.01, count);
    let axes = s.quantities("facet_to_axis_errors", Dimension::ANGLE, -0.01..=0.01, count);
    let mirrors = s.quantities("reflectivities", Dimension::NUMBER, 0.01..=2.0, count);
    let stretches = s.quantities("stretches", Dimension::NUMBER, -0.01..=0.01, count);
    s.finish();
    (0..count)
        .map(|k| {
            let given = |list: &Option<Vec<f64>>| {
                let index = usize::try_from(k).ok()?;
                list.as_ref()?.get(index).copied()
            };
            let drawn = |stream, spread: f64| spread * noise.normal(stream, u64::from(k));
            Facet {
                division: given(&divisions).unwrap_or_else(|| drawn(Stream::Division, division)),
                facet_to_axis: given(&axes)
                    .unwrap_or_else(|| drawn(Stream::FacetToAxis, facet_to_axis)),
                reflectivity: given(&mirrors).unwrap_or_else(|| {
                    (1.0 + drawn(Stream::Reflectivity, reflectivity)).clamp(0.01, 2.0)
                }),
                stretch: given(&stretches).unwrap_or_else(|| drawn(Stream::Stretch, stretch)),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::head::sim::Config;

    #[track_caller]
    fn only(text: &str) -> (usize, String, String) {
        let errors = Config::read(Some(text), 1).unwrap_err();
        assert_eq!(errors.len(), 1, "{errors:?}");
        let e = &errors[0];
        let at = text.get(e.span.clone()).unwrap_or_default().to_string();
        let help = e.help.clone().unwrap_or_default();
        (e.line, format!("{} | {help}", e.message), at)
    }

    #[test]
    fn the_built_in_description_reads() {
        let config = Config::read(None, 7).unwrap();
        assert_eq!(config.facets.len(), 10);
        assert_eq!(config.rails.len(), 3);
        assert!((config.speed_most - 628.318_530_7).abs() < 1e-6);
        assert_eq!(config.ambient, 295.15);
        assert_ne!(config.facets, Config::read(None, 8).unwrap().facets);
    }

    #[test]
    fn what_a_description_gives_replaces_the_built_in() {
        let text = "[facets]\ncount = 3\ndivision_errors = ['1 arcsec', '0 rad', '-2 arcsec']\n\
                    [[rail]]\nname = 'only'\nnominal = '3.3 V'\ntolerance = 0.1\n";
        let config = Config::read(Some(text), 7).unwrap();
        assert_eq!(config.facets.len(), 3);
        assert_eq!(config.facets[1].division, 0.0);
        assert!(config.facets[1].facet_to_axis != 0.0);
        assert_eq!(config.rails[0].nominal, 3.3);
        assert_eq!(config.rails.len(), 1);
    }

    #[test]
    fn every_mistake_names_its_key_line_and_way_out() {
        let (line, message, at) = only("\n[rotor]\ninertai = '1 kg*m^2'\n");
        assert_eq!((line, at.as_str()), (3, "inertai"));
        assert_eq!(message, "there is no key `inertai` in `rotor` | did you mean `inertia`?");
        let (line, message, at) = only("[rotr]\n");
        assert_eq!((line, at.as_str()), (1, "rotr"));
        assert!(message.contains("did you mean `rotor`?"), "{message}");
        let (line, message, at) = only("[rotor]\n\n\nspeed_most = '4800 Hz'\n");
        assert_eq!((line, at.as_str()), (4, "'4800 Hz'"));
        assert!(
            message.starts_with("`rotor.speed_most` must be rotation, not frequency"),
            "{message}"
        );
        let (_, message, _) = only("[rotor]\nspeed_most = 4800\n");
        assert!(
            message.contains("a number and a unit of rotation, not a bare number"),
            "{message}"
        );
        let (_, message, _) = only("[gauge]\nnoise = '1 umm'\n");
        assert!(message.contains("there is no unit `umm` | did you mean `um`"), "{message}");
        let (_, message, _) = only("[gauge]\nnoise = '1 m'\n");
        assert!(message.contains("`gauge.noise` must be from 0 m to 10 mm, not 1 m"), "{message}");
        let (_, message, _) = only("[facets]\ncount = 10.5\n");
        assert!(message.contains("a whole number from 2 to 1000"), "{message}");
        let (_, message, _) = only("[facets]\ncount = -1\n");
        assert!(message.contains("a whole number from 2 to 1000"), "{message}");
        let (_, message, _) = only("[facets]\nreflectivities = [1.0, 0.9]\n");
        assert!(message.contains("must have 10 values"), "{message}");
        let (_, message, _) = only("[[rail]]\nname = 'x'\nnominal = '5 V'\n");
        assert!(message.contains("`rail` needs the key `tolerance`"), "{message}");
        let (_, message, _) = only("[[fault]]\nkind = 'lock_lots'\n");
        assert!(message.contains("did you mean `lock_lost`?"), "{message}");
        let (_, message, _) = only("[[fault]]\nkind = 'rail_low'\nrail = 'x'\n");
        assert!(message.contains("known are logic, drive, laser"), "{message}");
        let (_, message, _) = only("[rotor]\ntorque_most = '1 mN*m'\n");
        assert!(message.contains("the drag alone takes"), "{message}");
        let (_, message, at) = only("[rotor]\nproportional = '1 N*m*s/rad'\n");
        assert!(message.contains("faster than 200 rad/s"), "{message}");
        assert_eq!(at, "'1 N*m*s/rad'");
        let (_, message, at) = only("[lock]\nwindow = '1 ppm'\n");
        assert!(message.contains("does not lock within a day"), "{message}");
        assert_eq!(at, "'1 ppm'");
        let (_, message, _) = only(
            "[rotor]\nbearing = '1e-9 N*m'\nviscous = '0 N*m*s/rad'\nwindage = '0 N*m*s^2/rad^2'\n",
        );
        assert!(message.contains("does not come to rest"), "{message}");
        let (line, message, _) = only("[rotor]\ninertia = \n");
        assert_eq!(line, 2);
        assert!(message.contains("this is not TOML"), "{message}");
        let (_, message, _) = only("rotor = 3\n");
        assert!(message.contains("write `[rotor]`"), "{message}");
    }

    #[test]
    fn what_cannot_be_is_refused_in_its_place() {
        let rows = [
            ("[facets]\ncount = 0\n", "a whole number from 2 to 1000"),
            ("[facets]\ncount = 1\n", "a whole number from 2 to 1000"),
            ("[facets]\ncount = 99999999999999999999\n", "a whole number from 2 to 1000"),
            ("[rotor]\ninertia = '-1e-4 kg*m^2'\n", "must be from"),
            ("[rotor]\ninertia = '0 kg*m^2'\n", "must be from"),
            ("[rotor]\ninertia = '1e300 kg*m^2'\n", "must be from"),
            ("[rotor]\ninertia = '1e999 kg*m^2'\n", "`rotor.inertia`"),
            ("[rotor]\ninertia = 'nan kg*m^2'\n", "`rotor.inertia`"),
            ("[rotor]\njitter = nan\n", "`rotor.jitter`"),
            ("[rotor]\njitter = inf\n", "`rotor.jitter`"),
            ("[rotor]\nspeed_most = '500 rpm'\n", "`rotor.speed_least` is above"),
            ("[rotor]\nhunting = '200 ppm'\n", "a quarter of `lock.window`"),
            ("[rotor]\nhunting_frequency = '11 Hz'\n", "must be from 0.1 Hz to 10 Hz"),
            (
                "[rotor]\nhunting = '1 %'\nhunting_frequency = '0.1 Hz'\n[lock]\nwindow = '5 %'\n",
                "more than a quarter of a facet",
            ),
            ("[lens]\nfocal_length = '0 mm'\n", "must be from"),
            ("[lens]\nfocal_length = '-400 mm'\n", "must be from"),
            ("[lens]\nactive_most = '110 %'\n", "must be from"),
            ("[galvanometer]\nparked = '200 mrad'\n", "outside its range"),
            ("[galvanometer]\ndamping = -1\n", "must be from"),
            ("[laser]\nrise = '-1 ns'\n", "must be from"),
            ("[laser]\ndot_least = '100 us'\n", "longer than the longest dot"),
            ("[thermal]\ndelay_drift = '1 ns'\n", "`thermal.delay_drift` must be"),
            ("[facets]\nstretch = '5 %'\n", "must be from 0 to 0.01"),
            ("[facets]\nstretches = ['1 ppm']\n", "must have 10 values"),
            ("[[fault]]\nkind = 'slow_lock'\n", "needs the key `share`"),
            ("[[fault]]\nkind = 'stuck_trim'\nfacet = 10\n", "from 0 to 9"),
            ("[[fault]]\nkind = 'lock_lost'\nat = '-1 s'\n", "must be from 0 s"),
            ("[[fault]]\nat = '1 s'\n", "needs the key `kind`"),
        ];
        for (text, words) in rows {
            let (_, message, at) = only(text);
            assert!(message.contains(words), "{text}: {message}");
            assert!(!at.is_empty(), "{text}: {message}");
        }
    }

    /// A line of a station that lacks something, or says what cannot be.
    #[test]
    fn stations_are_refused_in_their_place() {
        let clamp = "[[signal]]\nname = 'clamp'\ndirection = 'output'\nat_safe = 'off'\n";
        let pump = "[[channel]]\nname = 'pump'\ndirection = 'output'\nunit = 'kPa'\nleast = '-9 kPa'\n\
                    most = '0 kPa'\nat_safe = '0 kPa'\n";
        Config::read(Some(&format!("{clamp}{pump}")), 1).unwrap();
        let input = "direction = 'input'";
        let rows = [
            ("[[signal]]\nname = 'door'\n".to_string(), "needs the key `direction`"),
            (format!("[[signal]]\nname = '2nd'\n{input}\n"), "`2nd` is no name"),
            (format!("[[signal]]\nname = 'a b'\n{input}\n"), "`a b` is no name"),
            (format!("{clamp}[[signal]]\nname = 'clamp'\n{input}\n"), "another signal `clamp`"),
            (format!("{pump}[[signal]]\nname = 'pump'\n{input}\n"), "another signal `pump`"),
            (
                clamp.replace("at_safe = 'off'\n", ""),
                "write `at_safe = \"off\"`, `\"on\"` or `\"keep\"`",
            ),
            (clamp.replace("'off'", "'of'"), "did you mean `off`?"),
            (format!("{clamp}pull = 'up'\n"), "an output has no `pull`"),
            (format!("{clamp}under_light = 'yes'\n"), "must be true or false, not a text"),
            (
                format!("[[signal]]\nname = 'door'\n{input}\nat_safe = 'off'\n"),
                "an input has no `at_safe`",
            ),
            (format!("[[signal]]\nname = 'd'\n{input}\nfollows = 'clamp'\n"), "no output `clamp`"),
            (format!("[[signal]]\nname = 'd'\n{input}\nafter = '1 s'\n"), "follows nothing"),
            (format!("{clamp}follows = 'clamp'\n"), "an output follows nothing"),
            (pump.replace("unit = 'kPa'\n", ""), "needs the key `unit`"),
            (pump.replace("unit = 'kPa'", "unit = 'kpa'"), "did you mean `kPa`?"),
            (pump.replace("'-9 kPa'", "'1 kPa'"), "`channel.least` must be below `most`"),
            (pump.replace("'-9 kPa'", "'-9 V'"), "must be pressure, not voltage"),
            (pump.replace("at_safe = '0 kPa'", "at_safe = '1 kPa'"), "must be from -9 kPa to 0 Pa"),
            (pump.replace("at_safe = '0 kPa'\n", ""), "write `at_safe = \"0 kPa\"`, or `\"keep\"`"),
            (
                format!(
                    "{pump}[[channel]]\nname = 'v'\n{input}\nunit = 'V'\nleast = '0 V'\nmost = '1 V'\nfollows = 'pump'\n"
                ),
                "a unit of another kind",
            ),
        ];
        for (text, words) in rows {
            let (_, message, at) = only(&text);
            assert!(message.contains(words), "{text}: {message}");
            assert!(!at.is_empty(), "{text}: {message}");
        }
    }

    #[test]
    fn all_mistakes_are_told_at_once() {
        let text = "[gauge]\nnoise = 3\nlots = 2\n[lock]\nturns = 0\n";
        let errors = Config::read(Some(text), 1).unwrap_err();
        let lines: Vec<usize> = errors.iter().map(|e| e.line).collect();
        assert_eq!(lines, [2, 3, 5]);
        assert_eq!(
            errors[2].to_string(),
            "line 5: `lock.turns` must be a whole number from 1 to 100000"
        );
    }
}
