//! The world that head and gauge share: one clock, and everything that happens on it.
//!
//! Its state depends on commands and their times only. Asking for it changes nothing.

use crate::config::{Config, Stored};
use crate::faults::{Argument, InjectedFault, When};
use crate::fixtures::Fixtures;
use crate::galvanometer::Galvanometer;
use crate::lines::Drawn;
use crate::medium::Sheet;
use crate::noise::{Noise, Stream};
use crate::pulses::{LockDetector, Pulses};
use crate::rotor::{Drive, Moment, Motion, Rotor};
use core::f64::consts::TAU;
use spintrue_head::{Description, Fault, FaultKind, Laser, Trim};

/// Where the rotor rests at power-on, in rad; not known before the index has been seen.
const RESTS_AT: f64 = 2.0;

/// The armed laser.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Arming {
    /// When light can come out, in s.
    pub(crate) ready: f64,
    /// Share of full power.
    pub(crate) power: f64,
}

/// Full lines that are drawn one behind the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Steady {
    /// When light comes out, in s.
    pub(crate) begins: f64,
    /// When it ends by itself, in s.
    pub(crate) ends: f64,
    /// Mean power in W of a laser of the stated strength.
    pub(crate) watts: f64,
    /// Light has come out.
    pub(crate) lit: bool,
}

/// Everything there is.
#[derive(Clone, Debug)]
pub(crate) struct World {
    pub(crate) config: Config,
    pub(crate) noise: Noise,
    pub(crate) pulses: Pulses,
    pub(crate) now: f64,
    pub(crate) motion: Motion,
    /// Counts motions, so that a wait notices that its plan is void.
    pub(crate) motions: u64,
    pub(crate) target: Option<f64>,
    drive: Drive,
    pub(crate) lock: LockDetector,
    /// The last pulse before the present motion.
    pulse_before: Option<f64>,
    /// When the drive was last asked to push, or to leave off pushing.
    stirred: Option<f64>,
    /// Turn at which the index counts as seen.
    index_from: u64,
    pub(crate) galvanometer: Galvanometer,
    pub(crate) arming: Option<Arming>,
    pub(crate) steady: Option<Steady>,
    /// Why the laser disarmed itself.
    pub(crate) tripped: Option<Fault>,
    pub(crate) interlock_closed: bool,
    pub(crate) trims: Vec<Trim>,
    pub(crate) stored: Stored,
    /// Facets by which the index has moved.
    pub(crate) index_shift: u64,
    pub(crate) drawn: Option<Drawn>,
    /// Lines exposed so far.
    pub(crate) lines: u32,
    /// Exposed pages, where they are kept.
    pub(crate) sheets: Option<Vec<Sheet>>,
    heat: (f64, f64, f64),
    /// What stands around the head.
    pub(crate) fixtures: Fixtures,
    /// Faults still to come, the next one last.
    pub(crate) planned: Vec<(f64, InjectedFault)>,
    pub(crate) faults: Vec<InjectedFault>,
}

impl World {
    pub(crate) fn new(config: Config, seed: u64) -> World {
        let noise = Noise::new(seed);
        let pulses = Pulses::new(&config, noise);
        let parked = config.parked;
        let timed = config.faults.iter().filter_map(|planned| match planned.when {
            When::Time(at) => Some((at, planned.clone())),
            When::Line(_) => None,
        });
        let mut planned: Vec<(f64, InjectedFault)> = timed.collect();
        planned.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut world = World {
            noise,
            pulses,
            now: 0.0,
            motion: Motion::at_rest(0.0, RESTS_AT),
            motions: 0,
            target: None,
            drive: Drive::Coast,
            lock: LockDetector::default(),
            pulse_before: None,
            stirred: None,
            index_from: 1,
            galvanometer: Galvanometer::new(config.galvanometer, parked),
            arming: None,
            steady: None,
            tripped: None,
            interlock_closed: true,
            trims: config.stored.trims.clone(),
            stored: config.stored.clone(),
            index_shift: 0,
            drawn: None,
            lines: 0,
            sheets: None,
            heat: (0.0, config.ambient, config.ambient),
            planned,
            faults: Vec::new(),
            fixtures: config.fixtures.clone(),
            config,
        };
        world.advance(0.0);
        world
    }

