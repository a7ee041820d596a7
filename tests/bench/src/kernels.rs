//! The same kernels in spintrue, Lua 5.4 and Rhai. Each figure covers all from the text to the
//! result, inside one process.

use crate::{median, script, verdict};
use std::time::Instant;

/// Runs a kernel for its result.
type Engine<'a> = (&'static str, &'a mut dyn FnMut(&Kernel) -> f64);

struct Kernel {
    name: &'static str,
    lua: &'static str,
    rhai: &'static str,
    ours: &'static str,
    result: f64,
}

const KERNELS: &[Kernel] = &[
    Kernel {
        name: "k1",
        lua: include_str!("../kernels/k1.lua"),
        rhai: include_str!("../kernels/k1.rhai"),
        ours: include_str!("../kernels/k1.spt"),
        result: 7_499_995.5,
    },
    Kernel {
        name: "k1f",
        lua: include_str!("../kernels/k1f.lua"),
        rhai: include_str!("../kernels/k1f.rhai"),
        ours: include_str!("../kernels/k1f.spt"),
        result: 7_499_995.5,
    },
    Kernel {
        name: "k3",
        lua: include_str!("../kernels/k3.lua"),
        rhai: include_str!("../kernels/k3.rhai"),
        ours: include_str!("../kernels/k3.spt"),
        result: 3188.609414776247,
    },
    Kernel {
        name: "calls",
        lua: include_str!("../kernels/calls.lua"),
        rhai: include_str!("../kernels/calls.rhai"),
        ours: include_str!("../kernels/calls.spt"),
        result: 4_499_998_500_000.0,
    },
    Kernel {
        name: "branches",
        lua: include_str!("../kernels/branches.lua"),
        rhai: include_str!("../kernels/branches.rhai"),
        ours: include_str!("../kernels/branches.spt"),
        result: 999_999.5,
    },
];

fn lua(kernel: &Kernel) -> f64 {
    let lua = mlua::Lua::new();
    lua.load(kernel.lua).eval().expect("the kernel runs in Lua")
}

fn rhai(kernel: &Kernel) -> f64 {
    let mut engine = rhai::Engine::new();
    engine.set_max_operations(0);
    engine.eval(kernel.rhai).expect("the kernel runs in Rhai")
}

/// Largest ratio to Lua that is aimed for.
const GOAL: f64 = 0.8;

/// Times and prints the kernels that are `wanted`.
pub fn print(rounds: usize, wanted: &dyn Fn(&str) -> bool) {
    let wanted = |kernel: &&Kernel| wanted("kernels") || wanted(kernel.name);
    if !KERNELS.iter().any(|kernel| wanted(&kernel)) {
        return;
    }
    let mut station = script::station();
    let mut ours = |kernel: &Kernel| script::result(kernel.ours, &mut station);
    let mut engines: [Engine<'_>; 3] =
        [("spintrue", &mut ours), ("Lua", &mut lua), ("Rhai", &mut rhai)];
    println!("kernel    spintrue ms   Lua ms  Rhai ms  to Lua  to Rhai   goal to Lua");
    for kernel in KERNELS.iter().filter(wanted) {
        let mut times = [const { Vec::new() }; 3];
        for round in 0..rounds {
            for ((name, engine), times) in engines.iter_mut().zip(&mut times) {
                // Rhai is slow and not what is tuned for: three rounds are enough.
                if *name == "Rhai" && round >= 3 {
                    continue;
                }
                let start = Instant::now();
                let result = engine(kernel);
                times.push(start.elapsed().as_secs_f64() * 1e3);
                assert_eq!(result, kernel.result, "{} in {name}", kernel.name);
            }
        }
        let [ours, lua, rhai] = times.map(|mut times| median(&mut times));
        println!(
            "{:<9} {ours:>11.1} {lua:>8.1} {rhai:>8.1} {:>7.2} {:>8.3}   {GOAL} {}",
            kernel.name,
            ours / lua,
            ours / rhai,
            verdict(ours / lua, GOAL)
        );
    }
}
