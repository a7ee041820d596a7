//! The rotor: inertia, torque limit, drag and speed loop, and how it moves after a command.
//!
//! A command starts a [`Motion`], worked out at once from its start to its steady end: nodes
//! with cubic interpolation while the speed changes, a closed form from then on. Asking for a
//! state changes nothing, so the answer never depends on who asked before.

use crate::ode::{Control, integrate, step};
use crate::windage::Windage;
use core::cell::Cell;

/// Constants of the rotor and its drive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rotor {
    /// Moment of inertia in kg·m².
    pub inertia: f64,
    /// Largest torque of the drive either way, in N·m.
    pub torque_most: f64,
    /// Drag of the bearing at any speed, in N·m.
    pub bearing: f64,
    /// Drag of the bearing per speed, in N·m·s/rad.
    pub viscous: f64,
    /// Drag of the air.
    pub windage: Windage,
    /// Torque per speed error, in N·m·s/rad.
    pub proportional: f64,
    /// Torque per angle error, in N·m/rad.
    pub integral: f64,
}

/// What the drive does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Drive {
    /// Holds a speed in rad/s: proportional and integral action on the speed error; the
    /// integral rests while more torque is asked for than there is, and would ask for more.
    Hold(f64),
    /// Brakes with its largest torque until the rotor rests.
    Brake,
    /// Gives no torque.
    Coast,
}

/// Where the rotor is at one time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Moment {
    /// Time in s.
    pub time: f64,
    /// Angle since power-on in rad.
    pub angle: f64,
    /// Speed in rad/s, never negative.
    pub speed: f64,
    /// Torque held by the integral of the loop, in N·m.
    pub integral: f64,
}

#[derive(Clone, Copy, Debug)]
struct Node {
    at: Moment,
    acceleration: f64,
    /// Rate of the integral in N·m/s.
    growth: f64,
}

/// How the rotor moves from a command on.
#[derive(Clone, Debug)]
pub(crate) struct Motion {
    nodes: Vec<Node>,
    /// The node behind what was asked for last: most questions are about one time.
    behind: Cell<usize>,
    /// From when on the speed does not change any more, and what it is then.
    pub steady: Moment,
}

/// Share of the speed below which nothing changes any more.
const SETTLED: f64 = 1e-9;

/// Steps after which a motion that finds no end is held at the speed it has reached.
const MAX_STEPS: usize = 60_000;

impl Rotor {
    /// Drag at a speed in N·m.
    pub(crate) fn drag(&self, speed: f64) -> f64 {
        self.bearing + self.viscous * speed + self.windage.torque(speed)
    }

    fn torque(&self, drive: Drive, speed: f64, integral: f64) -> (f64, f64) {
        match drive {
            Drive::Hold(target) => {
                let error = target - speed;
                let asked = self.proportional * error + integral;
                let torque = asked.clamp(-self.torque_most, self.torque_most);
                // Fading out, not switching: a switch would have the integral tremble at the
                // limit, and no step size would be small enough for it.
                let pull = self.integral * error;
                let beyond =
                    if error > 0.0 { asked - self.torque_most } else { -asked - self.torque_most };
                let fade = 0.05 * self.torque_most + 0.02 * pull.abs();
                let growth = pull * (1.0 - (beyond / fade).clamp(0.0, 1.0));
                (torque, growth)
            }
            Drive::Brake => (-self.torque_most, 0.0),
            Drive::Coast => (0.0, 0.0),
        }
    }

    /// Rates of angle, speed and integral.
    pub(crate) fn rate(&self, drive: Drive, state: &[f64; 3]) -> [f64; 3] {
        let [_, speed, integral] = *state;
        let (torque, growth) = self.torque(drive, speed, integral);
        let mut acceleration = (torque - self.drag(speed)) / self.inertia;
        if speed <= 0.0 {
            // Friction holds a resting rotor, it does not turn it backwards.
            acceleration = acceleration.max(0.0);
        }
        [speed.max(0.0), acceleration, growth]
    }

