//! Stations, which run heads at the same time: each head in a process of its own, so that a crash takes one
//! head with it. The batch alone writes the journal and the summary.

use crate::batch::child::{Answer, GO, Order, STOP};
use crate::batch::journal::{Begun, Done, Line};
use crate::batch::one::Lost;
use crate::batch::options::{Options, StationOption};
use crate::batch::queue::{Entry, Queue, listen};
use crate::batch::{Batch, Early, resume};
use crate::error::{Error, FAILED, invalid};
use crate::setup::{is_elsewhere, open_elsewhere, simulated};
use crate::terminal::{complain, wrapped};
use spintrue_head::{Calls, Control};
use spintrue_language::Verdict;
use std::collections::HashSet;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

/// Printed where a head can be mounted.
const NOTE: &str = "A head at a station is run as soon as it is mounted and answers: keep the interlock open while \
    hands are in it.";

/// Printed where serial numbers are typed or scanned.
const QUEUE_NOTE: &str = "Type or scan serial numbers, one a line. The end of the input ends the batch after the \
    heads of the queue.";

/// Messages that wait to be heard; who tells more waits.
const MAX_MESSAGES: usize = 64;

/// How long a station waits before it asks again which head is mounted.
const ASK_EVERY: Duration = Duration::from_secs(3);

/// How long the batch waits for messages between two looks at requests to stop.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// At how many stations a head is tried that gave no result.
const MAX_TRIES: usize = 2;

/// What the batch hears.
enum Heard {
    /// From the station with a number.
    Station(usize, Message),
    /// A line of the queue; none at its end.
    Queue(Option<Entry>),
}

/// What a station tells.
enum Message {
    /// The serial number of the head that is mounted, or why there is none.
    Mounted(Result<String, String>),
    Answer(Answer),
    /// The process that ran a head has ended.
    Ended,
}

pub(super) struct Station<'a> {
    pub name: &'a str,
    pub address: &'a str,
    pub doing: Doing,
    /// The head of a queue that is to be mounted here.
    pub wanted: Option<usize>,
    /// How long it waits before it asks which head is mounted.
    wait: Duration,
    /// What it told last while it was waiting.
    told: String,
    /// Heads in a row that did not pass.
    failures: u32,
}

impl<'a> Station<'a> {
    fn of(option: &'a StationOption) -> Station<'a> {
        Station {
            name: &option.name,
            address: &option.address,
            doing: Doing::Nothing,
            wanted: None,
            wait: Duration::ZERO,
            told: String::new(),
            failures: 0,
        }
    }
}

pub(super) enum Doing {
    Nothing,
    /// Waits for the serial number of the head that is mounted.
    Asking,
    Running(Box<Running>),
    /// It is taken out.
    Out,
}

/// The run of a head in a process of its own.
pub(super) struct Running {
    pub head: Waiting,
    child: Child,
    input: ChildStdin,
    begun: Option<Begun>,
    ended: Option<Result<Done, Lost>>,
}

/// A head that waits for a station.
pub(super) struct Waiting {
    pub at: usize,
    /// Stations at which it gave no result.
    pub tried: HashSet<usize>,
}

pub(super) struct Drive<'b, 'a> {
    pub batch: &'b mut Batch<'a>,
    pub stations: Vec<Station<'a>>,
    pub waiting: Vec<Waiting>,
    pub queue: Option<Queue>,
    /// The queue may grow.
    is_open: bool,
    sender: SyncSender<Heard>,
    pub early: Option<Early>,
}

/// Checks what can be told of the stations before anything else is read.
pub(super) fn check(options: &Options) -> Result<(), Error> {
    if options.is_queue && options.stations.is_empty() {
        return Err(invalid!(
            "`--list -` takes serial numbers for stations: add `--station NAME=ADDRESS`, one is enough"
        ));
    }
    let named = |(name, _): &(String, String)| name == "station";
    if !options.stations.is_empty() && options.archiving.identity.iter().any(named) {
        return Err(invalid!("`--identity station=` and `--station` both name it: leave one out"));
    }
    let mut known = HashSet::new();
    for StationOption { name, address, .. } in &options.stations {
        let place = match is_elsewhere(address) {
            true => Some(address.clone()),
            false => simulated(address, &[])?.memory.map(|path| path.display().to_string()),
        };
        for what in [Some(format!("station {name}")), place].into_iter().flatten() {
            if !known.insert(what.clone()) {
                return Err(invalid!(
                    "{what} is given twice: each station has a name and a head of its own"
                ));
            }
        }
    }
    match (options.fixtures.paths().next(), &*options.stations) {
        (Some((option, _)), [_, _, ..]) => Err(invalid!(
            "`{option}` is one device, and cannot stand at several stations: leave it out, and name what \
             stands at each in spintrue.toml, under `[around.NAME]`"
        )),
        _ => Ok(()),
    }
}

/// Runs heads at all stations until none waits, no station is left, or the batch ends early.
pub(super) fn drive(
    batch: &mut Batch<'_>,
    waiting: Vec<usize>,
    queue: Option<Queue>,
) -> Option<Early> {
    let (sender, messages) = sync_channel(MAX_MESSAGES);
    let stations = batch.options.stations.iter().map(Station::of);
    let waiting = waiting.into_iter().map(|at| Waiting { at, tried: HashSet::new() });
    let mut drive = Drive {
        stations: stations.collect(),
        waiting: waiting.collect(),
        is_open: queue.is_some(),
        queue,
        sender,
        early: None,
        batch,
    };
    if drive.stations.iter().any(|station| is_elsewhere(station.address)) {
        complain(&wrapped(NOTE, ""));
    }
    if drive.is_open {
        complain(&wrapped(QUEUE_NOTE, ""));
        let sender = drive.sender.clone();
        listen(move |entry| sender.send(Heard::Queue(entry)).is_ok());
    }
    drive.run(&messages);
    let why = "no station is left: see to them, and run the same command again";
    let all_out = drive.are_all_out() && (drive.is_open || !drive.waiting.is_empty());
    drive.early.or_else(|| all_out.then(|| Early::Stopped(why.to_string(), FAILED)))
}

impl Drive<'_, '_> {
    fn are_all_out(&self) -> bool {
        self.stations.iter().all(|station| matches!(station.doing, Doing::Out))
    }

