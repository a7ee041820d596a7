//! Recordings of simulated heads: read back as they were written, with a clock of their own, cut off and
//! damaged; and the contracts on a replay.

use flate2::read::GzDecoder;
use spintrue_head::{
    Bitmap, Call, CallListener, CallRecorder, Calls, ContractOutcome, Description, FAULTS, Fault,
    Head, Heard, Link, PageOrder, Permissions, Replay, Reply, Rig, TRACE_FORMAT, TRACE_VERSION,
    TraceEntry, TraceHeader, TraceReader, TraceWriter, run_contracts, survey_trace,
};
use spintrue_sim::{SimGauge, SimHead, open, open_with};
use std::cell::RefCell;
use std::io::{Read, Write};
use std::rc::Rc;
use std::sync::Arc;

/// A head whose clock runs by itself, as a real one's does.
struct Running(Rig, f64);

impl Link for Running {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let mut result = self.0.call(call);
        if let Ok(Reply::Safe(safe)) = &mut result {
            safe.speed = f64::NAN;
        }
        result
    }
    fn now(&mut self) -> f64 {
        // Every third look finds the time unchanged, as on a coarse clock.
        self.1 += 1.0;
        self.0.now() + (self.1 / 3.0).floor() * 1e-7
    }
}

fn rig(head: SimHead, gauge: SimGauge) -> Rig {
    Rig::new(Box::new(head), Some(Box::new(gauge)))
}

/// What was written so far, for a writer that is lost.
#[derive(Clone, Default)]
struct Written(Rc<RefCell<Vec<u8>>>);

