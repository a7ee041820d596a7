//! When pulses come: index and start of scan, with ripple, jitter and the errors of the facets.
//!
//! The mean motion comes from the rotor. Around it the rotor's angle wanders by a random amount
//! drawn anew at every index passage, in a straight line from one to the next, by ripple, and by hunting.
//! All of it is a function of the turn's number or of time, so pulses of any turn can be asked for in any
//! order.

use crate::config::Config;
use crate::disturbances::Disturbances;
use crate::noise::{MAX_NORMAL, Noise, Stream};
use crate::optics::Facet;
use crate::rotor::Motion;
use core::cell::Cell;
use core::f64::consts::{FRAC_1_SQRT_2, TAU};
use spintrue_head::StartOfScan;

/// What decides when pulses come.
#[derive(Clone, Debug)]
pub(crate) struct Pulses {
    noise: Noise,
    disturbances: Disturbances,
    passages: Vec<Passage>,
    detector_jitter: f64,
    /// Tangent of the angle by which the edge of the detector leans.
    edge_slope: f64,
    count: u64,
    /// The draws of two turns, an even and an odd one, which all their pulses ask for.
    drawn: [Cell<(u64, (f64, f64))>; 2],
}

/// What is the same of one facet's passage in every turn.
#[derive(Clone, Copy, Debug)]
struct Passage {
    /// Share of the turn after which it comes.
    share: f64,
    /// Angle in rad by which ripple at the highest speed has the rotor ahead of its mean, against the index
    /// passage.
    ahead: f64,
    /// Relative excess of the speed in the middle of the sweep, by the same ripple.
    fast: f64,
    /// What the facet reflects in full light, and the [`walk`] of its pulse then.
    reflectivity: f64,
    walk: Option<f64>,
}

/// One facet's passage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sweep {
    /// When the facet truly begins its sweep, in s.
    pub begins: f64,
    /// What the electronics take for it, in s.
    pub pulse: f64,
    /// Speed of the rotor during the sweep but for hunting, in rad/s.
    pub speed: f64,
    /// By how many s hunting has it late when it begins.
    pub late: f64,
}

impl Sweep {
    /// In how many s the rotor turns at `speed` as far as it does in `after` s from the beginning.
    pub(crate) fn turned(&self, disturbances: &Disturbances, after: f64) -> f64 {
        after - (disturbances.late(self.begins - self.late + after) - self.late)
    }
}

impl Pulses {
    /// For a head; `noise` carries the seed.
    pub(crate) fn new(config: &Config, noise: Noise) -> Pulses {
        let count = config.facets.len() as f64;
        let detector = &config.detector;
        let passage = |(facet, k): (&Facet, f64)| {
            let share = k / count;
            let angle = share * TAU + facet.division;
            let (ahead, _) = config.disturbances.ripple(angle);
            // Over one facet the speed is taken as constant: that of its middle.
            let (_, fast) = config.disturbances.ripple(angle + TAU / count / 2.0);
            let reflectivity = facet.reflectivity;
            let walk = walk(reflectivity, detector.threshold, detector.response);
            Passage { share, ahead, fast, reflectivity, walk }
        };
        Pulses {
            noise,
            passages: config.facets.iter().zip((0_u32..).map(f64::from)).map(passage).collect(),
            detector_jitter: detector.jitter,
            edge_slope: libm::tan(detector.edge_lean),
            disturbances: config.disturbances.clone(),
            count: config.facets.len() as u64,
            drawn: [0, 1].map(|turn| Cell::new((turn, noise.normal_pair(Stream::Turn, turn)))),
        }
    }

    /// Standard deviation by which the rotor wanders at a speed in rad/s, as a share of a turn, which lasts
    /// from one draw to the next: two draws make its jitter.
    fn wander(&self, speed: f64) -> f64 {
        self.disturbances.jitter(speed) * FRAC_1_SQRT_2
    }

