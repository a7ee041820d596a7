//! The simulated head as a [`Head`]: checks commands and passes them to its world.

use crate::config::{SILENCE, Stored};
use crate::injector::SimInjector;
use crate::medium::Medium;
use crate::rotor::Drive;
use crate::world::{Arming, World};
use crate::{expose, page};
use core::f64::consts::TAU;
use spintrue_head::{
    Description, Dimension, Exposed, ExposedPage, Fault, FaultKind, Halt, Head, LineOrder,
    PageOrder, Proof, SafeState, Status, SteadyOrder, Trim, Turn, check_range, settable,
    step_by_step, switchable,
};
use std::cell::{RefCell, RefMut};
use std::rc::Rc;

/// Longest sleep in s of one call.
const MAX_SLEEP: f64 = 1e6;

/// Most turns that one call watches.
const MAX_TURNS: u32 = 100_000;

/// Keeps stored trims beyond the head's own life, or fails with why it could not.
type Keeper = Box<dyn FnMut(&Stored) -> Result<(), Fault>>;

/// A head that runs on its own virtual clock.
pub struct SimHead {
    pub(crate) world: Rc<RefCell<World>>,
    pub(crate) keeper: Option<Keeper>,
}

impl SimHead {
    /// Gives it another serial number.
    pub fn set_serial(&mut self, serial: &str) {
        self.world.borrow_mut().config.description.serial = serial.to_string();
    }

    /// The world, unless the link to it is silent.
    fn world(&self) -> Result<RefMut<'_, World>, Fault> {
        let mut world = self.world.borrow_mut();
        if world.has(FaultKind::LinkSilent) {
            world.wait(SILENCE);
            return Err(Fault::Broken(
                "the link is silent: the head did not answer within 1 s".to_string(),
            ));
        }
        Ok(world)
    }

    /// The world for a command that moves or changes something, which ends steady drawing.
    fn commanded(&self) -> Result<RefMut<'_, World>, Fault> {
        let mut world = self.world()?;
        let now = world.now;
        world.end_steady(now);
        Ok(world)
    }

    /// Its serial number.
    pub fn serial(&self) -> String {
        self.world.borrow().description().serial.clone()
    }

    /// Begins with trims that were stored in an earlier life; `keeper` is called for every new
    /// store.
    ///
    /// # Errors
    /// The trims do not fit the registers.
    pub fn set_memory(
        &mut self,
        stored: Option<Stored>,
        keeper: impl FnMut(&Stored) -> Result<(), Fault> + 'static,
    ) -> Result<(), Fault> {
        if let Some(Stored { trims, proof }) = stored {
            let mut world = self.world.borrow_mut();
            let trims = world.description().round_trims(&trims)?;
            world.trims.clone_from(&trims);
            world.stored = Stored { trims, proof };
        }
        self.keeper = Some(Box::new(keeper));
        Ok(())
    }

    fn store(&mut self, proof: Option<Proof>) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        if world.arming.is_some() {
            return Err(Fault::armed("storing trims"));
        }
        let angles = proof.as_ref().map_or(0, |proof| proof.pattern.len());
        if angles != 0 && angles as u64 != world.facets() {
            let why = format!("a pattern has one angle per facet, and {angles} are given");
            return Err(Fault::Refused(why));
        }
        let new = Stored { trims: world.trims.clone(), proof };
        if world.has(FaultKind::StoreInterrupted) {
            world.lose_power_storing(new);
            world.wait(SILENCE);
            return Err(Fault::Broken(
                "the power failed while trims were stored: the head did not answer within 1 s"
                    .to_string(),
            ));
        }
        // One move of the whole set: power loss finds the old one or the new one.
        world.stored = new;
        Ok(())
    }

    /// Stores, and passes on what is stored now: it may be the new set although the power failed.
    fn store_for_good(&mut self, proof: Option<Proof>) -> Result<(), Fault> {
        let before = self.world.borrow().stored.clone();
        let done = self.store(proof);
        let stored = self.world.borrow().stored.clone();
        match &mut self.keeper {
            Some(keeper) if stored != before => done.and(keeper(&stored)),
            _ => done,
        }
    }

    /// The medium under the head.
    pub fn medium(&self) -> Medium {
        Medium::new(Rc::clone(&self.world))
    }

    /// Injects faults into the head.
    pub fn injector(&self) -> SimInjector {
        SimInjector { world: Rc::clone(&self.world) }
    }

    /// The faults planned for it, as options have them.
    pub fn faults(&self) -> Vec<String> {
        self.world.borrow().config.faults.iter().map(ToString::to_string).collect()
    }

    /// Takes the power away and gives it back: the rotor runs out meanwhile, the trims are
    /// those that were stored.
    pub fn power_cycle(&mut self) {
        let mut world = self.world.borrow_mut();
        world.put_out();
        world.command(Drive::Coast);
        let coasting = world.description().coast_most;
        world.wait(coasting);
        world.trims = world.stored.trims.clone();
    }
}

