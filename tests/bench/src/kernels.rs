//! The same kernels in spintrue and Lua 5.4. Each figure covers all from the text to the result,
//! inside one process.

use crate::{median, script, verdict};
use std::time::Instant;

struct Kernel {
    name: &'static str,
    lua: &'static str,
    ours: &'static str,
    result: f64,
    /// Largest ratio to Lua that is aimed for.
    goal: f64,
}

/// A kernel from its files.
macro_rules! kernel {
    ($name:literal, $result:expr, $goal:expr) => {
        Kernel {
            name: $name,
            lua: include_str!(concat!("../kernels/", $name, ".lua")),
            ours: include_str!(concat!("../kernels/", $name, ".spt")),
            result: $result,
            goal: $goal,
        }
    };
}

const KERNELS: &[Kernel] = &[
    kernel!("k1", 7_499_995.5, 0.8),
    kernel!("k1f", 7_499_995.5, 0.8),
    kernel!("k3", 3188.609414776247, 0.8),
    kernel!("calls", 4_499_998_500_000.0, 0.8),
    kernel!("branches", 999_999.5, 0.8),
    kernel!("lists", 440.375, 1.2),
    kernel!("lists300", 4.6265356063842775, 1.2),
    kernel!("passing", 1_375_000.0, 1.2),
    kernel!("texts", 2000.0, 1.2),
    kernel!("growing", 999_990.0, 1.2),
    kernel!("flags", 78_498.0, 1.2),
    kernel!("nested", 2_757_101.0, 1.2),
];

fn lua(kernel: &Kernel) -> f64 {
    let lua = mlua::Lua::new();
    lua.load(kernel.lua).eval().expect("the kernel runs in Lua")
}

/// Times and prints the kernels that are `wanted`.
pub fn print(rounds: usize, wanted: &dyn Fn(&str) -> bool) {
    let wanted = |kernel: &&Kernel| wanted("kernels") || wanted(kernel.name);
    if !KERNELS.iter().any(|kernel| wanted(&kernel)) {
        return;
    }
    let mut station = script::station();
    println!("kernel    spintrue ms   Lua ms  to Lua   goal");
    for kernel in KERNELS.iter().filter(wanted) {
        let timed = |engine: &mut dyn FnMut(&Kernel) -> f64| {
            let start = Instant::now();
            assert_eq!(engine(kernel), kernel.result, "{}", kernel.name);
            start.elapsed().as_secs_f64() * 1e3
        };
        let mut times = [const { Vec::new() }; 2];
        for _ in 0..rounds {
            times[0].push(timed(&mut |kernel| script::result(kernel.ours, &mut station)));
            times[1].push(timed(&mut lua));
        }
        let [ours, lua] = times.map(|mut times| median(&mut times));
        println!(
            "{:<9} {ours:>11.1} {lua:>8.1} {:>7.2}   {} {}",
            kernel.name,
            ours / lua,
            kernel.goal,
            verdict(ours / lua, kernel.goal)
        );
    }
}
