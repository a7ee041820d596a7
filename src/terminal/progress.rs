//! Progress of what takes more than a second: a line on standard error, where that is a terminal. It goes before
//! anything is printed.

use crate::terminal::draws_progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What is done sooner shows no progress.
const DELAY: Duration = Duration::from_secs(1);

/// Between two drawings where nothing is counted.
const INTERVAL: Duration = Duration::from_millis(200);

/// The line; there is one at a time.
static LINE: Mutex<Option<ProgressBar>> = Mutex::new(None);

fn line() -> MutexGuard<'static, Option<ProgressBar>> {
    LINE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// From now on, the line tells how long something takes; for something short it stays hidden.
pub(crate) fn begin() {
    show(ProgressBar::no_length, "at work for {elapsed}");
}

/// From now on, the line tells how many of these things are done, and how long the rest may take.
pub(crate) fn begin_counting(total: usize, things: &'static str) {
    let bar = || ProgressBar::new(total as u64).with_message(things);
    show(bar, "{pos} of {len} {msg}  {wide_bar}  {eta} left");
}

/// One thing more is done.
pub(crate) fn step() {
    if let Some(bar) = line().as_ref() {
        bar.inc(1);
    }
}

/// Ends the line and takes it off the screen.
pub(crate) fn end() {
    if let Some(bar) = line().take() {
        bar.finish_and_clear();
    }
}

fn show(bar: impl FnOnce() -> ProgressBar, template: &str) {
    end();
    if !draws_progress() {
        return;
    }
    let bar = bar();
    bar.set_draw_target(ProgressDrawTarget::hidden());
    bar.set_style(
        ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    *line() = Some(bar.clone());
    std::thread::spawn(move || {
        std::thread::sleep(DELAY);
        // Held, so that nothing is printed between the question and the drawing.
        let _line = line();
        if !bar.is_finished() {
            bar.set_draw_target(ProgressDrawTarget::stderr());
            bar.enable_steady_tick(INTERVAL);
        }
    });
}
