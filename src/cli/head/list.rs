//! `head list`: the heads that the project names, and the serial lines of this machine.

use crate::error::Error;
use crate::project::{FILE, project};
use crate::terminal::{named, say};
use spintrue_head::{serial_lines, visible_line};

pub(super) fn run() -> Result<u8, Error> {
    let heads: Vec<(String, String)> = match project()? {
        Some(project) => project.heads().map(|(name, at)| (name.to_string(), at)).collect(),
        None => Vec::new(),
    };
    let mut text = match heads.as_slice() {
        [] => format!("no head is named: `[heads]` in {FILE} names some\n"),
        heads => named(heads),
    };
    text.push_str("sim is the built-in simulated head, and is used where no head is named\n");
    let lines = serial_lines();
    if !lines.is_empty() {
        let address = |(device, about)| (format!("serial://{device}"), visible_line(about));
        let lines: Vec<(String, String)> =
            lines.iter().map(|(device, about)| address((device, about))).collect();
        text.push_str(&format!("\nserial lines\n{}", named(&lines)));
    }
    say(&text);
    Ok(0)
}