    fn run(&mut self, messages: &Receiver<Heard>) {
        loop {
            if self.batch.runner.stop.swap(false, Ordering::SeqCst) {
                self.early.get_or_insert(Early::Interrupted);
                for station in &mut self.stations {
                    if let Doing::Running(running) = &mut station.doing {
                        // A process that has just ended needs no request.
                        let _ = writeln!(running.input, "{STOP}");
                    }
                }
            }
            if self.early.is_none() {
                self.assign();
                (0..self.stations.len()).for_each(|station| self.employ(station));
            }
            let is_busy = |station: &Station<'_>| match station.doing {
                Doing::Running(_) => true,
                Doing::Asking => self.early.is_none(),
                Doing::Nothing | Doing::Out => false,
            };
            let may_grow = self.is_open && self.early.is_none() && !self.are_all_out();
            if !self.stations.iter().any(is_busy) && !may_grow {
                return;
            }
            match messages.recv_timeout(LOOK_EVERY) {
                Ok(Heard::Station(station, message)) => self.hear(station, message),
                Ok(Heard::Queue(Some(entry))) => self.entered(entry),
                Ok(Heard::Queue(None)) => self.is_open = false,
                Err(_) => {}
            }
        }
    }

    /// Gives an idle station the next head, or has it asked which one is mounted.
    fn employ(&mut self, number: usize) {
        let Some(station) = self.stations.get_mut(number) else { return };
        // A simulated station leaves alone what is to be mounted elsewhere.
        let has_own = self.queue.is_some() && !is_elsewhere(station.address);
        let wanted = station.wanted;
        let free = |waiting: &Waiting| {
            !waiting.tried.contains(&number) && (!has_own || wanted == Some(waiting.at))
        };
        let next = self.waiting.iter().position(free);
        let (Some(next), Doing::Nothing) = (next, &station.doing) else { return };
        if !is_elsewhere(station.address) {
            return self.start(number, next);
        }
        let (address, wait) = (station.address.to_string(), station.wait);
        station.doing = Doing::Asking;
        self.on_thread(number, move |tell| {
            std::thread::sleep(wait);
            tell(Message::Mounted(free_head(&address).map_err(|error| error.to_string())));
        });
    }

    fn on_thread(&self, number: usize, work: impl FnOnce(&dyn Fn(Message)) + Send + 'static) {
        let sender = self.sender.clone();
        std::thread::spawn(move || {
            work(&|message| {
                // Without a receiver the batch has ended.
                let _ = sender.send(Heard::Station(number, message));
            });
        });
    }

