//! `--gauge print`: lines are measured by charts that the head exposes and a person scans. A sheet's chart, its reading
//! and, of a simulated head, its picture go into a folder.

use crate::disk::{Force, Place, make_folder, read_text};
use crate::error::{Error, invalid};
use crate::record::ScannedSheets;
use crate::setup::charts::ScriptImages;
use crate::setup::options::{Allow, length, length_or_zero};
use crate::setup::scans::{Pictures, read_layout, read_sheet, say};
use crate::setup::{Opened, read_ruler};
use crate::terminal::told;
use clap::{Args, ValueEnum};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use spintrue_chart::{Layout, Ruler, Spec, draw};
use spintrue_head::{Bitmap, Description, ExposedPage, PageOrder, PulseAngle, Reading, Trim};
use spintrue_language::{EarlierSheet, Effect, SheetGauge, SheetOrder};
use spintrue_sim::{Medium, Showing};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// White border of a sheet in m, into which no head is asked to draw.
pub(crate) const MARGIN: f64 = 8e-3;

/// How far in m facets may lie off as a rule where their trims are stepped as well.
const REACH: f64 = 100e-6;

/// The ending of the file that tells of a sheet that was exposed.
const EXPOSED: &str = "exposed.json";

/// An older sheet tells no more how a head draws (common practice, no source).
const MAX_AGE: SignedDuration = SignedDuration::from_hours(24);

/// Finest lines of a sheet in m (2400 dpi).
const MIN_PITCH: f64 = 25.4e-3 / 2400.0;

// What a chart's sheet is.
#[derive(Args, Default)]
pub(crate) struct SheetOptions {
    /// Sheet on which it is exposed: A4, letter, or its sides along and across the lines, such as 200x150mm [default: A4]
    #[arg(long, value_name = "SHEET", value_parser = sides)]
    sheet: Option<[f64; 2]>,
    /// Places along the line at which marks lie [default: 5]
    #[arg(long, value_name = "N")]
    places: Option<u32>,
    /// How far facets may lie off their place, either way [default: 60 um; of a run 100 um]
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    reach: Option<f64>,
    /// Width of the empty strip for a ruler along the lines, such as 16mm or 0mm [default: 16 mm; of a run 0 mm without
    /// a ruler]
    #[arg(long, value_name = "LENGTH", value_parser = length_or_zero)]
    ruler_space: Option<f64>,
}

/// The sides of a sheet along and across the lines: the longer one along.
fn sides(text: &str) -> Result<[f64; 2], Error> {
    match text.to_ascii_lowercase().as_str() {
        "a4" => return Ok([297e-3, 210e-3]),
        "letter" => return Ok([11.0 * 25.4e-3, 8.5 * 25.4e-3]),
        _ => {}
    }
    let sides = text.strip_suffix("mm").and_then(|sides| sides.trim().split_once('x'));
    let side =
        |text: &str| text.trim().parse::<f64>().ok().filter(|side| (50.0..=2000.0).contains(side));
    let both = sides.and_then(|(along, across)| Some([side(along)?, side(across)?]));
    both.map(|sides| sides.map(|side| side * 1e-3)).ok_or_else(|| {
        invalid!("write A4, letter, or two sides from 50 to 2000 mm, such as 200x150mm")
    })
}

/// The lines of a chart.
pub(crate) struct ChartLines {
    /// Polygon speed in rad/s.
    pub speed: f64,
    pub dots: u32,
    /// From dot to dot and from line to line, in m.
    pub pitches: [f64; 2],
}

impl SheetOptions {
    /// Its sides in m.
    pub(crate) fn sides(&self) -> [f64; 2] {
        self.sheet.unwrap_or([297e-3, 210e-3])
    }

