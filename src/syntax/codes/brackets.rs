//! Codes of brackets, and of scripts that are larger than a script can be. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0201",
        meaning: "a bracket that is never closed",
        why: "Every bracket is closed by one of its kind. The report shows where it was opened \
              and where its end is missing at the latest; what stands between is read all the \
              same, so other mistakes are still shown.",
        wrong: r#"
spin((4800 rpm)
wait until locked() within 20 s
"#,
        right: r#"
spin(4800 rpm)
wait until locked() within 20 s
"#,
    },
    Code {
        code: "E0202",
        meaning: "a closing bracket that closes nothing",
        why: "A bracket closes here that was never opened, or was closed before. Delete it, or \
              open it where the block or list begins.",
        wrong: r#"
if locked() {
    note "locked"
}
}
"#,
        right: r#"
if locked() {
    note "locked"
}
"#,
    },
    Code {
        code: "E0203",
        meaning: "a bracket closed by one of another kind",
        why: "`(` is closed by `)`, `[` by `]` and `{` by `}`. Lists stand in square brackets, \
              arguments in round ones, blocks and records in braces.",
        wrong: r#"
let readings = [1, 2, 3)
note "{readings}"
"#,
        right: r#"
let readings = [1, 2, 3]
note "{readings}"
"#,
    },
    Code {
        code: "E0204",
        meaning: "brackets or blocks nested too deeply",
        why: "Up to 64 brackets and blocks may stand inside each other, which no script for people \
              reaches. Put the inner part into a routine, or name parts of the expression.",
        wrong: r#"
// 65 times:
if locked() {
note "deep"
// 65 times:
}
"#,
        right: r#"
// 5 times:
if locked() {
note "not so deep"
// 5 times:
}
"#,
    },
    Code {
        code: "E0205",
        meaning: "an expression with too many parts",
        why: "An expression may be 256 operators and brackets high. Name its parts with `let`, or \
              put what is added up into a list and use `sum`.",
        wrong: r#"
record "total": 1
// 260 times:
    + 1
"#,
        right: r#"
record "total": sum([1 for _k in 0..261])
"#,
    },
    Code {
        code: "E0206",
        meaning: "more errors in the file than are worth showing",
        why: "After a hundred errors the rest is left out. Mend the first ones; and look whether \
              the file is a script at all.",
        wrong: r#"
// 101 times:
let = 3
"#,
        right: r#"
let readings = 3
note "{readings}"
"#,
    },
];
