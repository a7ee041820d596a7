//! Ranges of what a head can be asked for, and the faults beyond them.

use crate::description::MAX_STEADY;
use crate::optics::{OutOfRegister, Register};
use crate::units::{Dimension, show_quantity};
use crate::{Description, Fault, SteadyOrder, Trim};

/// The fault of a value in SI outside of a range, each shown in the usual unit of its dimension.
pub fn out_of_range(what: &str, value: f64, low: f64, high: f64, dimension: Dimension) -> Fault {
    let text = |v: f64| show_quantity(v, dimension, None, None);
    Fault::OutOfRange {
        what: what.to_string(),
        value: text(value),
        low: text(low),
        high: text(high),
    }
}

/// The value in SI where it lies in a range, else the fault.
pub fn check_range(
    what: &str,
    value: f64,
    low: f64,
    high: f64,
    dimension: Dimension,
) -> Result<f64, Fault> {
    // A converted unit may be off in its last digit.
    let slack = 1e-12 * low.abs().max(high.abs());
    if value >= low - slack && value <= high + slack {
        Ok(value)
    } else {
        Err(out_of_range(what, value, low, high, dimension))
    }
}

impl Description {
    /// The polygon speed in rad/s where the head can run at it, else the fault.
    pub fn check_speed(&self, speed: f64) -> Result<f64, Fault> {
        check_range("polygon speed", speed, self.speed_least, self.speed_most, Dimension::ROTATION)
    }

    /// The mechanical galvanometer angle in rad where the head can steer to it, else the fault.
    pub fn check_angle(&self, angle: f64) -> Result<f64, Fault> {
        let range = self.galvanometer_range;
        check_range("galvanometer angle", angle, -range, range, Dimension::ANGLE)
    }

    /// Refuses to draw steadily with a facet that is not there or for longer than [`MAX_STEADY`]. The head
    /// itself knows whether it can draw such a line.
    pub fn check_steady(&self, order: &SteadyOrder) -> Result<(), Fault> {
        check_range("time of steady drawing", order.seconds, 0.0, MAX_STEADY, Dimension::TIME)?;
        let facet = f64::from(order.facet.unwrap_or(0));
        let last = f64::from(self.facets) - 1.0;
        check_range("facet", facet, 0.0, last, Dimension::NUMBER).map(drop)
    }

    /// Refuses a map with more marks than the head can do, and one whose places do not go along the line.
    pub fn check_map(&self, places: &[f64]) -> Result<(), Fault> {
        let (count, most) = (places.len(), self.map_marks as usize);
        if most == 0 {
            let why = "this head draws no maps: its test lines have marks at places of its own";
            return Err(Fault::Refused(why.to_string()));
        }
        if !(1..=most).contains(&count) {
            let why = format!("a map has 1 to {most} marks on this head, not {count}");
            return Err(Fault::Refused(why));
        }
        for &place in places {
            check_range("place of a mark", place, -0.5, 0.5, Dimension::NUMBER)?;
        }
        match places.iter().zip(places.iter().skip(1)).find(|(before, behind)| before >= behind) {
            None => Ok(()),
            Some((before, behind)) => Err(Fault::Refused(format!(
                "the marks of a map go from the start of the line to its end, each at a place of its own: \
                 {behind} stands behind {before}"
            ))),
        }
    }

    /// Trims as the registers hold them; a fault where they are not one per facet or do not fit.
    pub fn round_trims(&self, trims: &[Trim]) -> Result<Vec<Trim>, Fault> {
        if u32::try_from(trims.len()) != Ok(self.facets) {
            return Err(Fault::Refused(format!(
                "the head has {} facets, but {} trims were given",
                self.facets,
                trims.len()
            )));
        }
        let mut held = Vec::with_capacity(trims.len());
        for (k, trim) in trims.iter().enumerate() {
            let refuse = |which, dimension| {
                move |e: OutOfRegister| {
                    let what = format!("{which} trim of facet {k}");
                    out_of_range(&what, e.value, e.low, e.high, dimension)
                }
            };
            let (time, angle) = (self.in_scan_trim, self.cross_scan_trim);
            held.push(Trim {
                in_scan: time.hold(trim.in_scan).map_err(refuse("in-scan", Dimension::TIME))?,
                cross_scan: angle
                    .hold(trim.cross_scan)
                    .map_err(refuse("cross-scan", Dimension::ANGLE))?,
                power: hold_share(self.power_trim, "power", k, trim.power)?,
                length: hold_share(self.length_trim, "length", k, trim.length)?,
            });
        }
        Ok(held)
    }
}

/// A share or factor near 1 as its register holds it. A head without the register has 1.
fn hold_share(
    register: Option<Register>,
    which: &str,
    facet: usize,
    value: f64,
) -> Result<f64, Fault> {
    let what = format!("{which} trim of facet {facet}");
    match register {
        None if value == 1.0 => Ok(1.0),
        None => Err(Fault::Refused(format!("this head has no {which} trim: the {what} must be 1"))),
        Some(register) => match register.hold(value - 1.0) {
            Ok(held) => Ok(1.0 + held),
            Err(OutOfRegister { low, high, .. }) => {
                Err(out_of_range(&what, value, 1.0 + low, 1.0 + high, Dimension::NUMBER))
            }
        },
    }
}