    /// Largest relative deviation of a turn's time that jitter and hunting can make at a speed in rad/s.
    /// Ripple makes none: a whole turn holds whole swings of it.
    pub(crate) fn max_deviation(&self, speed: f64) -> f64 {
        2.0 * MAX_NORMAL * (self.wander(speed) + self.detector_jitter * speed / TAU)
            + self.disturbances.max_hunting().0
    }

    /// Relative wander of the rotor at the index passage of turn `turn`, and a draw for the
    /// detector.
    fn draw(&self, turn: u64) -> (f64, f64) {
        let [even, odd] = &self.drawn;
        let kept = if turn.is_multiple_of(2) { even } else { odd };
        let (of, drawn) = kept.get();
        if of == turn { drawn } else { self.draw_anew(kept, turn) }
    }

    #[cold]
    fn draw_anew(&self, kept: &Cell<(u64, (f64, f64))>, turn: u64) -> (f64, f64) {
        let drawn = self.noise.normal_pair(Stream::Turn, turn);
        kept.set((turn, drawn));
        drawn
    }

    /// The time at which the index pulse that begins turn `turn` comes.
    pub(crate) fn index(&self, motion: &Motion, turn: u64) -> Option<f64> {
        let (time, speed) = motion.passing(turn as f64 * TAU)?;
        let (wander, detector) = self.draw(turn);
        let speed = speed.max(SLOWEST);
        let strays = wander * self.wander(speed) * TAU / speed + detector * self.detector_jitter;
        Some(time + strays + self.disturbances.late(time))
    }

    /// The passage of start of scan `number`: facet `number` mod N of turn `number` div N, the
    /// facet being `facet`. `target` is the speed that an index-only start reckons with.
    pub(crate) fn sweep(
        &self,
        motion: &Motion,
        number: u64,
        facet: &Facet,
        config: &Config,
        target: f64,
    ) -> Option<Sweep> {
        let (turn, k) = (number / self.count, number % self.count);
        let same = self.passages.get(usize::try_from(k).ok()?)?;
        let share = same.share;
        let angle = (turn as f64 + share) * TAU + facet.division;
        let (time, speed) = motion.passing(angle)?;
        let mean = speed.max(SLOWEST);
        let ((now, index_jitter), (next, _)) = (self.draw(turn), self.draw(turn + 1));
        let scatter = self.wander(mean);
        let ripple = self.disturbances.ripple_gain(mean);
        let late = self.disturbances.late(time);
        let begins = time
            + (scatter * (now + (next - now) * share) * TAU - ripple * same.ahead) / mean
            + late;
        let speed = mean * (1.0 + ripple * same.fast) * (1.0 - scatter * (next - now));
        let detector = &config.detector;
        let pulse = match config.description.start_of_scan {
            StartOfScan::EveryFacet => {
                let jitter = self.noise.normal(Stream::StartOfScan, number) * self.detector_jitter;
                let walk = match facet.reflectivity == same.reflectivity {
                    true => same.walk,
                    false => walk(facet.reflectivity, detector.threshold, detector.response),
                }?;
                let lean = self.edge_slope * facet.facet_to_axis / mean;
                begins + jitter + walk + lean
            }
            StartOfScan::IndexOnly => {
                let passes = motion.passes(turn as f64 * TAU)?;
                let index = passes
                    + self.disturbances.late(passes)
                    + scatter * now * TAU / mean
                    + index_jitter * self.detector_jitter;
                index + share * TAU / target.max(SLOWEST)
            }
        };
        Some(Sweep { begins, pulse, speed, late })
    }
}

/// Below this speed in rad/s jitter is reckoned as if at it.
const SLOWEST: f64 = 0.1;