    /// What the head says of itself.
    pub(crate) fn description(&self) -> &Description {
        &self.config.description
    }

    /// Facets as a number to count with.
    pub(crate) fn facets(&self) -> u64 {
        self.config.facets.len() as u64
    }

    /// Lets time pass until `to`, with all that happens on the way, in order.
    pub(crate) fn advance(&mut self, to: f64) {
        let to = to.max(self.now);
        while let Some((at, _)) = self.planned.last()
            && *at <= to
        {
            let at = at.max(self.now);
            self.look(at);
            if let Some((_, fault)) = self.planned.pop() {
                self.strike(fault);
            }
        }
        self.look(to);
    }

    /// Lets some seconds pass.
    pub(crate) fn wait(&mut self, seconds: f64) {
        self.advance(self.now + seconds);
    }

    fn look(&mut self, until: f64) {
        let lost = self.lock.catch_up(&self.pulses, &self.motion, self.target, &self.config, until);
        self.follow_steady(lost.unwrap_or(until));
        if let Some(at) = lost {
            self.trip(Fault::NotLocked, at);
        }
        self.follow_steady(until);
        self.now = until;
    }

    /// Begins and ends the light of steady drawing as far as that falls before `until`.
    fn follow_steady(&mut self, until: f64) {
        let Some(steady) = &mut self.steady else { return };
        let Steady { begins, ends, watts, lit } = *steady;
        if !lit && begins <= until.min(ends) {
            steady.lit = true;
            self.fixtures.shine(watts, begins);
        }
        if ends <= until {
            self.end_steady(ends);
        }
    }

    /// Steady drawing ends at `at`, if there is any.
    pub(crate) fn end_steady(&mut self, at: f64) {
        if self.steady.take().is_some_and(|steady| steady.lit) {
            self.fixtures.shine(0.0, at);
        }
    }

    /// The laser is off from now on.
    pub(crate) fn put_out(&mut self) {
        self.arming = None;
        self.end_steady(self.now);
    }

    /// Share of its stated power that the laser gives now.
    pub(crate) fn strength(&self) -> f64 {
        let laser = self.config.laser;
        let warmer = self.temperature() - self.config.ambient;
        (laser.strength * (1.0 + laser.drift * warmer)).max(0.0)
    }

    /// The laser disarms itself at `at`.
    fn trip(&mut self, why: Fault, at: f64) {
        // What ignores a disarming ignores the head's own as well; the interlock takes the power.
        if self.has(FaultKind::LaserStaysArmed) && why != Fault::InterlockOpen {
            return;
        }
        self.end_steady(at);
        if self.arming.take().is_some() {
            self.tripped = Some(why);
        }
    }

    /// A fault strikes after `after` s.
    pub(crate) fn plan_fault(&mut self, after: f64, fault: InjectedFault) {
        let at = self.now + after;
        let place = self.planned.partition_point(|(t, _)| *t > at);
        self.planned.insert(place, (at, fault));
    }

    fn strike(&mut self, fault: InjectedFault) {
        match (fault.entry.kind, &fault.argument) {
            (FaultKind::InterlockOpened, _) => {
                self.interlock_closed = false;
                self.trip(Fault::InterlockOpen, self.now);
            }
            (FaultKind::LockLost, _) => {
                let mut here = self.motion.at(self.now);
                here.speed *= 0.98;
                self.restart_from(here);
            }
            (FaultKind::GalvanometerStuck, _) => self.galvanometer.stick(self.now),
            (FaultKind::SignalStuck, Argument::Name(name)) => {
                self.fixtures.stick(name, self.now, self.noise);
            }
            (FaultKind::SignalBroken, Argument::Name(name)) => self.fixtures.break_wire(name),
            (FaultKind::LinkSilent, _) => {
                self.trip(Fault::Broken("the link is silent".to_string()), self.now);
            }
            _ => {}
        }
        let is_weak = fault.is(FaultKind::NoLock) || fault.is(FaultKind::SlowLock);
        self.faults.push(fault);
        if is_weak {
            self.restart_from(self.motion.at(self.now));
        }
    }