    /// What a chart of these lines is made for.
    pub(crate) fn spec(
        &self,
        head: &Description,
        lines: &ChartLines,
        trims: &[Trim],
        date: String,
    ) -> Spec {
        let [along, across] = lines.pitches;
        let height = self.sides()[1] - 2.0 * MARGIN;
        Spec {
            model: head.model.clone(),
            serial: head.serial.clone(),
            facets: head.facets,
            first_facet: 0,
            speed: lines.speed,
            dots: lines.dots,
            lines: (height / across).floor() as u32,
            in_scan_pitch: along,
            cross_scan_pitch: across,
            places: self.places.unwrap_or(5),
            reach: self.reach.unwrap_or(60e-6),
            ruler_space: self.ruler_space.unwrap_or(16e-3),
            trims: told::trims(trims).unwrap_or_else(|| "none".to_string()),
            date,
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum GaugeKind {
    Print,
}

// A print as the gauge.
#[derive(Args)]
#[command(next_help_heading = "A print as the gauge (see `spintrue docs chart`)")]
pub(crate) struct PrintOptions {
    /// Measure lines by charts that the head exposes and you scan, instead of by the gauge of the station
    #[arg(long, value_name = "GAUGE", requires = "folder")]
    gauge: Option<GaugeKind>,
    /// Folder for the chart and the reading of each sheet, made where there is none; without `--gauge print`, for what the
    /// medium of a simulated head shows of each chart that a script exposes
    #[arg(long = "sheets", value_name = "DIR")]
    folder: Option<PathBuf>,
    #[command(flatten)]
    sheet: SheetOptions,
    /// Go on after an interruption: sheets in the folder that the earlier run exposed are not exposed again, and only their
    /// scans are asked for
    #[arg(long, requires = "gauge")]
    resume: bool,
    /// The certificate of a ruler that lies in the empty strip of each sheet, also of those that `read_chart` reads, its
    /// first mark towards the first dots
    #[arg(long, value_name = "RULER.toml")]
    ruler: Option<PathBuf>,
}

impl PrintOptions {
    /// Lines are measured by prints.
    pub(crate) fn is_on(&self) -> bool {
        self.gauge.is_some()
    }

    /// Refuses limits that allow no questions.
    pub(crate) fn check_allowed(&self, allow: &Allow) -> Result<(), Error> {
        if self.is_on() && allow.effects.as_ref().is_some_and(|all| !all.contains(&Effect::Asks)) {
            return Err(invalid!(
                "a print as the gauge asks the operator, which `--allow` does not: add `asks`"
            ));
        }
        Ok(())
    }

    /// Refuses a certificate of another gauge.
    pub(crate) fn check_alone(&self, opened: &Opened) -> Result<(), Error> {
        if self.is_on() && opened.gauge_file.is_some() {
            return Err(invalid!(
                "`--gauge-file` is the certificate of a gauge, and a print has none: leave one of the two out"
            ));
        }
        Ok(())
    }

    /// The options as they were given.
    pub(crate) fn arguments(&self) -> Vec<(&'static str, String)> {
        let SheetOptions { sheet, places, reach, ruler_space } = self.sheet;
        let path = |path: &PathBuf| path.display().to_string();
        let mm = |length: f64| format!("{} mm", length * 1e3);
        let given = [
            ("--gauge", self.gauge.map(|_| "print".to_string())),
            ("--sheets", self.folder.as_ref().map(path)),
            ("--ruler", self.ruler.as_ref().map(path)),
            ("--sheet", sheet.map(|[along, across]| format!("{}x{}mm", along * 1e3, across * 1e3))),
            ("--places", places.map(|places| places.to_string())),
            ("--reach", reach.map(mm)),
            ("--ruler-space", ruler_space.map(mm)),
        ];
        given.into_iter().filter_map(|(name, value)| Some((name, value?))).collect()
    }

    /// Refuses options without effect in a script that reads no charts.
    pub(crate) fn check_needed(&self, reads_charts: bool) -> Result<(), Error> {
        match self.arguments().first() {
            Some((name, _)) if !(self.is_on() || reads_charts) => Err(invalid!(
                "`{name}` belongs to a print as the gauge, or to a script with `read_chart`: add `--gauge print`, or leave \
                 it out"
            )),
            _ => Ok(()),
        }
    }

    /// Has charts of `images` read as the options say, and drawn as a simulated head exposes them. The gauge for a head,
    /// which writes nothing yet, and the most lines of a sheet; none where the head has its own.
    pub(super) fn open(
        &self,
        head: &Description,
        images: &mut ScriptImages,
        medium: Option<&Medium>,
        showing: Showing,
        force: Force,
    ) -> Result<Option<(PrintGauge, u32)>, Error> {
        let mut given = self.arguments().into_iter().map(|(name, _)| name);
        let of_gauge = given.find(|name| !["--sheets", "--ruler"].contains(name));
        match (of_gauge, &self.folder) {
            _ if self.is_on() => {}
            (Some(name), _) => {
                return Err(invalid!(
                    "`{name}` belongs to a print as the gauge: add `--gauge print`, or leave it out"
                ));
            }
            (None, Some(folder)) if medium.is_none() => {
                return Err(invalid!(
                    "without `--gauge print` the folder {} gets what the medium of a simulated head shows, and only one of \
                     this process tells that: leave `--sheets` out",
                    folder.display()
                ));
            }
            _ => {}
        }
        images.ruler = self.ruler.as_deref().map(read_ruler).transpose()?;
        let Some(folder) = self.folder.clone() else { return Ok(None) };
        make_folder(&folder)?;
        force.check(&folder.join("chart-1.png"))?;
        let pictures = |force| {
            let medium = medium?.share();
            medium.keep();
            Some(Pictures { medium, showing, folder: folder.clone(), force })
        };
        images.pictures = pictures(force);
        if !self.is_on() {
            return Ok(None);
        }
        // A sheet that was exposed is never drawn anew by a run that goes on.
        let force = Force { force: force.force || self.resume };
        force.check(&folder.join("sheet-1.pbm"))?;
        let (ruler, pictures) = (images.ruler.clone(), pictures(force));
        let sheet = SheetOptions {
            reach: Some(self.sheet.reach.unwrap_or(REACH)),
            ruler_space: self.sheet.ruler_space.or_else(|| ruler.is_none().then_some(0.0)),
            ..self.sheet
        };
        let lines = (sheet.sides()[1] / MIN_PITCH).ceil() as u32;
        let (head, scanned) = (head.clone(), images.scanned.clone());
        let (resume, drawn) = (self.resume, None);
        let gauge =
            PrintGauge { head, sheet, folder, ruler, pictures, force, resume, drawn, scanned };
        Ok(Some((gauge, lines)))
    }
}

/// A person with a scanner.
pub(super) struct PrintGauge {
    head: Description,
    sheet: SheetOptions,
    folder: PathBuf,
    ruler: Option<Ruler>,
    /// What draws the sheets of a simulated head.
    pictures: Option<Pictures>,
    force: Force,
    /// Goes on with sheets that were exposed before.
    resume: bool,
    /// The sheet at hand.
    drawn: Option<Drawn>,
    /// The sheets that were read.
    scanned: ScannedSheets,
}

/// What is kept of an exposure, so that a later run can go on with its scan.
#[derive(Serialize, Deserialize)]
struct Kept {
    /// A time as RFC 3339 writes it.
    at: String,
    pulses: Vec<PulseAngle>,
    /// What of the order must be the same.
    order: Map<String, Value>,
}

/// A sheet whose chart was drawn.
struct Drawn {
    number: u32,
    layout: Layout,
    /// The share of the line at which the chart begins, and the share that it takes.
    part: [f64; 2],
}

impl PrintGauge {
    fn path(&self, number: u32, extension: &str) -> PathBuf {
        self.folder.join(format!("sheet-{number}.{extension}"))
    }

    /// What a sheet's chart is made for, and how many dots of the line lie before it: a sheet may be shorter than the line.
    fn spec(&self, order: &SheetOrder<'_>, date: String) -> Result<(Spec, u32), Error> {
        let in_scan_pitch = order.length / f64::from(order.line.dots);
        if in_scan_pitch.min(order.pitch) < MIN_PITCH {
            return Err(invalid!("a print measures lines of up to 2400 dpi: plan coarser ones"));
        }
        let [along, _] = self.sheet.sides();
        let most = ((along - 2.0 * MARGIN) / in_scan_pitch).floor() as u32;
        // In the middle, from a whole byte of the image's rows on.
        let white = order.line.dots.saturating_sub(most).next_multiple_of(16);
        let dots = order.line.dots.saturating_sub(white);
        let pitches = [in_scan_pitch, order.pitch];
        let lines = ChartLines { speed: order.speed, dots, pitches };
        Ok((self.sheet.spec(&self.head, &lines, order.trims, date), white / 2))
    }

    /// The sheet at hand.
    fn drawn(order: &SheetOrder<'_>, layout: Layout, left: u32) -> Drawn {
        let whole = f64::from(order.line.dots);
        let part = [f64::from(left) / whole, f64::from(layout.spec().dots) / whole];
        Drawn { number: order.number, layout, part }
    }

    /// The page of a sheet: its chart amid the line.
    fn draw(&mut self, order: &SheetOrder<'_>) -> Result<PageOrder, Error> {
        let number = order.number;
        let date = match self.head.simulated {
            // The same run makes the same sheets.
            true => format!("sheet {number} of a simulated head at {:.3} s", order.time),
            false => format!("{:.0}, sheet {number}", Timestamp::now()),
        };
        let (spec, left) = self.spec(order, date)?;
        let layout = Layout::new(&spec).map_err(|error| invalid!("{error}"))?;
        let chart = draw(&layout);
        let path = self.path(number, "pbm");
        let place = Place::take(&path, &self.force)?;
        remove(&self.path(number, EXPOSED))?;
        place.write(&chart)?;
        let image = amid(&chart, spec.dots, left, order.line.dots)?;
        say(&format!(
            "Sheet {number}: chart {:08x}, {:.0} mm along the lines and {:.0} mm across, is to be exposed; {} is its image.",
            spec.code(),
            spec.length() * 1e3,
            spec.height() * 1e3,
            path.display()
        ));
        self.drawn = Some(PrintGauge::drawn(order, layout, left));
        Ok(PageOrder {
            dot_period: order.line.dot_period,
            delay: order.line.delay,
            pitch: order.pitch,
            image: Arc::new(image),
            correction: order.line.correction.clone(),
        })
    }

    /// Takes up a sheet that an earlier run exposed. One whose exposure did not end is not kept, and exposed anew.
    fn take_up(&mut self, order: &SheetOrder<'_>) -> Result<Option<EarlierSheet>, Error> {
        let number = order.number;
        let path = self.path(number, EXPOSED);
        if !self.resume || !path.is_file() {
            return Ok(None);
        }
        let kept: Kept = serde_json::from_str(&read_text(&path)?)
            .map_err(|error| invalid!("{} is damaged: {error}", path.display()))?;
        let at: Timestamp = (kept.at.parse())
            .map_err(|error| invalid!("{} is damaged: {error}", path.display()))?;
        let age = Timestamp::now().duration_since(at).abs();
        if age > MAX_AGE {
            return Err(invalid!(
                "it was exposed at {at:.0}, and a head changes in more than {} hours",
                MAX_AGE.as_hours()
            ));
        }
        let layout = read_layout(&self.path(number, "pbm"))?;
        let (spec, left) = self.spec(order, layout.spec().date.clone())?;
        let now = facts(order)?;
        let other = now.iter().filter(|(name, fact)| kept.order.get(*name) != Some(fact));
        let mut others: Vec<&str> = other.map(|(name, _)| name.as_str()).collect();
        if [&spec.model, &spec.serial] != [&layout.spec().model, &layout.spec().serial] {
            others = vec!["head"];
        } else if others.is_empty() && spec != *layout.spec() {
            others = vec!["sheet, places, reach or space for a ruler"];
        }
        if !others.is_empty() {
            return Err(invalid!("it was exposed with another {}", others.join(" and another ")));
        }
        let at = format!("{at:.0}");
        say(&format!(
            "Sheet {number}: chart {:08x} was exposed at {at} by an earlier run, with the same head, plan, power and trims.",
            spec.code()
        ));
        self.drawn = Some(PrintGauge::drawn(order, layout, left));
        Ok(Some(EarlierSheet { at, pulses: kept.pulses }))
    }

    /// Keeps what a later run needs to go on with the scan.
    fn keep(&self, order: &SheetOrder<'_>, pulses: &[PulseAngle]) -> Result<(), Error> {
        let at = format!("{:.0}", Timestamp::now());
        let kept = Kept { at, pulses: pulses.to_vec(), order: facts(order)? };
        let json = serde_json::to_vec(&kept).map_err(|error| invalid!("{error}"))?;
        Place::replace(&self.path(order.number, EXPOSED), json)
    }

    fn look(&self, scan: &Path) -> Result<Vec<Vec<Reading>>, Error> {
        let Some(Drawn { number, layout, part: [from, share] }) = &self.drawn else {
            return Err(invalid!("no sheet was exposed"));
        };
        let (name, by) = (format!("Sheet {number}"), (layout, self.ruler.as_ref()));
        let (whole, mut looks) = read_sheet(&name, by, scan, &self.scanned, |sheet| sheet.looks())?;
        let marks = looks.iter_mut().flatten().flat_map(|reading| &mut reading.marks);
        marks.for_each(|mark| mark.at = from + share * (mark.at + 0.5) - 0.5);
        let json = serde_json::to_vec(&whole).map_err(|error| invalid!("{error}"))?;
        Place::replace(&self.path(*number, "json"), json)?;
        Ok(looks)
    }
}

impl SheetGauge for PrintGauge {
    fn page(&mut self, order: &SheetOrder<'_>) -> Result<PageOrder, String> {
        self.draw(order).map_err(|error| format!("no sheet can be exposed: {error}"))
    }

    fn exposed_before(&mut self, order: &SheetOrder<'_>) -> Result<Option<EarlierSheet>, String> {
        let number = order.number;
        self.take_up(order).map_err(|error| {
            format!(
                "sheet {number} of the earlier run cannot serve: {error}. Expose all sheets anew: leave `--resume` out, and \
                 name another folder"
            )
        })
    }

    fn exposed(
        &mut self,
        order: &SheetOrder<'_>,
        page: &ExposedPage,
        pulses: &[PulseAngle],
    ) -> Result<(), String> {
        let number = order.number;
        self.keep(order, pulses).map_err(|error| error.to_string())?;
        let missed = match page.missed {
            0 => String::new(),
            missed => format!(", {missed} of its lines missing"),
        };
        say(&format!(
            "Sheet {number} is exposed{missed}, and the laser is off. The polygon still turns. Take the page out, close \
             the covers again, and scan it in gray at 1200 dpi or more, its lines along the travel of the carriage."
        ));
        let picture = self.pictures.as_ref().map(|all| all.write(&format!("sheet-{number}")));
        picture.unwrap_or(Ok(())).map_err(|error| error.to_string())
    }

    fn read(&mut self, scan: &str) -> Result<Vec<Vec<Reading>>, String> {
        self.look(Path::new(scan)).map_err(|error| error.to_string())
    }

    fn tell(&mut self, text: &str) {
        say(text);
    }
}

/// Removes a file that may not be there.
fn remove(path: &Path) -> Result<(), Error> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(invalid!("{} cannot be removed: {error}", path.display()))
        }
        _ => Ok(()),
    }
}