    fn hear(&mut self, number: usize, message: Message) {
        let Some(station) = self.stations.get_mut(number) else { return };
        match (message, &mut station.doing) {
            (Message::Mounted(mounted), doing) => {
                *doing = Doing::Nothing;
                self.mounted(number, mounted);
            }
            (Message::Answer(Answer::Ready), Doing::Running(running)) => {
                running.begun = self.batch.begun(running.head.at);
                let line = running.begun.clone().map(Line::Begun);
                let written = line.map_or(Ok(()), |line| self.batch.journal.write(&line));
                let go = match written {
                    Ok(()) => GO,
                    Err(error) => {
                        self.early = Some(Early::Stopped(error.to_string(), error.exit_code()));
                        "no"
                    }
                };
                // Of a process that has ended the end is told next.
                let _ = writeln!(running.input, "{go}");
            }
            (Message::Answer(Answer::Ended(ended)), Doing::Running(running)) => {
                running.ended = Some(*ended);
            }
            (Message::Ended, doing) => {
                if let Doing::Running(running) = std::mem::replace(doing, Doing::Nothing) {
                    self.ended(number, *running);
                }
            }
            (Message::Answer(_), _) => {}
        }
    }

    /// Starts the run of the head that is mounted, if it waits; else says so once.
    fn mounted(&mut self, number: usize, mounted: Result<String, String>) {
        if self.early.is_some() {
            return;
        }
        let heads = &self.batch.heads;
        let is = |at: usize, serial: &str| heads.get(at).is_some_and(|head| head.serial == serial);
        let what = match mounted {
            Ok(serial) => {
                let mut waiting = self.waiting.iter();
                let next = waiting.position(|it| is(it.at, &serial) && !it.tried.contains(&number));
                if let Some(next) = next {
                    return self.start(number, next);
                }
                let is_known = (0..heads.len()).any(|at| is(at, &serial));
                let runs = |it: &&Station<'_>| matches!(&it.doing, Doing::Running(run) if is(run.head.at, &serial));
                let elsewhere = self.stations.iter().find(runs);
                match (self.queue.is_some(), is_known) {
                    (_, true) if let Some(other) = elsewhere => {
                        format!("{serial} is mounted, and runs at {} as well", other.name)
                    }
                    // What is to be mounted has been told.
                    (true, true) => String::new(),
                    (true, false) => format!("{serial} is mounted, and is not in the queue"),
                    (false, true) => {
                        format!("{serial} is mounted, and had its turn: mount a head that waits")
                    }
                    (false, false) => {
                        format!(
                            "{serial} is mounted, and is not in the list: mount a head that waits"
                        )
                    }
                }
            }
            Err(why) => why,
        };
        let Some(station) = self.stations.get_mut(number) else { return };
        station.wait = ASK_EVERY;
        let is_told = !what.is_empty() && (self.queue.is_none() || station.wanted.is_some());
        if is_told && station.told != what {
            self.batch.summary.tell(station.name, &what);
            station.told = what;
        }
    }

    /// Starts a process for a head that waits.
    fn start(&mut self, number: usize, next: usize) {
        let head = self.waiting.remove(next);
        for station in &mut self.stations {
            station.wanted = station.wanted.filter(|wanted| *wanted != head.at);
        }
        let Some(station) = self.stations.get_mut(number) else { return };
        (station.wait, station.told) = (Duration::ZERO, String::new());
        station.wanted = None;
        let Some(planned) = self.batch.heads.get(head.at) else { return };
        if self.queue.is_some() {
            self.batch.summary.tell(station.name, &format!("runs {}", planned.serial));
        }
        let order = Order {
            station: station.name.to_string(),
            subject: self.batch.runner.subject.clone(),
            row: planned.row,
            digest: planned.digest.clone(),
            folder: planned.folder.clone(),
            earlier: planned.earlier.clone(),
            reason: planned.reason.clone(),
        };
        match child(&order) {
            Ok((mut child, input)) => {
                let out = child.stdout.take();
                let running = Running { head, child, input, begun: None, ended: None };
                station.doing = Doing::Running(Box::new(running));
                self.on_thread(number, move |tell| {
                    let lines = out.into_iter().flat_map(|out| BufReader::new(out).lines());
                    for line in lines.map_while(Result::ok) {
                        // Whatever else it prints is no answer.
                        if let Ok(answer) = serde_json::from_str(&line) {
                            tell(Message::Answer(answer));
                        }
                    }
                    tell(Message::Ended);
                });
            }
            Err(error) => {
                let why = format!("no process can be started ({error})");
                self.result(number, head, Err(Lost::NoAnswer(why.clone())));
                self.take_out(number, &why);
            }
        }
    }

