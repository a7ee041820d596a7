//! Test lines and whole pages on the simulated head.

use crate::{median, script, verdict};
use spintrue_head::{Bitmap, Calls, Decides, LineRequest, PageOrder, Rig, plan_line};
use spintrue_language::Station;
use spintrue_sim::{Medium, Showing, draw_picture, open};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

/// A million test lines, each exposed and measured.
const LINES: &str = "\
spin(4800 rpm)
wait until locked() within 1 min
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
var total = 0 um
arm at 35 % {
    for k in 0..1000000 {
        total = total + test_line(k mod 10, plan).in_scan
    }
}
record \"sum\": total / 1 m
";

/// Longest time in ms for a million test lines.
const LINES_GOAL: f64 = 1000.0;

/// Width, height and longest time in ms of a page with its picture.
const PAGES: &[(u32, u32, f64)] = &[(2480, 3508, 2000.0), (3600, 3600, 2500.0)];

const SPEED: f64 = 4800.0 / 60.0 * core::f64::consts::TAU;

/// A head with its gauge.
fn measuring() -> (Station, Medium) {
    let (head, gauge) = open(None, 1).expect("the simulated head opens");
    let medium = head.medium();
    let stop = Arc::new(AtomicBool::new(false));
    let gauge = Some(Box::new(gauge) as Box<_>);
    (
        Station::open(Box::new(Rig::new(Box::new(head), gauge)), stop)
            .expect("the head says what it is"),
        medium,
    )
}

/// Times and prints a million test lines, and pages of two sizes.
pub fn print(rounds: usize) {
    let mut times = Vec::new();
    for _ in 0..rounds {
        let (mut station, _) = measuring();
        let start = Instant::now();
        script::result(LINES, &mut station);
        times.push(start.elapsed().as_secs_f64() * 1e3);
    }
    say("a million test lines", median(&mut times), LINES_GOAL);
    for (width, height, goal) in PAGES {
        let mut file = format!("P4 {width} {height}\n").into_bytes();
        let row = width.div_ceil(8);
        // Some pattern without a period that lines share.
        file.extend((0..row * height).map(|byte| (byte.wrapping_mul(0x9e37_79b9) >> 24) as u8));
        let image = Arc::new(Bitmap::read(&file).expect("this is an image"));
        let mut times = Vec::new();
        for _ in 0..rounds {
            times.push(page(&image));
        }
        say(&format!("a page of {width} x {height} dots"), median(&mut times), *goal);
    }
}

fn say(what: &str, took: f64, goal: f64) {
    println!("time      {took:>11.2} ms: {what}, goal {goal} ms {}", verdict(took, goal));
}

/// Time in ms of a page and its picture, without writing it.
fn page(image: &Arc<Bitmap>) -> f64 {
    let (mut station, medium) = measuring();
    medium.keep();
    let head = station.description().clone();
    let resolution = 300.0 / 0.0254;
    let plan = plan_line(&LineRequest {
        facets: head.facets,
        speed: SPEED,
        decides: Decides::FocalLength(head.focal_length),
        length: f64::from(image.width()) / resolution,
        resolution,
        hardware: Some(head.hardware()),
    })
    .expect("the line can be planned");
    station.spin(SPEED).expect("it spins");
    station.sleep(30.0).expect("it waits");
    station.arm(0.35).expect("it arms");
    let start = Instant::now();
    let order = PageOrder {
        dot_period: plan.dot_period,
        delay: plan.pre_scan_delay,
        pitch: plan.cross_scan_pitch,
        image: Arc::clone(image),
        correction: None,
    };
    station.expose_page(&order).expect("the page is drawn");
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let sheets = medium.take();
    let sheet = sheets.first().expect("the page is kept");
    let lend = |work: &(dyn Fn() + Sync)| {
        std::thread::scope(|scope| {
            for _ in 1..threads {
                scope.spawn(work);
            }
            work();
        });
    };
    let shown = draw_picture(sheet, &Showing { scale: 1, spot: None }, lend).expect("it shows");
    assert_eq!(shown.width, image.width());
    start.elapsed().as_secs_f64() * 1e3
}
