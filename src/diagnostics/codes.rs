//! What a code is: its meaning, why it is refused, a wrong and a right example. Each stage fills
//! tables of them; here stands the one of files that are no scripts. Uses nothing.
//!
//! Examples are scripts. Lines `// --set NAME=VALUE`, `// --allow EFFECTS`, `// --answers FILE`,
//! `// --head ADDRESS` and `// --at-most TIME` at their head stand for options, a line `// file PATH`
//! begins a further file, and a line `// 65 times:` stands for the line below it, written so often.
//! The tests run every example.

/// A code with its explanation.
#[derive(Clone, Copy, Debug)]
pub struct Code {
    /// `E0301`: E is an error and W a warning, then two digits for the topic.
    pub code: &'static str,
    /// What is wrong, in a few words.
    pub meaning: &'static str,
    /// Why it is refused or warned of, and what to do.
    pub why: &'static str,
    /// A script that yields this code.
    pub wrong: &'static str,
    /// The same, mended: nothing is to be said of it.
    pub right: &'static str,
}

/// Codes of one topic.
#[derive(Clone, Copy, Debug)]
pub struct Topic {
    /// Its heading.
    pub title: &'static str,
    /// In the order of their numbers.
    pub codes: &'static [Code],
}

/// Descriptions of simulated heads; their examples are such files and not scripts.
pub const HEAD_DESCRIPTIONS: Topic = Topic {
    title: "Descriptions of heads",
    codes: &[Code {
        code: "E0901",
        meaning: "a description of a head that cannot be used",
        why: "The description of a simulated head is a TOML file that holds only what differs from \
              the built-in head. Something in this one cannot be read, is no key of a head, is of \
              the wrong kind or lies outside what a head can be. Nothing is opened. \
              docs/simulated-head.md explains every key with its unit and range.",
        wrong: r#"
[facets]
count = "ten"
"#,
        right: r#"
[facets]
count = 8
"#,
    }],
};

/// Lists of heads; their examples are such files and not scripts.
pub const LISTS: Topic = Topic {
    title: "Lists of heads",
    codes: &[Code {
        code: "E0907",
        meaning: "a list of heads that cannot be used",
        why: "The list of a batch is a CSV file by RFC 4180 whose first row names the columns: \
              `serial`, and where wanted `head` for the address of each head, `fault` for what is to \
              go wrong with a simulated one, and params of the script. Every row has a cell for \
              every column, and no serial number stands there twice. Everything in the list is \
              looked at before the first head moves.",
        wrong: r#"
serial
SIM-0001
SIM-0001
"#,
        right: r#"
serial
SIM-0001
SIM-0002
"#,
    }],
};

/// Signals and channels that scripts name.
pub const SIGNALS: Topic = Topic {
    title: "Signals and channels of a station",
    codes: &[
        Code {
            code: "E0908",
            meaning: "a signal or a channel that this head does not have",
            why: "Signals and channels are what the station around a head is wired to: a door, a \
                  clamp, a vacuum gauge. The description of the head names them, and `spintrue head \
                  describe` lists them. One that a script names by a plain text is looked up before \
                  anything moves, and this head has none of that name. Mend the name, or name the \
                  head that the script is for with `--head`.",
            wrong: r#"
// --head sim:station.toml
expect "door shut": not signal("dor_open")
// file station.toml
[[signal]]
name = "door_open"
direction = "input"
"#,
            right: r#"
// --head sim:station.toml
expect "door shut": not signal("door_open")
// file station.toml
[[signal]]
name = "door_open"
direction = "input"
"#,
        },
        Code {
            code: "E0909",
            meaning: "a signal or a channel that cannot be used like this",
            why: "The signal or channel is there, but is an input and cannot be switched or set, or \
                  is of another kind than is asked for, or would be set beyond its range, or is \
                  switched while the laser is armed and not described as one for `under_light`. \
                  Where it is named by a plain text, this is looked at before anything moves.",
            wrong: r#"
// --head sim:station.toml
switch_on("door_open")
// file station.toml
[[signal]]
name = "door_open"
direction = "input"
"#,
            right: r#"
// --head sim:station.toml
expect "door shut": not signal("door_open")
// file station.toml
[[signal]]
name = "door_open"
direction = "input"
"#,
        },
    ],
};

