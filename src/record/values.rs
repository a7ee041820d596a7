//! `values.toml`: the recorded values that are no table by their labels, as exact text that scripts and `--set` read. And
//! `answers.toml`: the answers of the operator in the form that `--answers` takes, so that a run can be
//! repeated with them.

use crate::paper::table::RecordTable;
use crate::record::data::Record;
use spintrue_head::{Dimension, exact_text, parse_unit};
use spintrue_language::Shown;
use toml::{Table, Value};

/// The recorded values. A label that comes again gets ` #2`, ` #3` and so on.
pub(crate) fn values(record: &Record) -> Result<String, toml::ser::Error> {
    let mut values = Table::new();
    let mut tables = 0;
    for recorded in &record.recorded.items {
        if RecordTable::of(&recorded.shown).is_some() {
            tables += 1;
            continue;
        }
        let mut label = recorded.label.clone();
        let mut again = 1;
        while values.contains_key(&label) {
            again += 1;
            label = format!("{} #{again}", recorded.label);
        }
        values.insert(label, value(&recorded.shown));
    }
    let left_out = record.recorded.left_out;
    let mut text = "# Recorded values, exact and in SI units.\n".to_string();
    if tables > 0 {
        text.push_str(&format!("# {tables} lists of records are in the files table_NAME.csv.\n"));
    }
    if left_out > 0 {
        text.push_str(&format!("# {left_out} further values are in events.jsonl.gz only.\n"));
    }
    let mut file = Table::new();
    if !record.params.is_empty() {
        let params = record.params.iter().map(|(name, shown)| (name.to_string(), value(shown)));
        file.insert("params".to_string(), Value::Table(params.collect()));
    }
    file.insert("values".to_string(), Value::Table(values));
    text.push_str(&toml::to_string(&file)?);
    Ok(text)
}

/// The answers by question: a list where it was asked several times. None where nothing was asked.
pub(crate) fn answers(record: &Record) -> Result<Option<String>, toml::ser::Error> {
    let answered = &record.answers;
    if answered.items.is_empty() {
        return Ok(None);
    }
    let mut answers = Table::new();
    for one in &answered.items {
        let given = value(&one.shown);
        match answers.get_mut(&one.question) {
            Some(Value::Array(several)) => several.push(given),
            Some(first) => *first = Value::Array(vec![first.clone(), given]),
            None => {
                answers.insert(one.question.clone(), given);
            }
        }
    }
    let mut text = "# Answers of the operator, exact and in SI units; --answers takes this file.\n"
        .to_string();
    if answered.left_out > 0 {
        let more = answered.left_out;
        text.push_str(&format!("# {more} further answers are in events.jsonl.gz only.\n"));
    }
    text.push_str(&toml::to_string(&answers)?);
    Ok(Some(text))
}

/// A value as exact text, which scripts read.
fn value(shown: &Shown) -> Value {
    match shown {
        // A temperature in K would be read as a difference of temperatures.
        Shown::Quantity { value, asked: Some(asked), .. } if asked.is_absolute() => {
            Value::String(format!("{} {}", asked.from_si(*value), asked.text))
        }
        Shown::Quantity { value, unit, .. } => {
            let dimension = parse_unit(unit).map_or(Dimension::NUMBER, |unit| unit.dimension);
            Value::String(exact_text(*value, dimension))
        }
        Shown::Flag(flag) => Value::Boolean(*flag),
        Shown::Text(text) => Value::String(text.clone()),
        Shown::List(items) => Value::Array(items.iter().map(value).collect()),
        Shown::Record(fields) => {
            let fields = fields.iter().map(|(name, field)| (name.to_string(), value(field)));
            Value::Table(fields.collect())
        }
    }
}
