//! Reads what a simulated head is made of from a TOML head file laid over the built-in one.

use crate::config::{self, BUILT_IN, Config, GaugeModel, LaserModel, MediumModel, Stored, Travel};
use crate::disturbances::Disturbances;
use crate::galvanometer::Loop;
use crate::noise::{Noise, Stream};
use crate::optics::{Facet, Optics};
use crate::reader::{ConfigError, Reader, Table};
use crate::rotor::Rotor;
use crate::windage::Windage;
use crate::wiring::Wiring;
use crate::{faults, fixtures, limits, reader};
use core::f64::consts::TAU;
use spintrue_head::{
    Clock, ClockKind, Description, Detector, Dimension, LightSource, Linearity, MAX_MARKS, Proof,
    PulseAngle, Rail, Register, StartOfScan, Stated, Times, Trim,
};

/// What can stand in a head file: tables, then lists of tables.
const TABLES: &str = "head rotor lock start_of_scan facets lens galvanometer laser dot_clock words \
                      trims gauge medium thermal stored rail signal channel fault";

impl Config {
    /// Reads a head file laid over the built-in one; `seed` draws what it gives as a spread.
    pub(crate) fn read(text: Option<&str>, seed: u64) -> Result<Config, Vec<ConfigError>> {
        let built_in = reader::built_in(BUILT_IN)?;
        let names: Vec<&str> = TABLES.split(' ').collect();
        reader::read(text.unwrap_or_default(), built_in, &names, |reader| {
            let mut config = Config::from(reader, Noise::new(seed));
            config.check(reader);
            if reader.is_clean() {
                config.hold_stored(reader);
                limits::complete(&mut config);
                config.check_times(reader);
            }
            config
        })
    }

