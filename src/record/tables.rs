//! `table_NAME.csv`: recorded lists of records, a file for each label, written when they are recorded.
//! `table` of a script reads them.

use crate::error::Error;
use crate::record::cell::cell;
use crate::record::folder::{Folder, Stream};
use spintrue_head::{UnitText, cell_text, parse_unit};
use spintrue_language::Shown;
use std::sync::Arc;

/// Most tables of a record.
const MAX_TABLES: usize = 200;

/// Longest name of a label in the name of a file, in characters.
const MAX_NAME: usize = 60;

type Fields = [(Arc<str>, Shown)];

/// The tables of a record.
#[derive(Default)]
pub(super) struct Tables(Vec<Table>);

struct Table {
    label: String,
    columns: Vec<Column>,
    file: Stream,
}

/// A column: where its values lie in a row, and the unit of numbers.
#[derive(Clone, PartialEq)]
struct Column {
    path: Vec<Arc<str>>,
    holds: Holds,
}

#[derive(Clone, PartialEq)]
enum Holds {
    Number(Option<UnitText>),
    Flag,
    Text,
}

impl Tables {
    /// Adds the rows of a recorded value, if it is a list of records. The first list of a label decides
    /// the units; one with other fields begins another file.
    pub(super) fn add(&mut self, folder: &Folder, label: &str, shown: &Shown) -> Result<(), Error> {
        let Some(rows) = rows(shown) else { return Ok(()) };
        let columns = rows.first().map_or(Vec::new(), |row| columns(row, &[]));
        let alike = |table: &&mut Table| {
            let pairs = table.columns.iter().zip(&columns);
            table.label == label
                && table.columns.len() == columns.len()
                && pairs.into_iter().all(|(one, other)| one.is_like(other))
        };
        if columns.is_empty() {
            return Ok(());
        }
        if self.0.iter_mut().find(alike).is_none() {
            if self.0.len() >= MAX_TABLES {
                return Ok(());
            }
            let mut file = folder.stream(&self.free_name(label))?;
            file.write(line(columns.iter().map(Column::head)).as_bytes())?;
            self.0.push(Table { label: label.to_string(), columns: columns.clone(), file });
        }
        if let Some(table) = self.0.iter_mut().find(alike) {
            for row in rows {
                let cells = table.columns.iter().map(|column| column.cell(row));
                table.file.write(line(cells).as_bytes())?;
            }
        }
        Ok(())
    }

    /// Hands what waits to the operating system.
    pub(super) fn flush(&mut self) -> Result<(), Error> {
        self.0.iter_mut().try_for_each(|table| table.file.flush())
    }

    /// The files, complete.
    pub(super) fn into_files(self) -> impl Iterator<Item = Stream> {
        self.0.into_iter().map(|table| table.file)
    }

    /// A name that no file has yet, on disks that take letters of any size for the same as well.
    fn free_name(&self, label: &str) -> String {
        let word = |c: char| if c.is_alphanumeric() { c } else { '_' };
        let word: String = label.chars().take(MAX_NAME).map(word).collect();
        let names = std::iter::once(format!("table_{word}.csv"));
        let mut names = names.chain((2_u32..).map(|again| format!("table_{word}_{again}.csv")));
        let taken = |name: &String| {
            let known = self.0.iter().map(|table| table.file.name().to_lowercase());
            known.into_iter().any(|known| known == name.to_lowercase())
        };
        names.find(|name| !taken(name)).unwrap_or_default()
    }
}

fn rows(shown: &Shown) -> Option<Vec<&Fields>> {
    let Shown::List(items) = shown else { return None };
    let rows = items.iter().map(|item| match item {
        Shown::Record(fields) => Some(fields.as_slice()),
        _ => None,
    });
    rows.collect()
}

/// The columns of a row in its order; records inside it lie spread out, lists inside it have none.
fn columns(row: &Fields, above: &[Arc<str>]) -> Vec<Column> {
    let mut all = Vec::new();
    for (name, shown) in row {
        let path = [above, std::slice::from_ref(name)].concat();
        let holds = match shown {
            Shown::Record(fields) => {
                all.extend(columns(fields, &path));
                continue;
            }
            Shown::List(_) => continue,
            Shown::Quantity { asked: Some(asked), .. } => Holds::Number(Some((**asked).clone())),
            Shown::Quantity { unit, .. } => Holds::Number(parse_unit(unit).ok()),
            Shown::Flag(_) => Holds::Flag,
            Shown::Text(_) => Holds::Text,
        };
        all.push(Column { path, holds });
    }
    all
}

impl Column {
    /// The same field of the same kind, in whatever unit.
    fn is_like(&self, other: &Column) -> bool {
        let kind = |holds: &Holds| match holds {
            Holds::Number(unit) => (0, unit.as_ref().map(|u| (u.dimension, u.is_absolute()))),
            Holds::Flag => (1, None),
            Holds::Text => (2, None),
        };
        let plain = |(sort, unit): (u8, Option<(spintrue_head::Dimension, bool)>)| {
            (sort, unit.filter(|(dimension, _)| !dimension.is_number()))
        };
        self.path == other.path && plain(kind(&self.holds)) == plain(kind(&other.holds))
    }

    fn head(&self) -> String {
        let unit = match &self.holds {
            Holds::Number(Some(unit)) => unit.text.as_str(),
            Holds::Number(None) => "1",
            Holds::Flag => "flag",
            Holds::Text => "text",
        };
        format!("{} [{unit}]", self.path.join("."))
    }

    fn cell(&self, row: &Fields) -> String {
        let mut path = self.path.iter();
        let mut fields = row;
        let shown = loop {
            let Some(name) = path.next() else { return String::new() };
            match fields.iter().find(|(field, _)| field == name) {
                Some((_, Shown::Record(inner))) => fields = inner,
                Some((_, shown)) => break shown,
                None => return String::new(),
            }
        };
        match (shown, &self.holds) {
            (Shown::Quantity { value, .. }, Holds::Number(Some(unit))) => cell_text(*value, unit),
            (Shown::Quantity { value, .. }, _) if value.is_finite() => format!("{value}"),
            (Shown::Flag(flag), _) => flag.to_string(),
            (Shown::Text(text), _) => cell(text).into_owned(),
            _ => String::new(),
        }
    }
}

/// A line by RFC 4180. What a reader would trim or skip has quotes as well.
fn line(cells: impl Iterator<Item = String>) -> String {
    let quoted = |cell: String| {
        let is_special = cell.contains([',', '"', '\r', '\n']) || cell.trim() != cell;
        if is_special || cell.is_empty() {
            format!("\"{}\"", cell.replace('"', "\"\""))
        } else {
            cell
        }
    };
    let mut line = cells.map(quoted).collect::<Vec<_>>().join(",");
    line.push_str("\r\n");
    line
}
