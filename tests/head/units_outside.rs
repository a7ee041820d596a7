//! Unit arithmetic against the `uom` crate, a general-purpose library of quantities (SI), and
//! the one place where we differ from such libraries on purpose: a turn is an angle here.

use spintrue_head::{Dimension, parse_quantity, parse_unit, show_quantity};
use uom::si::f64::{
    Acceleration, Angle, AngularVelocity, ElectricPotential, ElectricalResistance, Energy, Force,
    Frequency, Length, Mass, Power, Pressure, TemperatureInterval, ThermodynamicTemperature, Time,
    Velocity,
};
use uom::si::{
    acceleration, angle, angular_velocity, electric_potential, electrical_resistance, energy,
    force, frequency, length, mass, power, pressure, temperature_interval,
    thermodynamic_temperature, time, velocity,
};

fn ours(text: &str) -> f64 {
    parse_quantity(text).unwrap().0
}

fn close(text: &str, theirs: f64) {
    let ours = ours(text);
    assert!(
        (ours - theirs).abs() <= theirs.abs() * 1e-14,
        "{text}: {ours:e} here, {theirs:e} there"
    );
}

/// Conversions to SI, each computed by `uom` 0.38 in the same run.
#[test]
fn conversions_agree_with_uom() {
    close("304.8 mm", Length::new::<length::millimeter>(304.8).value);
    close("12 inch", Length::new::<length::inch>(12.0).value);
    close("7 mil", Length::new::<length::mil>(7.0).value);
    close("6 um", Length::new::<length::micrometer>(6.0).value);
    close("633 nm", Length::new::<length::nanometer>(633.0).value);
    close("2.5 cm", Length::new::<length::centimeter>(2.5).value);
    close("3 km", Length::new::<length::kilometer>(3.0).value);
    close("347.2 ns", Time::new::<time::nanosecond>(347.2).value);
    close("1.25 ms", Time::new::<time::millisecond>(1.25).value);
    close("3 min", Time::new::<time::minute>(3.0).value);
    close("2 h", Time::new::<time::hour>(2.0).value);
    close("2.88 MHz", Frequency::new::<frequency::megahertz>(2.88).value);
    close("90 kHz", Frequency::new::<frequency::kilohertz>(90.0).value);
    close("10 deg", Angle::new::<angle::degree>(10.0).value);
    close("3 arcmin", Angle::new::<angle::minute>(3.0).value);
    close("10 arcsec", Angle::new::<angle::second>(10.0).value);
    close("2 rev", Angle::new::<angle::revolution>(2.0).value);
    close("0.2 mrad", Angle::new::<angle::radian>(0.2e-3).value);
    close(
        "4800 rpm",
        AngularVelocity::new::<angular_velocity::revolution_per_minute>(4800.0).value,
    );
    close("80 rev/s", AngularVelocity::new::<angular_velocity::revolution_per_second>(80.0).value);
    close("360 deg/s", AngularVelocity::new::<angular_velocity::degree_per_second>(360.0).value);
    close("406.4 m/s", Velocity::new::<velocity::meter_per_second>(406.4).value);
    close("9.8 m/s^2", Acceleration::new::<acceleration::meter_per_second_squared>(9.8).value);
    close("25 g", Mass::new::<mass::gram>(25.0).value);
    close("3 mN", Force::new::<force::millinewton>(3.0).value);
    close("80 kPa", Pressure::new::<pressure::kilopascal>(80.0).value);
    close("950 mbar", Pressure::new::<pressure::millibar>(950.0).value);
    close("5 kJ", Energy::new::<energy::kilojoule>(5.0).value);
    close("5 mW", Power::new::<power::milliwatt>(5.0).value);
    close("24 V", ElectricPotential::new::<electric_potential::volt>(24.0).value);
    close("4.7 kohm", ElectricalResistance::new::<electrical_resistance::kiloohm>(4.7).value);
    close(
        "25 degC",
        ThermodynamicTemperature::new::<thermodynamic_temperature::degree_celsius>(25.0).value,
    );
    close("5 K", TemperatureInterval::new::<temperature_interval::kelvin>(5.0).value);
}

/// `uom` too has no radian: a revolution per second and a hertz differ by 2π there, and both
/// count as one kind. Here they are two kinds, and 12000 rpm is 200 rev/s.
#[test]
fn a_turn_is_an_angle_and_never_a_frequency() {
    let rpm = parse_unit("rpm").unwrap();
    assert_eq!(rpm.dimension, Dimension::ROTATION);
    assert_ne!(rpm.dimension, parse_unit("Hz").unwrap().dimension);
    let turns = parse_unit("rev/s").unwrap();
    assert_eq!(
        show_quantity(ours("12000 rpm"), Dimension::ROTATION, Some(&turns), None),
        "200 rev/s"
    );
    let per_turn = Dimension::ROTATION.over(Dimension::ANGLE);
    assert_eq!(per_turn, Some(Dimension::FREQUENCY));
    let rate = ours("12000 rpm") / ours("1 rev");
    assert!((rate - 200.0).abs() < 1e-12);
    let theirs = AngularVelocity::new::<angular_velocity::revolution_per_minute>(12000.0);
    // What a library without angles would call hertz: references give 1256.637.
    assert!((theirs.value - 1256.637).abs() < 1e-3);
}

/// Values of shared reference tables: 1 arcsec = 4.84813681 urad, 1 inch/300 = 84.6666667 um,
/// 1 mil = 25.4 um (from memory, and derived).
#[test]
fn handbook_values() {
    assert!((ours("1 arcsec") - 4.848_136_81e-6).abs() < 1e-14);
    assert!((ours("1 inch") / 300.0 - 84.666_666_7e-6).abs() < 1e-13);
    assert_eq!(ours("1 mil"), 25.4e-6);
    assert!((1.0 / ours("300 dpi") - 84.666_666_7e-6).abs() < 1e-13);
}
