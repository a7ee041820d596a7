//! Codes of calls and of what they give. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0601",
        meaning: "more arguments than parameters",
        why: "The call gives more than the routine takes. `spintrue builtins NAME` shows what a \
              built-in takes.",
        wrong: r#"
spin(4800 rpm, 20 s)
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
"#,
    },
    Code {
        code: "E0602",
        meaning: "an argument that is missing",
        why: "A parameter without a default must be given. The report names those that are missing \
              and what they are.",
        wrong: r#"
record "plan": plan_line(4800 rpm, length: 304.8 mm)
"#,
        right: r#"
record "plan": plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
"#,
    },
    Code {
        code: "E0603",
        meaning: "a named argument that does not exist",
        why: "No parameter of the routine has this name.",
        wrong: r#"
record "plan": plan_line(4800 rpm, width: 304.8 mm, resolution: 300 dpi)
"#,
        right: r#"
record "plan": plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
"#,
    },
    Code {
        code: "E0604",
        meaning: "an argument given twice",
        why: "The parameter is given by its place and by its name, or twice by its name.",
        wrong: r#"
spin(4800 rpm, speed: 5000 rpm)
"#,
        right: r#"
spin(speed: 5000 rpm)
"#,
    },
    Code {
        code: "E0605",
        meaning: "an argument of the wrong kind",
        why: "The parameter is of another kind. A missing unit makes a plain number; a turn is an \
              angle, so rpm and Hz are of unlike kinds; and the order of arguments may be \
              mistaken: name them.",
        wrong: r#"
spin(4800)
"#,
        right: r#"
spin(4800 rpm)
"#,
    },
    Code {
        code: "E0606",
        meaning: "an open kind that nothing tells",
        why: "A routine `for any D` learns what D is from its arguments. A D that stands in its \
              result only is never told.",
        wrong: r#"
routine refused(why: text) -> D for any D { fail why }
let speed = refused("no instrument")
note "{speed}"
"#,
        right: r#"
routine doubled(x: D) -> D for any D { return x * 2 }
let speed = doubled(2400 rpm)
note "{speed}"
"#,
    },
    Code {
        code: "E0607",
        meaning: "a value worked out for nothing",
        why: "The statement computes something and drops it. Name it with `let`, record it, or \
              note it; and `==` compares, it does not assign.",
        wrong: r#"
var rounds = 0
rounds == 3
note "{rounds}"
"#,
        right: r#"
var rounds = 0
rounds = 3
note "{rounds}"
"#,
    },
    Code {
        code: "E0608",
        meaning: "a call without a value where one is needed",
        why: "The routine does something and gives nothing back. A routine that gives something \
              says so behind its parameters: `-> length`.",
        wrong: r#"
let speed = spin(4800 rpm)
"#,
        right: r#"
spin(4800 rpm)
let speed = measured_speed()
note "{speed}"
"#,
    },
];
