//! The results of a campaign for people, 80 columns wide, and for machines.

use crate::archive::decimals;
use crate::campaign::results::{Results, Row};
use crate::campaign::spread::{Spread, bars, share, spread};
use crate::record::NOT_REACHED;
use crate::terminal::{BOLD, DIM, GREEN, RED, styled, wrapped};
use serde_json::json;
use spintrue_head::{parse_unit, show_number};

/// Seeds that are named.
const NAMED: usize = 6;
/// What a head that passed is called.
const PASSED: &str = "passed";

/// How many passed of how many, and their share with the bounds between which it lies; no head has no share.
pub(crate) fn yielded(results: &Results) -> (u64, u64, Option<(f64, f64, f64)>) {
    let count = results.rows.len() as u64;
    let passed = results.rows.iter().filter(|row| row.verdict == PASSED).count() as u64;
    (passed, count, (count > 0).then(|| share(passed, count)))
}

/// What went wrong, and on which heads: most frequent first.
fn reasons(results: &Results) -> Vec<(String, Vec<u64>)> {
    let mut reasons: Vec<(String, Vec<u64>)> = Vec::new();
    let mut add = |reason: String, seed| match reasons.iter_mut().find(|(r, _)| *r == reason) {
        Some((_, seeds)) => seeds.push(seed),
        None => reasons.push((reason, vec![seed])),
    };
    for Row { seed, verdict, failure, unmet, .. } in &results.rows {
        if verdict == PASSED {
            continue;
        }
        // What was not reached is owed to the failure, where there was one.
        let groups = unmet.groups().into_iter();
        for (name, labels) in groups.filter(|(name, _)| failure.is_none() || *name != NOT_REACHED) {
            labels.iter().for_each(|label| add(format!("check {label}: {name}"), *seed));
        }
        match failure {
            // Numbers differ from head to head; what went wrong does not.
            Some(failure) => add(format!("{verdict}: {}", without_numbers(failure)), *seed),
            None if unmet.is_empty() => add(verdict.clone(), *seed),
            None => {}
        }
    }
    reasons.sort_by(|a, b| b.1.len().cmp(&a.1.len()).then(a.0.cmp(&b.0)));
    reasons
}

fn without_numbers(text: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        let next = chars.peek().is_some_and(char::is_ascii_digit);
        let number = c.is_ascii_digit() || (next && (c == '-' || (inside && c == '.')));
        if number && !inside {
            out.push('…');
        } else if !number {
            out.push(c);
        }
        inside = number;
    }
    out
}

fn seeds(all: &[u64]) -> String {
    let named: Vec<String> = all.iter().take(NAMED).map(u64::to_string).collect();
    let more = match all.len().saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{} {}{more}", if all.len() == 1 { "seed" } else { "seeds" }, named.join(", "))
}

fn spreads(results: &Results) -> Vec<(&str, &str, Spread)> {
    let columns = results.columns.iter().enumerate();
    let found = columns.filter_map(|(at, column)| {
        let value = |row: &Row| Some((row.values.get(at).copied().flatten()?, row.seed));
        let values: Vec<(f64, u64)> = results.rows.iter().filter_map(value).collect();
        let unit = column.shown_unit.as_deref().unwrap_or(&column.unit);
        Some((column.label.as_str(), unit, spread(&values)?))
    });
    found.collect()
}

