//! Lines measured by sheets that a person scans. Whether light can come out is asked of the simulated world.

use crate::generate::{Stripes, stripes};
use crate::inside::{Events, Sources};
use crate::never_unsafe::watched::{Strike, Watched};
use spintrue_head::{
    Bitmap, ExposedPage, FaultInjector, Head, Mark, PageOrder, PulseAngle, Reading, Stated,
};
use spintrue_language::{
    Answer, EarlierSheet, Event, FailureKind, Finished, NoAnswer, Operator, Question, SHEET_READY,
    SHEET_SCAN_BEFORE, SheetGauge, SheetOrder, Shown, Station, prepare, run_script,
};
use spintrue_sim::{SimHead, open};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

type Shared<T> = Rc<RefCell<T>>;

/// What happened, in order.
type Log = Shared<Vec<String>>;

/// Reads of each facet what its trims make of a fixed error, and two looks of a sheet. A scan is good or not.
pub struct Scanner {
    head: Shared<SimHead>,
    log: Log,
    /// Speed of the spot in m/s.
    velocity: f64,
    readings: Vec<Reading>,
    /// What an earlier run exposed.
    earlier: Option<EarlierSheet>,
    /// Pulses told with the sheet exposed last.
    pulses: Shared<Vec<PulseAngle>>,
}

impl Scanner {
    pub fn new(head: &Shared<SimHead>, log: &Log) -> Scanner {
        let (head, log) = (Rc::clone(head), Rc::clone(log));
        Scanner {
            head,
            log,
            velocity: 0.0,
            readings: Vec::new(),
            earlier: None,
            pulses: Shared::default(),
        }
    }

    /// A reading of a facet without an error.
    fn steady() -> Reading {
        let mark = |at| Mark { at, in_scan: 0.0, cross_scan: 0.0, dose: f64::NAN, width: None };
        let u = Stated { random: 0.2e-6, offset: 10e-3, slope: 0.01, place: 100e-6 };
        let marks = [-0.4, -0.2, 0.0, 0.2, 0.4].map(mark).to_vec();
        Reading { marks, in_scan_u: u, cross_scan_u: u, dose_u: f64::NAN, width_u: None }
    }

    fn say(&self, text: String) {
        self.log.borrow_mut().push(text);
    }
}

impl SheetGauge for Scanner {
    fn exposed_before(&mut self, _: &SheetOrder<'_>) -> Result<Option<EarlierSheet>, String> {
        Ok(self.earlier.clone())
    }

    fn page(&mut self, order: &SheetOrder<'_>) -> Result<PageOrder, String> {
        let line = order.line;
        self.velocity = order.length / (f64::from(line.dots) * line.dot_period);
        let row = vec![0x55; line.dots.div_ceil(8) as usize];
        let image = [format!("P4 {} 40\n", line.dots).as_bytes(), &row.repeat(40)].concat();
        self.say(format!("sheet {}", order.number));
        Ok(PageOrder {
            dot_period: line.dot_period,
            delay: line.delay,
            pitch: order.pitch,
            image: Arc::new(Bitmap::read(&image).unwrap()),
            correction: line.correction.clone(),
        })
    }

    fn exposed(
        &mut self,
        _: &SheetOrder<'_>,
        page: &ExposedPage,
        pulses: &[PulseAngle],
    ) -> Result<(), String> {
        assert!(!self.head.borrow().truth().light, "light after the page");
        let scale = 2.0 * self.head.borrow_mut().describe().unwrap().focal_length;
        let trims = self.head.borrow().truth().trims;
        let reading = |(k, trim): (u8, &spintrue_head::Trim)| {
            let own = 5e-6 * f64::from(k * 7 % 10) - 22.5e-6;
            let mut reading = Scanner::steady();
            for mark in &mut reading.marks {
                mark.in_scan = own + self.velocity * trim.in_scan;
                mark.cross_scan = own + scale * trim.cross_scan;
            }
            reading
        };
        self.readings = (0..).zip(&trims).map(reading).collect();
        self.say(format!("exposed {}", page.lines));
        *self.pulses.borrow_mut() = pulses.to_vec();
        Ok(())
    }

