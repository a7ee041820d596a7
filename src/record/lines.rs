//! `lines.csv`: a row for each line that was drawn for the gauge, by RFC 4180, in SI units; and what of it needs no
//! other place in the record.

use crate::record::events::moment;
use spintrue_head::{Exposed, LineOrder, Mark, Pattern, Reading, Stated, Trim, spot_velocity};
use std::f64::consts::TAU;

/// The first row, which names the columns and their units.
pub(crate) const LINES_HEADER: &str = "line,facet,drawn_s,period_s,words,underrun,\
    in_scan_trim_s,cross_scan_trim_rad,pattern,round,time_s,in_scan_m,cross_scan_m,\
    in_scan_standard_uncertainty_m,cross_scan_standard_uncertainty_m,marks_at,marks_in_scan_m,\
    marks_cross_scan_m,marks_dose,marks_width_m,in_scan_stated,cross_scan_stated,dose_u,width_u_m\r\n";

/// Cells of a reading that are empty where there is none.
const UNREAD: &str = ",,,,,,,,,,,,,,,\r\n";

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
    count: u64,
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
        self.count += 1;
        let Exposed { time, facet, words, underrun, period } = exposed;
        let trim = trim.map_or(",".to_string(), |t| format!("{},{}", t.in_scan, t.cross_scan));
        let cells =
            format!("{},{facet},{time},{period},{words},{underrun},{trim},{pattern}", self.count);
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
        let derived =
            [along, across, along_u, across_u].map(|length| (length * 1e12).round() / 1e12);
        let [along, across, along_u, across_u] = derived;
        let list = |of: &dyn Fn(&Mark) -> Option<f64>| {
            let cells = reading.marks.iter().filter_map(of).map(|number| number.to_string());
            cells.collect::<Vec<_>>().join(" ")
        };
        let stated = |of: &Stated| format!("{} {} {} {}", of.random, of.offset, of.slope, of.place);
        text.push_str(&format!(
            ",{round},{},{along},{across},{along_u},{across_u},{},{},{},{},{},{},{},{},{}\r\n",
            moment(time),
            list(&|mark| Some(mark.at)),
            list(&|mark| Some(mark.in_scan)),
            list(&|mark| Some(mark.cross_scan)),
            list(&|mark| Some(mark.dose)),
            list(&|mark| mark.width),
            stated(&reading.in_scan_u),
            stated(&reading.cross_scan_u),
            reading.dose_u,
            reading.width_u.map_or(String::new(), |u| u.to_string()),
        ));
        Cells { text, is_whole: true }
    }

    /// Ends the row of a line that was not read.
    pub(crate) fn end(&mut self) -> String {
        let is_open = self.drawn.take().is_some_and(|drawn| !drawn.is_read);
        if is_open { UNREAD.to_string() } else { String::new() }
    }
}

/// How much further a line lies in its middle than at the planned speed, in m, where its turn took `period` s: the
/// share by which that was faster, of the way of the spot since the pulse. 0 where the head does not tell.
fn hunted(line: &LineOrder, period: f64, (speed, focal_length): (f64, f64)) -> f64 {
    let share = TAU / speed / period - 1.0;
    let middle = line.delay + f64::from(line.dots) * line.dot_period / 2.0;
    let way = share * spot_velocity(speed, focal_length) * middle;
    if way.is_finite() { way } else { 0.0 }
}