    fn from(reader: &Reader<'_, '_>, noise: Noise) -> Config {
        let head = reader.table("head");
        let rotor = reader.table("rotor");
        let lock = reader.table("lock");
        let scan = reader.table("start_of_scan");
        let facets = reader.table("facets");
        let lens = reader.table("lens");
        let mirror = reader.table("galvanometer");
        let laser = reader.table("laser");
        let clock = reader.table("dot_clock");
        let words = reader.table("words");
        let trims = reader.table("trims");
        let gauge = reader.table("gauge");
        let thermal = reader.table("thermal");
        let medium = reader.table("medium");
        let focal_length = lens.number("focal_length", 1e-3..=100.0);
        let line_most = lens.number("line_most", 1e-3..=100.0);
        let dot_least = laser.number("dot_least", 0.0..=1e-3);
        let times = Times {
            pulse_silence_most: scan.number("rest_after", 1e-3..=100.0),
            reading_most: gauge.number("time", 0.0..=60.0),
            ..Times::default()
        };
        let facets_cut = read_facets(&facets, noise);
        let count = facets_cut.len() as u32;
        let speeds =
            (rotor.number("speed_least", 0.1..=1e5), rotor.number("speed_most", 0.1..=1e5));
        let radius = rotor.number("polygon_radius", 1e-3..=1.0);
        let pulse =
            [("every_facet", StartOfScan::EveryFacet), ("index_only", StartOfScan::IndexOnly)];
        let detector = read_detector(&scan);
        let stored = reader.table("stored");
        let fixtures = fixtures::read(reader);
        let segments = trims.whole("linearity_segments", 1..=4096).unwrap_or(1);
        let description = Description {
            model: head.text("model").unwrap_or_default(),
            serial: head.text("serial").unwrap_or_default(),
            simulated: true,
            facets: count,
            speed_least: speeds.0,
            speed_most: speeds.1,
            lock_window: lock.number("window", 1e-7..=0.5),
            lock_turns: lock.whole("turns", 1..=100_000).unwrap_or(1),
            spin_up_most: 0.0,
            coast_most: 0.0,
            focal_length,
            line_most,
            active_most: lens.number("active_most", 0.01..=1.0),
            clock: read_clock(&clock, &laser, dot_least),
            dot_least,
            word_service: words.number("service", 1e-12..=1.0),
            queue_words: words.whole("queue", 1..=10_000_000).unwrap_or(1),
            in_scan_trim: Register {
                step: trims.number("in_scan_step", 1e-15..=1e-3),
                range: trims.number("in_scan_range", 1e-15..=1.0),
            },
            cross_scan_trim: Register {
                step: trims.number("cross_scan_step", 1e-12..=1e-2),
                range: trims.number("cross_scan_range", 1e-12..=1.5),
            },
            power_trim: optional(&trims, "power_step", "power_range", 0.9),
            length_trim: optional(&trims, "length_step", "length_range", 0.1),
            linearity: optional(&trims, "linearity_step", "linearity_range", 0.5)
                .map(|Register { step, range }| Linearity { segments, step, range }),
            map_marks: gauge.whole("map_marks", 0..=MAX_MARKS as u32).unwrap_or(0),
            galvanometer_range: mirror.number("range", 1e-6..=1.5),
            galvanometer_settling: 0.0,
            rails: read_rails(reader),
            start_of_scan: scan.choice("pulse", &pulse).unwrap_or(StartOfScan::EveryFacet),
            detector: Detector {
                source: if detector.beam.is_some() { LightSource::Beam } else { LightSource::Own },
                gated: detector.gate > 0.0,
                end_of_scan: detector.end_of_scan > 0.0,
            },
            laser_power: laser.number("power", 1e-9..=1e5),
            times: Times { arming_most: laser.number("arming_delay", 0.0..=60.0), ..times },
            signals: fixtures.signals().collect(),
            channels: fixtures.channels().collect(),
        };
        let mut config = Config {
            optics: Optics::read(&lens, &mirror, &laser, &description, radius),
            description,
            rotor: Rotor {
                inertia: rotor.number("inertia", 1e-8..=1.0),
                torque_most: rotor.number("torque_most", 1e-6..=100.0),
                bearing: rotor.number("bearing", 1e-9..=10.0),
                viscous: rotor.number("viscous", 0.0..=1.0),
                windage: Windage::of_disc(radius),
                proportional: rotor.number("proportional", 1e-9..=1e3),
                integral: rotor.number("integral", 1e-9..=1e3),
            },
            disturbances: Disturbances::read(&rotor, count, speeds, noise),
            lock_misses: lock.whole("misses", 1..=100_000).unwrap_or(1),
            detector,
            stored: read_stored(&stored, facets_cut.len() as u32),
            facets: facets_cut,
            wiring: Wiring::read(&trims, count),
            travel: Travel {
                speed_error: medium.number("speed_error", -0.1..=0.1),
                wobble: medium.number("wobble", 0.0..=0.1),
                rate: TAU * medium.number("wobble_frequency", 0.01..=1e4),
                phase: TAU * noise.uniform(Stream::MediumWobble, 0),
            },
            parked: mirror.number("parked", -1.5..=1.5),
            galvanometer_step: mirror.number("step", 1e-12..=1e-2),
            galvanometer: Loop {
                natural: TAU * mirror.number("natural_frequency", 0.1..=1e6),
                damping: mirror.number("damping", 0.05..=10.0),
                slew: mirror.number("slew", 0.0..=1e6),
            },
            wobble: mirror.number("wobble", 0.0..=1e-2),
            drift: mirror.number("drift", -1e-3..=1e-3),
            laser_rise: laser.number("rise", 0.0..=1e-5),
            laser: LaserModel {
                strength: laser.number("strength", 0.0..=2.0),
                drift: laser.number("power_drift", -0.1..=0.1),
            },
            medium: MediumModel {
                power: medium.number("power", 1e-3..=1.0),
                threshold: medium.number("threshold", 0.0..=0.9),
            },
            gauge: GaugeModel {
                marks: gauge.whole("marks", 1..=MAX_MARKS as u32).unwrap_or(5),
                noise: gauge.number("noise", 0.0..=0.01),
                resolution: gauge.number("resolution", 1e-12..=0.01),
                stated: Stated {
                    random: gauge.number("stated", 0.0..=0.01),
                    offset: gauge.number("stated_offset", 0.0..=0.01),
                    slope: gauge.number("stated_slope", 0.0..=0.1),
                    place: gauge.number("stated_place", 0.0..=0.01),
                },
                dose_noise: gauge.number("dose_noise", 0.0..=1.0),
                dose_resolution: gauge.number("dose_resolution", 1e-12..=0.1),
                width_noise: gauge.number("width_noise", 0.0..=0.01),
                scale: gauge.number("scale", -0.1..=0.1),
                turn: gauge.number("turn", -0.5..=0.5),
                creep: gauge.number("creep", -1e-3..=1e-3),
                wild: (gauge.number("wild", 0.0..=1.0), gauge.number("wild_error", 0.0..=0.01)),
                in_scan_bias: gauge.number("in_scan_bias", -0.01..=0.01),
                cross_scan_bias: gauge.number("cross_scan_bias", -0.01..=0.01),
                lost: gauge.number("lost", 0.0..=1.0),
            },
            ambient: thermal.number("ambient", 200.0..=400.0),
            rise: thermal.number("rise", 0.0..=200.0),
            thermal_time: thermal.number("time_constant", 1e-3..=1e6),
            delay_drift: thermal.number("delay_drift", -1e-7..=1e-7),
            fixtures,
            faults: Vec::new(),
        };
        let tables = [head, rotor, lock, scan, facets, lens, mirror, laser, clock, words, trims];
        tables.iter().chain([&gauge, &medium, &thermal, &stored]).for_each(Table::finish);
        let faults = reader.list("fault").into_iter();
        config.faults =
            faults.filter_map(|table| faults::read(&table, &config.description)).collect();
        config
    }
}

