//! Codes of the parser: what a statement and an expression must look like. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0301",
        meaning: "something else was expected here",
        why: "The statement is right up to this place, and what stands here cannot go on with it. \
              The report says what could. `grammar/spintrue.ebnf` has every form in one page.",
        wrong: r#"
expect "locked", locked()
"#,
        right: r#"
expect "locked": locked()
"#,
    },
    Code {
        code: "E0302",
        meaning: "comparisons in a chain",
        why: "A comparison gives a flag, which does not compare with a quantity. A band is written \
              `x within low .. high`; other pairs are joined by `and`.",
        wrong: r#"
let speed = measured_speed()
expect "speed": 4790 rpm < speed < 4810 rpm
"#,
        right: r#"
let speed = measured_speed()
expect "speed": speed within 4790 rpm .. 4810 rpm
"#,
    },
    Code {
        code: "E0303",
        meaning: "`=` where `==` is meant, or the other way round",
        why: "`=` gives a value to a name, `==` compares. A named argument and a field of a record \
              are written with a colon: `length: 304.8 mm`.",
        wrong: r#"
if counted_facets() = 10 { note "ten" }
"#,
        right: r#"
allow W0821 "an example, and nothing spins here"
if counted_facets() == 10 { note "ten" }
"#,
    },
    Code {
        code: "E0304",
        meaning: "a keyword used as a name",
        why: "Keywords begin or join statements and cannot name values, parameters or fields. \
              Choose another word.",
        wrong: r#"
let record = 3 mm
"#,
        right: r#"
let recorded = 3 mm
note "{recorded}"
"#,
    },
    Code {
        code: "E0305",
        meaning: "a block without its brace",
        why: "Blocks stand in braces, a single statement too. Indentation means nothing, and \
              nothing stands between the head of a statement and its brace.",
        wrong: r#"
if locked()
    note "locked"
"#,
        right: r#"
if locked() { note "locked" }
"#,
    },
    Code {
        code: "E0306",
        meaning: "a word of another language",
        why: "The word has no meaning here, and the report says which one does the job: `routine` \
              for a function, `note` for printing, `wait` for sleeping, `else if` for elif.",
        wrong: r#"
if locked() { note "locked" } elif interlock_closed() { note "closed" }
"#,
        right: r#"
if locked() { note "locked" } else if interlock_closed() { note "closed" }
"#,
    },
    Code {
        code: "E0307",
        meaning: "a positional argument after a named one",
        why: "Arguments without a name are taken in order, so they come first; which one would \
              this be? Name it too, or move it to the front.",
        wrong: r#"
record "plan": plan_line(length: 304.8 mm, 4800 rpm, resolution: 300 dpi)
"#,
        right: r#"
record "plan": plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
"#,
    },
    Code {
        code: "E0308",
        meaning: "an empty record",
        why: "A record has at least one field: without any it would hold nothing. An empty list is \
              `[]`.",
        wrong: r#"
record "nothing": {}
"#,
        right: r#"
record "something": {count: 3}
"#,
    },
    Code {
        code: "E0309",
        meaning: "an assignment to something that is no place",
        why: "On the left of `=` stands a variable, a field of it or an element of it: `x`, \
              `x.field`, `x[0]`. A routine is declared with `routine`.",
        wrong: r#"
var n = 3
n + 1 = 4
note "{n}"
"#,
        right: r#"
var n = 3
n = 4 - 1
note "{n}"
"#,
    },
    Code {
        code: "E0310",
        meaning: "a statement after `else` that needs braces",
        why: "A simple statement such as `fail \"...\"` may stand right after `else`. One with a \
              block or an `else` of its own needs braces, or it would not be clear whose they are.",
        wrong: r#"
wait until locked() within 20 s
    else for _k in 0..3 { note "no lock" }
"#,
        right: r#"
wait until locked() within 20 s
    else { for _k in 0..3 { note "no lock" } }
"#,
    },
    Code {
        code: "E0311",
        meaning: "a question that is not complete, or stands inside a value",
        why: "`ask` is a statement: the question, perhaps `within` a time limit, a `:`, and what the \
              answer must be, perhaps `within` a smallest and a largest one. Its answer is named by \
              `let` or `var`, put into a variable, or only recorded.",
        wrong: r#"
let serial = ask "serial number"
note "head {serial}"
"#,
        right: r#"
let serial = ask "serial number": text
note "head {serial}"
"#,
    },
    Code {
        code: "E0312",
        meaning: "a line that begins with a minus sign",
        why: "A line that begins with another operator goes on with the line before. A minus sign \
              could also begin a value, so it is refused there: put it at the end of the line \
              before.",
        wrong: r#"
let first = 5 mm
let second = 2 mm
let left = first
    - second
note "{left}"
"#,
        right: r#"
let first = 5 mm
let second = 2 mm
let left = first -
    second
note "{left}"
"#,
    },
    Code {
        code: "E0313",
        meaning: "a loop without a bound",
        why: "Every script ends, so every loop says how often it may run at most: `while ... at \
              most 100 times`, `repeat at most 10 times { ... } until ...`.",
        wrong: r#"
while not locked() {
    wait 100 ms
}
"#,
        right: r#"
while not locked() at most 200 times {
    wait 100 ms
}
"#,
    },
    Code {
        code: "E0314",
        meaning: "a wait without a time limit",
        why: "Every script ends, so every wait says how long it may take at most. Where the limit \
              is reached the script fails, or does what stands behind `else`.",
        wrong: r#"
spin(4800 rpm)
wait until locked()
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
"#,
    },
    Code {
        code: "E0315",
        meaning: "two statements on one line, or a statement with something left over",
        why: "A statement ends with its line, or with `;`. What stands behind a complete statement \
              is either a second one or a part that lacks its operator, comma or brackets: the \
              arguments of a call stand in brackets.",
        wrong: r#"
spin 4800 rpm
"#,
        right: r#"
spin(4800 rpm)
"#,
    },
    Code {
        code: "E0316",
        meaning: "a value that is missing",
        why: "An operator, a keyword or a comma stands here without the value that it needs.",
        wrong: r#"
let speed =
"#,
        right: r#"
let speed = 4800 rpm
note "{speed}"
"#,
    },
    Code {
        code: "E0317",
        meaning: "a path with a value in it",
        why: "Used files are found and checked before anything runs, when no value is known. Write \
              the path out.",
        wrong: r#"
param product = "small"
use "lib/{product}.spt"
"#,
        right: r#"
use "lib/small.spt"
idle()
// file lib/small.spt
routine idle() { brake() }
"#,
    },
    Code {
        code: "E0318",
        meaning: "a name that is missing",
        why: "A name belongs behind `let`, `var`, `param`, `for`, `catch` and `routine`.",
        wrong: r#"
for in facets() { note "another facet" }
"#,
        right: r#"
for k in facets() { note "facet {k}" }
"#,
    },
];
