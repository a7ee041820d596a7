//! An hour of head time on the simulated head.

use crate::{median, script, verdict};
use std::time::Instant;

/// Longest time in ms for an hour of head time.
const GOAL: f64 = 50.0;

const SPUN_UP: &str = "\
spin(4800 rpm)
wait until locked() within 1 min
let start = now()
";

/// Each row: its name, and what makes an hour pass.
const ROWS: &[(&str, &str)] = &[
    ("waited", "wait 1 h\n"),
    ("polled", "wait until measured_speed() > 7000 rpm within 1 h every 10 ms else {\n}\n"),
];

/// Times and prints an hour of head time.
pub fn print(rounds: usize) {
    for (name, wait) in ROWS {
        let text = format!("{SPUN_UP}{wait}record \"hours\": (now() - start) / 1 h\n");
        let mut times = Vec::new();
        for _ in 0..rounds {
            let mut station = script::station();
            let start = Instant::now();
            let hours = script::result(&text, &mut station);
            times.push(start.elapsed().as_secs_f64() * 1e3);
            assert!((hours - 1.0).abs() < 1e-3, "{hours} hours passed");
        }
        let took = median(&mut times);
        println!(
            "time      {took:>11.2} ms: an hour {name}, goal {GOAL} ms {}",
            verdict(took, GOAL)
        );
    }
}
