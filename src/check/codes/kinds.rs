//! Codes of kinds, types and values. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0501",
        meaning: "unlike kinds added or compared",
        why: "A length and a time have no sum, and neither is larger. A turn is an angle here, so \
              a rotation (rpm) is not a frequency (Hz): `speed / 1 rev` turns one into the other, \
              in plain sight. A lens is a length per angle (mm/rad), so x = f_theta * theta is a \
              length.",
        wrong: r#"
if measured_speed() > 80 Hz { note "fast" }
"#,
        right: r#"
if measured_speed() / 1 rev > 80 Hz { note "fast" }
"#,
    },
    Code {
        code: "E0502",
        meaning: "an operator that does not go with its operands",
        why: "Arithmetic is for quantities, `and`, `or` and `not` are for flags, ranges are for \
              whole numbers. Texts can be joined and compared for being equal, and have no order.",
        wrong: r#"
param serial: text = "A17"
if serial < "B00" { note "old" }
"#,
        right: r#"
param series: text = "A"
if series == "A" { note "old" }
"#,
    },
    Code {
        code: "E0503",
        meaning: "a condition that is no flag",
        why: "A condition is true or false, and nothing else counts as either. Compare the value \
              with something.",
        wrong: r#"
if measured_speed() { note "turning" }
"#,
        right: r#"
if measured_speed() > 0 rpm { note "turning" }
"#,
    },
    Code {
        code: "E0504",
        meaning: "a unit that cannot show this kind",
        why: "`x in UNIT` shows a value in a unit of its own kind, and changes nothing. To cross \
              over to another kind, compute it: `speed / 1 rev in Hz`.",
        wrong: r#"
note "{measured_speed() in Hz}"
"#,
        right: r#"
note "{measured_speed() / 1 rev in Hz}"
"#,
    },
    Code {
        code: "E0505",
        meaning: "a value of another type than declared",
        why: "A variable keeps the type it began with, and what is declared with a type holds that \
              type. A number without a unit is a plain number.",
        wrong: r#"
var patience = 20 s
patience = 30
wait patience
"#,
        right: r#"
var patience = 20 s
patience = 30 s
wait patience
"#,
    },
    Code {
        code: "E0506",
        meaning: "a list of more than one type",
        why: "A list holds elements of one type. Units may differ as long as the kind is the same: \
              `[1 mm, 20 um]`. What belongs together but differs in kind goes into a record.",
        wrong: r#"
let offsets = [0.5 mm, 2 ns]
note "{offsets}"
"#,
        right: r#"
let offset = {place: 0.5 mm, delay: 2 ns}
note "{offset}"
"#,
    },
    Code {
        code: "E0507",
        meaning: "a type that nothing tells",
        why: "An empty list, or a param without a default, does not tell what it holds. Say it \
              where it is declared.",
        wrong: r#"
let seen = []
note "{seen}"
"#,
        right: r#"
let seen: list of length = []
note "{seen}"
"#,
    },
    Code {
        code: "E0508",
        meaning: "an index that is no whole number from 0",
        why: "Lists count from 0, and so do facets: the facet at the index is facet 0. The last \
              element of `xs` is `xs[count(xs) - 1]`.",
        wrong: r#"
let trims = loaded_trims()
note "{trims[-1].in_scan}"
"#,
        right: r#"
let trims = loaded_trims()
note "{trims[count(trims) - 1].in_scan}"
"#,
    },
    Code {
        code: "E0509",
        meaning: "elements of something that is no list",
        why: "Only lists and ranges have elements. To count, write a range: `0..10` runs from 0 to \
              9. A field of a record is read with a point.",
        wrong: r#"
for k in facet_count() { note "facet {k}" }
"#,
        right: r#"
for k in 0..facet_count() { note "facet {k}" }
"#,
    },
    Code {
        code: "E0511",
        meaning: "a power that does not exist",
        why: "Powers are for quantities; and a kind whose exponents leave the range that any \
              physical quantity needs is surely a slip.",
        wrong: r#"
record "far": (3 mm)^200
"#,
        right: r#"
record "area": (3 mm)^2
"#,
    },
    Code {
        code: "E0512",
        meaning: "arithmetic on temperatures",
        why: "A temperature in degC is a point on a scale: 20 degC and 25 degC have no sum, and \
              twice 20 degC means nothing. Two temperatures have a difference in K, and a \
              difference can be added to a temperature.",
        wrong: r#"
let room = 20 degC
note "{room + 5 degC}"
"#,
        right: r#"
let room = 20 degC
note "{room + 5 K}"
"#,
    },
    Code {
        code: "E0513",
        meaning: "a range that holds nothing, or a value outside its range",
        why: "A param may say what it can be: `within 1000 rpm .. 9000 rpm`. Its default, and what \
              is set from outside, must lie inside; and the left end must be the lower one.",
        wrong: r#"
// --set speed=500rpm
param speed = 4800 rpm within 1000 rpm .. 9000 rpm
spin(speed)
"#,
        right: r#"
// --set speed=5000rpm
param speed = 4800 rpm within 1000 rpm .. 9000 rpm
spin(speed)
"#,
    },
    Code {
        code: "E0514",
        meaning: "an uncertainty in the wrong place",
        why: "`value ± uncertainty` stands on the left of a comparison in `expect`, where the \
              uncertainty decides with. It is of the value's kind and not negative. Elsewhere keep \
              the two apart.",
        wrong: r#"
let length = 304.8 mm ± 0.1 mm
note "{length}"
"#,
        right: r#"
let length = 304.8 mm
expect "length": length ± 0.1 mm within 304 mm .. 305 mm
"#,
    },
    Code {
        code: "E0515",
        meaning: "a value that cannot be shown so",
        why: "Decimals are for quantities. And inside a routine over an open dimension (`for any \
              D`) the unit is known only to the caller, so such a value is shown there.",
        wrong: r#"
note "{locked() : 2}"
"#,
        right: r#"
note "{locked()} at {measured_speed() in rpm : 2}"
"#,
    },
    Code {
        code: "E0516",
        meaning: "a param without a value",
        why: "A param without a default is set from outside, with `--set NAME=VALUE`. The script \
              is refused until it is.",
        wrong: r#"
param serial: text
note "head {serial}"
"#,
        right: r#"
// --set serial=A17
param serial: text
note "head {serial}"
"#,
    },
    Code {
        code: "E0517",
        meaning: "a param set to another kind",
        why: "What is set from outside has the kind of the param, unit included: \
              `--set speed=5000rpm`.",
        wrong: r#"
// --set speed=5000
param speed = 4800 rpm
spin(speed)
"#,
        right: r#"
// --set speed=5000rpm
param speed = 4800 rpm
spin(speed)
"#,
    },
    Code {
        code: "E0518",
        meaning: "a way of deciding that a check does not have",
        why: "Behind its label a check says how it is decided: `simple` holds the value alone \
              against its limits, `guard` keeps the expanded uncertainty as a guard band (so it is \
              where nothing is said), `risk 2 %` allows a wrong decision with that probability; \
              `coverage 2` says by which factor the stated uncertainty is expanded, `optional` that \
              the script may end without this check, `needed` that it fails unless the check \
              conforms. `expect: guard, coverage 2` says it for all checks that do not say it \
              themselves, once, at the top level of the script that is run and before its first \
              check. A rule other than `simple` needs an uncertainty to rest on.",
        wrong: r#"
expect "speed", risk 2 %: measured_speed() <= 100 rpm
"#,
        right: r#"
expect "speed", risk 2 %: measured_speed() ± 1 rpm <= 100 rpm
"#,
    },
    Code {
        code: "E0519",
        meaning: "a data sheet that cannot be used",
        why: "`--set @FILE` gives params the values of a TOML file: a line `name = \"value unit\"` for \
              each, where the value is written as in a script. The file cannot be read, is no TOML, \
              or holds something that is no value of a param. Nothing is run.",
        wrong: r#"
// --set @sheet.toml
param largest = 6 um
expect "largest": largest <= 10 um
// file sheet.toml
[limits]
largest = "5 um"
"#,
        right: r#"
// --set @sheet.toml
param largest = 6 um
expect "largest": largest <= 10 um
// file sheet.toml
largest = "5 um"
"#,
    },
    Code {
        code: "E0520",
        meaning: "an answer that cannot be asked for",
        why: "The operator answers with yes or no (`flag`), a line of text, a temperature, a plain \
              number, or a quantity of one kind. Numbers may have a range, which stands behind the \
              kind: the smallest and the largest answer are both allowed. In front of the `:` \
              stands nothing but a time limit.",
        wrong: r#"
let gap = ask "gap at the shim" within 0 mm .. 5 mm: length
expect "gap": gap <= 3 mm
"#,
        right: r#"
let gap = ask "gap at the shim": length within 0 mm .. 5 mm
expect "gap": gap <= 3 mm
"#,
    },
    Code {
        code: "E0521",
        meaning: "a word that is no kind of failure",
        why: "A caught failure says in `problem.kind` what sort it is: {failures}. A comparison with \
              any other word is never true. An interruption is never caught.",
        wrong: r#"
try { spin(4800 rpm) } catch problem {
    if problem.kind == "timout" { note "too slow" }
}
"#,
        right: r#"
try { spin(4800 rpm) } catch problem {
    if problem.kind == "timeout" { note "too slow" }
}
"#,
    },
];