/// How much later than a nominal facet's pulse that of a facet with `reflectivity` comes, in s;
/// none if it never reaches the threshold.
///
/// The detector answers the beam with reflectivity · (1 − exp(−t/τ)) and its comparator trips at
/// the threshold h, at −τ·ln(1 − h/reflectivity) (derived from a first-order response).
pub(crate) fn walk(reflectivity: f64, threshold: f64, response: f64) -> Option<f64> {
    if reflectivity <= threshold {
        return None;
    }
    let trips = |r: f64| -response * libm::log(1.0 - threshold / r);
    Some(trips(reflectivity) - trips(1.0))
}

/// Counts turns and decides on lock.
#[derive(Clone, Debug, Default)]
pub(crate) struct LockDetector {
    turn: u64,
    /// When the last index pulse came, in s, and the time of the last whole turn.
    last: (Option<f64>, Option<f64>),
    /// Turns pass without changing anything, so that `last` is of an earlier one.
    passing: bool,
    inside: u32,
    outside: u32,
    pub locked: bool,
}

impl LockDetector {
    /// A new speed is asked for, or none: the count starts again.
    pub(crate) fn restart(&mut self) {
        self.inside = 0;
        self.outside = 0;
        self.locked = false;
    }

    /// When the last index pulse came, in s, and the time of the last whole turn.
    pub(crate) fn last(&self, pulses: &Pulses, motion: &Motion) -> (Option<f64>, Option<f64>) {
        if !self.passing {
            return self.last;
        }
        let [before, index] = [self.turn - 1, self.turn].map(|turn| pulses.index(motion, turn));
        (index, index.zip(before).map(|(to, from)| to - from))
    }

    /// The motion ends.
    pub(crate) fn settle(&mut self, pulses: &Pulses, motion: &Motion) {
        self.last = self.last(pulses, motion);
        self.passing = false;
    }

    /// Takes in every turn that has ended by `until`. Returns the time of the index pulse at
    /// which lock was lost, the first if more than once.
    ///
    /// Each turn is judged once and in order, so the outcome does not depend on how often this
    /// is called. Where the speed is steady and jitter can neither leave nor reach the window,
    /// turns pass without changing anything.
    pub(crate) fn catch_up(
        &mut self,
        pulses: &Pulses,
        motion: &Motion,
        target: Option<f64>,
        config: &Config,
        until: f64,
    ) -> Option<f64> {
        // Angles are never negative, so that this rounds down.
        let reached = (motion.at(until).angle / TAU) as u64;
        let mut lost = None;
        // Whether turns change anything depends on lock alone, once the motion is steady.
        let mut tried = None;
        while self.turn < reached {
            if !self.passing
                && tried != Some(self.locked)
                && self.last.0.is_some_and(|t| t > motion.steady.time)
            {
                tried = Some(self.locked);
                self.passing = self.stays(pulses, motion, target, config);
            }
            if self.passing {
                self.turn = reached;
                break;
            }
            self.turn += 1;
            let Some(time) = pulses.index(motion, self.turn) else {
                continue;
            };
            let (before, _) = self.last;
            let period = before.map(|before| time - before);
            self.last = (Some(time), period);
            let (Some(period), Some(target)) = (period, target) else {
                continue;
            };
            let inside = (period * target / TAU - 1.0).abs() <= config.description.lock_window;
            if inside {
                self.inside = self.inside.saturating_add(1);
                self.outside = 0;
                self.locked |= self.inside >= config.description.lock_turns;
            } else {
                self.inside = 0;
                self.outside = self.outside.saturating_add(1);
                if self.locked && self.outside >= config.lock_misses {
                    self.locked = false;
                    lost = lost.or(Some(time));
                }
            }
        }
        lost
    }

    /// Whether turns of a steady motion change nothing any more.
    fn stays(
        &mut self,
        pulses: &Pulses,
        motion: &Motion,
        target: Option<f64>,
        config: &Config,
    ) -> bool {
        let Some(target) = target else {
            return false;
        };
        let off = (motion.steady.speed / target - 1.0).abs();
        let jitter = pulses.max_deviation(target.min(motion.steady.speed));
        let inside = self.locked && off + jitter < 0.999 * config.description.lock_window;
        let outside = !self.locked && off - jitter > 1.001 * config.description.lock_window;
        if inside {
            self.outside = 0;
        } else if outside {
            self.inside = 0;
        }
        inside || outside
    }
}

