//! A process of its own that runs one head at a station. It is asked on its standard input and answers on its
//! standard output, a line of JSON each; the end of its input stops the run.

use crate::batch::journal::{Done, Journal, Subject};
use crate::batch::one::{Lost, Runner};
use crate::batch::options::Options;
use crate::batch::plan::plan;
use crate::error::{Error, invalid};
use crate::terminal::emit;
use serde::{Deserialize, Serialize};
use spintrue_head::stop_on_request;
use std::io::stdin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, channel};

/// What is to be run; the first line.
#[derive(Serialize, Deserialize)]
pub(super) struct Order {
    /// The name of the station.
    pub station: String,
    /// As the batch read it when it started.
    pub subject: Subject,
    /// The number of the row, and its digest.
    pub row: usize,
    pub digest: String,
    pub folder: String,
    pub earlier: Vec<String>,
    pub reason: Option<String>,
}

/// Lets a run that is ready begin.
pub(super) const GO: &str = "go";
/// Asks to stop, as Ctrl-C does.
pub(super) const STOP: &str = "stop";

/// What the process answers.
#[derive(Serialize, Deserialize)]
pub(super) enum Answer {
    /// Nothing is in the way of the run; it begins after [`GO`].
    Ready,
    /// How it ended; the last line.
    Ended(Box<Result<Done, Lost>>),
}

/// Runs the head that the first line of the standard input asks for.
pub(super) fn run(mut options: Options) -> Result<u8, Error> {
    let _held = Journal::hold(&options.record)?;
    // Only the batch stops a run: a terminal or a service manager asks both, and two requests would cut
    // the way to rest short.
    stop_on_request(&[Arc::default()])?;
    let stop = Arc::default();
    let lines = listen(Arc::clone(&stop));
    let order = lines.recv().ok().and_then(|line| serde_json::from_str::<Order>(&line).ok());
    let Some(order) = order else {
        return Err(invalid!("`--one-head` is for a batch that drives stations: leave it out"));
    };
    options.stations.retain(|station| station.name == order.station);
    options.archiving.identity.push(("station".to_string(), order.station.clone()));
    answer(&Answer::Ended(Box::new(obey(&options, order, stop, &lines))));
    Ok(0)
}

fn answer(answer: &Answer) {
    emit(&serde_json::to_string(answer).map_or(String::new(), |line| line + "\n"));
}

/// Hands on lines of the standard input; requests to stop and its end set a flag.
fn listen(stop: Arc<AtomicBool>) -> Receiver<String> {
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        let mut is_stopped = false;
        for line in stdin().lines().map_while(Result::ok) {
            if line == STOP {
                is_stopped = true;
                stop.store(true, Ordering::SeqCst);
            } else if sender.send(line).is_err() {
                return;
            }
        }
        if !is_stopped {
            stop.store(true, Ordering::SeqCst);
        }
    });
    lines
}

fn obey(
    options: &Options,
    order: Order,
    stop: Arc<AtomicBool>,
    lines: &Receiver<String>,
) -> Result<Done, Lost> {
    let wrong = |error: Error| {
        if matches!(error, Error::Reports(_)) {
            error.print();
        }
        Lost::Batch(error.to_string())
    };
    let plan = plan(options, Some(order.row)).map_err(wrong)?;
    let head = plan.heads.into_iter().next();
    let mut runner = Runner::new(options, plan.scripts, plan.fixtures).map_err(wrong)?;
    let mut changes = runner.subject.differences(&order.subject);
    let head = head.filter(|head| head.digest == order.digest);
    let Some(mut head) = head.filter(|_| changes.is_empty()) else {
        changes.push("the list or its data sheets have changed".to_string());
        return Err(Lost::Batch(format!(
            "since the batch was started, {}",
            changes.swap_remove(0)
        )));
    };
    runner.stop = stop;
    runner.open_archive().map_err(wrong)?;
    (head.folder, head.earlier, head.reason) = (order.folder, order.earlier, order.reason);
    runner.on(&head, &mut || {
        answer(&Answer::Ready);
        match lines.recv() {
            Ok(line) if line == GO => Ok(()),
            _ => Err(invalid!("the batch has ended")),
        }
    })
}