impl Head for SimHead {
    fn describe(&mut self) -> Result<Description, Fault> {
        Ok(self.world()?.description().clone())
    }

    fn status(&mut self) -> Result<Status, Fault> {
        let world = self.world()?;
        let galvanometer = world.galvanometer.at(world.now);
        let at_rest = world.at_rest();
        let speed = if at_rest { 0.0 } else { world.measured_speed() };
        Ok(Status {
            time: world.now,
            speed,
            target: world.target,
            locked: world.lock.locked,
            facet: if at_rest { None } else { world.next_facet() },
            rails: world.rails(),
            interlock_closed: world.interlock_closed,
            laser: world.laser(),
            at_rest,
            galvanometer,
            parked: is_parked(&world, galvanometer),
            temperature: world.temperature(),
        })
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        let speed = world.description().check_speed(speed)?;
        if world.arming.is_some() {
            return Err(Fault::armed("changing the polygon speed"));
        }
        // Asking again for what already runs changes nothing.
        if world.target != Some(speed) {
            world.command(Drive::Hold(speed));
        }
        Ok(())
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        if world.arming.is_some() {
            return Err(Fault::armed("stopping the polygon"));
        }
        world.command(match how {
            Halt::Brake => Drive::Brake,
            Halt::Coast => Drive::Coast,
        });
        Ok(())
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        let angle = match angle {
            Some(angle) => world.description().check_angle(angle)?,
            None => world.config.parked,
        };
        let step = world.config.galvanometer_step;
        let now = world.now;
        world.galvanometer.send((angle / step).round() * step + 0.0, now);
        Ok(())
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let mut world = self.commanded()?;
        let (number, most) = (f64::from(count), f64::from(MAX_TURNS));
        check_range("number of turns", number, 1.0, most, Dimension::NUMBER)?;
        let speed = world.target.unwrap_or(world.description().speed_least);
        let give_up = world.now + world.description().turns_most(number, speed);
        if let (Some(_), Some(arming)) = (world.config.detector.beam, world.arming) {
            world.advance(arming.ready);
        }
        if world.has(FaultKind::IndexMissing) {
            let until = world.now + world.description().times.pulse_silence_most;
            world.advance(until.min(give_up));
            return Err(Fault::no_pulse("index"));
        }
        let mut turns = Vec::new();
        let mut told = 0;
        let mut from = next_index(&mut world, None, give_up)?;
        for _ in 0..count {
            let to = next_index(&mut world, Some(from), give_up)?;
            turns.push(world.turn(from, to, &mut told));
            from = to;
        }
        Ok(turns)
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        Ok(self.world()?.trims.clone())
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        let mut held = world.description().round_trims(trims)?;
        for ((new, old), k) in held.iter_mut().zip(&world.trims).zip(0..) {
            if world.facet_has(FaultKind::StuckTrim, k) {
                *new = *old;
            }
        }
        world.trims = held;
        Ok(())
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.store_for_good(None)
    }