pub(crate) fn text(results: &Results, colour: bool) -> String {
    let campaign = &results.campaign;
    let (passed, count, yielded) = yielded(results);
    let last = campaign.first_seed + (campaign.heads - 1);
    let mut text = format!(
        "{} on {count} simulated heads of {}\ndrawn from seeds {} to {last}\n",
        styled(&campaign.script, BOLD, colour),
        campaign.head,
        campaign.first_seed,
    );
    if !campaign.faults.is_empty() {
        let said = format!("each fails on purpose: {}", campaign.faults.join(", "));
        text.push_str(&wrapped(&said, "  "));
    }
    if results.parts.len() as u64 != campaign.shards {
        let parts: Vec<String> = results.parts.iter().map(u64::to_string).collect();
        text.push_str(&format!("shard {} of {}\n", parts.join(", "), campaign.shards));
    }
    if results.is_unknown() {
        let versions = results.versions.join(", ");
        text.push_str(&format!("versions of spintrue that made the results: {versions}\n"));
    }
    let Some((yielded, low, high)) = yielded else {
        return text + "\nno head was run, so there is no yield\n";
    };
    let percent = |share: f64| format!("{:.1} %", share * 100.0);
    let words = format!("{passed} of {count} passed: yield {}", percent(yielded));
    let style = if passed == count { GREEN } else { RED };
    text.push_str(&format!(
        "\n{}, between {} and {} at 95 % confidence\n",
        styled(&words, style, colour),
        percent(low),
        percent(high)
    ));
    let reasons = reasons(results);
    for (reason, heads) in &reasons {
        let words = wrapped(&format!("{:>6}  {reason}", heads.len()), "        ");
        text.push_str(&format!("{words}        {}\n", seeds(heads)));
    }
    for (label, unit, spread) in spreads(results) {
        text.push_str(&format!("\n{}", value(label, unit, &spread, colour)));
    }
    if let Some(seed) = reasons.first().and_then(|(_, heads)| heads.first()) {
        let set = campaign.settings.iter().map(|s| format!(" --set \"{s}\"")).collect::<String>();
        let head = match campaign.head.as_str() {
            "sim" => String::new(),
            head => format!(" --head {head}"),
        };
        text.push_str(&format!(
            "\nTo see one again: spintrue run {}{head}{set} --seed {seed}\n",
            campaign.script
        ));
    }
    text
}

fn value(label: &str, unit: &str, spread: &Spread, colour: bool) -> String {
    // Four digits of the spread are enough; a value that hardly moves keeps those that tell.
    let decimals = decimals(in_unit(spread.most.0, unit) - in_unit(spread.least.0, unit));
    let number = |value: f64| show_number(in_unit(value, unit), decimals);
    let unit_text = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let deviation = match spread.deviation {
        Some(deviation) => {
            let zero = in_unit(0.0, unit);
            format!(" ± {}", show_number(in_unit(deviation, unit) - zero, decimals))
        }
        None => String::new(),
    };
    if spread.least.0 == spread.most.0 {
        let same = format!("the same on all {} heads", spread.count);
        let label = styled(label, BOLD, colour);
        return format!("{label}  {}{unit_text}\n  {same}\n", number(spread.mean));
    }
    let [five, half, most] = spread.quantiles;
    format!(
        "{}  {}{deviation}{unit_text}\n  {} (seed {})  {}  {} (seed {})\n  {}\n",
        styled(label, BOLD, colour),
        number(spread.mean),
        number(spread.least.0),
        spread.least.1,
        bars(&spread.steps),
        number(spread.most.0),
        spread.most.1,
        styled(
            &format!(
                "5 % below {}, half below {}, 95 % below {}",
                number(five),
                number(half),
                number(most)
            ),
            DIM,
            colour
        ),
    )
}

pub(crate) fn json(results: &Results) -> String {
    let (passed, count, yielded) = yielded(results);
    let yielded = yielded.map(
        |(share, low, high)| json!({"share": share, "low": low, "high": high, "confidence": 0.95}),
    );
    let reasons: Vec<_> = reasons(results)
        .into_iter()
        .map(|(reason, seeds)| json!({"reason": reason, "count": seeds.len(), "seeds": seeds}))
        .collect();
    let values: Vec<_> = spreads(results)
        .into_iter()
        .map(|(label, unit, s)| {
            let si = parse_unit(unit).map_or_else(|_| String::new(), |unit| unit.dimension.si());
            json!({
                "label": label, "unit": si, "count": s.count, "mean": s.mean,
                "deviation": s.deviation,
                "least": {"value": s.least.0, "seed": s.least.1},
                "most": {"value": s.most.0, "seed": s.most.1},
                "below_5_percent": s.quantiles.first(), "median": s.quantiles.get(1),
                "below_95_percent": s.quantiles.get(2),
            })
        })
        .collect();
    let object = json!({
        "campaign": results.campaign, "shards_here": results.parts,
        "heads": count, "passed": passed,
        "yield": yielded, "versions": results.versions,
        "reasons": reasons, "values": values,
    });
    format!("{object}\n")
}

/// A value in SI, in a unit given by its text.
fn in_unit(value: f64, unit: &str) -> f64 {
    parse_unit(unit).map_or(value, |unit| unit.from_si(value))
}

#[cfg(test)]
mod tests {
    use super::without_numbers;

    #[test]
    fn numbers_are_left_out() {
        assert_eq!(
            without_numbers("facet 3: -1.25 um to 4e-3, no 7."),
            "facet …: … um to …e…, no …."
        );
    }
}
