//! What stands around a simulated head: signals and channels by name, inputs that follow outputs,
//! and how all this is read. Values are closed forms of the times at which outputs were set. Uses
//! signals, the description reader and noise.

use crate::noise::{Noise, Stream};
use crate::reader::lines::{Names, channel, signal};
use crate::reader::{Reader, Table};
use spintrue_head::{Active, Channel, Dimension, Direction, Fault, Pull, Signal, unknown_name};

/// Longest time in s in which an input follows.
const MAX_FOLLOWING: f64 = 3600.0;

/// Samples of noise per second.
const SAMPLES: f64 = 1e3;

/// A line with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct DrivenSignal {
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

impl DrivenSignal {
    /// What drives it is so at `now`.
    fn driven(&self, now: f64) -> bool {
        if now >= self.changes { self.to } else { self.before }
    }
}

/// A channel with what drives it.
#[derive(Clone, Debug, PartialEq)]
struct DrivenChannel {
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

impl DrivenChannel {
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
    signals: Vec<DrivenSignal>,
    channels: Vec<DrivenChannel>,
}

impl Fixtures {
    /// The signals, as the description has them.
    pub fn signals(&self) -> impl Iterator<Item = Signal> {
        self.signals.iter().map(|line| line.signal.clone())
    }

    /// The channels, as the description has them.
    pub fn channels(&self) -> impl Iterator<Item = Channel> {
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
        let Some(line) = self.signals.get_mut(place) else { return };
        (line.before, line.to, line.changes) = (on, on, now);
        // What follows a line that is stuck sees no change.
        if line.stuck.is_none() {
            self.follow(place, on, now);
        }
    }

    /// An output is `on` from `now`: what follows it is so in a while. A change back before that
    /// leaves it as it was.
    fn follow(&mut self, output: usize, on: bool, now: f64) {
        for line in &mut self.signals {
            let Some((followed, after)) = line.follows else { continue };
            if followed == output && line.to != on {
                line.before = line.driven(now);
                (line.to, line.changes) = (on, now + after);
            }
        }
    }

    /// What a channel reads.
    pub(crate) fn channel(&self, name: &str, now: f64, noise: Noise) -> Result<f64, Fault> {
        let found = self.channels.iter().enumerate().find(|(_, g)| g.channel.name == name);
        let (place, gauge) = found.ok_or_else(|| unknown_name("channel", name))?;
        let value = gauge.at(now);
        if gauge.noise == 0.0 {
            return Ok(value);
        }
        let noisy = value + gauge.noise * noise.normal(Stream::Channel, sample(now, place));
        Ok(noisy.clamp(gauge.channel.least, gauge.channel.most))
    }

    /// Sets an output, which it must be.
    pub(crate) fn set_channel(&mut self, name: &str, value: f64, now: f64) {
        let Some(place) = self.channels.iter().position(|g| g.channel.name == name) else { return };
        for (index, gauge) in self.channels.iter_mut().enumerate() {
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

/// An input that follows an output by name, which may stand further down in the file.
struct Follower<'a, 't> {
    table: Table<'a, 't>,
    input: usize,
    output: String,
    after: f64,
}

/// Reads the keys of an input that follows an output: by name, and in how many s.
fn follows(
    table: &mut Table<'_, '_>,
    key: &'static str,
    direction: Direction,
) -> Option<(String, f64)> {
    let name = table.optional_text("follows");
    let after = table.optional_quantity(key, Dimension::TIME, 0.0..=MAX_FOLLOWING);
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
    Some((name?, after.unwrap_or(0.0)))
}

impl Follower<'_, '_> {
    /// The output that it follows among `outputs`, which come with their names and directions.
    fn find<'n>(&self, outputs: impl Iterator<Item = (&'n String, Direction)>) -> Option<usize> {
        let mut outputs = outputs;
        let found =
            outputs.position(|(name, way)| *name == self.output && way == Direction::Output);
        if found.is_none() {
            let message = format!("there is no output `{}` that this could follow", self.output);
            self.table.complain("follows", message);
        }
        found
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
    for mut table in reader.list("signal") {
        let signal = signal(&mut table, names);
        let initially = table.optional_choice("initially", &[("off", false), ("on", true)]);
        let follows = follows(&mut table, "after", signal.direction);
        table.finish();
        if let Some((output, after)) = follows {
            followers.push(Follower { table, input: lines.len(), output, after });
        }
        let to = initially.unwrap_or(false);
        lines.push(DrivenSignal {
            signal,
            follows: None,
            before: to,
            to,
            changes: 0.0,
            stuck: None,
            broken: false,
        });
    }
    for follower in followers {
        let outputs = lines.iter().map(|line| (&line.signal.name, line.signal.direction));
        let Some(output) = follower.find(outputs) else { continue };
        let begins = lines.get(output).is_some_and(|line| line.to);
        if let Some(line) = lines.get_mut(follower.input) {
            line.follows = Some((output, follower.after));
            (line.before, line.to) = (begins, begins);
        }
    }
    lines
}

fn read_channels(reader: &Reader<'_, '_>, names: &mut Names) -> Vec<DrivenChannel> {
    let mut gauges: Vec<DrivenChannel> = Vec::new();
    let mut dimensions = Vec::new();
    let mut followers = Vec::new();
    for mut table in reader.list("channel") {
        let Some((channel, unit)) = channel(&mut table, names) else { continue };
        let range = channel.least..=channel.most;
        let width = channel.most - channel.least;
        let initially = table.optional_quantity("initially", unit.dimension, range);
        let noise = table.optional_quantity("noise", unit.dimension, 0.0..=width);
        let follows = follows(&mut table, "time_constant", channel.direction);
        table.finish();
        if let Some((output, after)) = follows {
            followers.push(Follower { table, input: gauges.len(), output, after });
        }
        let begins = initially.unwrap_or(channel.initial());
        dimensions.push(unit.dimension);
        gauges.push(DrivenChannel {
            channel,
            noise: noise.unwrap_or(0.0),
            follows: None,
            from: begins,
            to: begins,
            since: 0.0,
        });
    }
    for follower in followers {
        let outputs = gauges.iter().map(|gauge| (&gauge.channel.name, gauge.channel.direction));
        let Some(output) = follower.find(outputs) else { continue };
        if dimensions.get(output) != dimensions.get(follower.input) {
            let message = format!("the output `{}` has a unit of another kind", follower.output);
            follower.table.complain("follows", message);
            continue;
        }
        let begins = gauges.get(output).map_or(0.0, |gauge| gauge.to);
        if let Some(gauge) = gauges.get_mut(follower.input) {
            gauge.follows = Some((output, follower.after));
            (gauge.from, gauge.to) = (begins, begins);
        }
    }
    gauges
}
