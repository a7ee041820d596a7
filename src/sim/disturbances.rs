//! What disturbs the speed of the rotor: ripple, which is locked to its angle; hunting, which runs freely;
//! and jitter, which is drawn for each turn.
//!
//! All are shares of the speed, small against it, and never change the motion itself. Ripple and jitter
//! are given at the highest speed. A torque that repeats with the angle changes the energy of the
//! rotor by the same amount at every speed, so ripple falls with the square of the speed (derived;
//! the speed loop is slow against a turn). Jitter falls with the speed (common practice, no source).

use crate::circle::sincos;
use crate::noise::{Noise, Stream};
use crate::reader::Table;
use core::f64::consts::TAU;
use core::ops::RangeInclusive;
use spintrue_head::Dimension;

/// Most entries of one list.
const MAX_ENTRIES: usize = 16;

/// Largest share of the speed that ripple reaches at any speed: beyond, it would no longer be small.
const MAX_RIPPLE: f64 = 0.2;

/// Largest share of a turn that its jitter reaches at any speed.
const MAX_JITTER: f64 = 0.01;

/// Ripple of one order: the speed rises and falls this often in each turn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ripple {
    order: f64,
    /// Share of the speed at the highest speed.
    amplitude: f64,
    /// Phase in rad at the index.
    phase: f64,
}

/// A swing of the speed with a frequency of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Hunting {
    /// Share of the speed, the same at every speed.
    amplitude: f64,
    /// In turns per s.
    frequency: f64,
    /// In turns.
    phase: f64,
    /// Largest delay that it makes, in s.
    late: f64,
}

/// All that disturbs one rotor.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Disturbances {
    ripple: Vec<Ripple>,
    /// Largest [`Disturbances::ripple_gain`].
    max_gain: f64,
    pub(crate) hunting: Vec<Hunting>,
    /// Standard deviation of a turn at the highest speed, as a share of it.
    jitter: f64,
    /// Lowest and highest speed in rad/s.
    speeds: (f64, f64),
}