fn read_detector(scan: &Table<'_, '_>) -> config::Detector {
    let power = scan.number("power", 0.001..=1.0);
    let beam = scan.choice("source", &[("own", false), ("beam", true)]) == Some(true);
    config::Detector {
        jitter: scan.number("jitter", 0.0..=1e-3),
        response: scan.number("response", 0.0..=1e-3),
        threshold: scan.number("threshold", 0.01..=0.95),
        edge_lean: scan.number("edge_lean", -1.2..=1.2),
        beam: beam.then_some(power),
        gate: scan.number("gate", 0.0..=0.999),
        ghost: scan.number("ghost", 0.0..=1.0),
        ghost_early: scan.number("ghost_early", 0.001..=0.4),
        end_of_scan: scan.number("end_of_scan", 0.0..=0.99),
    }
}

/// Trims of an earlier run, and what proved them where there is a pattern.
fn read_stored(table: &Table<'_, '_>, facets: u32) -> Stored {
    let list = |key, dimension| table.quantities(key, dimension, -1.0..=1.0, Some(facets));
    let nothing = || vec![0.0; facets as usize];
    let along = list("in_scan", Dimension::TIME).unwrap_or_else(nothing);
    let across = list("cross_scan", Dimension::ANGLE).unwrap_or_else(nothing);
    let trims = along.into_iter().zip(across);
    let (speed, power) = (table.number("speed", 0.1..=1e5), table.number("power", 0.0..=1.0));
    let temperature = table.number("temperature", 200.0..=400.0);
    let u = table.number("pattern_u", 0.0..=0.01);
    let pattern = list("pattern", Dimension::ANGLE).map(|angles| {
        let pattern = angles.into_iter().map(|angle| PulseAngle { angle, u }).collect();
        Proof { speed, power, temperature, pattern }
    });
    let trims = trims
        .map(|(in_scan, cross_scan)| Trim { in_scan, cross_scan, ..Trim::default() })
        .collect();
    Stored { trims, proof: pattern }
}

/// A register that not every head has: its range is 0 then.
fn optional(
    trims: &Table<'_, '_>,
    step: &'static str,
    range: &'static str,
    most: f64,
) -> Option<Register> {
    let register =
        Register { step: trims.number(step, 1e-12..=0.1), range: trims.number(range, 0.0..=most) };
    if register.range > 0.0 && register.step > register.range {
        trims.complain(step, format!("`trims.{step}` is above `{range}`"));
    }
    (register.range > 0.0).then_some(register)
}

fn read_rails(reader: &Reader<'_, '_>) -> Vec<Rail> {
    let mut names: Vec<String> = Vec::new();
    let read = |table: Table<'_, '_>| {
        table.needs(&["name", "nominal", "tolerance"]);
        let name = table.text("name").unwrap_or_default();
        if names.contains(&name) {
            table.complain_with("name", format!("there is another rail `{name}`"), "name it anew");
        }
        names.push(name.clone());
        let rail = Rail {
            name,
            nominal: table.quantity("nominal", Dimension::VOLTAGE, -1e4..=1e4).unwrap_or(1.0),
            tolerance: table.quantity("tolerance", Dimension::NUMBER, 1e-6..=1.0).unwrap_or(1.0),
        };
        table.finish();
        rail
    };
    reader.list("rail").into_iter().map(read).collect()
}

