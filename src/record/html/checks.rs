//! Whether the head may ship, and the checks that say so: those that do not conform first.

use crate::paper::typeset;
use crate::paper::{Head, left_out, section, table_of};
use crate::record::checks::CheckRow;
use crate::record::data::{End, Identity, Record};
use maud::{Markup, html};
use spintrue_language::{Finished, Outcome, Verdict};

/// Most checks that are shown.
const MAX_ROWS: usize = 2_000;

/// The result in a box at the top.
pub(super) fn result(record: &Record, end: &End<'_>) -> Markup {
    let verdict = end.finished.verdict();
    let Finished { conforming, failing, undecided, unreached, failure, safe, .. } = end.finished;
    let unreached = unreached.len();
    let all = conforming + failing + undecided + unreached;
    let style = match verdict {
        Verdict::Passed => "verdict good",
        Verdict::Interrupted | Verdict::Undecided | Verdict::Unanswered => "verdict open",
        _ => "verdict bad",
    };
    html! {
        div class=(style) role="status" {
            strong { (verdict.text()) }
            span.ship { (ship(&record.identity, verdict, all)) }
            @if all > 0 {
                span {
                    (conforming) " of " (all) " checks " (if *conforming == 1 { "conforms" } else { "conform" })
                    @if *failing > 0 { ", " (failing) (if *failing == 1 { " does not" } else { " do not" }) }
                    @if *undecided > 0 { ", " (undecided) " undecided" }
                    @if unreached > 0 { ", " (unreached) " not reached" }
                    "."
                }
            }
            @if let Some(failure) = failure {
                span { "Ended early (" (failure.kind.text().replace('_', " ")) "): " (typeset::text(&failure.message)) }
                span.code {
                    "at " (end.place)
                    @for call in &end.calls { ", called at " (call) }
                }
            }
            span { "Left with " (end.left()) "." }
            @for trouble in &safe.troubles { span { (typeset::text(trouble)) } }
        }
    }
}

/// Whether the head may ship, as far as this run tells.
fn ship(identity: &Identity, verdict: Verdict, checks: usize) -> String {
    let is_head = !identity.simulated && !identity.replay && identity.faults.is_empty();
    match verdict {
        Verdict::Passed if checks == 0 => {
            "Nothing was checked, so nothing says that the head may ship.".to_string()
        }
        Verdict::Passed if is_head => {
            format!("The head may ship, by the checks of {}.", identity.script)
        }
        Verdict::Passed => {
            "No real head was measured, so none may ship by this record.".to_string()
        }
        Verdict::Failed => "The head must not ship.".to_string(),
        Verdict::Undecided => "The head must not ship: not every check was decided.".to_string(),
        Verdict::Interrupted => {
            "The head must not ship: the run was stopped before its end.".to_string()
        }
        Verdict::Unanswered => {
            "The head must not ship: an answer or a scan is missing.".to_string()
        }
        Verdict::HeadFailed => {
            "The head must not ship: it failed before the run was over.".to_string()
        }
        Verdict::ScriptWrong => {
            "The head must not ship: the script itself failed, so it was not judged.".to_string()
        }
    }
}

/// Checks of one outcome: their sign and words, which say it without colour, and their style.
struct Group<'a> {
    title: &'static str,
    style: &'static str,
    rows: Vec<&'a CheckRow>,
}

/// All groups, worst first.
fn groups(rows: &[CheckRow]) -> [Group<'_>; 4] {
    let group = |title, style, is_in: fn(&CheckRow) -> bool| Group {
        title,
        style,
        rows: rows.iter().filter(|row| is_in(row)).collect(),
    };
    [
        group("\u{2717} does not conform", "bad", |row| row.outcome == Outcome::Fails),
        group("? undecided", "open", |row| {
            row.outcome == Outcome::Undecided && !row.is_unreached()
        }),
        group("\u{2013} not reached", "open", CheckRow::is_unreached),
        group("\u{2713} conforms", "good", |row| row.outcome == Outcome::Conforms),
    ]
}

