//! What stands around a simulated head: signals and channels by name, inputs that follow outputs,
//! and how all this is read. Values are closed forms of the times at which outputs were set. Uses
//! signals, the description reader and noise.

use crate::head::Fault;
use crate::head::read::{Root, Section};
use crate::head::signals::read::{Names, channel, signal};
use crate::head::signals::{Active, Channel, Direction, Pull, Signal, unknown};
use crate::head::sim::noise::{Noise, Stream};
use crate::units::Dimension;
use core::ops::Range;

/// Longest time in s in which an input follows.
const AFTER_MOST: f64 = 3600.0;

/// Samples of noise per second.
const SAMPLES: f64 = 1e3;

/// A line with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct Line {
    signal: Signal,
    /// The output that it follows, and after how many s.
    follows: Option<(usize, f64)>,
    /// Until `changes`, it is this.
    before: bool,
    /// From then on, that.
    to: bool,
    /// When it changes, in s.
    changes: f64,
    /// What it was when it got stuck.
    stuck: Option<bool>,
    /// Its wire is broken.
    broken: bool,
}

impl Line {
    /// What drives it is so at `now`.
    fn driven(&self, now: f64) -> bool {
        if now >= self.changes { self.to } else { self.before }
    }
}

/// A channel with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct Gauge {
    channel: Channel,
    /// Standard deviation of what it reads, in SI.
    noise: f64,
    /// The output that it follows, and its time constant in s.
    follows: Option<(usize, f64)>,
    /// Where it was at `since` s, and where it goes from there.
    from: f64,
    to: f64,
    since: f64,
}

impl Gauge {
    fn at(&self, now: f64) -> f64 {
        match self.follows {
            Some((_, constant)) if constant > 0.0 => {
                self.to + (self.from - self.to) * libm::exp(-(now - self.since) / constant)
            }
            _ => self.to,
        }
    }
}

/// All signals and channels, as they stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fixtures {
    lines: Vec<Line>,
    gauges: Vec<Gauge>,
}

impl Fixtures {
    /// The signals, as the description has them.
    pub fn signals(&self) -> impl Iterator<Item = Signal> {
        self.lines.iter().map(|line| line.signal.clone())
    }

    /// The channels, as the description has them.
    pub fn channels(&self) -> impl Iterator<Item = Channel> {
        self.gauges.iter().map(|gauge| gauge.channel.clone())
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.lines.iter().position(|line| line.signal.name == name)
    }

    /// Whether a signal is active.
    pub(crate) fn signal(&self, name: &str, now: f64, noise: Noise) -> Result<bool, Fault> {
        let place = self.place(name).ok_or_else(|| unknown("signal", name))?;
        Ok(self.reads(place, now, noise))
    }

    fn reads(&self, place: usize, now: f64, noise: Noise) -> bool {
        let Some(line) = self.lines.get(place) else { return false };
        if let Some(stuck) = line.stuck {
            return stuck;
        }
        if !line.broken {
            return line.driven(now);
        }
        let high = match line.signal.pull {
            Pull::Up => true,
            Pull::Down => false,
            Pull::None => noise.uniform(Stream::Floating, sample(now, place)) > 0.5,
        };
        high == (line.signal.active == Active::High)
    }

    /// Switches an output, which it must be.
    pub(crate) fn switch(&mut self, name: &str, on: bool, now: f64) {
        let Some(place) = self.place(name) else { return };
        let Some(line) = self.lines.get_mut(place) else { return };
        (line.before, line.to, line.changes) = (on, on, now);
        // What follows a line that is stuck sees no change.
        if line.stuck.is_none() {
            self.follow(place, on, now);
        }
    }

    /// An output is `on` from `now`: what follows it is so in a while. A change back before that
    /// leaves it as it was.
    fn follow(&mut self, output: usize, on: bool, now: f64) {
        for line in &mut self.lines {
            let Some((followed, after)) = line.follows else { continue };
            if followed == output && line.to != on {
                line.before = line.driven(now);
                (line.to, line.changes) = (on, now + after);
            }
        }
    }

    /// What a channel reads.
    pub(crate) fn channel(&self, name: &str, now: f64, noise: Noise) -> Result<f64, Fault> {
        let found = self.gauges.iter().enumerate().find(|(_, g)| g.channel.name == name);
        let (place, gauge) = found.ok_or_else(|| unknown("channel", name))?;
        let value = gauge.at(now);
        if gauge.noise == 0.0 {
            return Ok(value);
        }
        let noisy = value + gauge.noise * noise.normal(Stream::Channel, sample(now, place));
        Ok(noisy.clamp(gauge.channel.least, gauge.channel.most))
    }

    /// Sets an output, which it must be.
    pub(crate) fn set_channel(&mut self, name: &str, value: f64, now: f64) {
        let Some(place) = self.gauges.iter().position(|g| g.channel.name == name) else { return };
        for (index, gauge) in self.gauges.iter_mut().enumerate() {
            let follows = gauge.follows.is_some_and(|(output, _)| output == place);
            if index == place || (follows && gauge.to != value) {
                (gauge.from, gauge.to, gauge.since) = (gauge.at(now), value, now);
            }
        }
    }

    /// A signal stays as it reads now.
    pub(crate) fn stick(&mut self, name: &str, now: f64, noise: Noise) {
        let Some(place) = self.place(name) else { return };
        let reads = self.reads(place, now, noise);
        if let Some(line) = self.lines.get_mut(place) {
            line.stuck = Some(reads);
        }
    }