    /// The motion that `drive` makes of a rotor that is at `from`.
    pub(crate) fn motion(&self, drive: Drive, from: Moment) -> Motion {
        let scale = match drive {
            Drive::Hold(target) => target.max(from.speed),
            _ => from.speed,
        }
        .max(1.0);
        let rate = |s: &[f64; 3]| self.rate(drive, s);
        let start = [from.angle, from.speed, from.integral];
        let node = |time: f64, s: &[f64; 3], rates: &[f64; 3]| {
            let [angle, speed, integral] = *s;
            let [_, acceleration, growth] = *rates;
            let at = Moment { time: from.time + time, angle, speed, integral };
            Node { at, acceleration, growth }
        };
        let mut nodes = vec![node(0.0, &start, &rate(&start))];
        let has_settled = |s: &[f64; 3], rates: &[f64; 3]| {
            let [_, speed, integral] = *s;
            let Drive::Hold(target) = drive else { return speed <= 0.0 };
            let [_, acceleration, _] = *rates;
            let (torque, _) = self.torque(drive, speed, integral);
            let limited = torque.abs() >= self.torque_most;
            // What the last digit of the speed makes of the acceleration is still.
            let digit = SETTLED * scale * (1.0 + self.proportional / self.inertia);
            acceleration.abs() < digit && (limited || (target - speed).abs() < SETTLED * scale)
        };
        let mut ended = has_settled(&start, &rate(&start));
        if !ended {
            // What changes the speed sets the scale of time; a long tail behind a short start must come
            // to its end within the steps allowed.
            let (torque, tail) = match drive {
                Drive::Coast => (self.drag(scale), self.coast_time(scale) / 50_000.0),
                _ => (self.torque_most, 0.0),
            };
            let across = self.inertia * scale / torque.max(f64::MIN_POSITIVE);
            let tail = if tail.is_finite() { tail } else { 0.0 };
            let control = Control {
                tolerance: [1e-8, 1e-11 * scale, 1e-11 * self.torque_most.max(1e-12)],
                longest: (across / 500.0).max(0.02).max(tail),
                max_steps: MAX_STEPS,
            };
            let keep = |time: f64, s: &_, rates: &_| nodes.push(node(time, s, rates));
            ended = integrate(rate, start, &control, has_settled, keep);
        }
        let mut steady = nodes.last().map_or(from, |n| n.at);
        match drive {
            Drive::Hold(target) if (target - steady.speed).abs() < 2.0 * SETTLED * scale => {
                steady.speed = target;
            }
            Drive::Brake | Drive::Coast if ended => {
                self.end_at_rest(drive, &mut nodes, &mut steady);
            }
            _ => {}
        }
        Motion { nodes, behind: Cell::new(0), steady }
    }

    /// The last step went past zero: take it again, just so far that the speed is zero.
    fn end_at_rest(&self, drive: Drive, nodes: &mut Vec<Node>, steady: &mut Moment) {
        if nodes.len() < 2 {
            steady.speed = 0.0;
            return;
        }
        nodes.pop();
        let Some(last) = nodes.last().map(|n| n.at) else {
            return;
        };
        // The branch for a resting rotor would bend the step, so friction goes on here.
        let rate = |s: &[f64; 3]| {
            let [_, speed, integral] = *s;
            let (torque, _) = self.torque(drive, speed, integral);
            [speed, (torque - self.drag(speed)) / self.inertia, 0.0]
        };
        let from = [last.angle, last.speed, last.integral];
        let (mut h, mut to) = (0.0, from);
        for _ in 0..30 {
            let [_, speed, _] = to;
            let [_, slope, _] = rate(&to);
            if slope >= 0.0 {
                break;
            }
            h -= speed / slope;
            to = step(rate, &from, &rate(&from), h).to;
        }
        let [angle, ..] = to;
        let [_, acceleration, _] = rate(&[angle, 0.0, 0.0]);
        *steady =
            Moment { time: last.time + h, angle: angle.max(last.angle), speed: 0.0, integral: 0.0 };
        nodes.push(Node { at: *steady, acceleration, growth: 0.0 });
    }
}

/// Cubic through two values with two slopes, at `u` from 0 to 1 over `h`.
fn hermite(a: (f64, f64), b: (f64, f64), h: f64, u: f64) -> f64 {
    let v = 1.0 - u;
    let (va, sa) = a;
    let (vb, sb) = b;
    // Around the first value, so that large angles lose no digits.
    va + u * u * (3.0 - 2.0 * u) * (vb - va) + u * v * h * (v * sa - u * sb)
}

impl Motion {
    /// A rotor at rest since `time`.
    pub(crate) fn at_rest(time: f64, angle: f64) -> Motion {
        let steady = Moment { time, angle, ..Moment::default() };
        Motion { nodes: Vec::new(), behind: Cell::new(0), steady }
    }

