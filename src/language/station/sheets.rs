//! A gauge that is a person with a scanner: a page is exposed, the operator scans it, and names the file of the
//! scan. The laser is off while the operator is asked. It is armed again only for light, once the operator has said
//! that all is clear for it.

use crate::operator::{Answer, NoAnswer, Question, Wanted};
use crate::station::{Outcome, Station, StationError};
use crate::statistics::pattern::{Match, Pulsed, pattern_match, pulse_pattern};
use core::ops::Range;
use spintrue_head::{
    Call, Calls, Description, ExposedPage, Fault, Laser, LightSource, LineOrder, PageOrder,
    PulseAngle, Reading, StartOfScan, Trim,
};
use thiserror::Error;

/// Asked before light comes out.
pub const READY: &str =
    "Medium in place, other pages out of the way, covers closed, eyewear on: may light come out?";

/// Asked after a sheet was exposed.
pub const SCAN: &str = "File of the scan of the sheet just exposed";

/// Asked instead where an earlier run exposed the sheet and ended before it was measured by it.
pub const SCAN_BEFORE: &str = "File of the scan of the sheet that an earlier run exposed";

/// Told where such a sheet serves.
const TAKEN_UP: &str = "The facets are counted from the same one as then. The sheet is not exposed again. The laser is off, and the polygon \
                        still turns.";

/// How long each question stands in s, as one of a script that does not say.
const LIMIT: f64 = crate::operator::DEFAULT_LIMIT;

/// How often each question of a sheet is asked: what cannot be taken is asked for again.
const MAX_TRIES: u32 = 5;

/// Turns in which the places of the facets' pulses are told: their scatter averages down to what they change by.
const PULSE_TURNS: u32 = 50;

/// By how much in rad the place of a pulse may change by itself from run to run (common practice, no source).
const STEADY_ANGLE: f64 = 1e-6;

/// Longest time in s that a scan is read.
pub(crate) const MAX_READ: f64 = 60.0;

/// A sheet that is to be exposed and measured.
#[derive(Clone, Debug)]
pub struct SheetOrder<'a> {
    /// Counted from 1.
    pub number: u32,
    /// Head time in s.
    pub time: f64,
    /// How its lines are drawn. Facet and pattern say nothing.
    pub line: &'a LineOrder,
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Share of full power that the laser was armed at; the station knows it.
    pub power: f64,
    /// Planned length of the line in m.
    pub length: f64,
    /// From line to line in m.
    pub pitch: f64,
    /// The trims in force, as far as the head tells them.
    pub trims: &'a [Trim],
}

/// A sheet that an earlier run exposed and that was not measured then.
#[derive(Clone, Debug, PartialEq)]
pub struct EarlierSheet {
    /// When it was exposed, in words.
    pub at: String,
    /// The pulses of the facets at that time; none where the head does not tell them.
    pub pulses: Vec<PulseAngle>,
}

