//! A gauge that is a person with a scanner: a page is exposed, the operator scans it, and names the file of the
//! scan. The laser is off while the operator is asked. It is armed again only for light, once the operator has said
//! that all is clear for it.

use crate::operator::{Answer, NoAnswer, Question, Wanted};
use crate::station::{Outcome, Station, StationError};
use core::ops::Range;
use spintrue_head::{
    Call, Calls, Description, ExposedPage, Fault, Laser, LightSource, LineOrder, PageOrder,
    Reading, Trim,
};

/// Asked before light comes out.
pub const READY: &str =
    "Medium in place, other pages out of the way, covers closed, eyewear on: may light come out?";

/// Asked after a sheet was exposed.
pub const SCAN: &str = "File of the scan of the sheet just exposed";

/// How long each question stands in s, as one of a script that does not say.
const LIMIT: f64 = crate::operator::DEFAULT_LIMIT;

/// How often each question of a sheet is asked: what cannot be taken is asked for again.
const MAX_TRIES: u32 = 5;

/// Longest time in s that a scan is read.
const MAX_READ: f64 = 60.0;

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
    /// Planned length of the line in m.
    pub length: f64,
    /// From line to line in m.
    pub pitch: f64,
    /// The trims in force, as far as the head tells them.
    pub trims: &'a [Trim],
}

/// Measures lines by sheets that a person scans.
pub trait SheetGauge {
    /// The page to expose for this sheet; or why there is none.
    fn page(&mut self, order: &SheetOrder<'_>) -> Result<PageOrder, String>;

    /// The page is exposed, and the laser off. What goes wrong here ends the script.
    fn exposed(&mut self, page: &ExposedPage) -> Result<(), String>;

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

/// Longest time in s that a sheet of so many lines takes, people included.
fn sheet_most(head: &Description, lines: u32) -> f64 {
    let asked = f64::from(MAX_TRIES) * (2.0 * LIMIT + MAX_READ);
    asked + head.times.arming_most + head.page_most(f64::from(lines), head.speed_least)
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
            let order = SheetOrder { number: sheets.count, ..order.clone() };
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
        let page = sheets.gauge.page(order).map_err(Fault::Refused)?;
        self.pause()?;
        self.arm_when_clear(sheets)?;
        let exposed = self.expose_page(&page)?;
        self.pause()?;
        sheets.gauge.exposed(&exposed).map_err(Fault::Refused)?;
        let mut why = String::new();
        for _ in 0..MAX_TRIES {
            let Answer::Text(scan) = self.ask_of_sheet(sheets, SCAN, &Wanted::Text)? else {
                continue;
            };
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
