//! The galvanometer: a second-order position loop in closed form, for any damping, behind a limit of
//! its slew: a command moves what the loop follows at that rate from the angle before.

use crate::circle::sincos;
use core::f64::consts::TAU;

/// Time constants after which what is left is lost in the last digit of any angle.
const GONE: f64 = 60.0;

/// The loop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Loop {
    /// Undamped natural frequency in rad/s.
    pub natural: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Fastest slew in rad/s; 0 for no limit.
    pub slew: f64,
}

/// Where the loop is against its target.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Offset {
    /// The angle that it follows now, less the target, in rad.
    followed: f64,
    /// Its own angle less the target, in rad.
    pub(crate) angle: f64,
    /// Rate of its angle in rad/s.
    rate: f64,
}

impl Offset {
    /// At rest at an angle in rad from the target, which it is told of now.
    pub(crate) fn step(angle: f64) -> Offset {
        Offset { followed: angle, angle, rate: 0.0 }
    }
}

impl Loop {
    /// What is left at `time` s of an offset that was `offset` with the rate `rate`, and the
    /// rate of what is left: the free response of x'' + 2ζω·x' + ω²·x = 0.
    pub(crate) fn left(&self, offset: f64, rate: f64, time: f64) -> (f64, f64) {
        let (w, z) = (self.natural, self.damping);
        if time <= 0.0 || (offset == 0.0 && rate == 0.0) {
            return (offset, rate);
        }
        let decay = z * w;
        if z < 1.0 {
            if decay * time > GONE {
                return (0.0, 0.0);
            }
            let wd = w * libm::sqrt(1.0 - z * z);
            let b = (rate + decay * offset) / wd;
            let (sin, cos) = sincos(wd / TAU * time);
            let e = libm::exp(-decay * time);
            let x = e * (offset * cos + b * sin);
            let v = e * ((b * wd - decay * offset) * cos - (offset * wd + decay * b) * sin);
            (x, v)
        } else if z == 1.0 {
            let b = rate + w * offset;
            let e = libm::exp(-w * time);
            (e * (offset + b * time), e * (b - w * (offset + b * time)))
        } else {
            let s = w * libm::sqrt(z * z - 1.0);
            let (fast, slow) = (-decay - s, -decay + s);
            let a = (rate - slow * offset) / (fast - slow);
            let b = offset - a;
            let (ea, eb) = (libm::exp(fast * time), libm::exp(slow * time));
            (a * ea + b * eb, a * fast * ea + b * slow * eb)
        }
    }

    /// Where it is `time` s after it was at `from`.
    ///
    /// While what it follows moves at the rate s, the loop lags behind by 2·ζ·s/ω, and what it is off
    /// beyond that decays like any offset (derived: the error e has e'' + 2ζω·e' + ω²·e = −2ζω·s).
    pub(crate) fn after(&self, from: Offset, time: f64) -> Offset {
        let takes = if self.slew > 0.0 { from.followed.abs() / self.slew } else { 0.0 };
        if takes <= 0.0 {
            let (angle, rate) = self.left(from.angle, from.rate, time);
            return Offset { followed: 0.0, angle, rate };
        }
        let slew = -self.slew.copysign(from.followed);
        let lag = -2.0 * self.damping * slew / self.natural;
        let moves = time.clamp(0.0, takes);
        let (beyond, rate) = self.left(from.angle - from.followed - lag, from.rate - slew, moves);
        let followed = if time < takes { from.followed + slew * moves } else { 0.0 };
        let here = Offset { followed, angle: followed + lag + beyond, rate: rate + slew };
        if time < takes { here } else { self.after(here, time - takes) }
    }