fn read_clock(table: &Table<'_, '_>, laser: &Table<'_, '_>, dot_least: f64) -> Clock {
    let master = table.number("master", 1e3..=1e11);
    let is_accumulator = table.choice("kind", &[("divider", false), ("accumulator", true)]);
    let least = table.whole("divisor_least", 1..=1_000_000_000).unwrap_or(1);
    let most = table.whole("divisor_most", 1..=1_000_000_000).unwrap_or(1);
    if least > most {
        table.complain("divisor_least", "`dot_clock.divisor_least` is above `divisor_most`");
    }
    let bits = table.whole("accumulator_bits", 2..=52).unwrap_or(2);
    if is_accumulator == Some(true) {
        return Clock { master, kind: ClockKind::Accumulator { bits } };
    }
    // A divider that cannot make what the laser cannot keeps plans honest.
    let least_of_laser = (dot_least * master * (1.0 - 1e-9)).ceil();
    if least_of_laser > f64::from(most) {
        let message = "`laser.dot_least` is longer than the longest dot of the dot clock";
        let help = "give less, or a larger `dot_clock.divisor_most`";
        laser.complain_with("dot_least", message, help);
    }
    Clock { master, kind: ClockKind::Divider { least: least.max(least_of_laser as u32), most } }
}

fn read_facets(table: &Table<'_, '_>, noise: Noise) -> Vec<Facet> {
    let count = table.whole("count", 2..=1000).unwrap_or(2);
    let division = table.number("division", 0.0..=0.01);
    let facet_to_axis = table.number("facet_to_axis", 0.0..=0.01);
    let reflectivity = table.number("reflectivity", 0.0..=0.3);
    let stretch = table.number("stretch", 0.0..=0.01);
    let skew = table.number("skew", 0.0..=0.01);
    let list = |key, dimension, limits| table.quantities(key, dimension, limits, Some(count));
    let divisions = list("division_errors", Dimension::ANGLE, -0.01..=0.01);
    let axes = list("facet_to_axis_errors", Dimension::ANGLE, -0.01..=0.01);
    let mirrors = list("reflectivities", Dimension::NUMBER, 0.01..=2.0);
    let stretches = list("stretches", Dimension::NUMBER, -0.01..=0.01);
    let skews = list("skews", Dimension::NUMBER, -0.01..=0.01);
    let facet = |k: u32| {
        let given = |list: &Option<Vec<f64>>| list.as_ref()?.get(k as usize).copied();
        let drawn = |stream, spread: f64| spread * noise.normal(stream, u64::from(k));
        let mirror = || (1.0 + drawn(Stream::Reflectivity, reflectivity)).clamp(0.01, 2.0);
        Facet {
            division: given(&divisions).unwrap_or_else(|| drawn(Stream::Division, division)),
            facet_to_axis: given(&axes)
                .unwrap_or_else(|| drawn(Stream::FacetToAxis, facet_to_axis)),
            reflectivity: given(&mirrors).unwrap_or_else(mirror),
            stretch: given(&stretches).unwrap_or_else(|| drawn(Stream::Stretch, stretch)),
            skew: given(&skews).unwrap_or_else(|| drawn(Stream::Skew, skew)),
        }
    };
    (0..count).map(facet).collect()
}