    /// Where the rotor is at `time`.
    pub(crate) fn at(&self, time: f64) -> Moment {
        if time >= self.steady.time {
            let since = time - self.steady.time;
            return Moment {
                time,
                angle: self.steady.angle + self.steady.speed * since,
                ..self.steady
            };
        }
        match self.pair(|n| n.at.time <= time) {
            Some((a, b)) => moment(a, b, time),
            None => self.nodes.first().map_or(self.steady, |n| n.at),
        }
    }

    /// The last node that is `before`, and the first that is not.
    fn pair(&self, before: impl Fn(&Node) -> bool) -> Option<(&Node, &Node)> {
        let at = |behind: usize| {
            Some((self.nodes.get(behind.checked_sub(1)?)?, self.nodes.get(behind)?))
        };
        at(self.behind.get()).filter(|(a, b)| before(a) && !before(b)).or_else(|| {
            self.behind.set(self.nodes.partition_point(before));
            at(self.behind.get())
        })
    }

    /// When the rotor passes `angle`; none if it comes to rest before, or has passed it before
    /// this motion began.
    pub(crate) fn passes(&self, angle: f64) -> Option<f64> {
        self.passing(angle).map(|(time, _)| time)
    }

    /// The same, and its speed there.
    pub(crate) fn passing(&self, angle: f64) -> Option<(f64, f64)> {
        if angle > self.steady.angle {
            let Moment { speed, .. } = self.steady;
            let time = self.steady.time + (angle - self.steady.angle) / speed;
            return (speed > 0.0).then_some((time, speed));
        }
        let Some((a, b)) = self.pair(|n| n.at.angle < angle) else {
            return (angle == self.steady.angle).then_some((self.steady.time, self.steady.speed));
        };
        // From the cubic for the time, which is nearly there, by Newton inside a shrinking bracket.
        let (mut low, mut high) = (a.at.time, b.at.time);
        let (way, share) =
            (b.at.angle - a.at.angle, (angle - a.at.angle) / (b.at.angle - a.at.angle));
        let mut time = hermite((low, 1.0 / a.at.speed), (high, 1.0 / b.at.speed), way, share);
        if !(low..=high).contains(&time) {
            time = low + (high - low) * share;
        }
        let slope = (b.at.speed - a.at.speed) / (high - low);
        for _ in 0..60 {
            let (at, speed) = between(a, b, time);
            let off = at - angle;
            let step = off / speed;
            // The next step would be less than that, or follow how the angle is rounded.
            let next = step * step * slope.abs();
            if next <= 1e-15 * speed || off.abs() <= f64::EPSILON * angle.abs() {
                return Some((time - step, (speed - step * slope).max(0.0)));
            }
            if off > 0.0 {
                high = time;
            } else {
                low = time;
            }
            let next = time - step;
            time = if next > low && next < high { next } else { low + (high - low) / 2.0 };
        }
        Some((time, between(a, b, time).1))
    }

    /// The last time at which the speed is outside `low` to `high`; none if it never is.
    pub(crate) fn last_outside(&self, low: f64, high: f64) -> Option<f64> {
        let outside = |speed: f64| speed < low || speed > high;
        if outside(self.steady.speed) {
            return Some(f64::INFINITY);
        }
        let last = self.nodes.iter().rposition(|n| outside(n.at.speed))?;
        // By the next node it is inside.
        self.nodes.get(last + 1).or(self.nodes.get(last)).map(|n| n.at.time)
    }
}

/// How long the way between two nodes takes, and the share of it that has passed at a time.
fn share(a: &Node, b: &Node, time: f64) -> (f64, f64) {
    let h = b.at.time - a.at.time;
    (h, if h > 0.0 { (time - a.at.time) / h } else { 0.0 })
}

/// Angle and speed between two nodes.
fn between(a: &Node, b: &Node, time: f64) -> (f64, f64) {
    let (h, u) = share(a, b, time);
    let angle = hermite((a.at.angle, a.at.speed), (b.at.angle, b.at.speed), h, u);
    let speed = hermite((a.at.speed, a.acceleration), (b.at.speed, b.acceleration), h, u);
    (angle, speed.max(0.0))
}

/// The same with the integral, for a command on the way, which takes the motion over from here.
fn moment(a: &Node, b: &Node, time: f64) -> Moment {
    let ((angle, speed), (h, u)) = (between(a, b, time), share(a, b, time));
    let integral = hermite((a.at.integral, a.growth), (b.at.integral, b.growth), h, u);
    Moment { time, angle, speed, integral }
}
