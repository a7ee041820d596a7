//! Pages of text that belong to a table: a heading `## NAME` for each row, and its paragraphs below, each
//! on one line. Uses nothing.

/// A paragraph below a heading, counted from 0; empty where there is none.
pub(crate) fn paragraph(page: &'static str, name: &str, index: usize) -> &'static str {
    let below = |section: &'static str| section.strip_prefix(name)?.strip_prefix('\n');
    let mut sections = page.split("\n## ");
    let section = sections.find_map(below).unwrap_or_default();
    section.lines().filter(|line| !line.is_empty()).nth(index).unwrap_or_default()
}

/// The headings of a page.
#[cfg(test)]
pub(crate) fn headings(page: &str) -> impl Iterator<Item = &str> {
    page.lines().filter_map(|line| line.strip_prefix("## "))
}
