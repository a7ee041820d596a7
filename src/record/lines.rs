//! `lines.csv`: a row for each line that was drawn for the gauge, by RFC 4180, in SI units; and what of it needs no
//! other place in the record.

use crate::record::events::moment;
use spintrue_head::{Exposed, LineOrder, Mark, Pattern, Reading, Stated, Trim, spot_velocity};
use std::f64::consts::TAU;

/// The first row, which names the columns and their units. Lengths are in um, in which they have the fewest digits.
pub(crate) const LINES_HEADER: &str = "facet,drawn_s,period_s,words,underrun,in_scan_trim_s,\
    cross_scan_trim_rad,pattern,round,time_s,in_scan_um,cross_scan_um,\
    in_scan_standard_uncertainty_um,cross_scan_standard_uncertainty_um,marks_at,marks_in_scan_um,\
    marks_cross_scan_um,marks_dose,marks_width_um,in_scan_stated_um,cross_scan_stated_um,dose_u,\
    width_u_um\r\n";

/// Cells of a reading that are empty where there is none.
const UNREAD: &str = ",,,,,,,,,,,,,,,\r\n";

/// Parts of 1 m to which the mean of a reading is written: 0.1 nm, far below what any gauge tells.
const PARTS: f64 = 1e10;

/// What is to be written of a call.
#[derive(Debug, Default)]
pub(crate) struct Cells {
    /// The next part of the file.
    pub text: String,
    /// The file has all of the call that no earlier event has.
    pub is_whole: bool,
}

/// The line that was drawn last.
#[derive(Debug)]
struct Drawn {
    facet: u32,
    is_map: bool,
    /// How much further the hunting of the speed laid its middle, in m.
    hunted: f64,
    /// The cells before the reading, until they have one.
    cells: String,
    is_read: bool,
}

/// The lines so far.
#[derive(Debug, Default)]
pub(crate) struct Lines {
    drawn: Option<Drawn>,
    /// As the last line was ordered, facet aside.
    order: Option<LineOrder>,
}

impl Lines {
    /// Takes a line as it was ordered and drawn, with the trim of its facet where it is known. `planned` are the speed
    /// asked for in rad/s and the focal length of the lens in m.
    pub(crate) fn drawn(
        &mut self,
        order: &LineOrder,
        exposed: &Exposed,
        trim: Option<&Trim>,
        planned: (f64, f64),
    ) -> Cells {
        let ended = self.end();
        if matches!(order.pattern, Pattern::Words(_)) {
            return Cells { text: ended, is_whole: false };
        }
        let is_map = order.pattern.places().is_some();
        let pattern = if is_map { "map" } else { "test marks" };
        let Exposed { time, facet, words, underrun, period } = exposed;
        let trim = trim.map_or(",".to_string(), |t| format!("{},{}", t.in_scan, t.cross_scan));
        let cells = format!("{facet},{time},{period},{words},{underrun},{trim},{pattern}");
        let hunted = hunted(order, *period, planned);
        let order = LineOrder { facet: 0, ..order.clone() };
        let is_whole = self.order.as_ref() == Some(&order);
        self.order = Some(order);
        let text = ended + &cells;
        self.drawn = Some(Drawn { facet: *facet, is_map, hunted, cells, is_read: false });
        Cells { text, is_whole }
    }

    /// Facet and shift along and across, in m, that a reading of the last line tells; without the hunting of the speed.
    /// The mean over a map is another number than that over test marks, and so is none.
    pub(crate) fn shift(&self, reading: &Reading) -> Option<(u32, [f64; 2])> {
        let Drawn { facet, is_map, hunted, .. } = self.drawn.as_ref()?;
        let (along, across) = reading.shift();
        Some((*facet, [if *is_map { f64::NAN } else { along - hunted }, across]))
    }

    /// Takes a reading of the last line at a head time in s; `round` counts the trims under which lines were read, from 1.
    pub(crate) fn read(&mut self, time: f64, round: usize, reading: &Reading) -> Cells {
        let Some(drawn) = &mut self.drawn else { return Cells::default() };
        let mut text = if drawn.is_read { drawn.cells.clone() } else { String::new() };
        drawn.is_read = true;
        let ((along, across), (along_u, across_u)) = (reading.shift(), reading.shift_u());
        let derived = [along, across, along_u, across_u];
        let [along, across, along_u, across_u] =
            derived.map(|si| in_um((si * PARTS).round() / PARTS));
        let list = |of: &dyn Fn(&Mark) -> Option<String>| {
            reading.marks.iter().filter_map(of).collect::<Vec<_>>().join(" ")
        };
        let stated = |of: &Stated| [of.random, of.offset, of.slope, of.place].map(in_um).join(" ");
        let cells = [
            list(&|mark| Some(mark.at.to_string())),
            list(&|mark| Some(in_um(mark.in_scan))),
            list(&|mark| Some(in_um(mark.cross_scan))),
            list(&|mark| Some(mark.dose.to_string())),
            list(&|mark| mark.width.map(in_um)),
            stated(&reading.in_scan_u),
            stated(&reading.cross_scan_u),
            reading.dose_u.to_string(),
            reading.width_u.map_or(String::new(), in_um),
        ];
        let (time, cells) = (moment(time), cells.join(","));
        text.push_str(&format!(
            ",{round},{time},{along},{across},{along_u},{across_u},{cells}\r\n"
        ));
        Cells { text, is_whole: true }
    }

    /// Ends the row of a line that was not read.
    pub(crate) fn end(&mut self) -> String {
        let is_open = self.drawn.take().is_some_and(|drawn| !drawn.is_read);
        if is_open { UNREAD.to_string() } else { String::new() }
    }
}

/// A length in um, with the digits that it has in m: its text times 1e-6 reads back to the same double.
fn in_um(si: f64) -> String {
    let text = format!("{si:e}");
    let shifted = text.split_once('e').and_then(|(digits, power)| {
        let shifted = format!("{digits}e{}", power.parse::<i32>().ok()? + 6);
        // So few digits stay the same in a double.
        if digits.len() > 15 {
            Some(shifted)
        } else {
            Some(shifted.parse::<f64>().ok()?.to_string())
        }
    });
    shifted.unwrap_or(text)
}

/// How much further a line lies in its middle than at the planned speed, in m, where its turn took `period` s: the
/// share by which that was faster, of the way of the spot since the pulse. 0 where the head does not tell.
fn hunted(line: &LineOrder, period: f64, (speed, focal_length): (f64, f64)) -> f64 {
    let share = TAU / speed / period - 1.0;
    let middle = line.delay + f64::from(line.dots) * line.dot_period / 2.0;
    let way = share * spot_velocity(speed, focal_length) * middle;
    if way.is_finite() { way } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::in_um;

    #[test]
    fn lengths_read_back_to_the_same_doubles() {
        let pairs = [
            (-3.32e-5, "-33.2"),
            (4.2e-6, "4.2"),
            (0.0, "0"),
            (1e-10, "0.0001"),
            (1.8000000000000001e-6, "1.8000000000000001e0"),
            (f64::NAN, "NaN"),
        ];
        for (si, text) in pairs {
            assert_eq!(in_um(si), text);
            let back: f64 = if text.contains('e') {
                text.replace("e0", "e-6").parse().unwrap()
            } else {
                format!("{text}e-6").parse().unwrap_or(f64::NAN)
            };
            assert!(back == si || si.is_nan(), "{back} {si}");
        }
    }
}
