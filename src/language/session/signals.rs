//! Signals and channels that a script names by plain text, against the head that it is to run on.

use crate::builtins;
use crate::check::{Use, Used};
use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use spintrue_head::{Channel, Description, Direction, Signal, nearest_name};

/// Most names in one report.
const MAX_NAMES: usize = 8;

/// What is wrong with each of them, where something is.
pub(super) fn misused(all: &[Used], head: &Description) -> Vec<Diagnostic> {
    let bare = head.signals.is_empty() && head.channels.is_empty();
    if let (Some(first), true) = (all.first(), bare) {
        return vec![wrong_head(first, all)];
    }
    let mut found: Vec<Diagnostic> = all.iter().filter_map(|used| misuse(used, head)).collect();
    found.sort_by_key(|report| (report.span().source, report.span().start));
    found
}

/// The names that are used, each once, in the order of the script.
pub(super) fn names(all: &[Used]) -> Vec<&str> {
    let mut names = Vec::new();
    for used in all {
        if !names.contains(&&*used.name) {
            names.push(&*used.name);
        }
    }
    names
}

/// One report for all of a script that is for another head.
fn wrong_head(first: &Used, all: &[Used]) -> Diagnostic {
    let all = names(all);
    let listed = all.iter().take(MAX_NAMES).map(|name| format!("`{name}`"));
    let more = (all.len() > MAX_NAMES).then(|| "…".to_string());
    let names: Vec<String> = listed.chain(more).collect();
    let headline = "this head has no signals and no channels";
    Diagnostic::error(codes::UNKNOWN_SIGNAL, headline, first.span)
        .here("the first that is named")
        .help(format!(
            "the script uses {}: name the head that it is for with `--head`",
            names.join(", ")
        ))
}

fn misuse(used: &Used, head: &Description) -> Option<Diagnostic> {
    let signal = head.signals.iter().find(|signal| signal.name == used.name);
    let channel = head.channels.iter().find(|channel| channel.name == used.name);
    match &used.what {
        Use::Signal | Use::Switch => match signal {
            Some(signal) if used.what == Use::Switch => switched(used, signal),
            Some(_) => None,
            None => {
                let known = head.signals.iter().map(|signal| signal.name.as_str());
                let other = channel.map(|channel| {
                    format!("`{}` is a channel: {}", channel.name, reading(channel))
                });
                Some(unknown(used, "signal", &known.collect::<Vec<_>>(), other))
            }
        },
        Use::Channel(like) | Use::Set(like, _) => {
            let Some(channel) = channel else {
                let known = head.channels.iter().map(|channel| channel.name.as_str());
                let other = signal.map(|s| format!("`{0}` is a signal: `signal(\"{0}\")`", s.name));
                return Some(unknown(used, "channel", &known.collect::<Vec<_>>(), other));
            };
            let Use::Set(_, value) = &used.what else {
                let why = builtins::unlike(channel, &like.kind)?;
                return Some(unfit(like.span, why).help(format!("write {}", reading(channel))));
            };
            if channel.direction == Direction::Input {
                let why = format!("the channel `{}` is an input", used.name);
                return Some(
                    unfit(used.span, why).help(format!("it is read: {}", reading(channel))),
                );
            }
            let (least, most) = (channel.shown(channel.least), channel.shown(channel.most));
            let takes = format!("it takes {least} to {most}");
            if let Some(why) = builtins::unlike(channel, &like.kind) {
                return Some(unfit(like.span, why).help(takes));
            }
            match value {
                Some(value) if !channel.takes(*value) => {
                    let value = channel.shown(*value);
                    let why = format!("{value} is beyond the channel `{}`", used.name);
                    Some(unfit(like.span, why).help(takes))
                }
                _ if !channel.under_light => under_light(used, "a channel", "set"),
                _ => None,
            }
        }
    }
}

fn switched(used: &Used, signal: &Signal) -> Option<Diagnostic> {
    if signal.direction == Direction::Input {
        let why = format!("the signal `{}` is an input", used.name);
        let help = format!("it is read, as in `signal(\"{}\")`; outputs are switched", used.name);
        return Some(unfit(used.span, why).help(help));
    }
    if signal.under_light { None } else { under_light(used, "an output", "switched") }
}

fn under_light(used: &Used, what: &str, done: &str) -> Option<Diagnostic> {
    let arm = used.armed?;
    let why = format!("`{}` is {done} while the laser is armed", used.name);
    Some(unfit(used.span, why).label(arm, "armed from here").help(format!(
        "do it before or behind the light; a head can describe {what} as one for `under_light`"
    )))
}

fn unfit(place: Span, why: String) -> Diagnostic {
    Diagnostic::error(codes::BAD_SIGNAL_USE, why, place)
}

/// How a channel is read.
fn reading(channel: &Channel) -> String {
    format!("`channel(\"{}\", like: 1 {})`", channel.name, channel.unit)
}

fn unknown(used: &Used, what: &str, known: &[&str], other: Option<String>) -> Diagnostic {
    let headline = format!("this head has no {what} `{}`", used.name);
    let report = Diagnostic::error(codes::UNKNOWN_SIGNAL, headline, used.span);
    report.help(match (other, nearest_name(&used.name, known.iter().copied())) {
        (Some(other), _) => other,
        (None, Some(near)) => format!("did you mean `{near}`?"),
        (None, None) if known.is_empty() => format!("it has no {what}s at all"),
        (None, None) => format!("it has {}", known.join(", ")),
    })
}