    /// Takes all faults away, those to come as well, and closes the interlock chain again.
    pub(crate) fn mend(&mut self) {
        self.planned.clear();
        self.faults.clear();
        self.interlock_closed = true;
        self.galvanometer.free(self.now);
        self.fixtures.mend(self.now);
        self.restart_from(self.motion.at(self.now));
    }

    /// Whether a fault of this kind is in force.
    pub(crate) fn has(&self, kind: FaultKind) -> bool {
        self.faults.iter().any(|fault| fault.is(kind))
    }

    /// The arguments of all faults of this kind that are in force.
    fn arguments(&self, kind: FaultKind) -> impl Iterator<Item = &Argument> {
        self.faults.iter().filter(move |fault| fault.is(kind)).map(|fault| &fault.argument)
    }

    /// The arguments of faults of a kind that takes a share or an offset.
    pub(crate) fn numbers(&self, kind: FaultKind) -> impl Iterator<Item = f64> {
        self.arguments(kind).filter_map(|argument| match argument {
            Argument::Number(number) => Some(*number),
            _ => None,
        })
    }

    /// Whether a fault of this kind is in force on a facet.
    pub(crate) fn facet_has(&self, kind: FaultKind, facet: u64) -> bool {
        self.arguments(kind)
            .any(|argument| matches!(argument, Argument::Facet(k) if u64::from(*k) == facet))
    }

    /// The power fails while trims are stored, and comes back: the trims are wholly the old ones
    /// or wholly the new ones.
    pub(crate) fn lose_power_storing(&mut self, new: Stored) {
        self.faults.retain(|fault| !fault.is(FaultKind::StoreInterrupted));
        if self.noise.uniform(Stream::PowerLoss, u64::from(self.lines)) < 0.5 {
            self.stored = new;
        }
        self.trims.clone_from(&self.stored.trims);
        self.put_out();
        self.galvanometer.send(self.config.parked, self.now);
        self.command(Drive::Coast);
    }

    /// What the trim registers do to the line that the electronics take for that of `facet`.
    pub(crate) fn acting_trim(&self, facet: usize) -> Trim {
        let Description { in_scan_trim, cross_scan_trim, .. } = *self.description();
        self.config.wiring.acting(&self.trims, facet, (in_scan_trim, cross_scan_trim))
    }

    /// A new command to the drive; none leaves the rotor to its drag.
    pub(crate) fn command(&mut self, drive: Drive) {
        let was_spinning = self.target.is_some();
        let target = match drive {
            Drive::Hold(target) => Some(target),
            _ => None,
        };
        let mut here = self.motion.at(self.now);
        if !was_spinning || target.is_none() {
            here.integral = 0.0;
        }
        if !was_spinning && target.is_some() {
            self.index_from = (here.angle / TAU).floor() as u64 + 1;
            self.index_shift = u64::from(self.has(FaultKind::IndexShifted));
        }
        if was_spinning || target.is_some() {
            self.stirred = Some(self.now);
        }
        self.target = target;
        self.drive = drive;
        self.lock.restart();
        self.restart_from(here);
        let hot = target.map_or(0.0, |t| t / self.config.description.speed_most);
        let rise = self.config.rise * hot * hot * hot;
        self.heat = (self.now, self.temperature(), self.config.ambient + rise);
    }

    fn restart_from(&mut self, here: Moment) {
        self.pulse_before = self.last_pulse();
        let rotor = match self.target {
            Some(target) if self.has(FaultKind::NoLock) => {
                // As much torque as the drag takes short of the window.
                let short = (1.0 - 2.0 * self.config.description.lock_window) * 0.97;
                Rotor { torque_most: self.config.rotor.drag(target * short), ..self.config.rotor }
            }
            Some(target) => {
                let share = self.numbers(FaultKind::SlowLock).fold(1.0, f64::min);
                let (rotor, drag) = (self.config.rotor, self.config.rotor.drag(target));
                // A drive that is too weak as it is gets no stronger.
                let most = (drag + share * (rotor.torque_most - drag)).min(rotor.torque_most);
                Rotor { torque_most: most, ..rotor }
            }
            None => self.config.rotor,
        };
        self.lock.settle(&self.pulses, &self.motion);
        self.motion = rotor.motion(self.drive, here);
        self.motions += 1;
    }

