//! Prints the events of an entry while it runs.

use crate::record::{Capped, HeldRow};
use crate::shell::view::spread;
use crate::terminal;
use crate::terminal::plot::plot_text;
use crate::terminal::told::{check_line, stamped};
use crate::terminal::{DIM, GREEN, RED, complain_over, say, styled};
use spintrue_head::{Dimension, show_quantity};
use spintrue_language::{CheckEvent, Event, Observer, Outcome, answer_line};
use std::time::{Duration, Instant};

/// Time between two drawings of one wait.
const DRAW_INTERVAL: Duration = Duration::from_millis(80);

/// Prints the events of an entry.
pub(super) struct EntryPrinter {
    colour: bool,
    drawn: Option<Instant>,
    /// Checks that do not conform.
    pub failing: usize,
    /// Checks that are undecided.
    pub undecided: usize,
}

impl EntryPrinter {
    /// With or without colour.
    pub(super) fn new(colour: bool) -> EntryPrinter {
        EntryPrinter { colour, drawn: None, failing: 0, undecided: 0 }
    }

    /// Clears the line of a wait.
    pub(super) fn clear(&mut self) {
        if self.drawn.take().is_some() {
            complain_over("");
        }
    }

    fn line(&mut self, time: f64, text: &str) {
        self.clear();
        say(&stamped(time, text, self.colour));
    }

    fn check(&mut self, time: f64, check: &CheckEvent) {
        match check.outcome {
            Outcome::Conforms => {}
            Outcome::Fails => self.failing += 1,
            Outcome::Undecided => self.undecided += 1,
        }
        self.line(time, &check_line(check, self.colour));
    }

    fn progress(&mut self, text: &str, elapsed: f64, limit: f64) {
        if !terminal::draws_progress()
            || self.drawn.is_some_and(|drawn| drawn.elapsed() < DRAW_INTERVAL)
        {
            return;
        }
        self.drawn = Some(Instant::now());
        let limit = show_quantity(limit, Dimension::TIME, None, None);
        let line = format!("waiting until {text} ({elapsed:.1} s of {limit})");
        let room = terminal::columns().saturating_sub(1);
        let line: String = line.chars().take(room).collect();
        complain_over(&styled(&line, DIM, self.colour));
    }
}

impl Observer for EntryPrinter {
    fn event(&mut self, time: f64, event: Event) {
        match event {
            Event::Note(text) => self.line(time, &text),
            Event::Recorded { label, shown, plot, .. } => {
                let drawn = plot_text(&label, &shown, plot.as_ref());
                match drawn.or_else(|| spread(&label, &shown, self.colour)) {
                    Some(lines) => {
                        self.line(time, &format!("{label}:"));
                        say(&lines);
                    }
                    None => self.line(time, &format!("{label}: {shown}")),
                }
            }
            Event::Check(check) => self.check(time, &check),
            Event::Asked { .. } => self.clear(),
            Event::Answered { question, shown, who, .. } => {
                self.line(time, &answer_line(&question, &shown, &who));
            }
            Event::Progress { text, elapsed, limit } => self.progress(&text, elapsed, limit),
            Event::Held(block) => {
                let mut rows = Capped::<HeldRow>::default();
                rows.add_block(&block);
                for row in &rows.items {
                    let (mark, style) = match &row.breaks {
                        Some(_) => ("BROKE", RED),
                        None => ("held", GREEN),
                    };
                    let mark = styled(mark, style, self.colour);
                    self.line(time, &format!("{mark} {}\n{}", row.text, row.told()));
                }
            }
            Event::Provoked(_) | Event::Params(_) => {}
            Event::AlsoFailed(failure) => {
                let line = format!("also failed on the way out: {}", failure.message);
                self.line(time, &styled(&line, RED, self.colour));
            }
        }
    }
}