#[cfg(test)]
mod tests {
    use crate::config::Config;

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
        assert_eq!(config.description.rails.len(), 3);
        assert!((config.description.speed_most - 628.318_530_7).abs() < 1e-6);
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
        assert_eq!(config.description.rails[0].nominal, 3.3);
        assert_eq!(config.description.rails.len(), 1);
    }

    #[test]
    fn registers_begin_with_whole_steps() {
        let text = "[facets]\ncount = 2\n[trims]\nin_scan_step = '50 ns'\n\
                    [stored]\nin_scan = ['60 ns', '-110 ns']\n";
        let stored = Config::read(Some(text), 7).unwrap().stored;
        let held: Vec<f64> = stored.trims.iter().map(|trim| (trim.in_scan * 1e9).round()).collect();
        assert_eq!(held, [50.0, -100.0]);
    }

    #[test]
    fn every_mistake_names_its_key_line_and_way_out() {
        let rows = [
            (
                "\n[rotor]\ninertai = '1 kg*m^2'\n",
                (3, "inertai"),
                "there is no key `inertai` in `rotor` | did you mean `inertia`?",
            ),
            ("[rotr]\n", (1, "rotr"), "did you mean `rotor`?"),
            (
                "[rotor]\n\n\nspeed_most = '4800 Hz'\n",
                (4, "'4800 Hz'"),
                "must be of kind rotation, not frequency",
            ),
            (
                "[rotor]\nproportional = '1 N*m*s/rad'\n",
                (2, "'1 N*m*s/rad'"),
                "faster than 200 rad/s",
            ),
            (
                "[rotor]\nhunting = []\n[lock]\nwindow = '1 ppm'\n",
                (4, "'1 ppm'"),
                "does not lock within a day",
            ),
            ("[rotor]\ninertia = \n", (2, ""), "`inertia` has no value"),
        ];
        for (text, (on, what), words) in rows {
            let (line, message, at) = only(text);
            assert!(line == on && at.starts_with(what), "{text}: {line} {at}");
            assert!(message.contains(words), "{text}: {message}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_in_its_place() {
        let rows = [
            ("[rotor]\nspeed_most = 4800\n", "a number and a unit of rotation, not a bare number"),
            ("[gauge]\nnoise = '1 umm'\n", "there is no unit `umm` | did you mean `um`"),
            ("[gauge]\nnoise = '1 m'\n", "`gauge.noise` must be from 0 m to 10 mm, not 1 m"),
            ("[facets]\ncount = 10.5\n", "a whole number from 2 to 1000"),
            ("[facets]\ncount = -1\n", "a whole number from 2 to 1000"),
            ("[facets]\nreflectivities = [1.0, 0.9]\n", "must have 10 values"),
            ("[[rail]]\nname = 'x'\nnominal = '5 V'\n", "`rail` needs the key `tolerance`"),
            ("[[fault]]\nkind = 'lock_lots'\n", "did you mean `lock_lost`?"),
            ("[[fault]]\nkind = 'rail_low'\nrail = 'x'\n", "known are logic, drive, laser"),
            ("[rotor]\nripple = '8 ppm'\n", "write `[[rotor.ripple]]`"),
            (
                "[[rotor.hunting]]\namplitude = '8 ppm'\n",
                "`rotor.hunting` needs the key `frequency`",
            ),
            (
                "[rotor]\nbearing = '1e-9 N*m'\nviscous = '0 N*m*s/rad'\npolygon_radius = '1 mm'\n",
                "does not come to rest",
            ),
            ("rotor = 3\n", "write `[rotor]`"),
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
            (
                "[[rotor.hunting]]\nfrequency = '1 Hz'\namplitude = '200 ppm'\n",
                "a quarter of `lock.window`",
            ),
            (
                "[[rotor.hunting]]\nfrequency = '100 Hz'\namplitude = 0\n",
                "must be from 0.05 Hz to 50 Hz",
            ),
            (
                "[[rotor.hunting]]\nfrequency = '0.1 Hz'\namplitude = '1 %'\n[lock]\nwindow = '5 %'\n",
                "more than a quarter of a facet",
            ),
            ("[[rotor.ripple]]\norder = 6\namplitude = '1 ppm'\n", "must be from 1 to 5"),
            ("[[rotor.ripple]]\norder = 1.5\namplitude = '1 ppm'\n", "a whole number"),
            ("[trims]\nrotated = 10\n", "from 0 to 9"),
            ("[trims]\naxes_swapped = 1\n", "must be true or false"),
            ("[lens]\nfocal_length = '0 mm'\n", "must be from"),
            ("[lens]\nfocal_length = '-400 mm'\n", "must be from"),
            ("[lens]\nactive_most = '110 %'\n", "must be from"),
            ("[galvanometer]\nparked = '200 mrad'\n", "outside its range"),
            ("[start_of_scan]\npulse = 'index_only'\nend_of_scan = '90 %'\n", "only the index"),
            ("[trims]\nin_scan_step = '5 us'\n", "more than the range"),
            ("[galvanometer]\ndamping = -1\n", "must be from"),
            ("[laser]\nrise = '-1 ns'\n", "must be from"),
            ("[laser]\ndot_least = '100 us'\n", "longer than the longest dot"),
            ("[thermal]\ndelay_drift = '1 ns'\n", "`thermal.delay_drift` must be"),
            ("[facets]\nstretch = '5 %'\n", "must be from 0 % to 1 %"),
            ("[facets]\nstretches = ['1 ppm']\n", "must have 10 values"),
            (
                "[facets]\ncount = 2\n[stored]\nin_scan = ['0 ns', '2 us']\n",
                "in-scan trim of facet 1",
            ),
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
            (pump.replace("'-9 kPa'", "'-9 V'"), "must be of kind pressure, not voltage"),
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
            "line 5: `lock.turns` must be a whole number from 1 to 100000 (for example `turns = 64`)"
        );
    }
}
