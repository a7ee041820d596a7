//! Dimensions as exponents of base dimensions, and the kinds that have a name.

use crate::units::table::{UNITS, Unit};

/// A base dimension.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Base {
    /// m
    Length = 0,
    /// s
    Time = 1,
    /// kg
    Mass = 2,
    /// A
    Current = 3,
    /// K
    Temperature = 4,
    /// rad
    Angle = 5,
}

/// How many open dimensions one routine may have (`for any D, E`).
pub const OPEN_DIMENSION: usize = 4;

const BASES: usize = 6;
const SLOTS: usize = BASES + OPEN_DIMENSION;

/// Exponents of the base dimensions, and of the open dimensions of a generic routine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension {
    exponents: [i8; SLOTS],
}

impl Dimension {
    /// A plain number: a count, a ratio, a share.
    pub const NUMBER: Dimension = Dimension { exponents: [0; SLOTS] };
    /// m
    pub const LENGTH: Dimension = Self::of([1, 0, 0, 0, 0, 0]);
    /// s
    pub const TIME: Dimension = Self::of([0, 1, 0, 0, 0, 0]);
    /// K, as a difference
    pub const TEMPERATURE: Dimension = Self::of([0, 0, 0, 0, 1, 0]);
    /// rad
    pub const ANGLE: Dimension = Self::of([0, 0, 0, 0, 0, 1]);
    /// Hz
    pub const FREQUENCY: Dimension = Self::of([0, -1, 0, 0, 0, 0]);
    /// rad/s
    pub const ROTATION: Dimension = Self::of([0, -1, 0, 0, 0, 1]);
    /// m/s
    pub const SPEED: Dimension = Self::of([1, -1, 0, 0, 0, 0]);
    /// 1/m
    pub const RESOLUTION: Dimension = Self::of([-1, 0, 0, 0, 0, 0]);
    /// m/rad
    pub const LENS: Dimension = Self::of([1, 0, 0, 0, 0, -1]);
    /// W
    pub const POWER: Dimension = Self::of([2, -3, 1, 0, 0, 0]);
    /// V
    pub const VOLTAGE: Dimension = Self::of([2, -3, 1, -1, 0, 0]);

    /// From exponents of length, time, mass, current, temperature and angle.
    pub const fn of(base: [i8; BASES]) -> Dimension {
        let [a, b, c, d, e, f] = base;
        Dimension { exponents: [a, b, c, d, e, f, 0, 0, 0, 0] }
    }

    /// The open dimension number `index` of a generic routine; a number past [`OPEN_DIMENSION`].
    pub fn open(index: usize) -> Dimension {
        let mut exponents = [0; SLOTS];
        if let Some(slot) = exponents.get_mut(BASES..).and_then(|open| open.get_mut(index)) {
            *slot = 1;
        }
        Dimension { exponents }
    }

    /// A power of the first open dimension, for signatures.
    pub const fn open_power(exponent: i8) -> Dimension {
        Self::open_powers(exponent, 0)
    }

    /// A product of powers of the first two open dimensions, for signatures.
    pub const fn open_powers(first: i8, second: i8) -> Dimension {
        Dimension { exponents: [0, 0, 0, 0, 0, 0, first, second, 0, 0] }
    }

    /// Exponent of a base dimension.
    pub fn base(self, base: Base) -> i8 {
        self.exponents.get(base as usize).copied().unwrap_or(0)
    }

    /// Exponent of an open dimension.
    pub fn open_exponent(self, index: usize) -> i8 {
        self.exponents.get(BASES + index).copied().unwrap_or(0)
    }

    /// The same without its open dimensions.
    pub fn without_open(self) -> Dimension {
        let [a, b, c, d, e, f, ..] = self.exponents;
        Self::of([a, b, c, d, e, f])
    }

    /// Has open dimensions.
    pub fn is_open(self) -> bool {
        self != self.without_open()
    }

    /// The power of the angle that this is, and nothing else; none for a plain number.
    pub fn angle_power(self) -> Option<i8> {
        let power = self.base(Base::Angle);
        (power != 0 && Self::ANGLE.power(i32::from(power)) == Some(self)).then_some(power)
    }

    /// Is a plain number.
    pub fn is_number(self) -> bool {
        self == Self::NUMBER
    }

    /// Of a product; none when an exponent leaves what can be counted.
    pub fn times(self, other: Dimension) -> Option<Dimension> {
        self.zip(other, i8::checked_add)
    }

    /// Of a quotient.
    pub fn over(self, other: Dimension) -> Option<Dimension> {
        self.zip(other, i8::checked_sub)
    }

    /// Of a whole power.
    pub fn power(self, exponent: i32) -> Option<Dimension> {
        let exponent = i8::try_from(exponent).ok()?;
        self.zip(self, |e, _| e.checked_mul(exponent))
    }

    /// Of a whole root; none where an exponent does not divide.
    pub fn root(self, degree: i8) -> Option<Dimension> {
        self.zip(self, |e, _| (degree != 0 && e % degree == 0).then(|| e / degree))
    }

