//! Tables of counts, for a terminal and as a page.

use crate::paper::plot::{Axis, Plot, WIDE};
use crate::paper::{self, Head, left_out, typeset};
use crate::terminal::columns::{Line, Side, columns};
use crate::terminal::{BOLD, DIM, styled, wrapped};
use maud::html;
use spintrue_head::visible_line;

/// Most rows of a table of a page.
const MAX_ROWS: usize = 500;

/// What was counted.
pub(crate) struct Counts {
    pub(super) title: &'static str,
    pub(super) tables: Vec<Table>,
    /// What the columns mean.
    pub(super) note: &'static str,
}

/// The counts of a group.
pub(super) struct Table {
    /// Empty where there is only one.
    pub name: String,
    pub heads: Vec<(String, Side)>,
    pub rows: Vec<Vec<String>>,
    /// What is said where there are no rows.
    pub nothing: &'static str,
    /// What is drawn of the rows, in what it counts, and its numbers.
    pub drawn: (&'static str, &'static str, Vec<f64>),
}

impl Counts {
    /// For a terminal.
    pub(crate) fn text(&self, colour: bool) -> String {
        if self.tables.is_empty() {
            return "no such runs\n".to_string();
        }
        let mut text = String::new();
        for Table { name, heads, rows, nothing, .. } in &self.tables {
            if !name.is_empty() {
                text.push_str(&format!("{}\n", styled(&visible_line(name), BOLD, colour)));
            }
            let heads: Vec<(&str, Side)> =
                heads.iter().map(|(head, side)| (head.as_str(), *side)).collect();
            let lines: Vec<Line> = rows.iter().cloned().map(Line::from).collect();
            match nothing {
                _ if !rows.is_empty() => text.push_str(&columns(&heads, &lines, colour)),
                &"" => {}
                nothing => text.push_str(&format!("{nothing}\n")),
            }
            text.push('\n');
        }
        text + &styled(&wrapped(self.note, ""), DIM, colour)
    }

    /// As a page that needs no other file.
    pub(crate) fn page(&self) -> String {
        let body = html! {
            header { h1 { (self.title) } }
            main {
                @if self.tables.is_empty() { p { "No such runs." } }
                @for (number, table) in (1..).zip(&self.tables) { section {
                    @if !table.name.is_empty() { h2 { (visible_line(&table.name)) } }
                    @if table.rows.is_empty() { p { (table.nothing) } } @else { (table.page(number)) }
                } }
            }
            footer { p { (self.note) } }
        };
        paper::page(self.title, self.title, &body)
    }
}

impl Table {
    fn page(&self, number: usize) -> maud::Markup {
        let heads = self.heads.iter().map(|(head, side)| match side {
            Side::Right => Head::Number(head),
            _ => Head::Text(head),
        });
        let heads = [Head::Number("no.")].into_iter().chain(heads).collect::<Vec<_>>();
        let rows = html! { @for (number, row) in (1..).zip(self.rows.iter().take(MAX_ROWS)) { tr {
            th.number scope="row" { (number) }
            @for (cell, (_, side)) in row.iter().zip(&self.heads) {
                @let cell = visible_line(cell);
                td class=[(*side == Side::Right).then_some("number")] { (typeset::text(&cell)) }
            }
        } } };
        let (title, words, values) = &self.drawn;
        let values = values.get(..MAX_ROWS.min(values.len())).unwrap_or_default();
        let plot = Plot {
            size: WIDE,
            title: title.to_string(),
            told: format!("{} rows.", values.len()),
            x: Axis::whole(1.0, values.len() as f64, "no."),
            y: Axis::around(values.iter().copied().chain([0.0]), *words),
        };
        let places = (1..).map(f64::from).zip(values.iter().copied());
        html! {
            div.wide tabindex="0" role="region" aria-label=(format!("chart {number}")) {
                (plot.drawn(plot.bars(places, 0.8), html! {}))
            }
            (paper::table(&format!("of counts {number}"), None, &heads, &rows))
            (left_out(self.rows.len().saturating_sub(MAX_ROWS), "rows", "the text"))
        }
    }
}