    /// The wire of an input breaks.
    pub(crate) fn break_wire(&mut self, name: &str) {
        let line = self.place(name).and_then(|place| self.lines.get_mut(place));
        if let Some(line) = line {
            line.broken = true;
        }
    }

    /// Every signal is whole again; what follows a stuck output sees what that was switched to.
    pub(crate) fn mend(&mut self, now: f64) {
        let mut freed = Vec::new();
        for (place, line) in self.lines.iter_mut().enumerate() {
            line.broken = false;
            if line.stuck.take().is_some() && line.signal.direction == Direction::Output {
                freed.push((place, line.to));
            }
        }
        for (place, on) in freed {
            self.follow(place, on, now);
        }
    }
}

/// The number of a sample of one line.
fn sample(now: f64, place: usize) -> u64 {
    let sample = (now * SAMPLES) as u64;
    sample << 16 | (place as u64 & 0xffff)
}

/// What an input that follows says, to be looked up when all are read: the name, the place of the
/// name in the text, and the input.
struct Wanted {
    name: String,
    place: Range<usize>,
    input: usize,
    after: f64,
}

/// What an input follows, and in how many s.
fn following(
    section: &mut Section<'_, '_>,
    key: &'static str,
    direction: Direction,
) -> Option<(String, Range<usize>, f64)> {
    let name = section.maybe_text("follows");
    let place = section.place("follows");
    let after = section.maybe_quantity(key, Dimension::TIME, 0.0..=AFTER_MOST);
    if direction == Direction::Output && section.has("follows") {
        let help = "it is set by scripts; delete the key".to_string();
        section.complain("follows", "an output follows nothing".to_string(), Some(help));
        return None;
    }
    if section.has("follows") && section.has("initially") {
        let message = "an input that follows an output has no `initially`".to_string();
        section.complain("initially", message, Some("it begins as the output does".to_string()));
    }
    if section.has(key) && !section.has("follows") {
        let message =
            format!("`{key}` says how late an input follows, and this one follows nothing");
        section.complain(key, message, Some("add `follows`, or delete the key".to_string()));
    }
    Some((name?, place, after.unwrap_or(0.0)))
}

/// Reads every `[[signal]]` and `[[channel]]`.
pub(crate) fn read(root: &Root<'_, '_>) -> Fixtures {
    let mut names = Names::default();
    let mut fixtures = Fixtures::default();
    let mut wanted = Vec::new();
    for mut section in root.list("signal") {
        let signal = signal(&mut section, &mut names);
        let initially = section.optional_choice("initially", &["off", "on"]) == Some(1);
        let follows = following(&mut section, "after", signal.direction);
        section.finish();
        let input = fixtures.lines.len();
        wanted.extend(follows.map(|(name, place, after)| Wanted { name, place, input, after }));
        let (before, to, stuck) = (initially, initially, None);
        let line = Line { signal, follows: None, before, to, changes: 0.0, stuck, broken: false };
        fixtures.lines.push(line);
    }
    for Wanted { name, place, input, after } in wanted.drain(..) {
        let output = fixtures.place(&name).filter(|output| {
            let output = fixtures.lines.get(*output);
            output.is_some_and(|line| line.signal.direction == Direction::Output)
        });
        let begins = output.and_then(|output| fixtures.lines.get(output)).is_some_and(|o| o.to);
        match (output, fixtures.lines.get_mut(input)) {
            (Some(output), Some(line)) => {
                line.follows = Some((output, after));
                (line.before, line.to) = (begins, begins);
            }
            _ => {
                let message = format!("there is no output `{name}` that this could follow");
                root.mistakes.add(place, message, None);
            }
        }
    }
    for mut section in root.list("channel") {
        let Some(read) = channel(&mut section, &mut names) else { continue };
        let (dimension, range) = (read.dimension, read.range);
        let widest = range.end() - range.start();
        let initially = section.maybe_quantity("initially", dimension, range.clone());
        let noise = section.maybe_quantity("noise", dimension, 0.0..=widest);
        let follows = following(&mut section, "time_constant", read.channel.direction);
        section.finish();
        let input = fixtures.gauges.len();
        wanted.extend(follows.map(|(name, place, after)| Wanted { name, place, input, after }));
        let begins = initially.unwrap_or(if range.contains(&0.0) { 0.0 } else { *range.start() });
        fixtures.gauges.push(Gauge {
            channel: read.channel,
            noise: noise.unwrap_or(0.0),
            follows: None,
            from: begins,
            to: begins,
            since: 0.0,
        });
    }
    let kinds: Vec<Option<Dimension>> =
        fixtures.gauges.iter().map(|g| g.channel.unit().map(|unit| unit.dimension)).collect();
    for Wanted { name, place, input, after } in wanted {
        let output = fixtures.gauges.iter().position(|gauge| {
            gauge.channel.name == name && gauge.channel.direction == Direction::Output
        });
        let like = output.is_some_and(|output| kinds.get(output) == kinds.get(input));
        let begins = output.and_then(|output| fixtures.gauges.get(output)).map_or(0.0, |g| g.to);
        match (output, fixtures.gauges.get_mut(input)) {
            (Some(output), Some(gauge)) if like => {
                gauge.follows = Some((output, after));
                (gauge.from, gauge.to) = (begins, begins);
            }
            (Some(_), Some(_)) => {
                let message = format!("the output `{name}` has a unit of another kind");
                root.mistakes.add(place, message, None);
            }
            _ => {
                let message = format!("there is no output `{name}` that this could follow");
                root.mistakes.add(place, message, None);
            }
        }
    }
    fixtures
}
