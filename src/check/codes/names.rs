//! Codes of names, items and used files. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0401",
        meaning: "a name that stands for nothing here",
        why: "No variable, constant or param of this name can be seen here. Names are seen from \
              their line on, inside their block only; routines see constants and params, and \
              nothing else of the script. A call has brackets: `locked()`.",
        wrong: r#"
let speed = 4800 rpm
note "running at {sped}"
"#,
        right: r#"
let speed = 4800 rpm
note "running at {speed}"
"#,
    },
    Code {
        code: "E0402",
        meaning: "a routine that does not exist",
        why: "No built-in and no routine of this file, or of the files that it uses, has this \
              name. `spintrue builtins` lists the built-ins. What a used file uses itself is not \
              passed on.",
        wrong: r#"
spin_up(4800 rpm)
"#,
        right: r#"
routine spin_up(target: rotation) {
    spin(target)
    wait until locked() within 20 s
}
spin_up(4800 rpm)
"#,
    },
    Code {
        code: "E0403",
        meaning: "a name that is taken already",
        why: "Two things of the same name would make every later line doubtful. Choose another \
              name; to change a variable write `name = value` without `let`.",
        wrong: r#"
let limit = 6 um
let limit = 7 um
note "{limit}"
"#,
        right: r#"
var limit = 6 um
limit = limit + 1 um
note "{limit}"
"#,
    },
    Code {
        code: "E0404",
        meaning: "an assignment to something that keeps its value",
        why: "`let`, `param`, parameters and the names of loops keep their value, and so do the \
              records that the head gives. What changes is declared with `var`.",
        wrong: r#"
let rounds = 0
rounds = rounds + 1
note "{rounds}"
"#,
        right: r#"
var rounds = 0
rounds = rounds + 1
note "{rounds}"
"#,
    },
    Code {
        code: "E0405",
        meaning: "an item inside a block",
        why: "`use`, `param` and `routine` stand at the top level of a file: they hold for the \
              whole of it and cannot depend on a condition.",
        wrong: r#"
if locked() {
    param speed = 4800 rpm
}
"#,
        right: r#"
param speed = 4800 rpm
if locked() { note "{speed}" }
"#,
    },
    Code {
        code: "E0406",
        meaning: "a used file that holds more than routines and constants",
        why: "To use a file must do nothing by itself: it may hold `use`, routines, and `let` with \
              values that need no head. Statements and params belong into the script.",
        wrong: r#"
use "lib/motion.spt"
idle()
// file lib/motion.spt
routine idle() { brake() }
spin(4800 rpm)
"#,
        right: r#"
use "lib/motion.spt"
idle()
// file lib/motion.spt
routine idle() { brake() }
"#,
    },
    Code {
        code: "E0407",
        meaning: "a used file that cannot be read",
        why: "The path is taken from the folder of the file that says `use`. Look for a misspelt \
              name, another folder, or a file that is no UTF-8 text.",
        wrong: r#"
use "lib/motions.spt"
idle()
"#,
        right: r#"
use "lib/motion.spt"
idle()
// file lib/motion.spt
routine idle() { brake() }
"#,
    },
    Code {
        code: "E0408",
        meaning: "files that use each other in a circle",
        why: "Each file is checked after those it uses, which a circle makes impossible. Put what \
              both need into a third file that uses neither.",
        wrong: r#"
use "lib/motion.spt"
idle()
// file lib/motion.spt
use "lib/lines.spt"
routine idle() { brake() }
// file lib/lines.spt
use "lib/motion.spt"
"#,
        right: r#"
use "lib/motion.spt"
idle()
// file lib/motion.spt
use "lib/limits.spt"
routine idle() { brake(); wait until at_rest() within slowest }
// file lib/limits.spt
let slowest = 200 s
"#,
    },
    Code {
        code: "E0409",
        meaning: "a value that is not known where it is needed",
        why: "Routines, defaults of parameters and params see constants only: values that need no \
              head and do not change. What the script finds out while it runs is handed to a \
              routine as an argument.",
        wrong: r#"
let started = now()
routine report() { note "running since {started}" }
report()
"#,
        right: r#"
let started = now()
routine report(since: time) { note "running since {since}" }
report(started)
"#,
    },
    Code {
        code: "E0410",
        meaning: "a unit that does not exist",
        why: "Units are written as in print, upper and lower case matter: `rpm`, `mm`, `kHz`. \
              `spintrue units` lists them all.",
        wrong: r#"
spin(4800 RPM)
"#,
        right: r#"
spin(4800 rpm)
"#,
    },
    Code {
        code: "E0411",
        meaning: "a type that does not exist",
        why: "Types are kinds of quantity such as `length` and `rotation`, `text`, `flag`, `list \
              of ...`, records, and products of kinds such as `length/time`. A unit is no type.",
        wrong: r#"
routine run(speed: rpm) { spin(speed) }
run(4800 rpm)
"#,
        right: r#"
routine run(speed: rotation) { spin(speed) }
run(4800 rpm)
"#,
    },
    Code {
        code: "E0412",
        meaning: "a field that does not exist",
        why: "The record has no field of this name; the report lists the ones it has, and \
              `spintrue builtins RECORD` explains them. Quantities have no fields.",
        wrong: r#"
let seen = status()
note "{seen.rpm}"
"#,
        right: r#"
let seen = status()
note "{seen.speed in rpm}"
"#,
    },
];
