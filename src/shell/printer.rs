//! Prints the events of an entry while it runs.

use crate::record::{Capped, HeldRow};
use crate::shell::progress::SharedLine;
use crate::shell::view::spread;
use crate::terminal::plot::plot_text;
use crate::terminal::told::{check_line, stamped};
use crate::terminal::{GREEN, RED, say, styled};
use spintrue_language::{CheckEvent, Event, Observer, Outcome, answer_line};

/// Prints the events of an entry.
pub(super) struct EntryPrinter {
    colour: bool,
    line: SharedLine,
    /// Checks that conform, that do not, and that are undecided.
    pub checks: [usize; 3],
    /// Faults that were provoked.
    pub provoked: Vec<String>,
}

impl EntryPrinter {
    /// With or without colour.
    pub(super) fn new(colour: bool) -> EntryPrinter {
        EntryPrinter { colour, line: SharedLine::default(), checks: [0; 3], provoked: Vec::new() }
    }

    /// The same, above the line that shows how an entry goes on.
    pub(super) fn above(self, line: SharedLine) -> EntryPrinter {
        EntryPrinter { line, ..self }
    }

    fn print(&mut self, time: f64, text: &str) {
        self.line.borrow_mut().clear();
        say(&stamped(time, text, self.colour));
    }

    fn check(&mut self, time: f64, check: &CheckEvent) {
        let [conforming, failing, undecided] = &mut self.checks;
        *match check.outcome {
            Outcome::Conforms => conforming,
            Outcome::Fails => failing,
            Outcome::Undecided => undecided,
        } += 1;
        self.print(time, &check_line(check, self.colour));
    }
}

impl Observer for EntryPrinter {
    fn event(&mut self, time: f64, event: Event) {
        // A question is asked on that line.
        self.line.borrow_mut().set_paused(matches!(event, Event::Asked { .. }));
        match event {
            Event::Note(text) => self.print(time, &text),
            Event::Recorded { label, shown, plot, .. } => {
                let drawn = plot_text(&label, &shown, plot.as_ref());
                match drawn.or_else(|| spread(&label, &shown, self.colour)) {
                    Some(lines) => {
                        self.print(time, &format!("{label}:"));
                        say(&lines);
                    }
                    None => self.print(time, &format!("{label}: {shown}")),
                }
            }
            Event::Check(check) => self.check(time, &check),
            Event::Answered { question, shown, who, .. } => {
                self.print(time, &answer_line(&question, &shown, &who));
            }
            Event::Progress { text, elapsed, limit } => {
                self.line.borrow_mut().wait(&text, time, elapsed, limit);
            }
            Event::Held(block) => {
                let mut rows = Capped::<HeldRow>::default();
                rows.add_block(&block);
                for row in &rows.items {
                    let (mark, style) = match &row.breaks {
                        Some(_) => ("BROKE", RED),
                        None => ("held", GREEN),
                    };
                    let mark = styled(mark, style, self.colour);
                    self.print(time, &format!("{mark} {}\n{}", row.text, row.told()));
                }
            }
            Event::Provoked(fault) => self.provoked.push(fault),
            Event::Asked { .. } | Event::Params(_) => {}
            Event::AlsoFailed(failure) => {
                let line = format!("also failed on the way out: {}", failure.message);
                self.print(time, &styled(&line, RED, self.colour));
            }
        }
    }
}