    /// The process of a run has ended.
    fn ended(&mut self, number: usize, mut running: Running) {
        let status = running.child.wait().map(|status| status.to_string());
        if let Some(ended) = running.ended {
            return self.result(number, running.head, ended);
        }
        let why = format!("its process has ended ({})", status.unwrap_or_default());
        let Batch { options, runner, summary, .. } = &*self.batch;
        let archive = options.archiving.archive.as_deref();
        let left = running.begun.map(|begun| -> Result<_, Error> {
            let left = resume::left(&options.record, &begun, archive, &runner.digest)?;
            Ok(summary.left(&begun.serial, left))
        });
        let ended = match left.transpose() {
            Ok(done) => done.flatten().ok_or(Lost::NoAnswer(why.clone())),
            Err(error) => Err(Lost::Batch(error.to_string())),
        };
        self.result(number, running.head, ended);
        self.take_out(number, &why);
    }

    /// Notes the result of a run. A head without one waits again, for another station; and a station is taken out
    /// where it should not go on.
    fn result(&mut self, number: usize, mut head: Waiting, ended: Result<Done, Lost>) {
        let passed = match &ended {
            Ok(done) if done.verdict() == Verdict::Interrupted => None,
            Ok(done) => Some(done.exit_code == 0),
            // It may not have answered since it was asked to stop.
            Err(Lost::NoAnswer(_)) if self.early.is_some() => return,
            Err(Lost::NoAnswer(_)) => Some(false),
            Err(_) => None,
        };
        let at = head.at;
        if matches!(ended, Err(Lost::NoAnswer(_))) {
            head.tried.insert(number);
            self.waiting.extend(Some(head).filter(|head| head.tried.len() < MAX_TRIES));
        }
        let early = self.batch.ended(at, ended);
        let Some(station) = self.stations.get_mut(number) else { return };
        match passed {
            Some(true) => station.failures = 0,
            Some(false) => station.failures += 1,
            None => {}
        }
        let most = self.batch.options.failures_in_a_row;
        let is_over = most.is_some_and(|most| station.failures >= most);
        match early {
            Some(Early::Unsafe(serial)) => {
                self.take_out(number, &format!("{serial} was not left safe: look at it"));
            }
            early => {
                self.early = self.early.take().or(early);
                if is_over {
                    let failures = station.failures;
                    self.take_out(
                        number,
                        &format!("heads in a row that did not pass there: {failures}"),
                    );
                }
            }
        }
    }

    fn take_out(&mut self, number: usize, why: &str) {
        let Some(station) = self.stations.get_mut(number) else { return };
        (station.doing, station.wanted) = (Doing::Out, None);
        self.batch.summary.take_out(station.name, why);
    }
}

/// The serial number of the head at an address, where no other client controls it.
fn free_head(address: &str) -> Result<String, Error> {
    let mut opened = open_elsewhere(address, Default::default())?;
    let serial = opened.link.describe().map_err(Error::HeadFailed)?.serial;
    let owner = opened.control.map(|control| control.owner()).transpose();
    match owner.map_err(Error::HeadFailed)? {
        Some(Control::Others) => Err(invalid!(
            "{serial} is mounted, and another client controls it: wait until it gives control back"
        )),
        _ => Ok(serial),
    }
}

/// This program, also where another one was installed in its place since it began: a batch does not change its program
/// between two heads.
fn program() -> std::io::Result<PathBuf> {
    let path = std::env::current_exe()?;
    let kept = Path::new("/proc/self/exe");
    Ok(if !path.exists() && kept.exists() { kept.to_owned() } else { path })
}

/// Starts this program again for one head.
fn child(order: &Order) -> std::io::Result<(Child, ChildStdin)> {
    let mut given = std::env::args_os().skip(1);
    let mut child = Command::new(program()?)
        .args(given.next())
        .arg("--one-head")
        .args(given)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let mut input = child.stdin.take().ok_or(std::io::ErrorKind::BrokenPipe)?;
    writeln!(input, "{}", serde_json::to_string(order)?)?;
    Ok((child, input))
}
