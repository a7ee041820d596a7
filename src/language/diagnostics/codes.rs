//! The codes of all diagnostics: one constant each. What a code means, why it is refused and its
//! examples are in `codes/*.md`, a heading for each topic and each code. Uses nothing.
//!
//! Examples are scripts. Lines `// --set NAME=VALUE`, `// --allow EFFECTS`, `// --answers FILE`,
//! `// --head ADDRESS` and `// --at-most TIME` at their head stand for options, a line `// file PATH`
//! begins a further file, and a line `// 65 times:` stands for the line below it, written so often.
//! The tests run every example.

use std::sync::LazyLock;

macro_rules! codes {
    ($($name:ident $code:literal)*) => {
        $(
            #[doc = concat!("`", $code, "`")]
            #[allow(unreachable_pub, reason = "one list declares them all, and the program uses a few")]
            pub const $name: &str = $code;
        )*
        /// Every code, in the order of the topics.
        pub const ALL: &[&str] = &[$($code),*];
    };
}

codes! {
    CONTROL_CHARACTER "E0101"
    FOREIGN_CHARACTER "E0102"
    NUMBER_TOO_LARGE "E0103"
    MALFORMED_NUMBER "E0104"
    UNTERMINATED_TEXT "E0105"
    BAD_ESCAPE "E0106"
    EMPTY_BRACES "E0107"
    BAD_DECIMALS "E0108"
    SINGLE_QUOTES "E0109"
    STRAY_PERCENT "E0110"
    MALFORMED_UNIT "E0111"
    MALFORMED_EXPONENT "E0112"
    FOREIGN_OPERATOR "E0113"
    UNCLOSED_BRACKET "E0201"
    UNMATCHED_CLOSER "E0202"
    MISMATCHED_CLOSER "E0203"
    NESTED_TOO_DEEPLY "E0204"
    TOO_MANY_PARTS "E0205"
    TOO_MANY_ERRORS "E0206"
    UNEXPECTED "E0301"
    CHAINED_COMPARISON "E0302"
    EQUALS_SIGN "E0303"
    KEYWORD_AS_NAME "E0304"
    MISSING_BLOCK "E0305"
    FOREIGN_WORD "E0306"
    POSITIONAL_AFTER_NAMED "E0307"
    EMPTY_RECORD "E0308"
    NOT_A_PLACE "E0309"
    ELSE_NEEDS_BRACES "E0310"
    MALFORMED_QUESTION "E0311"
    LEADING_MINUS "E0312"
    UNBOUNDED_LOOP "E0313"
    UNBOUNDED_WAIT "E0314"
    LEFT_OVER "E0315"
    MISSING_VALUE "E0316"
    VALUE_IN_PLAIN_TEXT "E0317"
    MISSING_NAME "E0318"
    UNKNOWN_NAME "E0401"
    UNKNOWN_ROUTINE "E0402"
    DUPLICATE_NAME "E0403"
    NOT_ASSIGNABLE "E0404"
    MISPLACED_ITEM "E0405"
    NOT_A_LIBRARY "E0406"
    UNREADABLE_FILE "E0407"
    CIRCULAR_USE "E0408"
    NOT_CONSTANT "E0409"
    UNKNOWN_UNIT "E0410"
    UNKNOWN_TYPE "E0411"
    UNKNOWN_FIELD "E0412"
    UNLIKE_KINDS "E0501"
    BAD_OPERAND "E0502"
    NOT_A_FLAG "E0503"
    UNSUITABLE_UNIT "E0504"
    WRONG_TYPE "E0505"
    MIXED_LIST "E0506"
    UNTOLD_TYPE "E0507"
    BAD_INDEX "E0508"
    NOT_A_LIST "E0509"
    BAD_POWER "E0511"
    TEMPERATURE_ARITHMETIC "E0512"
    BAD_RANGE "E0513"
    MISPLACED_UNCERTAINTY "E0514"
    NOT_SHOWABLE "E0515"
    UNSET_PARAM "E0516"
    BAD_SETTING "E0517"
    BAD_CHECK_RULE "E0518"
    BAD_DATA_SHEET "E0519"
    BAD_ANSWER_TYPE "E0520"
    UNKNOWN_FAILURE_KIND "E0521"
    BAD_TABLE "E0522"
    BAD_PLOT "E0523"
    TOO_MANY_ARGUMENTS "E0601"
    MISSING_ARGUMENT "E0602"
    UNKNOWN_ARGUMENT "E0603"
    DUPLICATE_ARGUMENT "E0604"
    WRONG_ARGUMENT "E0605"
    UNTOLD_KIND "E0606"
    UNUSED_VALUE "E0607"
    NO_VALUE "E0608"
    FORMER_ARGUMENT "E0609"
    MISSING_RETURN "E0701"
    BAD_RETURN "E0702"
    JUMP_OUTSIDE_LOOP "E0703"
    RECURSION "E0704"
    LIGHT_OUTSIDE_ARM "E0705"
    ALREADY_ARMED "E0706"
    MALFORMED_LOOP "E0707"
    BAD_LOOP_BOUND "E0708"
    DIVISION_BY_ZERO "E0709"
    BAD_WAIT "E0710"
    JUMP_OUT_OF_FINALLY "E0711"
    MAYBE_UNSET "E0712"
    BARE_TRY "E0713"
    BAD_POWER_SHARE "E0714"
    UNKNOWN_EFFECT "E0715"
    BROKEN_PROMISE "E0716"
    BAD_ALLOW "E0717"
    EFFECT_NOT_ALLOWED "E0718"
    SPEED_CHANGE_WHILE_ARMED "E0719"
    QUESTION_WHILE_ARMED "E0720"
    HELD_CONDITION_ACTS "E0721"
    QUESTION_WHILE_HELD "E0722"
    UNUSED_NAME "W0801"
    UNREACHABLE "W0802"
    DROPPED_RESULT "W0803"
    UNCALLED_ROUTINE "W0804"
    SHADOWED_NAME "W0805"
    CONSTANT_COMPARISON "W0806"
    USELESS_ALLOW "W0807"
    TURN_WITH_LENGTH "W0808"
    COMMENT_AS_OPERAND "W0809"
    FRACTION_OF_UNIT "W0810"
    ARMED_BEFORE_LOCK "W0820"
    CALLED_BEFORE_LOCK "W0821"
    WAIT_WHILE_ARMED "W0822"
    ARMED_FOR_NOTHING "W0823"
    STORED_UNMEASURED "W0824"
    LOADED_UNMEASURED "W0825"
    UNDECIDABLE_LIMIT "W0826"
    PARAM_BEYOND_HEAD "W0827"
    EXACT_MEASURED "W0828"
    ONE_SIDED_LIMIT "W0829"
    BAD_HEAD_DESCRIPTION "E0901"
    TAKES_TOO_LONG "E0902"
    BAD_IMAGE "E0903"
    BAD_FAULT "E0904"
    UNANSWERABLE_QUESTION "E0905"
    BAD_ANSWERS_FILE "E0906"
    BAD_HEAD_LIST "E0907"
    UNKNOWN_SIGNAL "E0908"
    BAD_SIGNAL_USE "E0909"
    BEYOND_HEAD "E0910"
    NOTHING_SPINS "E0911"
    VAIN_CONDITION "E0912"
}

