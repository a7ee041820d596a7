//! Rows under headings, as wide as their cells and at most 80 columns.

use crate::terminal::width::{padded, width as columns_of};
use crate::terminal::{DIM, beside, styled, table_columns, wrapped};
use spintrue_head::visible_line;

/// What every column of texts keeps where they are cut.
const MIN_TEXT: usize = 6;

/// What a column of texts that go on below keeps at least.
const MIN_WRAPPED: usize = 24;

/// Where the cells of a column stand under its heading.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Side {
    /// Texts, which are cut where the row is too long.
    Left,
    /// Numbers.
    Right,
    /// Texts of the last column, which go on below their beginning.
    Wrap,
}

/// A row: its cells, the style of the first of them that has one, and what stands below it.
#[derive(Default)]
pub(crate) struct Line {
    /// In the order of the headings.
    pub cells: Vec<String>,
    /// A cell and its style.
    pub style: Option<(usize, &'static str)>,
    /// Below the row, with its style.
    pub notes: Vec<(String, &'static str)>,
}

impl From<Vec<String>> for Line {
    fn from(cells: Vec<String>) -> Line {
        Line { cells, ..Line::default() }
    }
}

/// At most `most` columns; of a longer text the end, which says more of a path.
pub(crate) fn cut(text: &str, most: usize) -> String {
    let mut end = text;
    while columns_of(end) > most.saturating_sub(1) && columns_of(text) > most {
        end = end.get(end.chars().next().map_or(0, char::len_utf8)..).unwrap_or_default();
    }
    if end.len() == text.len() { text.to_string() } else { format!("…{end}") }
}

/// Rows under their headings.
pub(crate) fn columns(heads: &[(&str, Side)], lines: &[Line], colour: bool) -> String {
    let shown = |line: &Line| line.cells.iter().map(|cell| visible_line(cell)).collect::<Vec<_>>();
    let cells: Vec<Vec<String>> = lines.iter().map(shown).collect();
    let width = |at: usize, head: &str| {
        let cells = cells.iter().filter_map(|row| row.get(at));
        cells.map(|cell| columns_of(cell)).chain([columns_of(head)]).max().unwrap_or(0)
    };
    let mut widths: Vec<usize> =
        heads.iter().enumerate().map(|(at, (head, _))| width(at, head)).collect();
    let is_wrapped = heads.last().is_some_and(|(_, side)| *side == Side::Wrap);
    if let Some(last) = widths.last_mut().filter(|_| is_wrapped) {
        *last = (*last).min(MIN_WRAPPED);
    }
    while widths.iter().map(|width| width + 2).sum::<usize>() > table_columns() + 2 {
        let texts = widths
            .iter_mut()
            .zip(heads)
            .filter(|(width, (_, side))| *side == Side::Left && **width > MIN_TEXT);
        match texts.max_by_key(|(width, _)| **width) {
            Some((width, _)) => *width -= 1,
            None => break,
        }
    }
    let row = |cells: &mut dyn Iterator<Item = &str>, style: Option<(usize, &str)>| {
        let mut text = String::new();
        for (at, ((cell, width), (_, side))) in cells.zip(&widths).zip(heads).enumerate() {
            if *side == Side::Wrap {
                // One blank more stands beside the heading.
                return beside(&format!("{text} "), cell).trim_end().to_string();
            }
            let cell = cut(cell, *width);
            let fill = padded("", width.saturating_sub(columns_of(&cell)));
            let cell = match style {
                Some((styled_at, style)) if styled_at == at => styled(&cell, style, colour),
                _ => cell,
            };
            text.push_str(if at > 0 { "  " } else { "" });
            text.push_str(&match side {
                Side::Right => fill + &cell,
                _ => cell + &fill,
            });
        }
        text.trim_end().to_string()
    };
    let head = row(&mut heads.iter().map(|(head, _)| *head), None);
    let mut text = format!("{}\n", styled(&head, DIM, colour));
    for (line, cells) in lines.iter().zip(&cells) {
        text.push_str(&row(&mut cells.iter().map(String::as_str), line.style));
        text.push('\n');
        for (note, style) in &line.notes {
            let note = wrapped(&visible_line(note), "    ");
            text.push_str(&format!("{}\n", styled(note.trim_end(), style, colour)));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{Line, Side, columns};

    #[test]
    fn texts_are_cut_and_numbers_are_not() {
        let heads = [("name", Side::Left), ("count", Side::Right), ("path", Side::Left)];
        let long = "x".repeat(90);
        let lines = [Line::from(vec!["a".to_string(), "12".to_string(), long])];
        let text = columns(&heads, &lines, false);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.starts_with("name  count  path\na        12  …xxx"), "{text}");
    }

    #[test]
    fn the_last_text_goes_on_below_its_beginning() {
        let heads = [("count", Side::Right), ("label", Side::Wrap)];
        let lines = [Line::from(vec!["12".to_string(), "word ".repeat(20)])];
        let text = columns(&heads, &lines, false);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.starts_with("count  label\n   12  word word"), "{text}");
        assert!(text.contains("\n       word"), "{text}");
    }
}