    fn read(&mut self, scan: &str) -> Result<Vec<Vec<Reading>>, String> {
        match scan {
            "good" => Ok(vec![self.readings.clone(), self.readings.clone()]),
            _ => Err(format!("{scan} is no scan")),
        }
    }

    fn tell(&mut self, text: &str) {
        self.say(text.to_string());
    }
}

/// Answers in order, then as it should be; is never asked while light can come out.
pub struct Person {
    head: Shared<SimHead>,
    log: Log,
    answers: Vec<Answer>,
    /// What happens to the head at the first questions, and at how many.
    strikes: (&'static str, usize),
}

impl Person {
    pub fn new(head: &Shared<SimHead>, log: &Log) -> Person {
        Person { head: Rc::clone(head), log: Rc::clone(log), answers: Vec::new(), strikes: ("", 0) }
    }
}

impl Operator for Person {
    fn who(&self) -> String {
        "by a test".to_string()
    }

    fn ask(&mut self, question: &Question<'_>, _: &AtomicBool) -> Result<Answer, NoAnswer> {
        assert!(!self.head.borrow().truth().light, "asked under light");
        let ready = question.text == SHEET_READY;
        let asked = match question.text {
            SHEET_READY => "ready?",
            SHEET_SCAN_BEFORE => "scan of before?",
            _ => "scan?",
        };
        self.log.borrow_mut().push(asked.to_string());
        let mut injector = self.head.borrow().injector();
        if self.strikes.1 > 0 {
            self.strikes.1 -= 1;
            injector.inject(self.strikes.0, 0.0).unwrap();
        } else {
            injector.clear();
        }
        if !self.answers.is_empty() {
            return Ok(self.answers.remove(0));
        }
        Ok(if ready { Answer::Flag(true) } else { Answer::Text("good".to_string()) })
    }
}

struct Ran {
    finished: Finished,
    events: Events,
    log: Vec<String>,
    most: f64,
    pulses: Vec<PulseAngle>,
}

/// Runs a body behind a locked polygon and a plan. The covers stand open at the first questions.
fn run(body: &str, answers: Vec<Answer>, open_covers: usize) -> Ran {
    run_with(body, answers, ("interlock_opened", open_covers))
}

fn run_with(body: &str, answers: Vec<Answer>, strikes: (&'static str, usize)) -> Ran {
    run_after(body, answers, strikes, None)
}

/// As it goes on after an earlier run.
fn run_after(
    body: &str,
    answers: Vec<Answer>,
    strikes: (&'static str, usize),
    earlier: Option<EarlierSheet>,
) -> Ran {
    let script = format!(
        "spin(4800 rpm)\nwait until locked() within 20 s\n\
         let plan = plan_line(4800 rpm, length: 250 mm, resolution: 300 dpi)\n{body}"
    );
    let prepared =
        prepare(&mut Sources::with_image(&script, stripes()), "sheets.spt", &[]).unwrap();
    assert!(prepared.program.is_some(), "{:?}", prepared.diagnostics);
    let (head, gauge) = open(None, 1).unwrap();
    let watched = Watched::new(head, gauge, (usize::MAX, Strike::Nothing));
    let mut station = Station::open(Box::new(watched.clone()), Arc::default()).unwrap();
    let log = Log::default();
    let readings = vec![Scanner::steady(); 10];
    let scanner = Scanner { earlier, readings, ..Scanner::new(&watched.head, &log) };
    let pulses = Rc::clone(&scanner.pulses);
    station.set_sheet_gauge(Box::new(scanner), 40);
    let person = Person { answers, strikes, ..Person::new(&watched.head, &log) };
    station.set_operator(Box::new(person));
    station.set_images(Box::new(Stripes));
    let most = prepared.bound(station.description()).unwrap().most.unwrap();
    let description = station.description().clone();
    let runnable = prepared.admit(&description, false, &|_| Ok(()), Vec::new()).ok().unwrap();
    let mut events = Events::default();
    let finished = run_script(runnable, &mut station, &mut events);
    assert!(!watched.head.borrow().truth().light);
    let log = log.borrow().clone();
    let pulses = pulses.borrow().clone();
    Ran { finished, events, log, most, pulses }
}

fn no(count: usize) -> Vec<Answer> {
    let mut answers = vec![Answer::Flag(true)];
    answers.extend((0..count).map(|_| Answer::Text("bad".to_string())));
    answers
}

const SHEET: [&str; 3] = ["ready?", "exposed 40", "scan?"];

/// What is done for so many sheets, each asked for twice.
fn sheets(count: usize) -> Vec<String> {
    let of = |k: usize| std::iter::once(format!("sheet {k}")).chain(SHEET.map(str::to_string));
    (1..=count).flat_map(of).collect()
}

#[test]
fn a_sheet_serves_as_long_as_it_has_lines_left_and_nothing_has_changed() {
    let twice = "arm at 35 % { let _a = test_lines(plan, readings: 9) }\n";
    for (body, count) in [
        (twice.to_string(), 1),
        (twice.repeat(2), 1),
        (twice.repeat(3), 2),
        (format!("{twice}arm at 35 % {{ for k in facets() {{ let _b = test_line(k, plan) }} }}"), 1),
        (format!("{twice}let _c = loaded_trims()\nnote \"{{measured_speed()}}\"\n{twice}"), 1),
        (format!("{twice}load(no_trims())\n{twice}"), 2),
        (format!("{twice}wait 1 s\n{twice}"), 2),
        (format!("{twice}let _t = turns(1)\n{twice}"), 2),
        (format!("{twice}spin(4800 rpm)\nwait until locked() within 20 s\n{twice}"), 2),
        (twice.to_string() + &twice.replace("35 %", "30 %"), 2),
        (
            format!(
                "{twice}let other = plan_line(4800 rpm, length: 200 mm, resolution: 300 dpi)\n{}",
                twice.replace("plan,", "other,")
            ),
            2,
        ),
        // A load in between counts inside of one block, too.
        (
            "arm at 35 % {\n let _a = test_lines(plan)\n load(no_trims())\n let _b = test_lines(plan)\n}\n"
                .to_string(),
            2,
        ),
    ] {
        let ran = run(&body, Vec::new(), 0);
        assert!(ran.finished.failure.is_none(), "{body}: {:?}", ran.finished);
        assert_eq!(ran.log, sheets(count), "{body}");
        assert!(ran.finished.took <= ran.most, "{} {}", ran.finished.took, ran.most);
    }
}

#[test]
fn light_after_a_sheet_is_let_out_by_the_operator_again() {
    let body = "let wide = plan_line(4800 rpm, length: 157 / 300 dpi, resolution: 300 dpi)\n\
                arm at 35 % {\n let _a = test_lines(plan)\n let _b = expose(\"any.pbm\", wide)\n \
                let _c = expose(\"any.pbm\", wide)\n}\n";
    let ran = run(body, Vec::new(), 0);
    assert!(ran.finished.failure.is_none(), "{:?}", ran.finished);
    assert_eq!(ran.log, [sheets(1), vec!["ready?".to_string()]].concat());
    // No: no light, and the script ends.
    let answers = vec![Answer::Flag(true), Answer::Text("good".to_string()), Answer::Flag(false)];
    let failure = run(body, answers, 0).finished.failure.unwrap();
    assert_eq!(failure.message, "the operator says that no light may come out");
}

#[test]
fn what_cannot_be_taken_is_asked_for_again() {
    let body = "arm at 35 % { let _a = test_lines(plan) }\n";
    let ran = run(body, no(2), 0);
    assert!(ran.finished.failure.is_none(), "{:?}", ran.finished);
    let tail = ["scan?", "bad is no scan", "scan?", "bad is no scan", "scan?"];
    assert_eq!(ran.log[3..], tail);
    let told = ran.events.0.iter().filter(|(_, event)| matches!(event, Event::Answered { .. }));
    assert_eq!(told.count(), 4);
    let failure = run(body, no(9), 0).finished.failure.unwrap();
    assert_eq!(failure.kind, FailureKind::Unanswered);
    assert!(failure.message.contains("in 5 tries: bad is no scan"), "{failure:?}");
    // Covers left open are closed.
    let ran = run(body, Vec::new(), 2);
    assert!(ran.finished.failure.is_none(), "{:?}", ran.finished);
    let covers = "the interlock is open: close the covers";
    assert_eq!(ran.log[..6], ["sheet 1", "ready?", covers, "ready?", covers, "ready?"]);
    let failure = run(body, Vec::new(), 9).finished.failure.unwrap();
    assert_eq!(failure.kind, FailureKind::InterlockOpen);
}

#[test]
fn a_sheet_is_one_reading_and_no_map() {
    let body = "arm at 35 % {\n let lines = test_lines(plan, readings: 9)\n \
                note \"{lines[3].readings} {lines[3].in_scan_scatter} {lines[3].in_scan_u > 9 mm}\"\n}\n";
    assert_eq!(run(body, Vec::new(), 0).events.notes(), ["1 no number true"]);
    let body = "arm at 35 % { let _m = line_map(0, plan, [0, 0.1]) }\n";
    let failure = run(body, Vec::new(), 0).finished.failure.unwrap();
    assert!(failure.message.contains("test lines, and no map"), "{failure:?}");
}

/// A sheet that an earlier run exposed serves without light where facets are still counted from the same one.
#[test]
fn a_sheet_of_an_earlier_run_serves_the_same_facets_only() {
    let body = "arm at 35 % { let _a = test_lines(plan) }\n";
    let pulses = run(body, Vec::new(), 0).pulses;
    assert_eq!(pulses.len(), 10);
    let after = |pulses: &[PulseAngle]| {
        let earlier = EarlierSheet { at: "today".to_string(), pulses: pulses.to_vec() };
        run_after(body, Vec::new(), ("", 0), Some(earlier))
    };
    let ran = after(&pulses);
    assert!(ran.finished.failure.is_none(), "{:?}", ran.finished);
    assert!(ran.log[0].contains("not exposed again. The laser is off"), "{:?}", ran.log);
    assert_eq!(ran.log[1..], ["scan of before?"]);
    let answers: Vec<String> = (ran.events.0.iter())
        .filter_map(|(_, event)| match event {
            Event::Answered { shown: Shown::Text(text), .. } => Some(text.to_string()),
            _ => None,
        })
        .collect();
    assert_eq!(answers, ["good (sheet 1, exposed today)"]);
    let mut moved = pulses.clone();
    moved.rotate_left(1);
    let others: Vec<PulseAngle> =
        pulses.iter().map(|pulse| PulseAngle { angle: -pulse.angle, ..*pulse }).collect();
    for (pulses, why) in [
        (&moved[..], "the index has moved by 9 facets"),
        (&others, "another polygon"),
        (&pulses[1..], "do not tell"),
        (&[], "do not tell"),
    ] {
        let ran = after(pulses);
        let failure = ran.finished.failure.unwrap();
        assert!(failure.message.contains(why), "{why}: {failure:?}");
        assert!(ran.log.is_empty(), "{:?}", ran.log);
    }
}

#[test]
fn light_needs_the_lock_after_every_question() {
    let body = "arm at 35 % { let _a = test_lines(plan) }\n";
    let ran = run_with(body, Vec::new(), ("lock_lost", 1));
    assert_eq!(ran.finished.failure.unwrap().kind, FailureKind::NotLocked);
    assert_eq!(ran.log, ["sheet 1", "ready?"]);
}