    fn store_proved_trims(&mut self, proof: &Proof) -> Result<(), Fault> {
        self.store_for_good(Some(proof.clone()))
    }

    fn stored_proof(&mut self) -> Result<Option<Proof>, Fault> {
        Ok(self.world()?.stored.proof.clone())
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        check_range("laser power", power, 0.0, 1.0, Dimension::NUMBER)?;
        if !world.interlock_closed {
            return Err(Fault::InterlockOpen);
        }
        if !world.lock.locked {
            return Err(Fault::NotLocked);
        }
        if world.arming.is_some() {
            return Err(Fault::armed("arming"));
        }
        world.tripped = None;
        world.arming =
            Some(Arming { ready: world.now + world.description().times.arming_most, power });
        Ok(())
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        if world.arming.is_some() && world.has(FaultKind::LaserStaysArmed) {
            return Err(Fault::Broken(
                "the laser is still armed: it ignored the disarm command".to_string(),
            ));
        }
        world.put_out();
        world.tripped = None;
        Ok(())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        expose::expose(&mut *self.commanded()?, line)
    }

    fn expose_page(&mut self, order: &PageOrder) -> Result<ExposedPage, Fault> {
        page::expose(&mut *self.commanded()?, order)
    }

    fn draw_steadily(&mut self, order: &SteadyOrder) -> Result<(), Fault> {
        expose::draw_steadily(&mut *self.commanded()?, order)
    }

    fn drawing_steadily(&mut self) -> Result<bool, Fault> {
        Ok(self.world()?.steady.is_some())
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        let world = self.world()?;
        world.fixtures.signal(name, world.now, world.noise)
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        let (now, armed) = (world.now, world.arming.is_some());
        switchable(&world.description().signals, name, armed)?;
        world.fixtures.switch(name, on, now);
        Ok(())
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        let world = self.world()?;
        world.fixtures.channel(name, world.now, world.noise, world.strength())
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let mut world = self.commanded()?;
        let (now, armed) = (world.now, world.arming.is_some());
        let channel = settable(&world.description().channels, name, value, armed)?;
        let value = value.clamp(channel.least, channel.most);
        world.fixtures.set_channel(name, value, now);
        Ok(())
    }

    fn now(&mut self) -> f64 {
        self.world.borrow().now
    }

    fn sleep(&mut self, seconds: f64) {
        let mut world = self.world.borrow_mut();
        if seconds > 0.0 {
            world.wait(seconds.min(MAX_SLEEP));
        }
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let known = self.world.borrow().description().clone();
        step_by_step(self, Some(&known), keep_spinning)
    }
}

/// Whether the galvanometer, which stands at `angle`, is parked.
fn is_parked(world: &World, angle: f64) -> bool {
    let step = world.config.galvanometer_step;
    let off = |angle: f64| (angle - world.config.parked).abs();
    off(world.galvanometer.target) <= step && off(angle) <= 2.0 * step
}

/// Waits for the next index pulse after the turn given, or after now, at most until `give_up`.
/// Gives its turn and time.
fn next_index(
    world: &mut World,
    after: Option<(u64, f64)>,
    give_up: f64,
) -> Result<(u64, f64), Fault> {
    loop {
        let here = (world.motion.at(world.now).angle / TAU).floor() as u64;
        let turn = after.map_or(here, |(turn, _)| turn.max(here)) + 1;
        let turn = after.map_or(turn, |(before, _)| before + 1);
        let motions = world.motions;
        let patience = (world.now + world.description().times.pulse_silence_most).min(give_up);
        match world.index_pulse(turn) {
            Some(time) if time <= patience => {
                world.advance(time);
                if world.motions == motions {
                    return Ok((turn, time));
                }
            }
            _ => {
                world.advance(patience);
                if world.motions == motions || patience >= give_up {
                    return Err(Fault::no_pulse("index"));
                }
            }
        }
    }
}
