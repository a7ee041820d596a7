//! Codes of warnings about steps in a doubtful order: lock, light, trims, decisions. Uses
//! diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "W0820",
        meaning: "light before lock",
        why: "Before lock the speed is still changing, and a line drawn then says nothing about \
              the facets. The head refuses to arm without lock, so the script would fail late.",
        wrong: r#"
spin(4800 rpm)
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % { record "line": test_line(0, plan) }
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % { record "line": test_line(0, plan) }
"#,
    },
    Code {
        code: "W0821",
        meaning: "a call that needs lock before lock was waited for",
        why: "Facets are counted and turns are timed while the polygon runs steadily. While it is \
              still speeding up the result means little, or the call fails.",
        wrong: r#"
spin(4800 rpm)
note "{counted_facets()} facets"
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
note "{counted_facets()} facets"
"#,
    },
    Code {
        code: "W0822",
        meaning: "waiting under light",
        why: "Light is possible for as long as the block lasts. Wait before or behind it, so that \
              the laser is armed no longer than needed.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 35 % {
    wait 500 ms
    record "line": test_line(0, plan)
}
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
wait 500 ms
arm at 35 % { record "line": test_line(0, plan) }
"#,
    },
    Code {
        code: "W0823",
        meaning: "arming for nothing",
        why: "Nothing inside the block lets light out, and an armed laser is a risk all the same. \
              Expose something in it, or do without it. In a loop each turn should measure a \
              line, too: light again and again that nobody looks at is the same risk.",
        wrong: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
arm at 35 % { note "{measured_speed()}" }
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
note "{measured_speed()}"
"#,
    },
    Code {
        code: "W0824",
        meaning: "trims stored that were never measured with",
        why: "Stored trims survive power loss and ship with the head. Measure a line with every \
              facet after they were loaded, and store what has proved itself.",
        wrong: r#"
routine traced(plan: plan) -> list of line {
    arm at 35 % { return [test_line(k, plan) for k in facets()] }
}
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
load(no_trims())
store_trims()
record "seen": traced(plan)
"#,
        right: r#"
routine traced(plan: plan) -> list of line {
    arm at 35 % { return [test_line(k, plan) for k in facets()] }
}
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
load(no_trims())
record "seen": traced(plan)
store_trims()
"#,
    },
    Code {
        code: "W0825",
        meaning: "trims loaded that are never measured with",
        why: "The script changes what every facet draws and does not look at it. A fresh look, not \
              the one the trims came from, is the proof.",
        wrong: r#"
load(no_trims())
"#,
        right: r#"
routine traced(plan: plan) -> list of line {
    arm at 35 % { return [test_line(k, plan) for k in facets()] }
}
spin(4800 rpm)
wait until locked() within 20 s else fail "no lock"
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
load(no_trims())
record "seen": traced(plan)
"#,
    },
    Code {
        code: "W0826",
        meaning: "a limit that the uncertainty cannot decide",
        why: "The stated uncertainty is as wide as the band, so no value at all can conform: the \
              check stays undecided in every run. Widen the limits or measure better.",
        wrong: r#"
expect "length": 304.8 mm ± 0.2 mm within 304.7 mm .. 304.9 mm
"#,
        right: r#"
param length = 304.8 mm
expect "length": length ± 0.2 mm within 304.4 mm .. 305.2 mm
"#,
    },
];
