//! What the detectors see of a facet's passage: who lights them, gate, ghosts, the end of the scan, and
//! an index that has moved. Uses the world; when the shaft passes comes from the pulses.

use crate::config::counted;
use crate::noise::Stream;
use crate::optics::Facet;
use crate::pulses::{Sweep, walk};
use crate::world::World;
use core::f64::consts::TAU;
use spintrue_head::{Fault, FaultKind, MAX_PULSES, StartOfScan, Turn};

/// What of a passage trips the detector.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Trips {
    /// A ghost does, so early against the facet's own pulse in s.
    ghost: Option<f64>,
    /// The facet's own beam does.
    own: bool,
}

impl World {
    /// A facet as the detector sees it at start of scan `number`: what it reflects of the light there, as a
    /// share of the nominal.
    fn seen(&self, facet: &Facet, number: u64) -> Facet {
        let Some(nominal) = self.config.detector.beam else { return *facet };
        let passes = self.motion.passes(number as f64 * TAU / self.facets() as f64);
        let passes = passes.unwrap_or(self.now);
        let lit = self.arming.filter(|arming| passes >= arming.ready);
        let light = lit.map_or(0.0, |arming| arming.power * self.strength() / nominal);
        Facet { reflectivity: facet.reflectivity * light, ..*facet }
    }

    /// Facets by which the index that begins a turn comes late.
    pub(crate) fn slips(&self, turn: u64) -> u64 {
        let slipping = self.has(FaultKind::IndexSlipping) && turn.is_multiple_of(3);
        self.index_shift + u64::from(slipping)
    }

    /// When the index pulse comes that begins a turn, in s.
    pub(crate) fn index_pulse(&self, turn: u64) -> Option<f64> {
        let slips = self.slips(turn);
        if slips == 0 {
            return self.pulses.index(&self.motion, turn);
        }
        // The mark passes as a facet that is cut without errors does.
        let mark =
            Facet { division: 0.0, facet_to_axis: 0.0, reflectivity: 1.0, stretch: 0.0, skew: 0.0 };
        let target = self.target.unwrap_or(self.config.description.speed_least);
        let number = turn * self.facets() + slips;
        let passes = self.pulses.sweep(&self.motion, number, &mark, &self.config, target)?.begins;
        let (_, jitter) = self.noise.normal_pair(Stream::Turn, turn);
        Some(passes + jitter * self.config.detector.jitter)
    }

    /// What trips of start of scan `number`, whose facet `seen` is as the detector sees it.
    ///
    /// A ghost trips where its own height reaches the threshold and the gate is open again: it comes a
    /// line period less `ghost_early` after the last pulse. Where it does, a gate hides the facet's own
    /// pulse, which comes `ghost_early` later (derived).
    fn trips(&self, number: u64, seen: &Facet) -> Trips {
        let detector = &self.config.detector;
        let k = number % self.facets();
        let strikes = self.facet_has(FaultKind::GhostPulse, k);
        let height = if strikes { 1.0 } else { detector.ghost };
        let open = 1.0 - detector.ghost_early >= detector.gate;
        let ghost = (open && seen.reflectivity * height > detector.threshold).then(|| {
            let line = TAU / self.motion_speed() / self.facets() as f64;
            let weak = walk(seen.reflectivity * height, detector.threshold, detector.response);
            let full = walk(seen.reflectivity, detector.threshold, detector.response);
            detector.ghost_early * line - weak.zip(full).map_or(0.0, |(weak, full)| weak - full)
        });
        let hidden = ghost.is_some() && detector.gate > detector.ghost_early;
        let bright = seen.reflectivity > detector.threshold;
        Trips { ghost, own: bright && !hidden && !self.drops(number) }
    }

    /// Mean speed of the rotor in rad/s, above zero.
    fn motion_speed(&self) -> f64 {
        self.motion.at(self.now).speed.max(0.1)
    }

    /// The facet of start of scan `number`, and when the shaft passes there, in s.
    fn facet_of(&self, number: u64) -> Option<(&Facet, f64)> {
        let n = self.facets();
        let facet = self.config.facets.get(usize::try_from(number % n).ok()?)?;
        Some((facet, self.motion.passes(number as f64 * TAU / n as f64)?))
    }

