//! Drawing a line with the simulated head: the order is checked, the queue filled, the facet
//! awaited, the line drawn. Whole pages go the same way in `page.rs`.

use crate::config::{MAX_PASSAGES, SLOW_HOST, counted};
use crate::faults::{InjectedFault, When};
use crate::lines::{Across, DotClock, Drawing, Drawn};
use crate::noise::Stream;
use crate::optics::Facet;
use crate::pulses::Sweep;
use crate::world::{Steady, World};
use core::f64::consts::TAU;
use spintrue_head::{
    DOTS_PER_WORD, Dimension, Exposed, Fault, FaultKind, LineCorrection, LineOrder, MAX_DOTS,
    Pattern, SteadyOrder, Trim, check_range, queue_needed,
};

/// Share of full power below which a line leaves nothing that a gauge could read.
const MIN_LIGHT: f64 = 0.001;

/// Why no light comes out.
pub(crate) fn dark(world: &World) -> Fault {
    world.tripped.clone().unwrap_or(Fault::NotArmed)
}

/// How a line or page starts: the host fills the queue, then the first line may begin.
pub(crate) struct Start {
    /// Time per dot as made, in s.
    pub(crate) dot_period: f64,
    /// Words of a line.
    pub(crate) words: u32,
    /// Words that stand in the queue when it is full, or that are all.
    pub(crate) filled: u32,
    /// Words that must stand in the queue when a line begins.
    pub(crate) needed: u32,
    /// Time in s in which the host serves a word now.
    pub(crate) service: f64,
    /// When light can come out and the queue is filled, in s.
    pub(crate) ready: f64,
    /// Share of full power.
    pub(crate) power: f64,
}

impl Start {
    pub(crate) fn new(world: &World, dots: u32, dot_period: f64) -> Result<Start, Fault> {
        let Some(arming) = world.arming else {
            return Err(dark(world));
        };
        let description = &world.description();
        let made =
            description.clock.nearest(dot_period).map_err(|e| Fault::Refused(e.to_string()))?;
        let slow = if world.has(FaultKind::QueueUnderrun) { SLOW_HOST } else { 1.0 };
        let service = slow * description.word_service;
        let words = dots.div_ceil(DOTS_PER_WORD);
        let filled = words.min(description.queue_words);
        Ok(Start {
            dot_period: made.period,
            words,
            filled,
            needed: queue_needed(words, f64::from(DOTS_PER_WORD) * made.period, service),
            service,
            ready: arming.ready.max(world.now + f64::from(filled) * service),
            power: arming.power,
        })
    }
}

/// Draws one line: waits for its facet, lets its time pass, and notes where it lies.
pub(crate) fn expose(world: &mut World, order: &LineOrder) -> Result<Exposed, Fault> {
    let trim = check(world, order)?;
    let Start { dot_period, words, filled, needed, ready, power, .. } =
        Start::new(world, order.dots, order.dot_period)?;
    let underrun = needed > filled;

    let (number, sweep, facet) = wait_for_facet(world, order.facet, ready)?;
    let until = world.now.max(ready) + world.description().turn_most(sweep.speed);
    let target = world.target.unwrap_or(sweep.speed);
    let drifted = drifted(world);
    let begin = sweep.pulse + order.delay + trim.in_scan + drifted;
    let clock = DotClock {
        dots: order.dots,
        dot_period,
        factor: trim.length,
        correction: order.correction.as_ref(),
    };
    let active = clock.time(1.0);
    begin_line(world, begin, active);
    let before = world.acting_trim(order.facet as usize + world.trims.len() - 1);
    let trims = (trim.cross_scan, before.cross_scan);
    let across = across(world, number, begin, active, target, trims);
    let config = &world.config;
    let late = trim.in_scan + drifted + config.laser_rise;
    let strength = world.strength() * trim.power;
    let line = Drawing { config, order, sweep, facet, strength, late, clock, target, across };
    let count = config.gauge.marks;
    let marks = match order.pattern.places() {
        Some(places) => places.iter().map(|at| line.mark(*at)).collect(),
        None => (0..count).map(|k| line.mark(place(k, count))).collect(),
    };
    let drawn = Drawn {
        number,
        marks,
        length: line.length(),
        whole: !underrun && power * strength * facet.reflectivity >= MIN_LIGHT,
        readings: 0,
    };
    world.advance(begin + active);
    let cut = world.arming.is_none();
    world.drawn = Some(Drawn { whole: drawn.whole && !cut, ..drawn });
    if cut {
        return Err(dark(world));
    }
    let period = turn_time(world, number / world.facets(), until);
    Ok(Exposed { time: counted(begin), facet: order.facet, words, underrun, period })
}

