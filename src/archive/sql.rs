//! The one interface to an SQLite file and to a PostgreSQL server, which take the same statements.

use crate::error::Error;
use std::borrow::Cow;
use std::time::Duration;

/// How long to wait for an archive that another program has locked.
pub(super) const LOCK_TIMEOUT: Duration = Duration::from_secs(5);

/// Most parameters of one statement; PostgreSQL takes 65,535, SQLite 32,766.
const MAX_PARAMETERS: usize = 10_000;

/// A value in an archive. A text holds no NUL, which PostgreSQL cannot store; a NaN is stored as
/// nothing.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Value {
    Nothing,
    Whole(i64),
    Real(f64),
    Text(String),
}

impl Value {
    /// The whole number in a column that always holds one.
    pub(crate) fn whole(&self) -> i64 {
        if let Value::Whole(number) = self { *number } else { 0 }
    }

    pub(crate) fn real(&self) -> Option<f64> {
        if let Value::Real(number) = self { Some(*number) } else { None }
    }

    /// The text, empty where there is none.
    pub(crate) fn text(self) -> String {
        if let Value::Text(text) = self { text } else { String::new() }
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Value::Text(text.replace('\0', "\u{fffd}"))
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        if text.contains('\0') { text.as_str().into() } else { Value::Text(text) }
    }
}

impl From<f64> for Value {
    fn from(number: f64) -> Self {
        if number.is_nan() { Value::Nothing } else { Value::Real(number) }
    }
}

impl From<i64> for Value {
    fn from(number: i64) -> Self {
        Value::Whole(number)
    }
}

impl From<bool> for Value {
    fn from(flag: bool) -> Self {
        Value::Whole(i64::from(flag))
    }
}

impl<T: Into<Value>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Value::Nothing, Into::into)
    }
}

/// What a transaction is for.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Purpose {
    /// Sees one moment, unaffected by runs that are stored meanwhile.
    Read,
    Write,
}

/// A row of a query's result.
pub(crate) trait Row {
    /// The value in a column, counted from 0.
    fn value(&self, at: usize) -> Value;

    /// The text in a column, empty where there is none.
    fn text(&self, at: usize) -> Cow<'_, str>;
}

/// The parameters of a statement that is put together.
#[derive(Default)]
pub(crate) struct Values(pub(crate) Vec<Value>);

impl Values {
    /// The name of a new parameter.
    pub(crate) fn bind(&mut self, value: impl Into<Value>) -> String {
        self.0.push(value.into());
        format!("${}", self.0.len())
    }
}

/// A table that rows are added to, with the columns that they fill.
pub(crate) struct Table<'a> {
    pub name: &'a str,
    /// Separated by `, `.
    pub columns: &'a str,
}

/// The statement that adds rows to a table, and its parameters. NULL is part of the statement, since a
/// parameter must have a type.
pub(crate) fn insertion(table: &Table<'_>, rows: &[Vec<Value>]) -> (String, Vec<Value>) {
    let mut values = Values::default();
    let mut cell = |value: &Value| match value {
        Value::Nothing => "NULL".to_string(),
        value => values.bind(value.clone()),
    };
    let mut row = |row: &Vec<Value>| {
        format!("({})", row.iter().map(&mut cell).collect::<Vec<_>>().join(", "))
    };
    let rows = rows.iter().map(&mut row).collect::<Vec<_>>().join(", ");
    (format!("INSERT INTO {} ({}) VALUES {rows}", table.name, table.columns), values.0)
}

/// A run that could not be stored.
#[derive(Debug)]
pub(crate) enum Lost {
    /// Nothing of it is in the store.
    Whole(Error),
    /// The archive did not confirm: all of it is there, or nothing.
    Unknown(Error),
}

impl From<Lost> for Error {
    fn from(lost: Lost) -> Error {
        match lost {
            Lost::Whole(why) => why,
            Lost::Unknown(why) => why.context("it is not known whether this was stored"),
        }
    }
}

/// A store of runs. Statements are written so that both kinds read them: parameters are `$1`, `$2`
/// and so on, in the order in which they appear.
pub(crate) trait Store {
    fn begin(&mut self, purpose: Purpose) -> Result<(), Error>;

    /// Ends a transaction and keeps what it wrote.
    fn commit(&mut self) -> Result<(), Lost>;

    /// Ends a transaction and discards what it wrote.
    fn roll_back(&mut self) -> Result<(), Error>;

    fn add(&mut self, table: &Table<'_>, rows: &[Vec<Value>]) -> Result<(), Error> {
        for rows in rows.chunks(MAX_PARAMETERS / rows.first().map_or(1, Vec::len)) {
            let (statement, values) = insertion(table, rows);
            self.query(&statement, &values, &mut |_| ())?;
        }
        Ok(())
    }

    /// Hands over each row of a statement's result.
    fn query(
        &mut self,
        statement: &str,
        values: &[Value],
        each: &mut dyn FnMut(&dyn Row),
    ) -> Result<(), Error>;

    /// Closes what would not survive a long wait; the next transaction opens it again.
    fn close_connection(&mut self) {}
}

#[cfg(test)]
mod tests {
    use super::Value;

    #[test]
    fn what_a_store_cannot_hold_is_made_fit() {
        assert_eq!(Value::from("a\0b"), Value::from("a\u{fffd}b".to_string()));
        assert_eq!(Value::from("a\0b".to_string()).text(), "a\u{fffd}b");
        assert_eq!(Value::from(f64::NAN), Value::Nothing);
        assert_eq!(Value::from(f64::INFINITY), Value::Real(f64::INFINITY));
        assert_eq!(Value::from(None::<f64>), Value::Nothing);
    }
}