/// What options of the command line limit.
pub const LIMITS: Topic = Topic {
    title: "Limits of a run",
    codes: &[Code {
        code: "E0902",
        meaning: "a script that may take longer than `--at-most` allows",
        why: "The longest time that the script can take on this head is worked out before anything \
              moves, with every wait at its limit, every loop at its bound, and \
              the way back to a safe head. It is more than is \
              allowed, or has no bound that is known beforehand. `spintrue check` lists what takes \
              longest. Allow more time, or tighten those limits.",
        wrong: r#"
// --at-most 1min
wait 2 min
"#,
        right: r#"
// --at-most 1min
wait 5 s
"#,
    }],
};

/// Faults that scripts provoke.
pub const FAULTS: Topic = Topic {
    title: "Faults on purpose",
    codes: &[Code {
        code: "E0904",
        meaning: "a fault that cannot be provoked on this head",
        why: "The fault is named by a plain text, so it is looked at before anything moves. There \
              is no fault of that name, or it lacks a key such as `facet=3`, or it cannot strike \
              this head: it names a facet or a rail that the head does not have. Faults are \
              provoked on simulated heads only.",
        wrong: r#"
provoke("rail_low(rail=pump)")
expect "rails": rails()[0].good
"#,
        right: r#"
provoke("rail_low(rail=drive)")
expect "rails": rails()[0].good
"#,
    }],
};

/// Questions to the operator.
pub const QUESTIONS: Topic = Topic {
    title: "Questions to the operator",
    codes: &[
        Code {
            code: "E0905",
            meaning: "a question that nobody is there to answer",
            why: "The script may ask the operator, and nobody sits at a terminal, or the answers \
                  file has no answer to this question. Every question is looked at before anything \
                  moves, also one that is asked in some runs only. Answer it in a file, `--answers \
                  FILE.toml`, with a line `\"question\" = \"answer\"` for each.",
            wrong: r#"
// --answers answers.toml
let gap = ask "gap at the shim": length within 0 mm .. 5 mm
expect "gap": gap <= 3 mm
// file answers.toml
"#,
            right: r#"
// --answers answers.toml
let gap = ask "gap at the shim": length within 0 mm .. 5 mm
expect "gap": gap <= 3 mm
// file answers.toml
"gap at the shim" = "1.2 mm"
"#,
        },
        Code {
            code: "E0906",
            meaning: "an answers file that cannot be used",
            why: "`--answers FILE` answers the questions of a script from a TOML file: a line \
                  `\"question\" = \"answer\"` for each, where the answer is written as at the \
                  terminal, or a list of answers, taken in order. The file cannot be read, is no \
                  TOML, answers what is not asked, or an answer is of the wrong kind or outside the \
                  range that the script allows. Nothing moves.",
            wrong: r#"
// --answers answers.toml
let gap = ask "gap at the shim": length within 0 mm .. 5 mm
expect "gap": gap <= 3 mm
// file answers.toml
"gap at the shim" = "7 mm"
"#,
            right: r#"
// --answers answers.toml
let gap = ask "gap at the shim": length within 0 mm .. 5 mm
expect "gap": gap <= 3 mm
// file answers.toml
"gap at the shim" = "1.2 mm"
"#,
        },
    ],
};

/// Images that scripts expose.
pub const IMAGES: Topic = Topic {
    title: "Images",
    codes: &[Code {
        code: "E0903",
        meaning: "an image that cannot be exposed",
        why: "The image is named by a plain text, so it is looked at before anything moves. There \
              is no such file beside the script, or it is no one-bit image in Netpbm's P4 format, \
              or it is cut short or too large. The report says at which byte of the file. Most \
              image programs write P4: look for `pbm`, one-bit and raw.",
        wrong: r#"
routine copied(plan: plan) within arm {
    record "page": expose("tiny.pbm", plan)
}
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 8 * 0.1 mm, resolution: 10 / 1 mm)
arm at 35 % { copied(plan) }
// file tiny.pbm
P1 8 2
0 1 0 1 0 1 0 1
0 0 0 0 1 1 1 1
"#,
        right: r#"
routine copied(plan: plan) within arm {
    record "page": expose("tiny.pbm", plan)
}
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 8 * 0.1 mm, resolution: 10 / 1 mm)
arm at 35 % { copied(plan) }
// file tiny.pbm
P4 8 2
U
"#,
    }],
};