/// The entries of a list, such as those of `[[rotor.ripple]]`, each of which has both keys.
fn entries<T>(
    rotor: &Table<'_, '_>,
    list: (&'static str, &'static str),
    keys: (&'static str, Dimension, RangeInclusive<f64>),
    highest: f64,
    mut entry: impl FnMut(u64, f64, f64, &Table<'_, '_>) -> T,
) -> Vec<T> {
    let (key, dimension, limits) = keys;
    let tables = rotor.list(list.0, list.1);
    if tables.len() > MAX_ENTRIES {
        rotor.complain(list.0, format!("`{}` has more than {MAX_ENTRIES} entries", list.1));
    }
    let read = |(table, i): (Table<'_, '_>, u64)| {
        table.needs(&[key, "amplitude"]);
        let first = table.quantity(key, dimension, limits.clone());
        let amplitude = table.quantity("amplitude", Dimension::NUMBER, 0.0..=highest);
        let read = entry(i, first.unwrap_or(1.0), amplitude.unwrap_or(0.0), &table);
        table.finish();
        read
    };
    tables.into_iter().zip(0..).map(read).collect()
}

impl Disturbances {
    /// Reads them from the table of the rotor of a head with so many facets, which turns from the lowest to
    /// the highest speed in rad/s. `noise` draws the phases.
    pub(crate) fn read(
        rotor: &Table<'_, '_>,
        facets: u32,
        speeds: (f64, f64),
        noise: Noise,
    ) -> Disturbances {
        // Over one facet the speed is taken as constant, which a faster swing would not be.
        let highest = f64::from((facets / 2).max(1));
        let orders = ("order", Dimension::NUMBER, 1.0..=highest);
        let list = ("ripple", "rotor.ripple");
        let ripple = entries(rotor, list, orders, 0.05, |i, order, amplitude, table| {
            if order.fract() != 0.0 {
                table.complain_with(
                    "order",
                    "`rotor.ripple.order` must be a whole number",
                    "what does not repeat with the turn belongs into `[[rotor.hunting]]`",
                );
            }
            Ripple { order, amplitude, phase: TAU * noise.uniform(Stream::RipplePhase, i) }
        });
        let frequencies = ("frequency", Dimension::FREQUENCY, 0.05..=50.0);
        let list = ("hunting", "rotor.hunting");
        let hunting = entries(rotor, list, frequencies, 0.01, |i, frequency, amplitude, _| {
            let late = amplitude / (TAU * frequency);
            Hunting { amplitude, frequency, phase: noise.uniform(Stream::Hunting, i), late }
        });
        let jitter = rotor.number("jitter", 0.0..=0.002);
        // Without any ripple, no gain is too large.
        let all = ripple.iter().map(|ripple| ripple.amplitude).sum::<f64>();
        let max_gain = MAX_RIPPLE / all.max(f64::MIN_POSITIVE);
        Disturbances { ripple, max_gain, hunting, jitter, speeds }
    }

    /// Standard deviation of a turn at a speed in rad/s, as a share of it.
    pub(crate) fn jitter(&self, speed: f64) -> f64 {
        let (lowest, highest) = self.speeds;
        (self.jitter * highest / speed.max(lowest)).min(MAX_JITTER)
    }

    /// Ripple at a speed in rad/s over what it is at the highest.
    pub(crate) fn ripple_gain(&self, speed: f64) -> f64 {
        let share = self.speeds.1 / speed;
        (share * share).min(self.max_gain)
    }

    /// What ripple makes of the rotor at an angle, at the highest speed: the angle in rad by which it is
    /// ahead of its mean since the index, and the share by which it is faster. With the speed
    /// 1 + a·cos(o·θ + φ) it is ahead by a/o·(sin(o·θ + φ) − sin φ) (derived).
    pub(crate) fn ripple(&self, angle: f64) -> (f64, f64) {
        self.ripple.iter().fold((0.0, 0.0), |(ahead, fast), ripple| {
            let Ripple { order, amplitude, phase } = *ripple;
            let (sin, cos) = libm::sincos(order * angle + phase);
            (ahead + amplitude / order * (sin - libm::sin(phase)), fast + amplitude * cos)
        })
    }

    /// How much later than on average the rotor passes at `time`, in s: hunting makes the speed deviate by
    /// a·sin(2π·f·t + φ), and its integral is the lead (derived).
    pub(crate) fn late(&self, time: f64) -> f64 {
        self.hunting.iter().fold(0.0, |late, hunting| {
            let (_, cos) = sincos(hunting.frequency * time + hunting.phase);
            late + hunting.late * cos
        })
    }

    /// Largest share of the speed that hunting can make, and the largest delay in s.
    pub(crate) fn max_hunting(&self) -> (f64, f64) {
        self.hunting.iter().fold((0.0, 0.0), |(share, late), hunting| {
            (share + hunting.amplitude, late + hunting.late)
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::config::Config;
    use crate::noise::Noise;
    use crate::ode::step;
    use crate::pulses::Pulses;
    use crate::rotor::{Drive, Moment};
    use core::f64::consts::TAU;

    const HIGHEST: f64 = 628.318_530_7;

    fn config(rotor: &str, seed: u64) -> Config {
        let text = format!("[rotor]\njitter = 0\nhunting = []\nripple = []\n{rotor}\n");
        // A later key replaces the empty list.
        let text =
            if rotor.contains("ripple") { text.replacen("ripple = []\n", "", 1) } else { text };
        let text =
            if rotor.contains("hunting") { text.replacen("hunting = []\n", "", 1) } else { text };
        Config::read(Some(&text), seed).unwrap()
    }

    #[test]
    fn ripple_is_what_a_torque_that_repeats_with_the_angle_makes() {
        // dω/dt = −c·sin(3·θ), with c so large that the share is 50 ppm at the highest speed: c = a·o·ω².
        // Integrated over a turn at each speed; the head's own ripple must be as large.
        let head = config("ripple = [{ order = 3, amplitude = '50 ppm' }]", 1).disturbances;
        let torque = 50e-6 * 3.0 * HIGHEST * HIGHEST;
        for speed in [HIGHEST, 502.654_8, 200.0, 62.831_853] {
            let (steps, turn) = (3000, TAU / speed);
            let mut state = [0.0, speed];
            let (mut low, mut high) = (f64::MAX, f64::MIN);
            for _ in 0..steps {
                let rate = |s: &[f64; 2]| [s[1], -torque * (3.0 * s[0]).sin()];
                state = step(rate, &state, &rate(&state), turn / f64::from(steps)).to;
                (low, high) = (state[1].min(low), state[1].max(high));
            }
            let share = (high - low) / (high + low);
            let own = (0..3000).map(|i| head.ripple(f64::from(i) / 3000.0 * TAU).1);
            let own = head.ripple_gain(speed) * own.fold(0.0, f64::max);
            // The law is of first order: it errs by about twice the share.
            assert!((own / share - 1.0).abs() < 3.0 * share + 1e-4, "{speed}: {own} {share}");
        }
    }

    #[test]
    fn facets_pass_early_and_late_by_the_integral_of_ripple() {
        // Two orders at once: each passes by −Σ a/o·(sin(o·θ + φ) − sin φ)/ω, with the phases as drawn.
        let text = "ripple = [{ order = 1, amplitude = '80 ppm' }, { order = 4, amplitude = '30 ppm' }]\n\
                    [start_of_scan]\njitter = '0 ns'\n[facets]\ndivision = '0 rad'";
        for (seed, speed) in [(1, HIGHEST), (2, HIGHEST / 2.0)] {
            let config = config(text, seed);
            let noise = Noise::new(seed);
            let pulses = Pulses::new(&config, noise);
            let motion =
                config.rotor.motion(Drive::Hold(speed), Moment { speed, ..Moment::default() });
            let first = 10 * ((motion.steady.angle / TAU) as u64 + 2);
            let phase = |i| TAU * noise.uniform(crate::noise::Stream::RipplePhase, i);
            let gain = (HIGHEST / speed).powi(2);
            for k in 0..10_u32 {
                let number = first + u64::from(k);
                let facet = config.facets[k as usize];
                let sweep = pulses.sweep(&motion, number, &facet, &config, speed).unwrap();
                let angle = f64::from(k) / 10.0 * TAU;
                let ahead: f64 = [(80e-6, 1.0, phase(0)), (30e-6, 4.0, phase(1))]
                    .iter()
                    .map(|(a, o, p)| a / o * ((o * angle + p).sin() - p.sin()))
                    .sum();
                let even = motion.passes(number as f64 * TAU / 10.0).unwrap();
                let want = -gain * ahead / speed;
                assert!(
                    (sweep.begins - even - want).abs() < 1e-11,
                    "{k}: {} {want}",
                    sweep.begins - even
                );
            }
        }
    }

    #[test]
    fn beams_lead_by_the_integral_of_hunting() {
        let text = "hunting = [{ frequency = '50 Hz', amplitude = '80 ppm' }, { frequency = '7 Hz', amplitude = '40 ppm' }]";
        let config = config(text, 1);
        let pulses = Pulses::new(&config, Noise::new(1));
        let motion =
            config.rotor.motion(Drive::Hold(500.0), Moment { speed: 500.0, ..Moment::default() });
        let first = 10 * ((motion.steady.angle / TAU) as u64 + 2);
        let phase = |i| Noise::new(1).uniform(crate::noise::Stream::Hunting, i);
        for number in first..first + 40 {
            let facet = config.facets[(number % 10) as usize];
            let sweep = pulses.sweep(&motion, number, &facet, &config, 500.0).unwrap();
            for after in [0.2e-3, 0.7e-3, 1.2e-3] {
                let share = |time: f64| {
                    [(80e-6, 50.0, phase(0)), (40e-6, 7.0, phase(1))]
                        .iter()
                        .map(|(a, f, p)| a * (TAU * (f * time + p)).sin())
                        .sum::<f64>()
                };
                let step = after / 1000.0;
                let middles = (0..1000).map(|k| sweep.begins + step * (f64::from(k) + 0.5));
                let want = middles.map(|time| share(time) * step).sum::<f64>();
                let lead = sweep.turned(&config.disturbances, after) - after;
                assert!((lead - want).abs() < 1e-3 * 120e-6 * after, "{number}: {lead} {want}");
            }
        }
    }

    #[test]
    fn jitter_grows_towards_low_speeds_and_ends_there() {
        let head = config("", 1).disturbances;
        assert_eq!(head.jitter(HIGHEST), 0.0);
        let text = "[rotor]\njitter = '10 ppm'\n";
        let head = Config::read(Some(text), 1).unwrap().disturbances;
        for (rpm, ppm) in [(6000.0, 10.0), (4800.0, 12.5), (600.0, 100.0), (60.0, 100.0)] {
            let jitter = head.jitter(rpm * TAU / 60.0) * 1e6;
            assert!((jitter / ppm - 1.0).abs() < 1e-6, "{rpm} rpm: {jitter} ppm");
        }
    }
}
