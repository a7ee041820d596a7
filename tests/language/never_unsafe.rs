//! No way out of a script leaves the head unsafe: each shipped script, and generated ones, are run
//! once for every head call that they make and everything that can go wrong at it. What is really
//! so is asked of the simulated world itself, not of the head's answers.

pub mod watched;

use crate::generate::{Generator, Moody, Stripes, stripes};
use crate::inside::{Events, Sources};
use crate::sheets::{Person, Scanner};
use spintrue_head::{Bitmap, FAULTS, Head, InjectableFault};
use spintrue_language::{
    Finished, Images, Prepared, SCRIPT_SOURCE, Station, Verdict, prepare, read_image, run_script,
};
use spintrue_sim::open_with;
use std::rc::Rc;
use std::sync::Arc;
use watched::{Strike, Watched};

/// Images beside the shipped scripts.
struct Beside;

impl Images for Beside {
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        Ok(Arc::new(read_image(&mut Sources::below("scripts"), "any.spt", name)?))
    }
}

fn shipped_script(name: &str) -> Prepared {
    prepare(&mut Sources::below(""), name, &[]).unwrap()
}

fn generated_script(text: &str) -> Prepared {
    prepare(&mut Sources::with_image(text, stripes()), "generated.spt", &[]).unwrap()
}

/// A run and what was seen of it.
struct Run {
    finished: Finished,
    watched: Watched,
    most: Option<f64>,
}

/// The head of the script that deals with what stands around it.
const STATION: &str = include_str!("../../scripts/heads/ten_with_station.toml");

/// The head of the script that calibrates the power.
const METER: &str = include_str!("../../scripts/heads/ten_with_meter.toml");

fn around(script: &str) -> bool {
    script.ends_with("station.spt")
}

/// Whether a fault can strike the head that a script runs on.
fn strikes(kind: &InjectableFault, script: &str) -> bool {
    around(script) || !kind.name.starts_with("signal")
}

/// Runs a script with faults, each an option such as `lock_lost@12s`.
fn run(
    prepared: &Prepared,
    shipped: bool,
    faults: &[String],
    seed: u64,
    strike: (usize, Strike),
) -> Option<Run> {
    let name = &prepared.sources.get(SCRIPT_SOURCE).unwrap().name;
    let text = around(name).then_some(("station", STATION));
    let text = text.or(name.ends_with("power.spt").then_some(("meter", METER)));
    let (head, gauge) = open_with(text, seed, faults).unwrap();
    let watched = Watched::new(head, gauge, strike);
    let stop = watched.log.borrow().stop.clone();
    // Where the link is silent from the start there is no run.
    let mut station = Station::open(Box::new(watched.clone()), stop).ok()?;
    if name.ends_with("trim_facets.spt") {
        let log = Rc::default();
        station.set_sheet_gauge(Box::new(Scanner::new(&watched.head, &log)), 40);
        station.set_operator(Box::new(Person::new(&watched.head, &log)));
    } else {
        station.set_operator(Box::new(Moody::default()));
    }
    station.set_images(if shipped { Box::new(Beside) } else { Box::new(Stripes) });
    let bound = prepared.bound(station.description())?;
    let description = station.description().clone();
    let runnable = prepared
        .admit(&description, false, &|fault| station.check_can_inject(fault), Vec::new())
        .ok()?;
    let finished = run_script(runnable, &mut station, &mut Events::default());
    Some(Run { finished, watched, most: bound.most })
}

