//! Codes of the scanner: characters, numbers, texts, units, operators. Uses diagnostics.

use crate::diagnostics::codes::Code;

pub(super) const CODES: &[Code] = &[
    Code {
        code: "E0101",
        meaning: "a control character, a foreign line break or a direction mark",
        why: "What cannot be seen can make a script look like something it is not. Tabs and the \
              line ends of all usual systems are fine; every other control character, and the \
              marks that turn the writing direction, are refused wherever they stand, texts and \
              comments included. Delete the character; they often come in by copying from a page.",
        wrong: "note \"spinning\u{7}up\"\n",
        right: r#"
note "spinning up"
"#,
    },
    Code {
        code: "E0102",
        meaning: "a character or comment form that means nothing in a script",
        why: "Comments begin with `//` and end with the line; `#` and `/* */` are no comments. \
              Signs such as `≤`, `×` or `²` are written with plain characters: `<=`, `*`, `^2`.",
        wrong: r#"
# spins up
spin(4800 rpm)
"#,
        right: r#"
// spins up
spin(4800 rpm)
"#,
    },
    Code {
        code: "E0103",
        meaning: "a number too large to be held",
        why: "Numbers are held in 64 bits, up to about 1.79e308. Check the exponent.",
        wrong: r#"
record "far": 1e400
"#,
        right: r#"
record "far": 1e300
"#,
    },
    Code {
        code: "E0104",
        meaning: "a number written in a way that cannot be read",
        why: "A number is decimal, with digits on both sides of its point: `0.5` and `5.0`. \
              Underscores may stand between digits: `3_600`. With a digit behind every point, \
              `0..10` can be a range.",
        wrong: r#"
record "half": .5
"#,
        right: r#"
record "half": 0.5
"#,
    },
    Code {
        code: "E0105",
        meaning: "a text that does not end on its line",
        why: "A text begins and ends with a double quote on the same line, so that one forgotten \
              quote cannot swallow the rest of the script. A line break in a text is written \
              `\\n`; a quote in it is written `\\\"`.",
        wrong: r#"
note "spinning up
"#,
        right: r#"
note "spinning up"
"#,
    },
    Code {
        code: "E0106",
        meaning: "an unknown escape, or a lone brace in a text",
        why: "In a text, braces hold a value and a backslash begins an escape. The characters \
              themselves are written `\\{`, `\\}` and `\\\\`.",
        wrong: r#"
note "stored in C:\heads"
"#,
        right: r#"
note "stored in C:\\heads"
"#,
    },
    Code {
        code: "E0107",
        meaning: "braces in a text with nothing between them",
        why: "Braces in a text show a value, and each names its own: nothing is filled in from a \
              list of arguments. The characters themselves are written `\\{` and `\\}`.",
        wrong: r#"
note "running at {}"
"#,
        right: r#"
note "running at {measured_speed() in rpm}"
"#,
    },
    Code {
        code: "E0108",
        meaning: "decimals in a text's braces that are not a whole number from 0 to 17",
        why: "Behind the colon stands how many digits follow the decimal point. A double holds no \
              more than 17 digits that mean anything.",
        wrong: r#"
note "running at {measured_speed() in rpm : .2f}"
"#,
        right: r#"
note "running at {measured_speed() in rpm : 2}"
"#,
    },
    Code {
        code: "E0109",
        meaning: "a text in single quotes",
        why: "Texts stand in double quotes, and in those only.",
        wrong: r#"
note 'spinning up'
"#,
        right: r#"
note "spinning up"
"#,
    },
    Code {
        code: "E0110",
        meaning: "a percent sign without a number before it",
        why: "`%` is a unit: 35 % is 0.35. What is left of a division is `a mod b`.",
        wrong: r#"
for k in facets() {
    if k % 2 == 0 { note "facet {k} is even" }
}
"#,
        right: r#"
for k in facets() {
    if k mod 2 == 0 { note "facet {k} is even" }
}
"#,
    },
    Code {
        code: "E0111",
        meaning: "a unit that is missing or written in a way that cannot be read",
        why: "A unit holds no digits but those of a power, and no blank: `mm^2`, `m/s^2`. `x in \
              UNIT` chooses how a value is shown, so a unit must follow `in`.",
        wrong: r#"
record "pull": 9.8 m/s2
"#,
        right: r#"
record "pull": 9.8 m/s^2
"#,
    },
    Code {
        code: "E0112",
        meaning: "an exponent that is not a whole number",
        why: "The checker must know which kind a power is of, so exponents are whole numbers that \
              stand in the script. For others there are `sqrt`, and `power` for plain numbers.",
        wrong: r#"
record "half a power": 2^0.5
"#,
        right: r#"
record "half a power": power(2, 0.5)
"#,
    },
    Code {
        code: "E0113",
        meaning: "an operator that this language does not have",
        why: "Logic is written in words: `and`, `or`, `not`. An assignment is written out: `x = x \
              + 1`. A power is `^`, and a range is `a..b`.",
        wrong: r#"
if locked() && interlock_closed() { note "ready" }
"#,
        right: r#"
if locked() and interlock_closed() { note "ready" }
"#,
    },
];
