//! `head describe`: what a head says of itself, for people at 80 columns and for machines.

use crate::error::Error;
use crate::project::head_at;
use crate::setup::Fixtures;
use crate::terminal::facts::{Content, facts, groups};
use crate::terminal::show;
use crate::terminal::{BOLD, colour_output, styled};
use clap::Args;
use serde_json::{Map, Value, json};
use spintrue_head::{Description, visible_line};

#[derive(Args)]
pub(crate) struct Options {
    /// Address of the head, such as sim or sim:FILE.toml
    #[arg(default_value = "sim", value_parser = head_at)]
    address: String,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Print one JSON object, in SI units
    #[arg(long)]
    json: bool,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let head = options.fixtures.describe(&options.address)?.head;
    show(options.json, &as_json(&head), &as_text(&head));
    Ok(0)
}

fn as_text(head: &Description) -> String {
    let colour = colour_output();
    let what = if head.simulated { "simulated" } else { "real" };
    let (model, serial) = (visible_line(&head.model), visible_line(&head.serial));
    let mut text = format!("{}\nserial number {serial}, {what}\n", styled(&model, BOLD, colour));
    for (name, rows) in facts(head) {
        text.push_str(&format!("\n{}\n", styled(&name, BOLD, colour)));
        for (words, value) in rows {
            text.push_str(&format!("  {words:<32}  {value}\n"));
        }
    }
    text
}

fn as_json(head: &Description) -> Value {
    let mut object = Map::new();
    let mut add = |name: &str, value: Value| drop(object.insert(name.to_string(), value));
    add("model", json!(head.model));
    add("serial", json!(head.serial));
    add("simulated", json!(head.simulated));
    for (name, rows) in groups(head) {
        let rows = rows.iter().map(|(key, _, value)| {
            let value = match value {
                Content::Text(text) => json!(text),
                Content::Count(count) => json!(count),
                Content::Quantity(value, dimension, _) => {
                    json!({"value": value, "unit": dimension.si()})
                }
            };
            (key.to_string(), value)
        });
        add(&name.replace(' ', "_"), Value::Object(rows.collect()));
    }
    let rails = head.rails.iter().map(|rail| {
        json!({
            "name": rail.name,
            "nominal": {"value": rail.nominal, "unit": "V"},
            "tolerance": {"value": rail.tolerance, "unit": ""},
        })
    });
    add("power_rails", rails.collect());
    if !head.signals.is_empty() {
        add("signals", json!(head.signals));
    }
    if !head.channels.is_empty() {
        let channels = head.channels.iter().map(|channel| {
            let unit = channel.unit().map_or_else(String::new, |unit| unit.dimension.si());
            let quantity = |value: f64| json!({"value": value, "unit": unit});
            let mut object = json!({
                "name": channel.name,
                "direction": channel.direction,
                "shown_in": channel.unit,
                "least": quantity(channel.least),
                "most": quantity(channel.most),
                "under_light": channel.under_light,
            });
            if let (Some(at_safe), Some(object)) = (channel.at_safe, object.as_object_mut()) {
                object.insert("at_safe".to_string(), quantity(at_safe));
            }
            object
        });
        add("channels", channels.collect());
    }
    Value::Object(object)
}