/// The table of checks.
pub(super) fn checks(record: &Record, end: &End<'_>) -> Markup {
    let all = &record.checks.items;
    let rule = |check: &CheckRow| {
        let rule = check.fact("rule")?;
        // A budget tells its own factor.
        Some(match check.fact("budget") {
            Some(_) => {
                format!("{rule}, which the budget of the check expands to 95 %")
            }
            None => format!("{rule}, k = {}", fact(check, "coverage")),
        })
    };
    // The rule of most checks stands below the table, any other beside its check.
    let usual = all.iter().find_map(rule);
    let heads = [
        Head::Text("check"),
        Head::Number("value"),
        Head::Text("limit"),
        Head::Number("margin"),
        Head::Number("probability"),
        Head::Number("head time in s"),
    ];
    let mut room = MAX_ROWS;
    let groups = groups(all);
    let groups = groups.iter().filter(|group| !group.rows.is_empty()).map(|group| {
        let shown = group.rows.iter().take(room);
        let is_unreached = group.rows.iter().any(|row| row.is_unreached());
        let body = html! { tbody {
            tr { th.(group.style).group scope="rowgroup" colspan=(heads.len()) {
                (group.title) ": " (group.rows.len())
            } }
            @if is_unreached {
                tr { td colspan=(heads.len()) {
                    (shown.map(|row| typeset::text(&row.label).into_owned()).collect::<Vec<_>>().join(" · "))
                } }
            } @else {
                @for check in shown { (row(check, rule(check).filter(|_| rule(check) != usual))) }
            }
        } };
        room = room.saturating_sub(group.rows.len());
        body
    });
    let bodies: Vec<Markup> = groups.collect();
    let hidden = all.len().saturating_sub(MAX_ROWS) + record.checks.left_out;
    let content = html! {
        @if all.is_empty() { p { "The script checked nothing." } }
        @else { (table_of("of checks", Some("checks"), &heads, &html! { @for body in &bodies { (body) } })) }
        @if let Some(usual) = &usual {
            p.soft { "Decision rule, unless another stands beside a check: " (usual) "." }
        }
        p.soft {
            "The margin is the distance from the value to the acceptance limit, which is the limit less the "
            "guard band of the rule. A check conforms if its margin is 0 or more. The probability is that of "
            "conformance. A check that is undecided or was not reached does not conform."
        }
        (left_out(hidden, "checks", "events.jsonl.gz"))
        @let [_, failing, undecided] = end.left_out(&record.checks);
        @if failing + undecided > 0 {
            p.bad { "Among them, " (failing) " do not conform and " (undecided) " are undecided." }
        }
    };
    section("checks", "Checks", &content)
}

fn fact(check: &CheckRow, name: &str) -> String {
    typeset::text(check.fact(name).unwrap_or_default()).into_owned()
}

fn row(check: &CheckRow, rule: Option<String>) -> Markup {
    let ends = ["low", "high"].map(|end| check.fact(end).and_then(|end| end.get(3..)));
    let limits = match (check.limits(), ends) {
        (both, [Some(low), Some(high)]) if both.contains(">= ") && both.contains("<= ") => {
            format!("{low}\nto {high}")
        }
        (limits, _) => limits,
    };
    // Each end stays on one line.
    let limits = typeset::text(&limits).replace(' ', "\u{a0}").replace('\n', " ");
    let value = match check.measured {
        Some(_) => typeset::text(&check.measured()).into_owned(),
        None => String::new(),
    };
    html! { tr {
        th scope="row" {
            (typeset::text(&check.label))
            div.code.soft.condition { (fact_code(check)) }
            @if let Some(rule) = rule { div.small.soft { (rule) } }
            @if check.fact("budget").is_some() {
                div.small.soft { "k = " (fact(check, "coverage")) "; " (fact(check, "budget")) }
            }
        }
        td { (value) }
        td { (limits) }
        td { (fact(check, "margin")) }
        td { (fact(check, "probability")) }
        td { (format!("{:.3}", check.time)) }
    } }
}

/// The condition as the script has it, which is input, without what its lines were broken for.
fn fact_code(check: &CheckRow) -> String {
    let condition = check.fact("condition").unwrap_or_default();
    [("( ", "("), ("[ ", "["), (", )", ")"), (", ]", "]")]
        .into_iter()
        .fold(condition.to_string(), |text, (broken, whole)| text.replace(broken, whole))
}

/// Who answers for it, on paper.
pub(super) fn signatures(operator: Option<&str>) -> Markup {
    let lines = [("Tested by", operator.unwrap_or_default()), ("Released by", "")];
    html! {
        dl.signatures { @for (role, name) in lines {
            dt { (role) } dd { (name) } dt { "Date" } dd {} dt { "Signature" } dd {}
        } }
    }
}
