//! The line below the entries while one runs: whether the laser is armed, what is waited for, and how
//! long already.

use crate::terminal::width::fitting;
use crate::terminal::{BOLD, DIM, RED, colour_errors, columns, complain_over, styled};
use spintrue_head::{Dimension, show_quantity};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::{Duration, Instant};

/// Time between two drawings.
const DRAW_INTERVAL: Duration = Duration::from_millis(100);

/// An entry that is over sooner shows nothing but an armed laser.
const PATIENCE: Duration = Duration::from_millis(400);

/// The line, shared by what hears the head and what hears the script.
pub(crate) type SharedLine = Rc<RefCell<ProgressLine>>;

/// What is shown while an entry runs.
#[derive(Default)]
pub(crate) struct ProgressLine {
    /// When the entry began; none where nothing is shown.
    begun: Option<Instant>,
    /// Head time in s at which it began, and now.
    times: Option<(f64, f64)>,
    /// Longest time of the entry in s, where it is known.
    most: Option<f64>,
    /// The operator is asked how to go on.
    paused: bool,
    /// The laser may be armed.
    armed: bool,
    /// What is waited for, and the head time in s at which that was told.
    waiting: Option<(String, f64)>,
    /// How the polygon turns.
    polygon: String,
    drawn: Option<Instant>,
}

impl ProgressLine {
    /// An entry begins that takes at most `most` s.
    pub(crate) fn begin(&mut self, most: Option<f64>) {
        *self = ProgressLine { begun: Some(Instant::now()), most, ..ProgressLine::default() };
    }

    /// The entry is over.
    pub(crate) fn end(&mut self) {
        self.clear();
        *self = ProgressLine::default();
    }

    /// Shows nothing while the entry pauses.
    pub(crate) fn set_paused(&mut self, paused: bool) {
        if paused {
            self.clear();
        }
        self.paused = paused;
    }

    /// Clears the line, until it is drawn again.
    pub(crate) fn clear(&mut self) {
        if self.drawn.take().is_some() {
            complain_over("");
        }
    }

    /// The laser may be armed from now on, or is known to be off.
    pub(crate) fn set_armed(&mut self, armed: bool) {
        let changes = self.armed != armed;
        self.armed = armed;
        if changes && self.begun.is_some() {
            self.clear();
            self.draw();
        }
    }

    /// A wait goes on.
    pub(crate) fn wait(&mut self, text: &str, time: f64, elapsed: f64, limit: f64) {
        let limit = show_quantity(limit, Dimension::TIME, None, None);
        self.waiting = Some((format!("waiting until {text} ({elapsed:.1} s of {limit})"), time));
        self.pass(time);
    }

    /// The polygon was seen turning so.
    pub(crate) fn set_polygon(&mut self, polygon: String) {
        self.polygon = polygon;
    }

    /// Head time has passed.
    pub(crate) fn pass(&mut self, time: f64) {
        let (from, _) = self.times.unwrap_or((time, time));
        self.times = Some((from, time));
        let Some(begun) = self.begun else { return };
        let is_due = match self.drawn {
            _ if self.paused => false,
            Some(drawn) => drawn.elapsed() >= DRAW_INTERVAL,
            None => begun.elapsed() >= PATIENCE || self.armed,
        };
        if is_due {
            self.draw();
        }
    }

    fn draw(&mut self) {
        let (from, now) = self.times.unwrap_or_default();
        let doing = match &self.waiting {
            Some((text, told)) if now - told < 1.0 => text.clone(),
            _ => {
                let most =
                    self.most.map(|most| show_quantity(most, Dimension::TIME, None, Some(0)));
                let most = most.map_or(String::new(), |most| format!(" of at most {most}"));
                format!("{:.1} s{most}", now - from)
            }
        };
        let polygon = if self.polygon.is_empty() { "" } else { ", " };
        let text = format!("{doing}{polygon}{}", self.polygon);
        let sign = if self.armed { "LASER ARMED  " } else { "" };
        let room = columns().saturating_sub(1 + sign.len());
        let colour = colour_errors();
        let sign = styled(sign, &format!("{BOLD};{RED}"), colour && self.armed);
        complain_over(&format!("{sign}{}", styled(fitting(&text, room), DIM, colour)));
        self.drawn = Some(Instant::now());
    }
}