/// What must hold after every run.
fn judge(run: &Run, fault: Option<&InjectableFault>, case: &str) {
    let Run { finished, watched, most } = run;
    let safe = &finished.safe;
    let truth = watched.head.borrow().truth();
    let told = || format!("{case}\n{finished:?}\n{truth:?}");
    // What a fault takes from anybody is not done, and that is said.
    let is = |name: &str| fault.is_some_and(|kind| kind.name == name);
    let said = !safe.troubles.is_empty();
    assert!(!truth.light || is("laser_stays_armed"), "light\n{}", told());
    assert!(!truth.light || (!safe.laser_off && said), "light and not said\n{}", told());
    let (angle, parked) = truth.galvanometer;
    let is_parked = (angle - parked).abs() < 1e-6;
    let unheard = is("link_silent") && said;
    assert!(is_parked || unheard || is("galvanometer_stuck"), "{}", told());
    assert!(!safe.parked || is_parked, "not parked and not said\n{}", told());
    // A polygon that turns is never said to be at rest; of all else the summary says that it may turn.
    assert!(!safe.at_rest || truth.speed < 7.0, "turning and not said\n{}", told());
    let beam = is("laser_stays_armed") && truth.light;
    assert!(!truth.driven || safe.kept_spinning || unheard || beam, "driven\n{}", told());
    // What stands around is as its description has it, or that is said.
    let lit = watched.head.borrow_mut().signal("lamp");
    assert!(lit != Ok(true) || said, "the lamp is lit and that is not said\n{}", told());
    // Old or new, never a mixture.
    let log = watched.log.borrow();
    let blank = truth.stored.iter().all(|t| t.in_scan == 0.0 && t.cross_scan == 0.0);
    assert!(blank || log.stored.contains(&truth.stored), "stored trims\n{}", told());
    if let Some(most) = *most {
        assert!(finished.took <= most, "took {} s of {most} s\n{}", finished.took, told());
    }
    let verdict = finished.verdict();
    let still = truth.speed < 7.0 || safe.kept_spinning;
    assert!(verdict != Verdict::Passed || still, "passed and turning\n{}", told());
    if !safe.is_safe() {
        assert!(matches!(verdict, Verdict::HeadFailed | Verdict::Interrupted), "{}", told());
    }
}

/// A fault at a time or line, as an option; its key as the table of kinds has it for an example.
fn option(kind: &InjectableFault, when: &str) -> String {
    format!("{}@{when}", kind.example())
}

const STRIKES: &[Strike] = &[Strike::LostCommand, Strike::LostReply, Strike::Stop, Strike::Panic];

/// How much is tried: at most so many calls are struck, faults begin at so many moments and so many lines, and
/// of these one part of so many.
#[derive(Clone, Copy)]
struct Share {
    calls: usize,
    moments: usize,
    part: usize,
    parts: usize,
}

impl Share {
    /// Which of `count` things are tried, `most` of them.
    fn of(self, count: usize, most: usize) -> impl Iterator<Item = usize> {
        let step = count.div_ceil(most).max(1);
        (self.part * step..count).step_by(step * self.parts)
    }
}

/// Runs a script once for each of its calls, as far as `share` goes, and all that can happen at
/// it; gives the runs.
fn every_way(prepared: &Prepared, name: &str, seed: u64, share: Share) -> usize {
    let shipped = name.ends_with(".spt");
    // A rehearsal catches what strikes it, and judges for itself.
    let strict = shipped && !name.ends_with("rehearse.spt");
    let unstruck = (usize::MAX, Strike::Nothing);
    let Some(clean) = run(prepared, shipped, &[], seed, unstruck) else { return 0 };
    judge(&clean, None, &format!("{name}: clean"));
    let (times, calls, safe_call) = {
        let log = clean.watched.log.borrow();
        (log.times.clone(), log.calls, log.safe_call.unwrap())
    };
    let expected = clean.finished.verdict();
    let mut runs = 1;
    for call in share.of(calls, share.calls) {
        for strike in STRIKES {
            let case =
                format!("{name}: {strike:?} at call {call} of {calls} (safe at {safe_call})");
            let struck = run(prepared, shipped, &[], seed, (call, *strike)).unwrap();
            runs += 1;
            judge(&struck, None, &case);
            let verdict = struck.finished.verdict();
            let told = struck.watched.log.borrow().told;
            // Disarming begins the way down, one call before the head is made safe.
            let before_the_end = call + 2 < safe_call;
            match strike {
                // A call may fail by itself while Ctrl-C is pressed.
                Strike::Stop if before_the_end => {
                    let right = verdict == Verdict::Interrupted || verdict == expected;
                    assert!(right && (!strict || verdict == Verdict::Interrupted), "{case}");
                }
                // Heard while the head is made safe, too; at the last call, which asks for the time once
                // it was measured at rest, there is nothing left to stop.
                Strike::Stop if call + 1 < calls => {
                    assert_ne!(verdict, Verdict::Passed, "{case}");
                }
                // A clock that breaks for once is not missed: the last time is known.
                Strike::Panic if before_the_end && told && (strict || !shipped) => {
                    assert_eq!(verdict, Verdict::HeadFailed, "{case}");
                }
                Strike::LostCommand | Strike::LostReply if told && strict => {
                    assert_eq!(verdict, Verdict::HeadFailed, "{case}: {:?}", struck.finished);
                }
                Strike::LostCommand | Strike::LostReply if !told && (strict || !shipped) => {
                    assert_eq!(verdict, expected, "{case}");
                }
                _ => {}
            }
        }
    }
    let mut moments = times;
    moments.dedup();
    let at = share.of(moments.len(), share.moments).map(|index| format!("{:?}s", moments[index]));
    let lines = clean.watched.log.borrow().lines;
    let within = share.of(lines, share.moments).map(|line| format!("line {}", line + 1));
    for when in at.chain(within) {
        for kind in FAULTS.iter().filter(|kind| strikes(kind, name)) {
            let fault = option(kind, &when);
            // A silence from the start is no run.
            let options = [fault.clone()];
            let Some(faulty) = run(prepared, shipped, &options, seed, unstruck) else {
                continue;
            };
            runs += 1;
            let case = format!("{name}: {fault}");
            judge(&faulty, Some(kind), &case);
            // A generated script may ask for what this head cannot do.
            let verdict = faulty.finished.verdict();
            assert!(
                !strict || !matches!(verdict, Verdict::ScriptWrong | Verdict::Interrupted),
                "{case} {:?}",
                faulty.finished
            );
        }
    }
    runs
}

