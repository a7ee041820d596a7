//! A run as people read it: a line per stage while it goes on, then the summary.

use crate::cli::pages::ExposedPage;
use crate::cli::run::Printer;
use crate::cli::{pages, summary};
use crate::record::{About, Capped, HeldRow};
use crate::terminal;
use crate::terminal::{BOLD, DIM, RED, YELLOW, caution, say, styled, told, wrapped_parts};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use spintrue_head::{Dimension, show_quantity};
use spintrue_language::{Event, Finished, Observer, Outcome, Prepared, Shown, answer_line};

/// Head time in s between two plain lines about one wait.
const WAIT_LINE_INTERVAL: f64 = 10.0;

/// Prints a run for people.
pub(super) struct Console {
    colour: bool,
    /// Longest head time in s that the run can take.
    at_most: Option<f64>,
    /// Values recorded, for the summary.
    recorded: Vec<(String, Shown)>,
    /// Conditions that had to hold, likewise.
    holds: Capped<HeldRow>,
    bar: Option<ProgressBar>,
    /// A line has been printed.
    spoke: bool,
    /// The wait that was reported last, and when.
    waiting: Option<(String, f64)>,
}

impl Console {
    pub(super) fn new(about: &About) -> Self {
        let colour = terminal::colour_output();
        let on = told::head(&about.head, about.seed, about.replay);
        let title = told::title(&about.script, &on);
        let mut text = title.replacen(&about.script, &styled(&about.script, BOLD, colour), 1);
        if about.elsewhere {
            let address = &about.address;
            text.push_str(&format!("at {address}\n"));
        }
        if !about.params.is_empty() {
            let params = about.params.iter();
            let params = params.map(|(name, value)| format!("{name} = {}", told::shortened(value)));
            text.push_str(&wrapped_parts("", params));
        }
        if !about.faults.is_empty() {
            let faults = wrapped_parts("It fails on purpose: ", about.faults.iter().cloned());
            text.push_str(&styled(&faults, YELLOW, colour));
        }
        text.push_str(&format!("{}\n\n", caution(colour)));
        if !terminal::is_quiet() {
            say(&text);
        }
        Console {
            colour,
            at_most: about.at_most,
            recorded: Vec::new(),
            holds: Capped::default(),
            bar: None,
            spoke: false,
            waiting: None,
        }
    }

    /// What goes as it should, in a line.
    fn line(&mut self, time: f64, text: &str) {
        if !terminal::is_quiet() {
            self.say(time, text);
        }
    }

    fn say(&mut self, time: f64, text: &str) {
        self.clear();
        self.spoke = true;
        say(&told::stamped(time, text, self.colour));
    }

    fn clear(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
        self.waiting = None;
    }

    fn progress(&mut self, time: f64, text: &str, elapsed: f64, limit: f64) {
        if !terminal::draws_progress() {
            let same = self.waiting.as_ref().filter(|(last, _)| last == text);
            if same.is_none_or(|(_, at)| elapsed - at >= WAIT_LINE_INTERVAL) {
                let limit = show_quantity(limit, Dimension::TIME, None, None);
                let line = if same.is_some() {
                    format!("still waiting until {text} ({elapsed:.0} s of {limit})")
                } else {
                    format!("waiting until {text} (at most {limit})")
                };
                self.line(time, &styled(&line, DIM, self.colour));
                self.waiting = Some((text.to_string(), elapsed));
            }
            return;
        }
        let bar = self.bar.get_or_insert_with(|| {
            terminal::progress::end();
            let bar = ProgressBar::with_draw_target(Some(1000), ProgressDrawTarget::stderr());
            let style = ProgressStyle::with_template("{prefix}  {wide_bar}  {msg}");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar
        });
        let share = if limit > 0.0 { (elapsed / limit).clamp(0.0, 1.0) } else { 1.0 };
        bar.set_prefix(format!("waiting until {text}"));
        bar.set_message(format!("{elapsed:.1} of {limit:.1} s"));
        bar.set_position((share * 1000.0) as u64);
    }
}

impl Observer for Console {
    fn event(&mut self, time: f64, event: Event) {
        match event {
            Event::Note(text) => self.line(time, &text),
            Event::Recorded { label, shown, .. } => self.recorded.push((label, shown)),
            Event::Check(check) => {
                let line = told::check_line(&check, self.colour);
                match check.outcome {
                    Outcome::Conforms => self.line(time, &line),
                    Outcome::Fails | Outcome::Undecided => self.say(time, &line),
                }
            }
            // The question is shown where it is answered.
            Event::Asked { .. } => self.clear(),
            Event::Answered { question, shown, who, .. } => {
                self.line(time, &answer_line(&question, &shown, &who));
            }
            Event::Progress { text, elapsed, limit } => {
                self.progress(time, &told::shortened(&text), elapsed, limit);
            }
            Event::Held(block) => self.holds.add_block(&block),
            Event::Provoked(_) | Event::Params(_) => {}
            Event::AlsoFailed(failure) => {
                let line = format!("also failed on the way out: {}", failure.message);
                self.say(time, &styled(&line, RED, self.colour));
            }
        }
    }
}

impl Printer for Console {
    fn pages(&mut self, exposed: &[ExposedPage]) {
        self.clear();
        if terminal::is_quiet() {
            return;
        }
        if self.spoke && !exposed.is_empty() {
            say("\n");
        }
        say(&pages::text(exposed, self.colour));
        self.spoke |= !exposed.is_empty();
    }

    fn finish(&mut self, finished: &Finished, prepared: &Prepared) {
        self.clear();
        if self.spoke {
            say("\n");
        }
        let Console { recorded, holds, .. } = self;
        if terminal::is_quiet() {
            say(&summary::brief(finished, prepared, self.colour));
            return;
        }
        say(&summary::summary(finished, prepared, recorded, holds, self.at_most, self.colour));
    }
}
