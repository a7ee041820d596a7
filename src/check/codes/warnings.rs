//! Codes of warnings about what has no use or no effect. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "W0801",
        meaning: "something that nobody reads",
        why: "The name is given a value that is never looked at: often a slip in another name. \
              Delete it, or begin its name with `_` where it is meant.",
        wrong: r#"
let speed = measured_speed()
"#,
        right: r#"
let speed = measured_speed()
note "{speed in rpm}"
"#,
    },
    Code {
        code: "W0802",
        meaning: "a statement that is never reached",
        why: "What stands before it always leaves: by `return`, `fail`, `break` or `continue`.",
        wrong: r#"
fail "this head is not to be used"
spin(4800 rpm)
"#,
        right: r#"
if not interlock_closed() { fail "the interlock is open" }
spin(4800 rpm)
"#,
    },
    Code {
        code: "W0803",
        meaning: "a result that is dropped",
        why: "The call is made for its result, and nobody takes it. Note it, record it, or leave \
              the call out.",
        wrong: r#"
measured_speed()
"#,
        right: r#"
note "{measured_speed() in rpm}"
"#,
    },
    Code {
        code: "W0804",
        meaning: "a routine that nobody calls",
        why: "The routine stands in the script and is never called: often a forgotten step. \
              Routines of used files may stay uncalled.",
        wrong: r#"
routine slow() { spin(1000 rpm) }
spin(4800 rpm)
"#,
        right: r#"
routine slow() { spin(1000 rpm) }
slow()
"#,
    },
    Code {
        code: "W0805",
        meaning: "a name that hides another",
        why: "Inside this block the outer name cannot be reached, and a reader may take one for \
              the other. To change the outer one write `name = value`.",
        wrong: r#"
var limit = 6 um
if locked() {
    let limit = 8 um
    note "{limit}"
}
limit = 7 um
note "{limit}"
"#,
        right: r#"
var limit = 6 um
if locked() {
    limit = 8 um
}
note "{limit}"
"#,
    },
    Code {
        code: "W0806",
        meaning: "a comparison that is the same in every run",
        why: "Both sides are known before anything runs, or one of them can never be on the other \
              side of the limit. The check then decides nothing.",
        wrong: r#"
param speed = 4800 rpm within 1000 rpm .. 9000 rpm
if speed > 500 rpm { note "fast" }
"#,
        right: r#"
param speed = 4800 rpm within 1000 rpm .. 9000 rpm
if speed > 5000 rpm { note "fast" }
"#,
    },
    Code {
        code: "W0807",
        meaning: "a mark with nothing to allow",
        why: "The statement after this `allow` gives no such warning any more. Delete the mark, so \
              that it cannot hide a later one.",
        wrong: r#"
allow W0803 "the first reading is stale"
note "{measured_speed()}"
"#,
        right: r#"
note "{measured_speed()}"
"#,
    },
    Code {
        code: "W0808",
        meaning: "a turn in a product that holds a length",
        why: "A lens makes a length of an angle in radians: x = f * theta. Divided by a turn, the \
              same product is wrong by 2π, and no kind tells. Give the lens as a length per angle \
              (mm/rad), or divide by `1 rad`. A turn belongs between a rotation and a frequency: \
              count it there, `speed / 1 rev`, before a length comes in.",
        wrong: r#"
let f = 404.25 mm
note "{f * 0.2 mrad / 1 rev}"
"#,
        right: r#"
let lens = 404.25 mm/rad
note "{lens * 0.2 mrad}"
"#,
    },
    Code {
        code: "W0809",
        meaning: "a comment that reads like an operand",
        why: "`//` begins a comment wherever it stands, so what is behind it is not read. A whole \
              division is `floor(a / b)`, and what is left of one `a mod b`. A comment that is \
              meant begins with a word.",
        wrong: r#"
let half = 7 // 2
note "{half}"
"#,
        right: r#"
let half = floor(7 / 2)
note "{half}"
"#,
    },
];
