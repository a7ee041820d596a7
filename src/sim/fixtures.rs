//! What stands around a simulated head: signals and channels by name, inputs that follow outputs,
//! and how all this is read. Values are closed forms of the times at which outputs were set. Uses
//! signals, the description reader and noise.

use crate::noise::{Noise, Stream};
use crate::reader::lines::{Names, channel, signal};
use crate::reader::{Reader, Table};
use spintrue_head::{Active, Channel, Dimension, Direction, Fault, Pull, Signal, unknown_name};

/// Longest time in s in which an input follows.
const MAX_FOLLOWING: f64 = 3600.0;

/// What a channel follows that reads the mean power of the beam, and its place among the outputs.
const BEAM: (&str, usize) = ("beam", usize::MAX);

/// Samples of noise per second.
const SAMPLES: f64 = 1e3;

/// How a signal or a channel goes: from where it was at `since` s to where it was last set.
#[derive(Clone, Debug, PartialEq)]
struct Course<V> {
    from: V,
    to: V,
    since: f64,
    /// The output that it follows: a signal after so many s, a channel with this time constant in s.
    follows: Option<(usize, f64)>,
}

impl<V: Copy> Course<V> {
    fn new(begins: V) -> Course<V> {
        Course { from: begins, to: begins, since: 0.0, follows: None }
    }
}

/// Sets an output from `now` on: what follows it goes there, from where it is `at` then. A change back
/// before it is there leaves it as it was.
fn set<'c, V: Copy + PartialEq + 'c>(
    courses: impl Iterator<Item = &'c mut Course<V>>,
    output: usize,
    to: V,
    now: f64,
    at: fn(&Course<V>, f64) -> V,
) {
    for (index, course) in courses.enumerate() {
        let follows = course.follows.is_some_and(|(followed, _)| followed == output);
        if index == output || (follows && course.to != to) {
            (course.from, course.to, course.since) = (at(course, now), to, now);
        }
    }
}

/// A line with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct DrivenSignal {
    signal: Signal,
    course: Course<bool>,
    /// What it was when it got stuck.
    stuck: Option<bool>,
    /// Its wire is broken.
    broken: bool,
}

/// What drives a signal is so at `now`.
fn driven(course: &Course<bool>, now: f64) -> bool {
    match course.follows {
        Some((_, after)) if now < course.since + after => course.from,
        _ => course.to,
    }
}

/// A channel with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct DrivenChannel {
    channel: Channel,
    course: Course<f64>,
    /// Standard deviation of what it reads, in SI.
    noise: f64,
}

/// What a channel without noise reads at `now`.
fn value(course: &Course<f64>, now: f64) -> f64 {
    match course.follows {
        Some((_, constant)) if constant > 0.0 => {
            course.to + (course.from - course.to) * libm::exp(-(now - course.since) / constant)
        }
        _ => course.to,
    }
}

/// All signals and channels, as they stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Fixtures {
    signals: Vec<DrivenSignal>,
    channels: Vec<DrivenChannel>,
}

impl Fixtures {
    /// The signals, as the description has them.
    pub(crate) fn signals(&self) -> impl Iterator<Item = Signal> {
        self.signals.iter().map(|line| line.signal.clone())
    }

    /// The channels, as the description has them.
    pub(crate) fn channels(&self) -> impl Iterator<Item = Channel> {
        self.channels.iter().map(|gauge| gauge.channel.clone())
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.signals.iter().position(|line| line.signal.name == name)
    }

    /// Whether a signal is active.
    pub(crate) fn signal(&self, name: &str, now: f64, noise: Noise) -> Result<bool, Fault> {
        let place = self.place(name).ok_or_else(|| unknown_name("signal", name))?;
        Ok(self.reads(place, now, noise))
    }

