//! `answers.toml`: the answers of the operator in the form that `--answers` takes, so that a run can be
//! repeated with them.

use crate::record::data::Record;
use crate::record::values::value;
use toml::{Table, Value};

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
        text.push_str(&format!("# {more} further answers are in events.jsonl only.\n"));
    }
    text.push_str(&toml::to_string(&answers)?);
    Ok(Some(text))
}