    fn zip(self, other: Dimension, f: impl Fn(i8, i8) -> Option<i8>) -> Option<Dimension> {
        let mut exponents = [0; SLOTS];
        for ((slot, a), b) in exponents.iter_mut().zip(self.exponents).zip(other.exponents) {
            *slot = f(a, b)?;
        }
        Some(Dimension { exponents })
    }

    /// The named kind with this dimension, if there is one.
    pub fn kind(self) -> Option<&'static Kind> {
        KINDS.iter().find(|k| k.dimension == self)
    }

    /// What it is called in a report: `length`, or `length^2/time`. `open` names the open ones.
    pub fn name(self, open: &[&str]) -> String {
        if let Some(kind) = self.kind() {
            return kind.name.to_string();
        }
        let names = ["length", "time", "mass", "current", "temperature_change", "angle"];
        let names = open
            .iter()
            .copied()
            .enumerate()
            .map(|(i, n)| (BASES + i, n))
            .chain(names.into_iter().enumerate());
        let parts: Vec<(&str, i8)> = names
            .filter_map(|(slot, name)| self.exponents.get(slot).map(|e| (name, *e)))
            .filter(|(_, e)| *e != 0)
            .collect();
        product(&parts)
    }

    /// The coherent SI unit with the names people use, so that it reads back: `V`, `W/m^2`; empty
    /// for a plain number.
    pub fn si(self) -> String {
        let coherent = |unit: &&Unit| unit.factor == 1.0 && unit.zero == 0.0;
        if self.is_number() {
            return String::new();
        }
        if let Some(unit) = UNITS.iter().filter(coherent).find(|unit| unit.dimension == self) {
            return unit.name.to_string();
        }
        // Each derived unit holds mass once, so that its power is that of mass.
        let power = self.base(Base::Mass);
        let derived = DERIVED.iter().filter_map(|name| {
            let unit = UNITS.iter().find(|unit| unit.name == *name)?;
            let rest = self.over(unit.dimension.power(power.into())?)?;
            Some((power.unsigned_abs() as usize + rest.size(), *name, rest))
        });
        match derived.filter(|_| power != 0).min_by_key(|(size, ..)| *size) {
            Some((size, name, rest)) if size < self.size() => {
                let parts = [(name, power)].into_iter().chain(rest.base_parts());
                product(&parts.collect::<Vec<_>>())
            }
            _ => self.base_units(),
        }
    }

    /// How many factors its base units make.
    fn size(self) -> usize {
        self.base_parts().map(|(_, e)| usize::from(e.unsigned_abs())).sum()
    }

    /// The SI base units and the radian: `kg*m/s^2`; empty for a plain number.
    pub fn base_units(self) -> String {
        product(&self.base_parts().collect::<Vec<_>>())
    }

    fn base_parts(self) -> impl Iterator<Item = (&'static str, i8)> {
        let names = [(2, "kg"), (0, "m"), (5, "rad"), (3, "A"), (4, "K"), (1, "s")];
        names
            .into_iter()
            .filter_map(move |(slot, name)| self.exponents.get(slot).map(|e| (name, *e)))
            .filter(|(_, e)| *e != 0)
    }
}

/// Derived units that stand in compound ones, those first that are preferred.
const DERIVED: [&str; 6] = ["V", "W", "ohm", "J", "N", "Pa"];

/// `a*b/c^2` from names and exponents; a negative power leads where nothing stands above.
fn product(parts: &[(&str, i8)]) -> String {
    let power = |name: &str, e: i8| {
        if e == 1 { name.to_string() } else { format!("{name}^{e}") }
    };
    let above: Vec<String> = parts.iter().filter(|p| p.1 > 0).map(|(n, e)| power(n, *e)).collect();
    let below = parts.iter().filter(|p| p.1 < 0);
    if above.is_empty() {
        return below.map(|(n, e)| power(n, *e)).collect::<Vec<_>>().join("*");
    }
    below.fold(above.join("*"), |text, (n, e)| format!("{text}/{}", power(n, -e)))
}

/// A dimension that has a name in scripts, with the units its values are shown in.
#[derive(Debug)]
pub struct Kind {
    /// Name in annotations: `routine f(x: length)`.
    pub name: &'static str,
    /// Its dimension.
    pub dimension: Dimension,
    /// Units for showing, each with the smallest magnitude (in SI) it is used from; the
    /// last also serves what is smaller.
    pub shown_in: &'static [(&'static str, f64)],
}

