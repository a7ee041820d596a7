//! Drag of the air on the polygon, taken as a smooth disc that turns in open air, both sides.
//!
//! Laminar flow takes 0.616·π·ρ·R⁴·√(ν·ω³), turbulent flow 0.073·ρ·ω²·R⁵·(ν/(ω·R²))^(1/5)
//! (textbook problem of Bird, Stewart and Lightfoot, read second-hand). The larger of the two acts, so that
//! drag never falls with speed; they meet at a Reynolds number ω·R²/ν of 5.6e4 (derived). Facets, a
//! housing and another gas change the factor (common practice, no source).

use core::f64::consts::PI;

/// Density of air in kg/m³ and its kinematic viscosity in m²/s near 20 °C, rounded (the example of
/// the formulas' source).
const DENSITY: f64 = 1.2;
const VISCOSITY: f64 = 1.5e-5;

/// Drag of the air on one polygon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Windage {
    /// Torque in N·m at a speed of 1 rad/s, growing with its power of 1.5.
    laminar: f64,
    /// The same for turbulent flow, growing with the power of 1.8.
    turbulent: f64,
    /// Speed in rad/s at which turbulence takes over.
    pub(crate) turbulent_from: f64,
}

impl Windage {
    /// On a disc with this radius in m.
    pub(crate) fn of_disc(radius: f64) -> Windage {
        let square = radius * radius;
        let laminar = 0.616 * PI * DENSITY * square * square * libm::sqrt(VISCOSITY);
        let turbulent =
            0.073 * DENSITY * square * square * radius * libm::pow(VISCOSITY / square, 0.2);
        let turbulent_from = libm::pow(laminar / turbulent, 1.0 / 0.3);
        Windage { laminar, turbulent, turbulent_from }
    }

    /// Torque in N·m at a speed in rad/s.
    pub(crate) fn torque(&self, speed: f64) -> f64 {
        // A step of an integration may reach below rest.
        let speed = speed.max(0.0);
        if speed <= self.turbulent_from {
            self.laminar * speed * libm::sqrt(speed)
        } else {
            self.turbulent * libm::pow(speed, 1.8)
        }
    }
}

#[cfg(test)]
impl Windage {
    /// In a vacuum.
    pub(crate) const NONE: Windage =
        Windage { laminar: 0.0, turbulent: 0.0, turbulent_from: f64::INFINITY };

    /// With these factors of the laminar law alone.
    pub(crate) fn laminar(laminar: f64) -> Windage {
        Windage { laminar, ..Windage::NONE }
    }
}

#[cfg(test)]
mod tests {
    use super::Windage;

    #[test]
    fn the_torque_has_the_published_magnitude_and_powers() {
        // R 40 mm at 4800 rpm (502.6548 rad/s), ρ 1.2, ν 1.5e-5: Re = ω·R²/ν = 5.36e4, laminar;
        // 0.616·π·1.2·0.04⁴·√(1.5e-5·502.6548³) = 2.594e-4 N·m by hand.
        let air = Windage::of_disc(0.04);
        let speed = 502.654_8;
        assert!((air.torque(speed) / 2.5943e-4 - 1.0).abs() < 1e-3, "{}", air.torque(speed));
        // R 70 mm: Re = 1.64e5, 0.073·1.2·ω²·0.07⁵·Re^−0.2 = 3.37e-3 N·m by hand.
        let large = Windage::of_disc(0.07).torque(speed);
        assert!((large / 3.369e-3 - 1.0).abs() < 2e-3, "{large}");
        let power = |low: f64| (air.torque(2.0 * low) / air.torque(low)).log2();
        assert!((power(100.0) - 1.5).abs() < 1e-9, "{}", power(100.0));
        assert!((power(1000.0) - 1.8).abs() < 1e-9, "{}", power(1000.0));
        // They meet where 0.616·π·Re^−0.5 = 0.073·Re^−0.2: Re = 5.56e4 by hand.
        let meet = air.turbulent_from * 0.04 * 0.04 / 1.5e-5;
        assert!((meet / 5.56e4 - 1.0).abs() < 0.01, "{meet}");
        let ends = [1.0 - 1e-9, 1.0 + 1e-9].map(|share| air.torque(share * air.turbulent_from));
        assert!((ends[1] / ends[0] - 1.0).abs() < 1e-8, "{ends:?}");
    }
}