/// The time of a turn, as the electronics measure it: from the index pulse that begins it to the one
/// that ends it, each with its own jitter. So the head answers when the turn is over, `until` at the
/// latest: the turn before is over already, but its random jitter is another. Not a number where a
/// pulse does not come or the polygon was disturbed.
fn turn_time(world: &mut World, turn: u64, until: f64) -> f64 {
    let motions = world.motions;
    let index = |world: &World, turn| world.pulses.index(&world.motion, turn);
    let (Some(from), Some(to)) = (index(world, turn), index(world, turn + 1)) else {
        return f64::NAN;
    };
    if to > until {
        return f64::NAN;
    }
    world.advance(to);
    let told = world.motions == motions
        && ![FaultKind::IndexMissing, FaultKind::IndexSlipping].into_iter().any(|f| world.has(f));
    if told { counted(to - from) } else { f64::NAN }
}

/// Begins to draw full lines. The mean power on the medium is that of the laser times the armed share, the
/// reflectivity of the facets that draw, and the share of the time in which dots are on (derived).
pub(crate) fn draw_steadily(world: &mut World, order: &SteadyOrder) -> Result<(), Fault> {
    let Some(arming) = world.arming else {
        return Err(dark(world));
    };
    let description = world.description();
    description.check_steady(order)?;
    let SteadyOrder { dots, dot_period, delay, .. } = *order;
    let drawing = order.facet.map_or(0..description.facets, |facet| facet..facet + 1);
    let mut reflected = 0.0;
    for facet in drawing {
        let pattern = Pattern::TestMarks;
        check(world, &LineOrder { facet, dots, dot_period, delay, pattern, correction: None })?;
        let cut = world.config.facets.get(facet as usize);
        reflected += cut.map_or(0.0, |facet| facet.reflectivity);
    }
    let made = description.clock.nearest(dot_period).map_err(|e| Fault::Refused(e.to_string()))?;
    let turn = TAU / world.target.ok_or(Fault::NotLocked)?;
    let lit = f64::from(dots) * made.period / turn;
    let watts = description.laser_power * arming.power * reflected * lit;
    let (begins, ends) = (arming.ready.max(world.now), world.now + order.seconds);
    // What lies over each other carries no marks that a gauge could read.
    world.drawn = None;
    world.steady = Some(Steady { begins, ends, watts, lit: false });
    Ok(())
}

/// Where mark `k` of `count` lies along the line: one in the middle, or evenly from its start to its
/// end.
fn place(k: u32, count: u32) -> f64 {
    if count == 1 { 0.0 } else { f64::from(k) / f64::from(count - 1) - 0.5 }
}

/// How much the delay from start of scan has grown in the warmth, in s.
pub(crate) fn drifted(world: &World) -> f64 {
    world.config.delay_drift * (world.temperature() - world.config.ambient)
}

/// Lets time pass to the beginning of a line; faults of that line strike in its middle.
pub(crate) fn begin_line(world: &mut World, begin: f64, active: f64) {
    world.lines = world.lines.saturating_add(1);
    let line = world.lines;
    let strikes = world.config.faults.iter().filter(|p| p.when == When::Line(line));
    let struck: Vec<InjectedFault> = strikes.cloned().collect();
    world.advance(begin);
    for fault in struck {
        world.plan_fault(active / 2.0, fault);
    }
}

/// Where the galvanometer is while a line is drawn; `trims` are those of its facet and of the
/// one before.
pub(crate) fn across(
    world: &World,
    number: u64,
    begin: f64,
    active: f64,
    target: f64,
    trims: (f64, f64),
) -> Across {
    let period = TAU / target / world.facets() as f64;
    let stray = world.config.drift * (world.temperature() - world.config.ambient)
        + world.config.wobble * world.noise.normal(Stream::Wobble, number);
    let gap = (period - active).max(0.0);
    Across { galvanometer: world.galvanometer, trims, stray, begin, gap }
}