    fn reads(&self, place: usize, now: f64, noise: Noise) -> bool {
        let Some(line) = self.signals.get(place) else { return false };
        if let Some(stuck) = line.stuck {
            return stuck;
        }
        if !line.broken {
            return driven(&line.course, now);
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
        let Some(line) = self.signals.get_mut(place) else { return };
        line.course.to = on;
        // What follows a line that is stuck sees no change.
        if line.stuck.is_none() {
            self.set_signal(place, on, now);
        }
    }

    fn set_signal(&mut self, output: usize, on: bool, now: f64) {
        set(self.signals.iter_mut().map(|line| &mut line.course), output, on, now, driven);
    }

    /// What a channel reads; `strength` is that of the laser, as a share.
    pub(crate) fn channel(
        &self,
        name: &str,
        now: f64,
        noise: Noise,
        strength: f64,
    ) -> Result<f64, Fault> {
        let found = self.channels.iter().enumerate().find(|(_, g)| g.channel.name == name);
        let (place, gauge) = found.ok_or_else(|| unknown_name("channel", name))?;
        let mut value = value(&gauge.course, now);
        if gauge.course.follows.is_some_and(|(followed, _)| followed == BEAM.1) {
            value = (strength * value).clamp(gauge.channel.least, gauge.channel.most);
        }
        if gauge.noise == 0.0 {
            return Ok(value);
        }
        let noisy = value + gauge.noise * noise.normal(Stream::Channel, sample(now, place));
        Ok(noisy.clamp(gauge.channel.least, gauge.channel.most))
    }

    /// Sets an output, which it must be.
    pub(crate) fn set_channel(&mut self, name: &str, to: f64, now: f64) {
        let Some(place) = self.channels.iter().position(|g| g.channel.name == name) else { return };
        set(self.channels.iter_mut().map(|gauge| &mut gauge.course), place, to, now, value);
    }

    /// The beam has this mean power in W from now on, at the stated strength of the laser.
    pub(crate) fn shine(&mut self, watts: f64, now: f64) {
        set(self.channels.iter_mut().map(|gauge| &mut gauge.course), BEAM.1, watts, now, value);
    }

    /// A signal stays as it reads now.
    pub(crate) fn stick(&mut self, name: &str, now: f64, noise: Noise) {
        let Some(place) = self.place(name) else { return };
        let reads = self.reads(place, now, noise);
        if let Some(line) = self.signals.get_mut(place) {
            line.stuck = Some(reads);
        }
    }

    /// The wire of an input breaks.
    pub(crate) fn break_wire(&mut self, name: &str) {
        let line = self.place(name).and_then(|place| self.signals.get_mut(place));
        if let Some(line) = line {
            line.broken = true;
        }
    }

    /// Every signal is whole again; what follows a stuck output sees what that was switched to.
    pub(crate) fn mend(&mut self, now: f64) {
        let mut freed = Vec::new();
        for (place, line) in self.signals.iter_mut().enumerate() {
            line.broken = false;
            if line.stuck.take().is_some() && line.signal.direction == Direction::Output {
                freed.push((place, line.course.to));
            }
        }
        for (place, on) in freed {
            self.set_signal(place, on, now);
        }
    }
}

/// The number of a sample of one line.
fn sample(now: f64, place: usize) -> u64 {
    let sample = (now * SAMPLES) as u64;
    sample << 16 | (place as u64 & 0xffff)
}

/// An input that follows an output by name, which may stand further down in the file.
struct Follower<'a, 't> {
    table: Table<'a, 't>,
    input: usize,
    output: String,
    after: f64,
}

/// Reads the last keys of a table, those of an input that follows an output: by name, and in how many s.
fn follower<'a, 't>(
    table: Table<'a, 't>,
    input: usize,
    key: &'static str,
    direction: Direction,
) -> Option<Follower<'a, 't>> {
    let output = table.text("follows");
    let after = table.quantity(key, Dimension::TIME, 0.0..=MAX_FOLLOWING).unwrap_or(0.0);
    table.finish();
    if direction == Direction::Output && table.has("follows") {
        let help = "it is set by scripts; delete the key";
        table.complain_with("follows", "an output follows nothing", help);
        return None;
    }
    if table.has("follows") && table.has("initially") {
        let message = "an input that follows an output has no `initially`";
        table.complain_with("initially", message, "it begins as the output does");
    }
    if table.has(key) && !table.has("follows") {
        let message =
            format!("`{key}` says how late an input follows, and this one follows nothing");
        table.complain_with(key, message, "add `follows`, or delete the key");
    }
    Some(Follower { output: output?, table, input, after })
}

/// Has inputs follow their outputs; `lines` are names, directions and kinds of unit, with their courses.
fn connect<'l, V: Copy + 'l>(
    followers: Vec<Follower<'_, '_>>,
    lines: impl Iterator<Item = ((&'l str, Direction, Dimension), &'l mut Course<V>)>,
) {
    let (lines, mut courses): (Vec<_>, Vec<_>) = lines.unzip();
    for Follower { table, input, output, after } in followers {
        let is_it = |(name, way, _): &(&str, Direction, Dimension)| {
            *name == output && *way == Direction::Output
        };
        let Some(place) = lines.iter().position(is_it) else {
            let message = format!("there is no output `{output}` that this could follow");
            table.complain("follows", message);
            continue;
        };
        let kind = |place| lines.get(place).map(|(_, _, dimension)| dimension);
        if kind(place) != kind(input) {
            let message = format!("the output `{output}` has a unit of another kind");
            table.complain("follows", message);
            continue;
        }
        let begins = courses.get(place).map(|course| course.to);
        if let (Some(begins), Some(course)) = (begins, courses.get_mut(input)) {
            **course = Course { follows: Some((place, after)), ..Course::new(begins) };
        }
    }
}

/// Reads every `[[signal]]` and `[[channel]]`.
pub(crate) fn read(reader: &Reader<'_, '_>) -> Fixtures {
    let mut names = Names::default();
    Fixtures {
        signals: read_signals(reader, &mut names),
        channels: read_channels(reader, &mut names),
    }
}

fn read_signals(reader: &Reader<'_, '_>, names: &mut Names) -> Vec<DrivenSignal> {
    let mut lines: Vec<DrivenSignal> = Vec::new();
    let mut followers = Vec::new();
    for table in reader.list("signal") {
        let signal = signal(&table, names);
        let initially = table.choice("initially", &[("off", false), ("on", true)]);
        followers.extend(follower(table, lines.len(), "after", signal.direction));
        let course = Course::new(initially.unwrap_or(false));
        lines.push(DrivenSignal { signal, course, stuck: None, broken: false });
    }
    let ends = lines.iter_mut().map(|DrivenSignal { signal, course, .. }| {
        ((signal.name.as_str(), signal.direction, Dimension::NUMBER), course)
    });
    connect(followers, ends);
    lines
}

fn read_channels(reader: &Reader<'_, '_>, names: &mut Names) -> Vec<DrivenChannel> {
    let mut gauges: Vec<DrivenChannel> = Vec::new();
    let mut dimensions = Vec::new();
    let mut followers = Vec::new();
    for table in reader.list("channel") {
        let Some((channel, unit)) = channel(&table, names) else { continue };
        let range = channel.least..=channel.most;
        let width = channel.most - channel.least;
        let initially = table.quantity("initially", unit.dimension, range);
        let noise = table.quantity("noise", unit.dimension, 0.0..=width).unwrap_or(0.0);
        followers.extend(follower(table, gauges.len(), "time_constant", channel.direction));
        dimensions.push(unit.dimension);
        let course = Course::new(initially.unwrap_or(channel.initial()));
        gauges.push(DrivenChannel { channel, course, noise });
    }
    let is_output = gauges.iter().any(|DrivenChannel { channel, .. }| {
        channel.name == BEAM.0 && channel.direction == Direction::Output
    });
    let (beams, followers): (Vec<_>, Vec<_>) =
        followers.into_iter().partition(|follower| follower.output == BEAM.0 && !is_output);
    for Follower { table, input, after, .. } in beams {
        if dimensions.get(input) != Some(&Dimension::POWER) {
            table.complain("follows", "the beam is a power, and this channel has another unit");
        } else if let Some(gauge) = gauges.get_mut(input) {
            gauge.course = Course { follows: Some((BEAM.1, after)), ..Course::new(0.0) };
        }
    }
    let gauged = gauges.iter_mut().zip(dimensions);
    let ends = gauged.map(|(DrivenChannel { channel, course, .. }, dimension)| {
        ((channel.name.as_str(), channel.direction, dimension), course)
    });
    connect(followers, ends);
    gauges
}