    /// Time in s from which a step of `height` rad stays within `share` of its height, from the
    /// envelope: never too short. A slew makes of it many small steps, the last when it ends (derived).
    pub(crate) fn settling(&self, share: f64, height: f64) -> f64 {
        let (w, z) = (self.natural, self.damping);
        // Walk out until the envelope is inside; each time constant gains a factor of e.
        let slowest = if z < 1.0 { z * w } else { w * (z - libm::sqrt(z * z - 1.0)) };
        let envelope = if z < 1.0 {
            1.0 / libm::sqrt(1.0 - z * z)
        } else {
            // Two real poles, or a double one: bounded by 1 + ω·t, doubled to be safe.
            2.0 * (1.0 + libm::log(1.0 / share))
        };
        let slewed = if self.slew > 0.0 { height / self.slew } else { 0.0 };
        slewed + libm::log(envelope / share) / slowest
    }
}

/// The mirror's motion since the last command.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Galvanometer {
    dynamics: Loop,
    since: f64,
    /// Where it is sent to, in rad.
    pub target: f64,
    /// How it was when that was said.
    from: Offset,
    /// Where it is stuck, in rad.
    stuck: Option<f64>,
}

impl Galvanometer {
    /// Standing still at `angle` rad.
    pub(crate) fn new(dynamics: Loop, angle: f64) -> Galvanometer {
        Galvanometer { dynamics, since: 0.0, target: angle, from: Offset::default(), stuck: None }
    }

    /// Sends it to `angle` rad at `time` s.
    pub(crate) fn send(&mut self, angle: f64, time: f64) {
        let here = self.dynamics.after(self.from, time - self.since);
        let change = self.target - angle;
        let (followed, off) = (here.followed + change, here.angle + change);
        self.from = Offset { followed, angle: off, ..here };
        self.target = angle;
        self.since = time;
    }

    /// Stays where it is at `time` s, whatever it is commanded from now on.
    pub(crate) fn stick(&mut self, time: f64) {
        self.stuck = Some(self.at(time));
    }

    /// Moves again from where it is at `time` s to where it was told to be.
    pub(crate) fn free(&mut self, time: f64) {
        if let Some(angle) = self.stuck.take() {
            self.from = Offset::step(angle - self.target);
            self.since = time;
        }
    }

    /// It does not move any more.
    pub(crate) fn is_stuck(&self) -> bool {
        self.stuck.is_some()
    }

    /// Its mechanical angle at `time` s, in rad.
    pub(crate) fn at(&self, time: f64) -> f64 {
        if let Some(angle) = self.stuck {
            return angle;
        }
        self.target + self.dynamics.after(self.from, time - self.since).angle
    }
}

#[cfg(test)]
mod tests {
    use super::{Galvanometer, Loop};

    #[test]
    fn a_command_on_the_way_makes_no_jump_in_place_or_speed() {
        let cases = [(0.5, 0.0), (1.0, 0.0), (1.7, 0.0), (0.7, 40.0), (0.7, 200.0)];
        for (damping, slew) in cases {
            let dynamics = Loop { natural: 100.0, damping, slew };
            let mut mirror = Galvanometer::new(dynamics, 0.0);
            mirror.send(1.0, 0.0);
            let at = 0.013;
            let (before, h) = (mirror.at(at), 1e-7);
            let slope = (mirror.at(at) - mirror.at(at - h)) / h;
            mirror.send(-2.0, at);
            assert!((mirror.at(at) - before).abs() < 1e-12);
            let after = (mirror.at(at + h) - mirror.at(at)) / h;
            assert!((after - slope).abs() < 0.05, "{damping}: {slope} {after}");
            assert!((mirror.at(2.0) + 2.0).abs() < 1e-9);
        }
    }

    #[test]
    fn settling_is_never_too_short() {
        for damping in [0.2, 0.5, 0.7, 0.99, 1.0, 1.5, 4.0] {
            let dynamics = Loop { natural: 50.0, damping, slew: 0.0 };
            let settled = dynamics.settling(0.001, 1.0);
            for i in 0..2000 {
                let left = dynamics.left(1.0, 0.0, settled + f64::from(i) * 0.001).0;
                assert!(left.abs() <= 0.001, "{damping} {i} {left}");
            }
        }
    }
}
