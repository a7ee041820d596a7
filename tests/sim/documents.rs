//! Tables of the pages that are made from the tables of the simulated head.

use crate::support::{root, table_of_page};
use spintrue_head::{FAULTS, Head};
use spintrue_sim::open;
use std::fs;

/// With `INSTA_UPDATE=always` the page is written anew.
#[test]
fn the_page_of_faults_is_the_table() {
    let mut table = String::from(
        "\n| fault | key of its own | what it does | how a routine notices it |\n| --- | --- | --- | --- |\n",
    );
    for kind in FAULTS {
        let key = kind.key().map_or("–".to_string(), |key| format!("`{key}`"));
        table.push_str(&format!(
            "| `{}` | {key} | {} | {} |\n",
            kind.name,
            kind.does(),
            kind.symptom()
        ));
    }
    table_of_page("docs/simulated-head.md", "faults", &format!("{table}\n"));
}

/// The page of heads tells every key of a description, and none that is not there.
#[test]
fn the_page_of_heads_names_every_key() {
    /// Keys that have keys of their own, where the page speaks of those as `outer.inner`.
    const OUTER: [&str; 8] = [
        "detector",
        "clock",
        "in_scan_trim",
        "cross_scan_trim",
        "power_trim",
        "length_trim",
        "linearity",
        "times",
    ];

    let page = fs::read_to_string(root().join("docs/heads.md")).unwrap();
    let (_, rest) = page.split_once("<!-- description -->\n").unwrap();
    let (table, _) = rest.split_once("<!-- end of description -->").unwrap();
    let mut told = Vec::new();
    for row in table.lines().skip(2) {
        let mut last = String::new();
        for word in row.split('|').nth(1).unwrap().split('`').skip(1).step_by(2) {
            // `.range` behind `in_scan_trim.step` belongs to the same register.
            let outer = last.split('.').next().unwrap_or("").to_string();
            last = if word.starts_with('.') { outer + word } else { word.to_string() };
            told.push(last.clone());
        }
    }
    let station = fs::read_to_string(root().join("scripts/heads/ten_with_station.toml")).unwrap();
    // With the trims and the detector that not every head has.
    let optional = "\n[trims]\npower_range = 0.5\nlength_range = 0.01\nlinearity_range = 0.1\n\
                    [start_of_scan]\nsource = 'beam'\n";
    let (mut head, _) = open(Some(("station", &(station + optional))), 1).unwrap();
    let mut description = head.describe().unwrap();
    // What may be left out is left out of a head that has none.
    description.times.station_most = 1.0;
    let description = serde_json::to_value(description).unwrap();
    let mut keys = Vec::new();
    for (key, value) in description.as_object().unwrap() {
        match value.as_object() {
            Some(inner) if OUTER.contains(&key.as_str()) => {
                keys.extend(inner.keys().map(|inner| format!("{key}.{inner}")));
            }
            _ => keys.push(key.clone()),
        }
    }
    told.sort();
    keys.sort();
    assert_eq!(told, keys, "docs/heads.md, left, and the description, right");
}
