//! Times the same kernels in spintrue, Lua 5.4 and Rhai, in turn, and prints ratios of medians.
//! Each figure covers linking or compiling the kernel and running it, inside one process.
//!
//! Run with `cargo run --release --manifest-path tests/bench/Cargo.toml [rounds] [kernel]`.

mod head;
mod ours;

use spintrue::program::tree::Program;
use std::time::Instant;

struct Kernel {
    name: &'static str,
    lua: &'static str,
    rhai: &'static str,
    ours: fn() -> Program,
    result: f64,
}

const KERNELS: &[Kernel] = &[
    Kernel {
        name: "k1",
        lua: include_str!("../kernels/k1.lua"),
        rhai: include_str!("../kernels/k1.rhai"),
        ours: ours::k1,
        result: 7_499_995.5,
    },
    Kernel {
        name: "k1f",
        lua: include_str!("../kernels/k1f.lua"),
        rhai: include_str!("../kernels/k1f.rhai"),
        ours: ours::k1f,
        result: 7_499_995.5,
    },
    Kernel {
        name: "k3",
        lua: include_str!("../kernels/k3.lua"),
        rhai: include_str!("../kernels/k3.rhai"),
        ours: ours::k3,
        result: 3188.609414776247,
    },
    Kernel {
        name: "calls",
        lua: include_str!("../kernels/calls.lua"),
        rhai: include_str!("../kernels/calls.rhai"),
        ours: ours::calls,
        result: 4_499_998_500_000.0,
    },
    Kernel {
        name: "branches",
        lua: include_str!("../kernels/branches.lua"),
        rhai: include_str!("../kernels/branches.rhai"),
        ours: ours::branches,
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

fn spintrue(kernel: &Kernel) -> f64 {
    head::result(&(kernel.ours)())
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let rounds = arguments.next().and_then(|n| n.parse().ok()).unwrap_or(9);
    let only = arguments.next();
    let engines: [(&str, fn(&Kernel) -> f64); 3] =
        [("spintrue", spintrue), ("Lua", lua), ("Rhai", rhai)];
    println!("kernel    spintrue ms   Lua ms  Rhai ms  to Lua  to Rhai");
    for kernel in KERNELS {
        if only.as_deref().is_some_and(|name| name != kernel.name) {
            continue;
        }
        let mut times = [const { Vec::new() }; 3];
        for round in 0..rounds {
            for ((name, engine), times) in engines.iter().zip(&mut times) {
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