/// Measures lines by sheets that a person scans.
pub trait SheetGauge {
    /// This sheet as an earlier run exposed it: then it is not exposed again, and scans of that one are read. Or why that
    /// one cannot serve for this order.
    fn exposed_before(&mut self, order: &SheetOrder<'_>) -> Result<Option<EarlierSheet>, String>;

    /// The page to expose for this sheet; or why there is none.
    fn page(&mut self, order: &SheetOrder<'_>) -> Result<PageOrder, String>;

    /// The page of this sheet is exposed, and the laser off. `pulses` is what an [`EarlierSheet`] holds. What goes wrong
    /// here ends the script.
    fn exposed(
        &mut self,
        order: &SheetOrder<'_>,
        page: &ExposedPage,
        pulses: &[PulseAngle],
    ) -> Result<(), String>;

    /// What the scan in a file tells of the sheet exposed last: one look or more, all of different lines, each with
    /// a reading of every facet. Or why it tells nothing.
    fn read(&mut self, scan: &str) -> Result<Vec<Vec<Reading>>, String>;

    /// Tells the operator something, on one line.
    fn tell(&mut self, text: &str);
}

/// The gauge, and where measuring by it stands.
pub(crate) struct Sheets {
    gauge: Box<dyn SheetGauge>,
    /// Sheets exposed so far.
    count: u32,
    /// The sheet that was read last, while nothing has changed since.
    read: Option<Sheet>,
    /// Share of full power of the last arming.
    power: f64,
    /// The laser was disarmed for a sheet inside of what the script holds armed.
    paused: bool,
    /// Questions that were answered and not told yet.
    answered: Vec<Answered>,
}

/// A question, its answer, and who gave it.
pub(crate) type Answered = (&'static str, String, String);

/// A sheet that was read.
struct Sheet {
    line: LineOrder,
    speed: f64,
    looks: Vec<Vec<Reading>>,
    /// Looks of each facet that were given out.
    given: Vec<usize>,
}

impl Sheet {
    /// Every one of these facets has a look that was not given out, at a line of the same plan.
    fn has(&self, order: &SheetOrder<'_>, facets: Range<u32>) -> bool {
        let left = |facet: u32| {
            self.given.get(facet as usize).is_some_and(|given| *given < self.looks.len())
        };
        *order.line == self.line && order.speed == self.speed && facets.into_iter().all(left)
    }

    fn give(&mut self, facet: u32) -> Option<Reading> {
        let facet = facet as usize;
        let given = self.given.get_mut(facet)?;
        let reading = self.looks.get(*given)?.get(facet)?.clone();
        *given += 1;
        Some(reading)
    }
}

impl Sheets {
    pub(super) fn end_pause(&mut self) {
        self.paused = false;
    }
}

/// Facets are not known to be counted from the same one as they were.
#[derive(Debug, Error)]
enum CountedOtherwise {
    #[error("the index has moved by {0} facets since")]
    Moved(usize),
    #[error("the pulses of facets do not come where they came: another polygon")]
    OtherPolygon,
    #[error("the pulses of facets do not tell whether they are still counted from the same one")]
    CannotTell,
}

/// Facets are counted from the same one as they were.
fn same_facets(before: &[PulseAngle], now: &[PulseAngle]) -> Result<(), CountedOtherwise> {
    let angles = |pulses: &[PulseAngle]| -> Vec<(f64, f64)> {
        pulses.iter().map(|pulse| (pulse.angle, pulse.u)).collect()
    };
    if before.len() != now.len() {
        return Err(CountedOtherwise::CannotTell);
    }
    match pattern_match(&angles(before), &angles(now), STEADY_ANGLE).0 {
        Match::At(0, _) => Ok(()),
        Match::At(rotation, _) => Err(CountedOtherwise::Moved(rotation)),
        Match::Nowhere(_) => Err(CountedOtherwise::OtherPolygon),
        Match::CannotTell => Err(CountedOtherwise::CannotTell),
    }
}

/// Longest time in s that a sheet of so many lines takes, people included.
fn sheet_most(head: &Description, lines: u32) -> f64 {
    let asked = f64::from(MAX_TRIES) * (2.0 * LIMIT + MAX_READ);
    let pulses = head.turns_most(f64::from(PULSE_TURNS), head.speed_least);
    asked + pulses + head.times.arming_most + head.page_most(f64::from(lines), head.speed_least)
}

impl Station {
    /// Measures by sheets of at most so many lines from now on.
    pub fn set_sheet_gauge(&mut self, gauge: Box<dyn SheetGauge>, lines: u32) {
        self.description.times.sheet_most = sheet_most(&self.description, lines);
        let (read, answered) = (None, Vec::new());
        let sheets = Sheets { gauge, count: 0, read, power: 0.0, paused: false, answered };
        self.sheets = Some(Box::new(sheets));
    }

    /// Lines are measured by sheets.
    pub(crate) fn measures_by_sheets(&self) -> bool {
        self.sheets.is_some()
    }

    /// Questions of sheets that were answered since this was asked last.
    pub(crate) fn take_answered(&mut self) -> Vec<Answered> {
        self.sheets.as_mut().map(|sheets| std::mem::take(&mut sheets.answered)).unwrap_or_default()
    }

    /// A reading of each of these facets, all of one sheet. The sheet read last serves as long as it has lines of
    /// each that were not given out, and nothing was commanded and no time let pass since; otherwise a new one is
    /// exposed.
    pub(crate) fn sheet_readings(
        &mut self,
        order: &SheetOrder<'_>,
        facets: Range<u32>,
    ) -> Outcome<Vec<Reading>> {
        let Some(mut sheets) = self.sheets.take() else { return Err(Fault::NoGauge.into()) };
        let taken = self.served(&mut sheets, order, facets);
        self.sheets = Some(sheets);
        taken
    }

    fn served(
        &mut self,
        sheets: &mut Sheets,
        order: &SheetOrder<'_>,
        facets: Range<u32>,
    ) -> Outcome<Vec<Reading>> {
        if !self.armed && !sheets.paused {
            return Err(Fault::NotArmed.into());
        }
        if !sheets.read.as_ref().is_some_and(|sheet| sheet.has(order, facets.clone())) {
            sheets.read = None;
            sheets.count += 1;
            let order = SheetOrder { number: sheets.count, power: sheets.power, ..order.clone() };
            let looks = self.exposed_and_read(sheets, &order);
            sheets.paused = !self.armed;
            let given = vec![0; self.description.facets as usize];
            let line = order.line.clone();
            sheets.read = Some(Sheet { line, speed: order.speed, looks: looks?, given });
        }
        let missing = || Fault::Refused("the sheet does not tell of every facet".to_string());
        let sheet = sheets.read.as_mut();
        let readings = sheet.and_then(|sheet| facets.map(|facet| sheet.give(facet)).collect());
        readings.ok_or_else(|| missing().into())
    }

    fn exposed_and_read(
        &mut self,
        sheets: &mut Sheets,
        order: &SheetOrder<'_>,
    ) -> Outcome<Vec<Vec<Reading>>> {
        let before = sheets.gauge.exposed_before(order).map_err(Fault::Refused)?;
        let question = match &before {
            Some(before) => {
                let counted = same_facets(&before.pulses, &self.pulses_now()?);
                counted.map_err(|why| {
                    let number = order.number;
                    let why = format!("sheet {number} of the earlier run cannot serve: {why}");
                    Fault::Refused(format!("{why}. Expose all sheets anew"))
                })?;
                self.pause()?;
                sheets.gauge.tell(TAKEN_UP);
                SCAN_BEFORE
            }
            None => {
                self.expose_sheet(sheets, order)?;
                SCAN
            }
        };
        let mut why = String::new();
        for _ in 0..MAX_TRIES {
            let Answer::Text(scan) = self.ask_of_sheet(sheets, question, &Wanted::Text)? else {
                continue;
            };
            if let (Some(before), Some((_, shown, _))) = (&before, sheets.answered.last_mut()) {
                *shown = format!("{shown} (sheet {}, exposed {})", order.number, before.at);
            }
            match sheets.gauge.read(&scan) {
                Ok(looks) => return Ok(looks),
                Err(refused) => {
                    sheets.gauge.tell(&refused);
                    why = refused;
                }
            }
            self.go_on()?;
        }
        Err(StationError::NoAnswer(NoAnswer::Wrong(format!(
            "no scan of the sheet could be read in {MAX_TRIES} tries: {why}"
        ))))
    }

    fn expose_sheet(&mut self, sheets: &mut Sheets, order: &SheetOrder<'_>) -> Outcome<()> {
        let page = sheets.gauge.page(order).map_err(Fault::Refused)?;
        self.pause()?;
        self.arm_when_clear(sheets)?;
        let pulses = self.pulses_now()?;
        let exposed = self.expose_page(&page)?;
        self.pause()?;
        Ok(sheets.gauge.exposed(order, &exposed, &pulses).map_err(Fault::Refused)?)
    }

    /// Where the pulse of each facet comes; none where the head does not tell it, or only with a beam that is off.
    fn pulses_now(&mut self) -> Outcome<Vec<PulseAngle>> {
        let head = &self.description;
        let is_lit = head.detector.source == LightSource::Own || self.armed;
        if head.start_of_scan != StartOfScan::EveryFacet || !is_lit {
            return Ok(Vec::new());
        }
        let facets = head.facets as usize;
        let turns = self.turns(PULSE_TURNS)?;
        let timed = turns.iter().filter(|turn| turn.pulses.len() == turn.start_of_scan as usize);
        let timed =
            timed.map(|turn| Pulsed { period: turn.period, pulses: &turn.pulses, ends: &[] });
        let timed: Vec<Pulsed<'_>> = timed.collect();
        let pattern = pulse_pattern(&timed, if timed.is_empty() { 0 } else { facets });
        Ok(pattern.iter().map(|facet| PulseAngle { angle: facet.angle, u: facet.u }).collect())
    }

    /// Disarms, and sees that no light can come out.
    fn pause(&mut self) -> Outcome<()> {
        self.disarm()?;
        if self.status()?.laser == Laser::Off {
            return Ok(());
        }
        let why = "the head was disarmed and says that its laser is armed: no operator is asked to go near";
        Err(Fault::Broken(why.to_string()).into())
    }

    /// Arms once the operator says that light may come out, and with the interlock closed.
    fn arm_when_clear(&mut self, sheets: &mut Sheets) -> Outcome<()> {
        for _ in 0..MAX_TRIES {
            if self.ask_of_sheet(sheets, READY, &Wanted::Flag)? != Answer::Flag(true) {
                let why = "the operator says that no light may come out";
                return Err(Fault::Refused(why.to_string()).into());
            }
            if self.status()?.interlock_closed {
                return self.arm(sheets.power);
            }
            sheets.gauge.tell("the interlock is open: close the covers");
        }
        Err(Fault::InterlockOpen.into())
    }

    fn ask_of_sheet(
        &mut self,
        sheets: &mut Sheets,
        text: &'static str,
        wanted: &Wanted,
    ) -> Outcome<Answer> {
        let (answer, who) = self.ask(&Question { text, wanted, limit: LIMIT })?;
        let shown = match &answer {
            Answer::Flag(flag) => if *flag { "yes" } else { "no" }.to_string(),
            Answer::Text(text) => text.clone(),
            Answer::Quantity(_) => String::new(),
        };
        sheets.answered.push((text, shown, who));
        Ok(answer)
    }

    /// Before a call: a sheet does not serve once the head is commanded otherwise or time was let pass. Where the
    /// laser was disarmed for a sheet, a call that needs light arms it again, if the operator lets it.
    pub(super) fn see_to_sheets(&mut self, call: &Call) -> Outcome<()> {
        let Some(sheets) = &mut self.sheets else { return Ok(()) };
        let lights_detector = matches!(call, Call::Turns { .. })
            && self.description.detector.source == LightSource::Beam;
        let needs_light = call.check_armed(&self.description, false) == Err(Fault::NotArmed);
        match call {
            Call::Arm { power } if *power == sheets.power => {}
            Call::Arm { power } => {
                sheets.power = *power;
                sheets.read = None;
            }
            _ if call.row().moves || matches!(call, Call::Sleep { .. }) => sheets.read = None,
            _ => {}
        }
        if !((needs_light || lights_detector) && sheets.paused) {
            return Ok(());
        }
        let Some(mut sheets) = self.sheets.take() else { return Ok(()) };
        let armed = self.arm_when_clear(&mut sheets);
        sheets.paused = !self.armed;
        self.sheets = Some(sheets);
        armed
    }
}