#[cfg(test)]
mod tests {
    use super::{LockDetector, Pulses, walk};
    use crate::config::Config;
    use crate::noise::Noise;
    use crate::rotor::{Drive, Moment};

    #[test]
    fn turns_scatter_as_described() {
        let config = Config::read(Some("[rotor]\nhunting = []\njitter = '100 ppm'\n"), 3).unwrap();
        let pulses = Pulses::new(&config, Noise::new(3));
        let at = Moment { speed: 500.0, ..Moment::default() };
        let motion = config.rotor.motion(Drive::Hold(500.0), at);
        let from = (motion.steady.angle / core::f64::consts::TAU) as u64 + 1;
        let time = |i: u64| pulses.index(&motion, from + i).unwrap();
        let mean = core::f64::consts::TAU / 500.0;
        let n = 20_000;
        let square: f64 =
            (0..n).map(|i| ((time(i + 1) - time(i)) / mean - 1.0).powi(2)).sum::<f64>() / n as f64;
        // Five standard errors of a standard deviation, n = 20000: 2.5 %.
        // The jitter holds at the highest speed of 6000 rpm.
        let expected = 100e-6 * 628.318_530_7 / 500.0;
        assert!((square.sqrt() / expected - 1.0).abs() < 0.025, "{}", square.sqrt());
    }

    #[test]
    fn lock_needs_turns_in_a_row_and_is_the_same_however_often_it_is_asked() {
        // Jitter as wide as the window, so that lock comes and goes.
        let text =
            "[rotor]\njitter = '300 ppm'\n[lock]\nwindow = '500 ppm'\nturns = 8\nmisses = 1\n";
        let config = Config::read(Some(text), 3).unwrap();
        let pulses = Pulses::new(&config, Noise::new(3));
        let motion = config.rotor.motion(Drive::Hold(500.0), Moment::default());
        let run = |step: f64, end: f64| {
            let mut lock = LockDetector::default();
            let mut losses = 0;
            let mut seen = false;
            for i in 0..=(end / step) as u32 {
                let until = f64::from(i) * step;
                losses += u32::from(
                    lock.catch_up(&pulses, &motion, Some(500.0), &config, until).is_some(),
                );
                seen |= lock.locked;
            }
            (losses, seen, lock.locked, lock.last(&pulses, &motion).1.map(f64::to_bits))
        };
        let fine = run(0.004, 40.0);
        assert!(fine.0 > 3 && fine.1, "{fine:?}");
        let coarse = run(8.0, 40.0);
        assert_eq!((fine.2, fine.3), (coarse.2, coarse.3));
    }

    #[test]
    fn turns_are_passed_over_from_the_steady_end_of_a_motion_on() {
        let config = Config::read(None, 3).unwrap();
        let pulses = Pulses::new(&config, Noise::new(3));
        let motion = config.rotor.motion(Drive::Hold(500.0), Moment::default());
        // Ten years in one look: turn by turn this would take minutes.
        let mut lock = LockDetector::default();
        let year = 3.156e7;
        assert_eq!(lock.catch_up(&pulses, &motion, Some(500.0), &config, 10.0 * year), None);
        assert!(lock.locked);
        assert!(lock.last(&pulses, &motion).0.unwrap() > 10.0 * year - 1.0);
    }

    #[test]
    fn a_dim_facet_is_seen_late_and_a_dark_one_never() {
        // dt/dr = −τ·h/(1 − h) at r = 1: derived.
        let shift = walk(0.99, 0.5, 1e-6).unwrap();
        assert!((shift - 1e-8).abs() < 3e-10, "{shift}");
        assert!(walk(1.05, 0.5, 1e-6).unwrap() < 0.0);
        assert_eq!(walk(0.5, 0.5, 1e-6), None);
    }
}
