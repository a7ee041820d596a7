//! Times the same kernels in spintrue, Lua 5.4 and Rhai, in turn, and prints ratios of medians.
//! Each figure covers all from the text to the result, inside one process.
//!
//! Run with `cargo run --release --manifest-path tests/bench/Cargo.toml [rounds] [kernel]`.

// A bench needs the clock.
#![allow(clippy::disallowed_methods)]

mod script;

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

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let rounds = arguments.next().and_then(|n| n.parse().ok()).unwrap_or(9);
    let only = arguments.next();
    let mut station = script::station();
    let mut ours = |kernel: &Kernel| script::result(kernel.ours, &mut station);
    let mut engines: [Engine<'_>; 3] =
        [("spintrue", &mut ours), ("Lua", &mut lua), ("Rhai", &mut rhai)];
    println!("kernel    spintrue ms   Lua ms  Rhai ms  to Lua  to Rhai");
    for kernel in KERNELS {
        if only.as_deref().is_some_and(|name| name != kernel.name) {
            continue;
        }
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
        let [ours, lua, rhai] = times.map(median);
        println!(
            "{:<9} {ours:>11.1} {lua:>8.1} {rhai:>8.1} {:>7.2} {:>8.3}",
            kernel.name,
            ours / lua,
            ours / rhai
        );
    }
}