impl Write for Written {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.borrow_mut().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

struct Tap(TraceWriter<Written>);

impl CallListener for Tap {
    fn heard(&mut self, heard: &Heard) {
        self.0.heard(heard).unwrap();
    }
    fn clock(&mut self, time: f64) {
        self.0.clock(time).unwrap();
    }
}

fn header(head: Description) -> TraceHeader {
    TraceHeader {
        format: TRACE_FORMAT.to_string(),
        version: TRACE_VERSION,
        spintrue: "0.1.0".to_string(),
        head,
        gauge: true,
        seed: None,
        faults: Vec::new(),
        scripts: Vec::new(),
        params: Vec::new(),
        real_time: false,
    }
}

fn played(bytes: Vec<u8>) -> Replay {
    Replay::new(TraceReader::new(std::io::Cursor::new(bytes)).unwrap())
}

#[test]
fn a_clock_that_runs_by_itself_replays_look_by_look() {
    let (head, gauge) = open(None, 1).unwrap();
    let mut head = Running(rig(head, gauge), 0.0);
    let written = Written::default();
    let header = header(head.describe().unwrap());
    let tap = TraceWriter::new(written.clone(), &header).unwrap();
    let tap = Rc::new(RefCell::new(Tap(tap)));
    let mut head = CallRecorder::new(head, tap.clone());
    let looks = |head: &mut dyn Link| {
        let mut seen = vec![head.now(), head.now()];
        for round in 0..5 {
            head.sleep(0.01).unwrap();
            for _ in 0..round {
                seen.push(head.now());
            }
            head.status().unwrap();
        }
        let safe = head.make_safe(false).unwrap();
        assert!(safe.speed.is_nan());
        seen.push(head.now());
        seen.iter().map(|time| time.to_bits()).collect::<Vec<u64>>()
    };
    let first = looks(&mut head);
    // The recording is not finished: the last command is there all the same.
    std::mem::forget((head, tap));
    let bytes = written.0.borrow().clone();
    assert_eq!(survey_trace(&bytes[..]).unwrap().verdict, None);
    let mut again = played(bytes);
    // The look behind the last command had not gone out.
    let second = looks(&mut again);
    assert_eq!(second[..second.len() - 1], first[..first.len() - 1]);
    // Whoever listens looks at the clock too, and changes nothing.
    let listened = played(written.0.borrow().clone());
    listened.course().listened_by(1);
    let deaf = TraceWriter::new(Written::default(), &header).unwrap();
    let deaf = Rc::new(RefCell::new(Tap(deaf)));
    let mut head = CallRecorder::new(listened, deaf);
    let third = looks(&mut head);
    assert_eq!(third[..third.len() - 1], first[..first.len() - 1]);
    assert_eq!(again.course().departure(), None);
    assert_eq!(again.course().calls(), 11);
}

const ALL: Permissions = Permissions { trims: true, switches: true, motion: true, light: true };

fn recorded_contracts(faults: &[String]) -> (Vec<u8>, Vec<ContractOutcome>) {
    let station = include_str!("../../scripts/heads/ten_with_station.toml");
    let (mut head, gauge) = open_with(Some(("station", station)), 1, faults).unwrap();
    let written = Written::default();
    let described = head.describe().ok();
    let described = described.unwrap_or_else(|| {
        let (mut other, _) = open(None, 1).unwrap();
        other.describe().unwrap()
    });
    let tap = TraceWriter::new(written.clone(), &header(described)).unwrap();
    let tap = Rc::new(RefCell::new(Tap(tap)));
    let link = CallRecorder::new(rig(head, gauge), tap.clone());
    let report = run_contracts(Box::new(link), ALL);
    let tap = Rc::into_inner(tap).unwrap().into_inner();
    tap.0.finish("contracts").unwrap();
    let bytes = written.0.borrow().clone();
    (bytes, report.outcomes.into_iter().map(|(_, found)| found).collect())
}

/// The contracts on a replay come to what they came to on the head that was recorded.
#[test]
fn contracts_hold_on_a_replay_as_on_its_head() {
    let mut faults = vec![None];
    faults.extend(FAULTS.iter().map(Some));
    for kind in faults {
        let fault: Vec<String> = kind.iter().map(|kind| format!("{}@0s", kind.example())).collect();
        let (bytes, then) = recorded_contracts(&fault);
        let again = played(bytes);
        let course = again.course();
        let report = run_contracts(Box::new(again), ALL);
        let now: Vec<ContractOutcome> =
            report.outcomes.into_iter().map(|(_, found)| found).collect();
        assert_eq!(now, then, "{fault:?}");
        assert_eq!(course.departure(), None, "{fault:?}");
        if kind.is_none() {
            assert!(!then.iter().any(|found| matches!(found, ContractOutcome::Broken(_))));
        }
    }
}

/// Cut anywhere, a recording is read up to its last whole line, and says so; with any byte changed,
/// it never passes for another one.
#[test]
fn cut_and_damaged_recordings_never_pass() {
    let (whole, _) = recorded_contracts(&[]);
    let all = survey_trace(&whole[..]).unwrap();
    assert_eq!(all.verdict.as_deref(), Some("contracts"));
    let mut last = 0;
    for end in (0..whole.len()).step_by(997) {
        match survey_trace(&whole[..end]) {
            Ok(cut) => {
                assert_eq!(cut.verdict, None, "{end}");
                assert!(cut.calls >= last && cut.calls <= all.calls, "{end}");
                last = cut.calls;
            }
            Err(why) if why.to_string().starts_with("is no recording:") => {
                assert!(last == 0, "{end}")
            }
            Err(other) => panic!("{end}: {other}"),
        }
    }
    assert!(last > all.calls * 9 / 10, "{last} of {}", all.calls);
    for at in (0..whole.len()).step_by(499) {
        let mut changed = whole.clone();
        changed[at] ^= 0x55;
        match survey_trace(&changed[..]) {
            Err(_) => {}
            // The header of gzip holds a time and a system, which mean nothing here.
            Ok(found) => assert!(found.verdict.is_none() || at < 10 && found == all, "{at}"),
        }
    }
}

/// Of a page the recording keeps the digest alone.
#[test]
fn entries_read_back() {
    let (mut head, gauge) = open(None, 1).unwrap();
    let written = Written::default();
    let tap = TraceWriter::new(written.clone(), &header(head.describe().unwrap())).unwrap();
    let mut head = CallRecorder::new(rig(head, gauge), Rc::new(RefCell::new(Tap(tap))));
    let image =
        Arc::new(Bitmap::read(&[&b"P4\n960 20\n"[..], &[0x55; 120 * 20]].concat()).unwrap());
    head.spin(500.0).unwrap();
    head.sleep(20.0).unwrap();
    head.arm(0.35).unwrap();
    head.expose_page(&PageOrder {
        dot_period: 2e-7,
        delay: 6e-5,
        pitch: 8.5e-5,
        image,
        correction: None,
    })
    .unwrap();
    head.make_safe(false).unwrap();
    drop(head);
    let mut lines = String::new();
    // Cut off, since it was not finished.
    let _ = GzDecoder::new(&written.0.borrow()[..]).read_to_string(&mut lines);
    assert!(lines.contains("\"expose_page\"") && lines.contains("\"sha256\""), "{lines}");
    for line in lines.lines().skip(1) {
        let entry: TraceEntry = serde_json::from_str(line).unwrap();
        assert_eq!(serde_json::to_string(&entry).unwrap(), line);
    }
}
