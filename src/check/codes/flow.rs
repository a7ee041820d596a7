//! Codes of flow: what returns, loops, waits, arms and promises. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0701",
        meaning: "a routine that may end without its result",
        why: "There is a way through the routine that meets no `return`. A loop may run no times \
              at all, and an `if` without `else` may be passed by.",
        wrong: r#"
routine limited(x: length) -> length {
    if x > 3 mm { return 3 mm }
}
note "{limited(1 mm)}"
"#,
        right: r#"
routine limited(x: length) -> length {
    if x > 3 mm { return 3 mm }
    return x
}
note "{limited(1 mm)}"
"#,
    },
    Code {
        code: "E0702",
        meaning: "a wrong `return`",
        why: "What a routine gives is what it says behind its parameters: `-> length`. One that \
              says nothing gives nothing, and a script gives nothing back.",
        wrong: r#"
routine rate() {
    return measured_speed() / 1 rev
}
rate()
"#,
        right: r#"
routine rate() -> frequency {
    return measured_speed() / 1 rev
}
note "{rate()}"
"#,
    },
    Code {
        code: "E0703",
        meaning: "a jump outside of any loop",
        why: "`break` leaves the innermost loop and `continue` goes on with its next round; here \
              is none. `return` leaves a routine.",
        wrong: r#"
if locked() { break }
"#,
        right: r#"
for k in facets() {
    if k == 3 { break }
    note "facet {k}"
}
"#,
    },
    Code {
        code: "E0704",
        meaning: "a routine that calls itself, or by way of others",
        why: "Every script ends, so no routine may call itself, nor by way of others. Use a loop \
              with a bound.",
        wrong: r#"
routine patient() {
    if not locked() {
        wait 1 s
        patient()
    }
}
patient()
"#,
        right: r#"
routine patient() {
    while not locked() at most 20 times { wait 1 s }
}
patient()
"#,
    },
    Code {
        code: "E0705",
        meaning: "light outside of an `arm` block",
        why: "Light comes out only inside `arm at ... { }`, so that lock and interlock are watched \
              and every way out disarms. A routine that says `within arm` is called inside such a \
              block.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
record "line": test_line(0, plan)
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % { record "line": test_line(0, plan) }
"#,
    },
    Code {
        code: "E0706",
        meaning: "arming what is armed",
        why: "The end of the inner block would disarm while the outer one still counts on light. \
              End the outer block first; a routine that is to be called under light says `within \
              arm` instead of arming.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % {
    arm at 20 % { record "line": test_line(0, plan) }
}
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 20 % { record "line": test_line(0, plan) }
"#,
    },
    Code {
        code: "E0707",
        meaning: "a loop whose parts do not fit",
        why: "A loop with `until` may end early, so its bound is `at most`; `else` says what is \
              done when the bound is reached, so it needs an `until` that can fail to hold.",
        wrong: r#"
repeat 3 times { wait 1 s } until locked()
"#,
        right: r#"
repeat at most 3 times { wait 1 s } until locked()
"#,
    },
    Code {
        code: "E0708",
        meaning: "a bound that is no whole number from 0",
        why: "A loop runs a whole number of times, from 0 to 1e9. A time is no bound: to wait for \
              something write `wait until ... within 20 s`.",
        wrong: r#"
while not locked() at most 20 s times { wait 100 ms }
"#,
        right: r#"
wait until locked() within 20 s every 100 ms
"#,
    },
    Code {
        code: "E0709",
        meaning: "a division by zero",
        why: "The divisor is 0 in every run.",
        wrong: r#"
record "share": 3 mm / 0
"#,
        right: r#"
record "share": 3 mm / 2
"#,
    },
    Code {
        code: "E0710",
        meaning: "a time that cannot be waited",
        why: "`wait` takes a time with its unit, and not a negative one. The limit behind `within` \
              and the interval behind `every` are times too.",
        wrong: r#"
wait 3
"#,
        right: r#"
wait 3 s
"#,
    },
    Code {
        code: "E0711",
        meaning: "a jump out of `finally`",
        why: "`finally` runs on every way out, and must not replace the way it is on: a jump there \
              would swallow a failure.",
        wrong: r#"
for k in facets() {
    try { note "facet {k}" } finally { break }
}
"#,
        right: r#"
for k in facets() {
    try { note "facet {k}" } finally { park() }
}
"#,
    },
    Code {
        code: "E0712",
        meaning: "a value that may not be set yet",
        why: "`until` looks at a name of the loop's body, and a `continue` may come before it is \
              set. Declare it with `var` before the loop.",
        wrong: r#"
repeat at most 4 times {
    if locked() { continue }
    let speed = measured_speed()
} until speed > 4000 rpm
"#,
        right: r#"
var speed = 0 rpm
repeat at most 4 times {
    if locked() { continue }
    speed = measured_speed()
} until speed > 4000 rpm
"#,
    },
    Code {
        code: "E0713",
        meaning: "a `try` without an end",
        why: "A `try` does something about a failure: it has a `catch`, a `finally`, or both.",
        wrong: r#"
try { park() }
"#,
        right: r#"
try { park() } catch problem { note "cannot park: {problem.message}" }
"#,
    },
    Code {
        code: "E0714",
        meaning: "a power that is not above 0 % and at most 100 %",
        why: "`arm at` takes a share of the laser's full power, as a number or in per cent. At 0 % no \
              line is drawn, so that there is nothing to measure.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 { record "line": test_line(0, plan) }
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % { record "line": test_line(0, plan) }
"#,
    },
    Code {
        code: "E0715",
        meaning: "an effect that does not exist",
        why: "`may` lists what a routine may do to the head: {effects}; or nothing.",
        wrong: r#"
routine quiet() may rotates { brake() }
quiet()
"#,
        right: r#"
routine quiet() may spins { brake() }
quiet()
"#,
    },
    Code {
        code: "E0716",
        meaning: "a routine that does more than it promises",
        why: "`may` is an upper bound that callers rely on, and this call goes beyond it, by itself \
              or by way of what it calls. Add the effect to the promise, or leave the call out.",
        wrong: r#"
routine look() may reads {
    park()
    note "{measured_speed()}"
}
look()
"#,
        right: r#"
routine look() may reads {
    note "{measured_speed()}"
}
look()
"#,
    },
    Code {
        code: "E0717",
        meaning: "a mark that allows no warning",
        why: "`allow CODE \"reason\"` stands before a statement, names a warning and says why it \
              is meant. Errors cannot be allowed.",
        wrong: r#"
allow W0803 ""
measured_speed()
"#,
        right: r#"
allow W0803 "the first reading after power-on is stale"
measured_speed()
"#,
    },
    Code {
        code: "E0718",
        meaning: "an effect that is not allowed in this run",
        why: "`run --allow` limits what a script may do to the head, and this one would do more. \
              Nothing has moved. The report shows the call; allow the effect, or run another \
              script.",
        wrong: r#"
// --allow reads
spin(4800 rpm)
"#,
        right: r#"
// --allow reads,spins
spin(4800 rpm)
"#,
    },
    Code {
        code: "E0719",
        meaning: "a change of speed under light",
        why: "Inside an `arm` block the polygon must stay locked. A call that makes it faster or \
              slower loses lock, and with it the light; nothing good can come of the lines drawn \
              then. Change the speed before or behind the block.",
        wrong: r#"
let plan = plan_line(4800 rpm, length: 100 mm, resolution: 300 dpi)
spin(4800 rpm)
wait until locked() within 20 s
arm at 35 % {
    brake()
    record "line": test_line(0, plan)
}
"#,
        right: r#"
let plan = plan_line(4800 rpm, length: 100 mm, resolution: 300 dpi)
spin(4800 rpm)
wait until locked() within 20 s
arm at 35 % {
    record "line": test_line(0, plan)
}
brake()
"#,
    },
    Code {
        code: "E0720",
        meaning: "a question under light",
        why: "Nobody knows how long people take to answer, or what they do at the head meanwhile. \
              The laser is not armed for that long: ask before the block, also where a routine on \
              the way asks.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % {
    let ready = ask "gauge in place": flag
    if ready { record "line": test_line(0, plan) }
}
"#,
        right: r#"
let ready = ask "gauge in place": flag
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
if ready {
    arm at 35 % { record "line": test_line(0, plan) }
}
"#,
    },
];