const SHIPPED: &[&str] = &[
    "scripts/bring_up.spt",
    "scripts/expose_page.spt",
    "scripts/spin_only.spt",
    "scripts/measure_only.spt",
    "scripts/rehearse.spt",
    "scripts/station.spt",
    // By sheets.
    "scripts/trim_facets.spt",
];

/// Scripts that take long, of which few calls are tried.
const LONG: &[&str] = &["scripts/accept.spt", "scripts/power.spt"];

/// Does jobs on all cores; gives the runs.
fn on_all_cores(jobs: usize, job: impl Fn(usize) -> usize + Sync) -> usize {
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let part = |worker: usize| (worker..jobs).step_by(workers).map(&job).sum::<usize>();
    let part = &part;
    std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers).map(|w| scope.spawn(move || part(w))).collect();
        handles.into_iter().map(|handle| handle.join().unwrap()).sum()
    })
}

/// Parts that a shipped script is tried in.
const PARTS: usize = 4;

fn shipped(scripts: &[&str], calls: usize, moments: usize) -> usize {
    on_all_cores(scripts.len() * PARTS, |job| {
        let name = scripts[job / PARTS];
        let share = Share { calls, moments, part: job % PARTS, parts: PARTS };
        every_way(&shipped_script(name), name, 1, share)
    })
}

fn generated(seeds: std::ops::Range<u64>, most: usize) -> usize {
    let first = seeds.start;
    let count = usize::try_from(seeds.end - first).unwrap();
    on_all_cores(count, |index| {
        let seed = first + index as u64;
        let mut generator = Generator::new(seed);
        // Its head goes unused, but is drawn, so that the script is that of the seed.
        generator.head();
        let script = generator.script();
        let prepared = generated_script(&script);
        if prepared.program.is_none() {
            return 0;
        }
        let share = Share { calls: most, moments: most, part: 0, parts: 1 };
        every_way(&prepared, &format!("seed {seed}\n{script}"), seed, share)
    })
}

#[test]
fn shipped_scripts_end_safe() {
    let runs = shipped(SHIPPED, 20, 8) + shipped(LONG, 2, 2);
    println!("{runs} runs");
    assert!(runs > 300, "only {runs} runs");
}

#[test]
fn generated_scripts_end_safe() {
    let runs = generated(0..16, 4);
    println!("{runs} runs");
    assert!(runs > 100, "only {runs} runs");
}

#[test]
#[ignore = "takes minutes; run it after changing heads, station or interpreter"]
fn every_call_of_all_scripts_ends_safe() {
    let runs =
        shipped(SHIPPED, usize::MAX, 200) + shipped(LONG, 400, 200) + generated(100..400, 40);
    println!("{runs} runs");
    assert!(runs > 10_000, "only {runs} runs");
}
