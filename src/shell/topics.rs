//! Topics of `help`, in one table that help and completion read.

use std::sync::LazyLock;

/// A topic of the shell.
pub(super) struct Topic {
    /// What is typed behind `help`.
    pub name: &'static str,
    /// Its heading.
    pub title: &'static str,
    /// A paragraph for each line; what can be typed is indented.
    pub text: &'static str,
}

/// Every topic, in the order that help lists them.
pub(super) static TOPICS: LazyLock<Vec<Topic>> = LazyLock::new(|| {
    let topic = |section: &'static str| {
        let (name, rest) = section.split_once('\n')?;
        let (title, text) = rest.split_once('\n')?;
        Some(Topic { name, title, text: text.trim_matches('\n') })
    };
    include_str!("topics.md").split("## ").skip(1).filter_map(topic).collect()
});
