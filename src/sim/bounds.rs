//! How long the rotor takes at most: coasting in closed form, settling by coarse steps up to a
//! state from which it is proved to stay inside the window. Exact motions are for [`Rotor::motion`].

use crate::ode::{Control, integrate};
use crate::rotor::{Drive, Rotor};

/// Share of the window that coarse steps aim for; their error stays far inside the rest.
const AIM: f64 = 0.9;

/// Error of one coarse step, as a share of the window. A hundred steps do not add up to the
/// tenth that [`AIM`] leaves.
const STEP_ERROR: f64 = 1e-3;

/// Coarse steps after which the exact motion is asked instead.
const MAX_STEPS: usize = 4000;

/// Error of an integral, as a share of it, and how often an interval is halved at most for it.
const QUADRATURE_ERROR: f64 = 1e-10;
const MAX_HALVINGS: u32 = 40;

/// Integral from `from` to `to` by Gauss-Legendre quadrature with eight points (nodes and weights of the
/// Legendre polynomial P8; exact up to the power of 15).
fn eight_points(rate: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const POINTS: [(f64, f64); 4] = [
        (0.183_434_642_495_649_8, 0.362_683_783_378_362),
        (0.525_532_409_916_329, 0.313_706_645_877_887_3),
        (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
        (0.960_289_856_497_536_3, 0.101_228_536_290_376_3),
    ];
    let (middle, half) = ((from + to) / 2.0, (to - from) / 2.0);
    let both =
        |(at, weight): &(f64, f64)| weight * (rate(middle - half * at) + rate(middle + half * at));
    half * POINTS.iter().map(both).sum::<f64>()
}

/// The same, halved until halves add up to the `whole`.
fn refined(rate: &impl Fn(f64) -> f64, ends: (f64, f64), whole: f64, halvings: u32) -> f64 {
    let (from, to) = ends;
    let middle = (from + to) / 2.0;
    let (left, right) = (eight_points(rate, from, middle), eight_points(rate, middle, to));
    let error = (left + right - whole).abs();
    if halvings == 0 || error <= QUADRATURE_ERROR * (left + right).abs() {
        return left + right;
    }
    refined(rate, (from, middle), left, halvings - 1)
        + refined(rate, (middle, to), right, halvings - 1)
}

impl Rotor {
    /// Time in s that coasting takes from `speed` to rest: I·∫dω/(b + v·ω + w(ω)) from 0 to
    /// the speed, with bearing b, viscous drag v and windage w (derived).
    pub(crate) fn coast_time(&self, speed: f64) -> f64 {
        self.time_against(self.bearing, speed)
    }

    /// Time in s that braking with the largest torque takes from `speed` to rest: as coasting
    /// with that much more bearing drag.
    pub(crate) fn brake_time(&self, speed: f64) -> f64 {
        self.time_against(self.bearing + self.torque_most, speed)
    }

    /// While the speed error asks for so much more torque than there is that the integral rests,
    /// the torque is constant: the speed up to which that is so, and when it is reached.
    fn full_torque(&self, target: f64) -> (f64, f64) {
        // Where asked − limit is as wide as the band of `torque` over which the integral fades.
        let slope = self.proportional - 0.02 * self.integral;
        let speed = target - 1.05 * self.torque_most / slope.max(f64::MIN_POSITIVE);
        if speed > 0.0 {
            // A drag less the torque turns braking round.
            (speed, -self.time_against(self.bearing - self.torque_most, speed))
        } else {
            (0.0, 0.0)
        }
    }

    /// Time in s from `speed` to rest against a constant drag `b` and those that grow with the speed. In
    /// the root u of the speed, windage has no corner at rest: dω = 2·u·du.
    fn time_against(&self, b: f64, speed: f64) -> f64 {
        if b == 0.0 {
            return f64::INFINITY;
        }
        let change = b - self.bearing;
        let rate = |u: f64| 2.0 * u / (self.drag(u * u) + change);
        let corner = libm::sqrt(self.windage.turbulent_from.min(speed));
        let end = libm::sqrt(speed);
        let part = |from: f64, to: f64| {
            refined(&rate, (from, to), eight_points(rate, from, to), MAX_HALVINGS)
        };
        self.inertia * (part(0.0, corner) + part(corner, end))
    }

    /// A speed in rad/s that the loop never passes by more than this when it goes for `target`,
    /// from any state at speeds up to there.
    ///
    /// Let x be the overshoot and q the integral less the drag at the target; both start where
    /// the target is crossed. With monotonic drag, I·x² + q²/kᵢ only falls from then on, and x
    /// only falls where it exceeds q/kₚ. The integral has stopped growing where more torque was
    /// asked for than there is, so q is bounded (derived).
    pub(crate) fn max_overshoot(&self, target: f64) -> f64 {
        // The integral fades out over a band beyond the limit; see `torque`.
        let beyond =
            0.05 * self.torque_most + (0.02 * self.integral - self.proportional).max(0.0) * target;
        let surplus = (self.torque_most + beyond - self.drag(target)).max(0.0);
        let stiffness = libm::sqrt(self.integral * self.inertia).max(self.proportional);
        surplus / stiffness
    }

    /// A time in s by which the speed has come from rest to within `share` of `target` for good;
    /// none where coarse steps cannot prove one.
    ///
    /// With error e and q as in [`Rotor::max_overshoot`], kᵢ·I·e² + q² never grows while the
    /// torque is not limited (its derivative is −2·kᵢ·kₚ·e² and less), so once it is below its
    /// value at the edge of the window, the speed stays inside (derived).
    pub(crate) fn settled_by(&self, target: f64, share: f64) -> Option<f64> {
        let window = AIM * share * target;
        let stiffness = libm::sqrt(self.integral * self.inertia);
        let holds = self.drag(target);
        if holds + (self.proportional + stiffness) * window > self.torque_most {
            return None;
        }
        let drive = Drive::Hold(target);
        let rate = |state: &[f64; 2]| {
            let [speed, integral] = *state;
            let [_, acceleration, growth] = self.rate(drive, &[0.0, speed, integral]);
            [acceleration, growth]
        };
        let control = Control {
            tolerance: [STEP_ERROR * window, STEP_ERROR * window * stiffness],
            longest: self.inertia * target / self.torque_most,
            max_steps: MAX_STEPS,
        };
        let (from, start) = self.full_torque(target);
        // The end of the last step that began outside.
        let mut inside_from = start;
        let mut outside = true;
        let proved = integrate(
            rate,
            [from, 0.0],
            &control,
            |state, _| {
                let [speed, integral] = *state;
                libm::hypot(stiffness * (target - speed), integral - holds) < stiffness * window
            },
            |time, state, _| {
                let [speed, _] = *state;
                if outside {
                    inside_from = start + time;
                }
                outside = (target - speed).abs() > window;
            },
        );
        proved.then_some(inside_from)
    }
}

#[cfg(test)]
mod tests {
    use crate::config::Config;
    use crate::rotor::{Drive, Moment, Rotor};
    use crate::windage::Windage;
    use proptest::prelude::{Strategy, prop_assert, prop_assert_eq, proptest};

    /// Rotors whose loop has the damping and the share of the torque that a builder would give it,
    /// and some that no builder would.
    fn rotors() -> impl Strategy<Value = (Rotor, f64)> {
        let decades = |low: f64, high: f64| (low..high).prop_map(|e| 10.0_f64.powf(e));
        (
            decades(-5.0, -2.0),
            60.0_f64..3000.0,
            decades(0.3, 2.0),
            (0.05_f64..0.85, 0.05_f64..1.0, 0.0_f64..1.0),
            decades(-0.5, 1.5),
            0.2_f64..4.0,
        )
            .prop_map(|(inertia, speed, across, (drag, bearing, air), rate, damping)| {
                let torque_most = inertia * speed / across;
                let drag = torque_most * drag;
                let (bearing, rest) = (drag * bearing, drag * (1.0 - bearing));
                let rotor = Rotor {
                    inertia,
                    torque_most,
                    bearing,
                    viscous: rest * (1.0 - air) / speed,
                    windage: Windage::laminar(rest * air / speed.powf(1.5)),
                    proportional: 2.0 * damping * rate * inertia,
                    integral: rate * rate * inertia,
                };
                (rotor, speed)
            })
    }

    proptest! {
        #[test]
        fn the_bounds_hold_for_the_exact_motion_and_are_not_timid(
            (rotor, speed) in rotors(),
            share in 1e-4_f64..0.02,
        ) {
            let motion = rotor.motion(Drive::Hold(speed), Moment::default());
            let (low, high) = (speed * (1.0 - share), speed * (1.0 + share));
            let exact = motion.last_outside(low, high).unwrap_or(0.0);
            if let Some(bound) = rotor.settled_by(speed, share) {
                prop_assert!(bound >= exact * (1.0 - 1e-3), "{bound} for {exact}");
                // One swing of the loop more, at most: a peak may lie between the two windows.
                let swing = 4.0 * (rotor.inertia / rotor.integral).sqrt()
                    + 4.0 * rotor.proportional / rotor.integral;
                prop_assert!(bound <= 1.1 * exact + swing, "{bound} for {exact}");
            }
            let most = speed + rotor.max_overshoot(speed) + 1e-9 * speed;
            prop_assert_eq!(motion.last_outside(0.0, most), None);
            let from = Moment { speed, ..Moment::default() };
            let rest = rotor.motion(Drive::Coast, from).steady;
            prop_assert!((rotor.coast_time(speed) / rest.time - 1.0).abs() < 1e-6, "{rest:?}");
        }
    }

    #[test]
    fn coasting_takes_the_time_of_the_simple_laws() {
        // b alone: I·ω/b. b and v: I/v·ln(1 + v·ω/b). b and l·ω^1.5, with u = √ω and a = ∛(b/l):
        // 2·I/l·∫u·du/(u³ + a³), by partial fractions. Derived.
        let of = |bearing, viscous, laminar| {
            let windage = Windage::laminar(laminar);
            let rotor = Rotor { bearing, viscous, windage, ..built_in() };
            rotor.coast_time(600.0) / rotor.inertia
        };
        let near = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 1e-9, "{got} {want}");
        near(of(1e-3, 0.0, 0.0), 600.0 / 1e-3);
        near(of(1e-3, 2e-6, 0.0), (1.2_f64).ln_1p() / 2e-6);
        for (b, l) in [(1e-3_f64, 2e-7), (1e-9, 2e-7), (1e-3, 1e-12)] {
            let (u, a) = (600.0_f64.sqrt(), (b / l).cbrt());
            let root = 3.0_f64.sqrt();
            let logarithm = ((u * u - a * u + a * a) / (u + a).powi(2)).ln() / (6.0 * a);
            let arc = ((2.0 * u - a) / (root * a)).atan() + core::f64::consts::FRAC_PI_6;
            // The last row is so near to b alone that the closed form loses digits.
            let loss = if a > 100.0 { 1e-6 } else { 1e-9 };
            let (got, want) = (of(b, 0.0, l), 2.0 / l * (logarithm + arc / (root * a)));
            assert!((got / want - 1.0).abs() < loss, "{got} {want}");
        }
    }

    #[test]
    fn the_built_in_head_needs_no_exact_motion() {
        for speed in [63.0, 300.0, 628.0] {
            assert!(built_in().settled_by(speed, 0.000_25).is_some(), "{speed}");
        }
    }

    fn built_in() -> Rotor {
        Config::read(None, 1).unwrap().rotor
    }
}
