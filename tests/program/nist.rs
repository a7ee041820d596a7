//! Built-ins against the certified values of NIST's Statistical Reference Datasets: a script holds
//! the data, the program runs it, and every digit of what it records is compared.

use crate::program::{json_lines, spintrue};
use crate::support::{Folder, root};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;

/// A set with its certified values, and how far off each may be, relative to it.
struct Certified {
    name: &'static str,
    values: Vec<String>,
    mean: f64,
    deviation: f64,
    autocorrelation: f64,
    /// Of s and the autocorrelation. Doubles cannot hold the data of the harder sets better.
    within: f64,
}

fn data(file: &str) -> Vec<String> {
    let path = root().join("tests/data/nist").join(file);
    fs::read_to_string(path).unwrap().lines().map(str::to_string).collect()
}

/// The first value, then 500 pairs around it.
fn generated(first: &str, low: &str, high: &str) -> Vec<String> {
    let pairs = (0..500).flat_map(|_| [low, high]);
    std::iter::once(first).chain(pairs).map(str::to_string).collect()
}

/// Certified values: NIST, Statistical Reference Datasets, univariate summary statistics.
fn univariate() -> Vec<Certified> {
    let set = |name, values: Vec<String>, [mean, deviation, autocorrelation]: [f64; 3], within| {
        Certified { name, values, mean, deviation, autocorrelation, within }
    };
    let numacc1 = ["10000001", "10000003", "10000002"].map(str::to_string).to_vec();
    let numacc2 = generated("1.2", "1.1", "1.3");
    let numacc3 = generated("1000000.2", "1000000.1", "1000000.3");
    let numacc4 = generated("10000000.2", "10000000.1", "10000000.3");
    vec![
        set("Lew", data("lew.txt"), [-177.435, 277.332168044316, -0.307304800605679], 4e-15),
        set(
            "Lottery",
            data("lottery.txt"),
            [518.958715596330, 291.699727470969, -0.120948622967393],
            4e-15,
        ),
        set("Mavro", data("mavro.txt"), [2.001856, 0.000429123454003053, 0.937989183438248], 1e-12),
        set(
            "Michelso",
            data("michelso.txt"),
            [299.8524, 0.0790105478190518, 0.535199668621283],
            1e-12,
        ),
        set("NumAcc1", numacc1, [10000002.0, 1.0, -0.5], 1e-15),
        set("NumAcc2", numacc2, [1.2, 0.1, -0.999], 1e-14),
        set("NumAcc3", numacc3, [1000000.2, 0.1, -0.999], 1e-9),
        set("NumAcc4", numacc4, [10000000.2, 0.1, -0.999], 1e-7),
    ]
}

/// What a script records, by name.
fn recorded(name: &str, script: &str) -> BTreeMap<String, Value> {
    let folder = Folder::new("nist");
    folder.file("data.spt", script);
    let ended = spintrue(&folder, &["run", "data.spt", "--json"]);
    assert_eq!(ended.code, Some(0), "{name}: {}", ended.all());
    let events = json_lines(&ended.out).into_iter().filter(|event| event["event"] == "recorded");
    events.map(|e| (e["name"].as_str().unwrap().to_string(), e["value"].clone())).collect()
}

fn check(set: &str, what: &str, seen: &Value, should: f64, within: f64) {
    let seen = seen["value"].as_f64().unwrap();
    let off = (seen / should - 1.0).abs();
    assert!(off <= within, "{set}: {what} is {seen}, certified {should}: off by {off:e}");
}

#[test]
fn univariate_summaries() {
    let counts = [200, 218, 50, 100, 3, 1001, 1001, 1001];
    for (set, count) in univariate().into_iter().zip(counts) {
        assert_eq!(set.values.len(), count, "{}", set.name);
        let script = format!(
            "let xs = [{}]\nrecord \"mean\": mean(xs)\nrecord \"s\": deviation(xs)\n\
             record \"r\": autocorrelation(xs)\n",
            set.values.join(", ")
        );
        let seen = recorded(set.name, &script);
        check(set.name, "mean", &seen["mean"], set.mean, 4e-15);
        check(set.name, "s", &seen["s"], set.deviation, set.within);
        check(set.name, "r", &seen["r"], set.autocorrelation, set.within);
    }
}

/// Certified values: NIST, Statistical Reference Datasets, linear regression, Norris.
#[test]
fn a_straight_line() {
    let points = data("norris.txt");
    assert_eq!(points.len(), 36);
    let column = |index: usize| {
        let column = points.iter().map(|point| point.split(' ').nth(index).unwrap());
        column.collect::<Vec<_>>().join(", ")
    };
    let script = format!("record \"line\": linear_fit([{}], [{}])\n", column(1), column(0));
    let line = &recorded("Norris", &script)["line"];
    for (field, should) in [
        ("intercept", -0.262323073774029),
        ("intercept_u", 0.232818234301152),
        ("slope", 1.00211681802045),
        ("slope_u", 0.429796848199937E-03),
        ("residual", 0.884796396144373),
    ] {
        check("Norris", field, &line[field], should, 1e-12);
    }
}