/// What must be the same where a sheet that was exposed serves for an order; as it is read back.
fn facts(order: &SheetOrder<'_>) -> Result<Map<String, Value>, Error> {
    let SheetOrder { line, speed, power, length, pitch, trims, .. } = order;
    let facts = json!({ "plan": (line, speed, length, pitch), "power": power, "trims": trims });
    serde_json::from_str(&facts.to_string()).map_err(|error| invalid!("{error}"))
}

/// A chart of `dots` in lines of `whole` dots, of which `left` before it stay white: a multiple of 8.
fn amid(chart: &[u8], dots: u32, left: u32, whole: u32) -> Result<Bitmap, Error> {
    let wrong = |error| invalid!("the chart: {error}");
    let height = Bitmap::read(chart).map_err(wrong)?.height();
    let [own, wide] = [dots, whole].map(|dots| dots.div_ceil(8) as usize);
    let mut bytes = format!("P4\n{whole} {height}\n").into_bytes();
    let raster = chart.len().saturating_sub(own * height as usize);
    for row in chart.get(raster..).unwrap_or_default().chunks_exact(own) {
        let start = bytes.len();
        bytes.resize(start + (left / 8) as usize, 0);
        bytes.extend_from_slice(row);
        bytes.resize(start + wide, 0);
    }
    Bitmap::read(&bytes).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::{amid, sides};
    use spintrue_head::Bitmap;

    #[test]
    fn a_chart_lies_amid_white() {
        let image = amid(b"P4\n# x\n9 2\n\xff\x80\x00\x80", 9, 8, 27).unwrap();
        let wanted = Bitmap::read(b"P4\n27 2\n\0\xff\x80\0\0\0\x80\0").unwrap();
        assert_eq!(image, wanted);
    }

    #[test]
    fn sheets_have_names_or_sides() {
        assert_eq!(sides("a4").unwrap(), [0.297, 0.210]);
        assert_eq!(sides("200x150mm").unwrap(), [0.2, 0.15]);
        assert!(sides("5x5mm").is_err() && sides("nanxnanmm").is_err() && sides("").is_err());
    }
}
