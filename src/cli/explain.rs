//! `explain`: what a code means, why, and how to fix it, or what a keyword means; or all codes by topic, and all keywords.

use crate::error::{Error, invalid};
use crate::terminal::{BOLD, beside, colour_output, reference, say, styled, wrapped};
use clap::Args;
use spintrue_head::letter_distance;
use spintrue_language::{ALL_CODES, KEYWORDS, Keyword, code_topics, find_code};

#[derive(Args)]
#[command(after_help = include_str!("help/explain.txt"))]
pub(super) struct Options {
    /// A code such as E0501 or W0803, or a keyword
    code: Option<String>,
}

/// Codes that are suggested for an unknown one.
const MAX_SUGGESTIONS: usize = 4;

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let colour = colour_output();
    let Some(asked) = &options.code else {
        say(&overview(colour));
        return Ok(0);
    };
    if let Some(keyword) = Keyword::of(asked.trim()) {
        say(&reference::keyword(keyword, colour));
        return Ok(0);
    }
    let wanted = asked.trim().to_uppercase();
    match find_code(&wanted) {
        Some(code) => {
            say(&reference::code(code, colour));
            Ok(0)
        }
        None => {
            let near = near(&wanted, ALL_CODES.iter().copied());
            let way = if near.is_empty() {
                "`spintrue explain` lists them all".to_string()
            } else {
                format!("near it are {}; `spintrue explain` lists them all", near.join(", "))
            };
            Err(invalid!("there is no code `{asked}`; {way}"))
        }
    }
}

/// Codes that differ by a letter or two, the nearest first, by spelling and then by number.
fn near<'a>(wanted: &str, known: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let number = |code: &str| {
        let digits: String = code.chars().filter(char::is_ascii_digit).collect();
        digits.parse::<u32>().unwrap_or(0)
    };
    let mut near: Vec<(usize, u32, &str)> = known
        .map(|code| {
            let letters = letter_distance(wanted, code);
            (letters, number(wanted).abs_diff(number(code)), code)
        })
        .filter(|(letters, ..)| *letters <= 2)
        .collect();
    near.sort_unstable();
    near.truncate(MAX_SUGGESTIONS);
    near.into_iter().map(|(.., code)| code).collect()
}

fn overview(colour: bool) -> String {
    let mut text = String::new();
    for topic in code_topics() {
        text.push_str(&format!("{}\n", styled(topic.title, BOLD, colour)));
        for code in &topic.codes {
            text.push_str(&beside(&format!("  {} ", code.code), code.meaning));
        }
        text.push('\n');
    }
    text.push_str("`spintrue explain CODE` explains one, with a wrong and a right example.\n\n");
    text.push_str(&format!("{}\n", styled("Keywords", BOLD, colour)));
    text.push_str(&wrapped(&KEYWORDS.join(", "), "  "));
    text.push_str("\n`spintrue explain KEYWORD` explains one, with an example.\n");
    text
}