/// Every named kind. The first with a dimension gives the name used in reports.
pub const KINDS: &[Kind] = &[
    kind("number", [0, 0, 0, 0, 0, 0], &[]),
    kind("length", [1, 0, 0, 0, 0, 0], &[("m", 1.0), ("mm", 1e-3), ("um", 1e-7), ("nm", 0.0)]),
    kind(
        "time",
        [0, 1, 0, 0, 0, 0],
        &[("h", 7200.0), ("min", 120.0), ("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 0.0)],
    ),
    kind("mass", [0, 0, 1, 0, 0, 0], &[("kg", 1.0), ("g", 0.0)]),
    kind("current", [0, 0, 0, 1, 0, 0], &[("A", 1.0), ("mA", 1e-3), ("uA", 0.0)]),
    kind("temperature_change", [0, 0, 0, 0, 1, 0], &[("K", 0.0)]),
    kind(
        "angle",
        [0, 0, 0, 0, 0, 1],
        &[("rev", 6.3), ("deg", 0.01), ("mrad", 1e-3), ("urad", 1e-8), ("nrad", 0.0)],
    ),
    kind("length/angle", [1, 0, 0, 0, 0, -1], &[("mm/rad", 0.0)]),
    kind("area", [2, 0, 0, 0, 0, 0], &[("m^2", 0.01), ("mm^2", 0.0)]),
    kind("frequency", [0, -1, 0, 0, 0, 0], &[("MHz", 1e6), ("kHz", 1e4), ("Hz", 0.0)]),
    kind("rotation", [0, -1, 0, 0, 0, 1], &[("rpm", 0.0)]),
    kind("spin_up_rate", [0, -2, 0, 0, 0, 1], &[("rpm/s", 0.0)]),
    kind("speed", [1, -1, 0, 0, 0, 0], &[("m/s", 0.1), ("mm/s", 0.0)]),
    kind("acceleration", [1, -2, 0, 0, 0, 0], &[("m/s^2", 0.0)]),
    kind("resolution", [-1, 0, 0, 0, 0, 0], &[("dpi", 0.0)]),
    kind("force", [1, -2, 1, 0, 0, 0], &[("kN", 1e3), ("N", 1.0), ("mN", 0.0)]),
    kind("pressure", [-1, -2, 1, 0, 0, 0], &[("MPa", 1e7), ("kPa", 1e3), ("Pa", 0.0)]),
    kind("energy", [2, -2, 1, 0, 0, 0], &[("kJ", 1e3), ("J", 1.0), ("mJ", 1e-3), ("uJ", 0.0)]),
    kind("power", [2, -3, 1, 0, 0, 0], &[("kW", 1e3), ("W", 1.0), ("mW", 1e-3), ("uW", 0.0)]),
    kind("voltage", [2, -3, 1, -1, 0, 0], &[("kV", 1e3), ("V", 1.0), ("mV", 1e-3), ("uV", 0.0)]),
    kind("resistance", [2, -3, 1, -2, 0, 0], &[("kohm", 1e3), ("ohm", 0.0)]),
];

const fn kind(
    name: &'static str,
    base: [i8; BASES],
    shown_in: &'static [(&'static str, f64)],
) -> Kind {
    Kind { name, dimension: Dimension::of(base), shown_in }
}

#[cfg(test)]
mod tests {
    use super::Dimension;
    use crate::units::parse_unit;

    #[test]
    fn names_and_si_units_read_as_written() {
        assert_eq!(Dimension::ROTATION.name(&[]), "rotation");
        let odd = Dimension::LENGTH.power(2).and_then(|d| d.over(Dimension::TIME)).unwrap();
        assert_eq!(odd.name(&[]), "length^2/time");
        assert_eq!(Dimension::VOLTAGE.si(), "V");
        assert_eq!(Dimension::VOLTAGE.base_units(), "kg*m^2/A/s^3");
        assert_eq!(Dimension::RESOLUTION.si(), "m^-1");
        let open = Dimension::open(0).over(Dimension::TIME).unwrap();
        assert_eq!(open.name(&["D"]), "D/time");
        assert_eq!(Dimension::open(0).power(100).and_then(|d| d.power(2)), None);
        assert_eq!(Dimension::LENGTH.root(2), None);
    }

    /// What people write stays as they write it, and is the same unit.
    #[test]
    fn derived_units_keep_their_names() {
        for unit in [
            "Hz", "rad/s", "N", "Pa", "W", "J", "V", "ohm", "A*s", "V*s", "V/s", "V/m", "V^2",
            "W/m^2", "W/m/K", "V/rad", "N/m", "N*s", "Pa*s", "ohm^-1", "J/rad", "W/A^2/m", "V/K",
            "kg*m^2", "kg/m^3", "kg/s", "m^2/s^2", "m^-1", "K/s", "s^2", "m/rad",
        ] {
            let known = parse_unit(unit).unwrap();
            let said = known.dimension.si();
            let back = parse_unit(&said).unwrap();
            assert_eq!((back.dimension, back.factor), (known.dimension, 1.0), "{unit}: {said}");
            let other = ["W/A^2/m"].contains(&unit);
            assert!(said == unit || other, "{unit}: {said}");
        }
        assert_eq!(parse_unit("W/A^2/m").unwrap().dimension.si(), "ohm/m");
    }
}