/// Refuses an order that cannot be drawn; gives the trim of its facet.
pub(crate) fn check(world: &World, order: &LineOrder) -> Result<Trim, Fault> {
    let number = |what, value, low, high| {
        check_range(what, f64::from(value), low, f64::from(high), Dimension::NUMBER)
    };
    number("facet", order.facet, 0.0, world.description().facets - 1)?;
    number("number of dots", order.dots, 1.0, MAX_DOTS)?;
    let trim = world.acting_trim(order.facet as usize);
    let target = world.target.ok_or(Fault::NotLocked)?;
    let period = TAU / target / world.facets() as f64;
    let time = |what, value, low, high| check_range(what, value, low, high, Dimension::TIME);
    let clock = world.description().clock;
    let (shortest, longest) = clock.limits().map_err(|e| Fault::Refused(e.to_string()))?;
    // As made: with the nearest setting of the clock, the trim of the facet, and the quickest of its ratios.
    let ratios = order.correction.iter().flat_map(|correction| &correction.linearity);
    let quickest = ratios.copied().fold(1.0, f64::max);
    let made = clock.nearest(order.dot_period).map_or(order.dot_period, |made| made.period);
    time("time per dot", made, shortest, longest)?;
    let dot = made / trim.length / quickest;
    time("time per dot for this laser", dot, world.description().dot_least, longest.max(dot))?;
    time("pre-scan delay", order.delay, 0.0, period)?;
    time("delay with trim", order.delay + trim.in_scan, 0.0, period)?;
    if let Some(correction) = &order.correction {
        check_correction(world, correction)?;
    }
    let clock = DotClock {
        dots: order.dots,
        dot_period: order.dot_period,
        factor: trim.length,
        correction: order.correction.as_ref(),
    };
    let end = order.delay + trim.in_scan + clock.time(1.0);
    time("end of the line after start of scan", end, 0.0, period)?;
    if let Some(places) = order.pattern.places() {
        world.description().check_map(places)?;
    }
    if let Pattern::Words(words) = &order.pattern {
        let needed = order.dots.div_ceil(DOTS_PER_WORD);
        if words.len() as u64 != u64::from(needed) {
            return Err(Fault::Refused(format!(
                "{} dots are {needed} words of 32, but {} words were given",
                order.dots,
                words.len()
            )));
        }
        let padding = needed * DOTS_PER_WORD - order.dots;
        let stray = words.last().is_some_and(|w| padding > 0 && w & ((1 << padding) - 1) != 0);
        if stray {
            return Err(Fault::Refused(format!(
                "the last {padding} bits pad the last word and must be zero"
            )));
        }
    }
    Ok(trim)
}

/// Refuses a correction that the dot clock cannot follow.
fn check_correction(world: &World, correction: &LineCorrection) -> Result<(), Fault> {
    let LineCorrection { length, linearity: ratios } = correction;
    let most = world.description().line_most * 2.0;
    check_range("length of the line", *length, 0.0, most, Dimension::LENGTH)?;
    if ratios.is_empty() {
        return Ok(());
    }
    let Some(linearity) = world.description().linearity else {
        let why = "this head has one clock ratio along a line: it takes no others";
        return Err(Fault::Refused(why.to_string()));
    };
    if ratios.len() as u64 != u64::from(linearity.segments) {
        let (given, parts) = (ratios.len(), linearity.segments);
        return Err(Fault::Refused(format!("a line has {parts} clock ratios, not {given}")));
    }
    let (low, high) = (1.0 - linearity.range, 1.0 + linearity.range);
    ratios.iter().try_for_each(|ratio| {
        check_range("clock ratio", *ratio, low, high, Dimension::NUMBER).map(drop)
    })
}

/// Lets time pass until the facet asked for begins a line, at `ready` or later.
pub(crate) fn wait_for_facet(
    world: &mut World,
    facet: u32,
    ready: f64,
) -> Result<(u64, Sweep, Facet), Fault> {
    world.advance(ready);
    let n = world.facets();
    let slowest = world.target.ok_or(Fault::NotLocked)?;
    let turns = f64::from(world.description().times.waiting_turns_most);
    let give_up = world.now + turns * world.description().turn_most(slowest);
    let mut dropped = 0;
    let mut passed = 0;
    loop {
        if world.arming.is_none() {
            return Err(dark(world));
        }
        if world.at_rest() || world.next_facet().is_none() {
            let silence = world.description().times.pulse_silence_most;
            world.wait(silence);
            return Err(Fault::no_pulse("index"));
        }
        let next = (world.motion.at(world.now).angle * n as f64 / TAU).floor() as u64 + 1;
        let next = next.max(passed);
        let number = next + (u64::from(facet) + n - next % n) % n;
        // A head that counts from a late index draws with the facet behind.
        let number = number + world.slips(number / n);
        let motions = world.motions;
        let (sweep, cut, until) = world.passage(number)?;
        world.advance(until.min(give_up));
        if world.motions != motions && world.now < give_up {
            continue;
        }
        if until > give_up {
            let why = Fault::no_pulse("start-of-scan");
            return Err(if world.arming.is_none() { dark(world) } else { why });
        }
        passed = number + 1;
        match sweep {
            Some(_) if world.arming.is_none() => return Err(dark(world)),
            Some(sweep) => return Ok((number, sweep, cut)),
            None => {
                dropped += 1;
                if dropped >= MAX_PASSAGES {
                    return Err(Fault::no_pulse("start-of-scan"));
                }
            }
        }
    }
}