/// The explanations, in the order of the codes.
const PAGES: &[&str] = &[
    include_str!("codes/characters.md"),
    include_str!("codes/brackets.md"),
    include_str!("codes/statements.md"),
    include_str!("codes/names.md"),
    include_str!("codes/kinds.md"),
    include_str!("codes/calls.md"),
    include_str!("codes/flow.md"),
    include_str!("codes/warnings.md"),
    include_str!("codes/runs.md"),
];

/// A code with its explanation.
#[derive(Clone, Debug)]
pub struct Code {
    /// `E0301`: E is an error and W a warning, then two digits for the topic.
    pub code: &'static str,
    /// What is wrong, in a few words.
    pub meaning: &'static str,
    /// Why it is refused or warned of, and what to do.
    pub why: String,
    /// A script that yields this code.
    pub wrong: String,
    /// The same script, corrected: it yields no diagnostic.
    pub right: String,
}

/// The codes of one topic.
#[derive(Clone, Debug)]
pub struct Topic {
    /// Its heading.
    pub title: &'static str,
    /// In the order of their numbers.
    pub codes: Vec<Code>,
}

/// Every code with its explanation, by topic.
pub fn topics() -> &'static [Topic] {
    static TOPICS: LazyLock<Vec<Topic>> = LazyLock::new(read);
    &TOPICS
}

/// The explanation of a code.
pub fn find(code: &str) -> Option<&'static Code> {
    topics().iter().flat_map(|topic| &topic.codes).find(|known| known.code == code)
}

fn read() -> Vec<Topic> {
    let mut topics: Vec<Topic> = Vec::new();
    let mut example = None;
    for line in PAGES.iter().flat_map(|page| page.lines()) {
        if let (None, Some(title)) = (example, line.strip_prefix("# ")) {
            topics.push(Topic { title, codes: Vec::new() });
            continue;
        }
        let Some(Topic { codes, .. }) = topics.last_mut() else { continue };
        if let (None, Some((code, meaning))) =
            (example, line.strip_prefix("## ").and_then(|heading| heading.split_once(": ")))
        {
            let (why, wrong, right) = Default::default();
            codes.push(Code { code, meaning, why, wrong, right });
            continue;
        }
        let Some(code) = codes.last_mut() else { continue };
        match (line.strip_prefix("```"), example) {
            (Some(""), _) => example = None,
            (Some(fence), _) => example = Some(fence),
            (None, None) if line.is_empty() => {}
            (None, None) if code.why.is_empty() => code.why.push_str(line),
            (None, None) => code.why.extend([" ", line]),
            (None, Some("wrong")) => code.wrong.extend([line, "\n"]),
            (None, Some(_)) => code.right.extend([line, "\n"]),
        }
    }
    topics
}