    /// The passage of start of scan `number`, none where no pulse comes; the facet, and when it has
    /// passed at the latest, in s.
    pub(crate) fn passage(&self, number: u64) -> Result<(Option<Sweep>, Facet, f64), Fault> {
        let lost = || Fault::no_pulse("start-of-scan");
        let target = self.target.ok_or(Fault::NotLocked)?;
        let (facet, passes) = self.facet_of(number).ok_or_else(lost)?;
        let indexed = self.config.description.start_of_scan == StartOfScan::IndexOnly;
        let (seen, trips) = if indexed {
            (*facet, Trips { ghost: None, own: !self.drops(number) })
        } else {
            let seen = self.seen(facet, number);
            (seen, self.trips(number, &seen))
        };
        let sweep = self.pulses.sweep(&self.motion, number, &seen, &self.config, target);
        let sweep = match trips {
            // Where both come, the first one starts the line.
            Trips { ghost: Some(early), .. } => {
                sweep.map(|sweep| Sweep { pulse: sweep.pulse - early, ..sweep })
            }
            Trips { own: true, .. } => sweep,
            Trips { .. } => None,
        };
        Ok((sweep, *facet, sweep.map_or(passes, |sweep| sweep.pulse.max(passes))))
    }

    /// What the counters saw between the index pulses of two turns, each with its time. `told` counts
    /// the pulses whose times the call has told already.
    pub(crate) fn turn(&self, from: (u64, f64), to: (u64, f64), told: &mut usize) -> Turn {
        let plain = Turn { period: counted(to.1 - from.1), start_of_scan: 1, ..Turn::default() };
        if self.config.description.start_of_scan == StartOfScan::IndexOnly {
            return plain;
        }
        let n = self.facets();
        let places = if *told < MAX_PULSES { self.config.facets.len() } else { 0 };
        let pulses = Vec::with_capacity(places);
        let mut turn = Turn { start_of_scan: 0, pulses, ..plain };
        let mut known = *told < MAX_PULSES;
        let target = self.target.unwrap_or(self.config.description.speed_least);
        for number in from.0 * n + self.slips(from.0)..to.0 * n + self.slips(to.0) {
            let k = usize::try_from(number % n).unwrap_or(0);
            let Some(facet) = self.config.facets.get(k) else { continue };
            let seen = self.seen(facet, number);
            let trips = self.trips(number, &seen);
            turn.start_of_scan += u32::from(trips.ghost.is_some()) + u32::from(trips.own);
            let bright = seen.reflectivity > self.config.detector.threshold;
            if !(known && bright) {
                continue;
            }
            let sweep = self.pulses.sweep(&self.motion, number, &seen, &self.config, target);
            // What passed before the present motion began has no time any more.
            let Some(sweep) = sweep else {
                known = false;
                continue;
            };
            turn.pulses.extend(trips.ghost.map(|early| sweep.pulse - early - from.1));
            turn.pulses.extend(trips.own.then_some(sweep.pulse - from.1));
            turn.ends.extend(self.end_of_scan(number, &sweep, facet).map(|end| end - from.1));
        }
        if !known {
            (turn.pulses, turn.ends) = (Vec::new(), Vec::new());
        }
        turn.pulses.iter_mut().chain(&mut turn.ends).for_each(|time| *time = counted(*time));
        *told += turn.pulses.len() + turn.ends.len();
        turn
    }

    /// When the pulse at the end of a scan comes, in s: after its start, the way between the two
    /// detectors over the speed of the spot, (1 + stretch)·2·f·ω, and what hunting makes of it (derived).
    fn end_of_scan(&self, number: u64, sweep: &Sweep, facet: &Facet) -> Option<f64> {
        let place = self.config.detector.end_of_scan;
        if place <= 0.0 {
            return None;
        }
        let angle = place * TAU / self.facets() as f64;
        let jitter = self.config.detector.jitter * self.noise.normal(Stream::EndOfScan, number);
        let even = angle / sweep.speed / (1.0 + facet.stretch);
        let hunted = even - sweep.turned(&self.config.disturbances, even);
        let own = self.noise.normal(Stream::StartOfScan, number) * self.config.detector.jitter;
        Some(sweep.pulse - own + jitter + even + hunted)
    }
}