    /// When the last start-of-scan pulse came (of a head that sees no facets in the dark: index pulse), if any did.
    pub(crate) fn last_pulse(&self) -> Option<f64> {
        let counts = self.config.description.counts_in_the_dark();
        let per_turn = if counts { self.facets() as f64 } else { 1.0 };
        let number = (self.motion.at(self.now).angle * per_turn / TAU).floor();
        self.motion.passes(number * TAU / per_turn).filter(|t| *t <= self.now).or(self.pulse_before)
    }

    /// Measured at rest: silence for longer than the slowest turn that can be told.
    pub(crate) fn at_rest(&self) -> bool {
        let silence = self.description().times.pulse_silence_most;
        // Turns that count for lock end by pulses, and with an index pulse not long ago there is no need
        // to ask for others.
        let is_recent = |index: f64| self.now - index < silence / 2.0;
        if self.lock.locked || self.lock.last(&self.pulses, &self.motion).0.is_some_and(is_recent) {
            return false;
        }
        // A drive that pushed just now may have the rotor turn before any pulse tells.
        let last = self.last_pulse().into_iter().chain(self.stirred).reduce(f64::max);
        last.is_none_or(|t| self.now - t > silence)
    }

    /// Measured speed in rad/s: of the last whole turn; less if the next index is overdue; before
    /// the first turn is whole, of the last two start-of-scan pulses; 0 at rest.
    pub(crate) fn measured_speed(&self) -> f64 {
        match self.lock.last(&self.pulses, &self.motion) {
            (Some(index), Some(period)) if period > 0.0 => TAU / period.max(self.now - index),
            _ => self.facet_speed().unwrap_or(0.0),
        }
    }

    fn facet_speed(&self) -> Option<f64> {
        if !self.config.description.counts_in_the_dark() {
            return None;
        }
        let n = self.facets() as f64;
        let last = (self.motion.at(self.now).angle * n / TAU).floor();
        let (a, b) =
            (self.motion.passes((last - 1.0) * TAU / n)?, self.motion.passes(last * TAU / n)?);
        (b > a).then(|| TAU / n / (b - a))
    }

    /// The facet that draws the next line of a turning polygon, once the index has been seen.
    pub(crate) fn next_facet(&self) -> Option<u32> {
        let angle = self.motion.at(self.now).angle;
        // Angles are never negative, so that this rounds down.
        let unseen = ((angle / TAU) as u64) < self.index_from;
        if unseen || self.has(FaultKind::IndexMissing) {
            return None;
        }
        let next = (angle * self.facets() as f64 / TAU) as u64 + 1;
        u32::try_from((next + self.facets() - self.index_shift) % self.facets()).ok()
    }

    /// Temperature of the head in K: first order towards that of its speed.
    pub(crate) fn temperature(&self) -> f64 {
        let (since, from, to) = self.heat;
        to + (from - to) * libm::exp(-(self.now - since) / self.config.thermal_time)
    }

    /// Voltage of each rail, as an instrument that samples each millisecond sees it.
    pub(crate) fn rails(&self) -> Vec<f64> {
        let sample = (self.now * 1e3) as u64;
        let rails = self.config.description.rails.iter().zip(0_u64..);
        rails
            .map(|(rail, i)| {
                let ripple = self.noise.uniform(Stream::Rail, sample << 8 | i) - 0.5;
                let low = self
                    .arguments(FaultKind::RailLow)
                    .any(|argument| matches!(argument, Argument::Name(name) if *name == rail.name));
                let sunk = if low { 0.8 } else { 1.0 };
                rail.nominal * sunk * (1.0 + 0.02 * rail.tolerance * ripple)
            })
            .collect()
    }

    pub(crate) fn laser(&self) -> Laser {
        if self.arming.is_some() { Laser::Armed } else { Laser::Off }
    }

    /// Whether start of scan `number` is lost.
    pub(crate) fn drops(&self, number: u64) -> bool {
        self.numbers(FaultKind::StartOfScanDropouts)
            .any(|share| self.noise.uniform(Stream::Dropout, number) <= share)
    }
}
