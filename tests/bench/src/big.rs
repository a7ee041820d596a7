//! A generated program of 1 MB: our parse with all checks beside Lua's parse.

use crate::{median, script, verdict};
use std::fmt::Write;
use std::time::Instant;

/// Size of the script in bytes, at least.
const SIZE: usize = 1_000_000;

/// Largest ratio to Lua's parse that is aimed for.
const GOAL: f64 = 8.0;

/// Routines in a row that call each other.
const CHAIN: usize = 10;

/// One routine, and the call that makes it used.
fn ours(text: &mut String, k: usize) {
    let passed = match k % CHAIN {
        0 => "total".to_string(),
        _ => format!("step_{}(total, count: count + 1)", k - 1),
    };
    let written = write!(
        text,
        "\
/// What step {k} of the generated program makes of a speed.
routine step_{k}(speed: rotation, count: number = 3) -> rotation {{
    var total = 0.5 rpm
    for i in 0..12 {{
        if i > 3 and count < 4000 {{
            total = total + speed * 0.5 * i
        }} else {{
            total = total - (speed + 12 rpm) / 4
        }}
    }}
    let heights = [1.5 um, -2.25 um, 17 um, 0.125 mm]
    let highest = largest(heights)
    // The list above never changes.
    if highest > 0.2 mm or not (total > 0 rpm) {{
        fail \"step {k} gave {{total in rpm}} and {{highest in um}}\"
    }}
    return {passed}
}}

seen = seen + step_{k}(600 rpm)

"
    );
    written.expect("a text grows");
}

/// The same in Lua.
fn lua(text: &mut String, k: usize) {
    let passed = match k % CHAIN {
        0 => "total".to_string(),
        _ => format!("step_{}(total, count + 1)", k - 1),
    };
    let written = write!(
        text,
        "\
--- What step {k} of the generated program makes of a speed.
function step_{k}(speed, count)
    local total = 0.5 * rpm
    for i = 0, 11 do
        if i > 3 and count < 4000 then
            total = total + speed * 0.5 * i
        else
            total = total - (speed + 12 * rpm) / 4
        end
    end
    local heights = {{1.5e-6, -2.25e-6, 17e-6, 0.125e-3}}
    local highest = math.max(table.unpack(heights))
    -- The list above never changes.
    if highest > 0.2e-3 or not (total > 0) then
        error(\"step {k} gave \" .. total / rpm .. \" rpm and \" .. highest * 1e6 .. \" um\")
    end
    return {passed}
end

seen = seen + step_{k}(600 * rpm, 3)

"
    );
    written.expect("a text grows");
}

/// Times and prints the check.
pub fn print(rounds: usize) {
    let mut script = "var seen = 0 rpm\n\n".to_string();
    let mut program = "rpm = 2 * math.pi / 60\nseen = 0\n\n".to_string();
    let mut steps = 0;
    while script.len() < SIZE {
        ours(&mut script, steps);
        lua(&mut program, steps);
        steps += 1;
    }
    let script = script + "record \"seen\": seen\n";
    let program = program + "return seen\n";
    let mut times = [const { Vec::new() }; 2];
    for _ in 0..rounds {
        let start = Instant::now();
        script::checked(&script);
        times[0].push(start.elapsed().as_secs_f64() * 1e3);
        let lua = mlua::Lua::new();
        let start = Instant::now();
        lua.load(&program).into_function().expect("the program is sound in Lua");
        times[1].push(start.elapsed().as_secs_f64() * 1e3);
    }
    let [ours, lua] = times.map(|mut times| median(&mut times));
    println!(
        "check     {ours:>11.1} {lua:>8.1} ms: {} kB beside Lua's parse of {} kB: {:.2}, goal {GOAL} {}",
        script.len() / 1000,
        program.len() / 1000,
        ours / lua,
        verdict(ours / lua, GOAL)
    );
}
