//! Numbers, flags, texts, lists and records.

use super::run;
use spintrue_language::FailureKind;

/// Variables whose values the checker does not know.
const VARIABLES: &str = "var zero = 1\nzero = zero - 1\nvar big = 1e300\nbig = big * big\n\
                         var xs = [1, 2]\nvar two = 2 + zero\nvar rows = [[1, 2], [3]]\n\
                         var deep = {rows: [{xs: [1], y: 4}, {xs: xs, y: 5}]}\n";

#[test]
fn numbers_without_a_result_fail() {
    for (number, message) in [
        ("1 / zero", "division by zero"),
        ("zero / zero", "division by zero"),
        ("1 mod zero", "division by zero"),
        ("big mod 2", "infinite mod 2 has no result"),
        ("zero ^ -1", "division by zero"),
        ("sqrt(zero - 4)", "sqrt(-4) has no result"),
        ("exp(1000 + zero)", "exp(1000) has no result"),
        ("xs[two]", "index 2 is past the end of a list of 2"),
        ("xs[two + 10]", "index 12 is past the end of a list of 2"),
        ("xs[two * 4e9]", "index 8000000000 is past the end of a list of 2"),
        ("xs[two / 4]", "index 0.5 is not a whole number"),
        ("xs[two - 3]", "index -1 is negative"),
        ("xs[big - big]", "index no number is not a whole number"),
        ("rows[two][0]", "index 2 is past the end of a list of 2"),
        ("rows[1][two - 1]", "index 1 is past the end of a list of 1"),
        ("rows[zero][two * 3]", "index 6 is past the end of a list of 2"),
        ("rows[1 / zero][two]", "division by zero"),
        ("[xs, xs][two - 1][two]", "index 2 is past the end of a list of 2"),
        ("count(rows[two + 1])", "index 3 is past the end of a list of 2"),
        ("deep.rows[zero].xs[two]", "index 2 is past the end of a list of 1"),
    ] {
        let ran = run(&format!("{VARIABLES}let _x = {number}\n"));
        ran.fails(FailureKind::Value, message);
        let place = ran.prepared.sources.slice(ran.failure().place);
        assert!(number.contains(place) && !place.is_empty(), "{number}: {place}");
    }
}

#[test]
fn numbers_come_out_right() {
    for (number, shown) in [
        ("(5 + two) mod 3", "1"),
        ("(-9 + two) mod 3", "2"),
        ("(5 + two) mod -3", "-2"),
        ("(-9 + two) mod -3", "-1"),
        ("(4 + two) mod -3", "0"),
        ("two ^ 10", "1024"),
        ("two ^ -2", "0.25"),
        ("(-5 + two) ^ 3", "-27"),
        ("zero ^ 0", "1"),
        ("-(1 + two)", "-3"),
        ("xs[two - 1]", "2"),
        ("4294967297 mod two", "1"),
        ("(two * 8403.5 * 2147483646) mod 2147483647", "2147466840"),
        ("(two ^ 60 + two ^ 10) mod 7", "3"),
        ("-two mod 9007199254740992", "9007199254740990"),
        ("7.5 mod two", "1.5"),
        ("rows[1][zero] + rows[zero][1]", "5"),
        ("rows[xs[two - 1] - two][two / 2]", "2"),
        ("deep.rows[1].xs[two - 1] + deep.rows[xs[0]].y", "7"),
        ("[rows, rows][1][zero][1]", "2"),
        ("count(rows) + count(rows[1]) + count(deep.rows[zero].xs)", "4"),
        ("sum(rows[zero])", "3"),
    ] {
        run(&format!("{VARIABLES}note \"{{{number}}}\"\n")).says(&[shown]);
    }
}

#[test]
fn flags_come_out_right() {
    for (flag, expected) in [
        ("two == 2", true),
        ("two != 2", false),
        ("two <= 2", true),
        ("two > 2", false),
        ("two + zero >= 2", true),
        // No number compares with nothing.
        ("big - big >= 1", false),
        ("two - 1 within 1 .. 2", true),
        ("two within 1 .. 2", true),
        ("two + 0.1 within 1 .. 2", false),
        ("not (two == 2)", false),
        // What comes after the decision is not looked at.
        ("two == 1 and 1 / zero < 1", false),
        ("two == 2 or 1 / zero < 1", true),
        ("(two == 2) != (two == 1)", true),
        ("xs == [1, two]", true),
        ("xs == [1]", false),
        ("\"a{two}\" != \"a2\"", false),
        ("rows[0] == [1, two]", true),
        ("[two == 2, two == 3][zero]", true),
        ("not [two == 2, two == 3][zero] or [false, two == 3][1]", false),
        ("[two == 2][zero] == [two == 3][zero]", false),
    ] {
        let branch = format!("if {flag} {{ note \"true\" }} else {{ note \"false\" }}");
        let shown = expected.to_string();
        let ran = run(&format!("{VARIABLES}let seen = {flag}\nnote \"{{seen}}\"\n{branch}\n"));
        ran.says(&[&shown, &shown]);
    }
}

#[test]
fn copies_do_not_see_later_changes() {
    let script = r#"
var xs = [1, 2]
var ys = xs
xs[0] = 9
note "{xs} {ys}"
// The same list twice in a list: writing into one leaves the other.
var both = [xs, xs]
let before = both
both[0][1] = 7
note "{both[0]} {both[1]} {before[0]}"
// Growing, also by itself.
ys = ys + ys
let kept = ys
ys = ys + [5]
note "{ys} {kept}"
"#;
    run(script).says(&["[9, 2] [1, 2]", "[9, 7] [9, 2] [9, 2]", "[1, 2, 1, 2, 5] [1, 2, 1, 2]"]);
}

#[test]
fn what_grows_or_is_written_to_in_place_is_seen_by_no_copy() {
    let script = r#"
var rows = [[1, 2], [3, 4]]
let before = rows
let second = rows[1]
var k = 1
rows[k][k - 1] = rows[0][k] * 10
rows[0] = rows[1]
rows[0][1] = 7
note "{rows} {before} {second}"
rows = rows + [[count(rows)], rows[0]]
rows[3][0] = 0
note "{rows}"
var flags = [[false, true]]
let old = flags
flags[0][0] = flags[0][1]
flags[0][1] = k == 2
note "{flags} {old}"
var text = "a"
let first = text
text = text + "b{text}" + text
text = "{text}|{k}"
note "{text} {first}"
routine doubled(given: list of number) -> list of number {
    var own = given
    own = own + [given[0], count(own)]
    own[0] = 5
    return own
}
let given = [1, 2]
note "{doubled(given)} {given} {doubled(doubled(given))}"
let held = {names: "x", rows: [[1], [2]]}
var grown = held
grown.names = grown.names + "y{k}"
grown.rows[k] = grown.rows[k] + [k, count(grown.rows[k])]
grown.rows[k - 1] = grown.rows[k] + [0]
note "{grown} {held}"
try {
    grown.rows[k + 1] = grown.rows[k + 1] + [1]
} catch problem {
    note problem.message
}
try {
    text = text + "{1 / (k - 1)}"
} catch problem {
    text = text + problem.message
}
note text
"#;
    run(script).says(&[
        "[[20, 7], [20, 4]] [[1, 2], [3, 4]] [3, 4]",
        "[[20, 7], [20, 4], [2], [0, 7]]",
        "[[true, false]] [[false, true]]",
        "abaa|1 a",
        "[5, 2, 1, 2] [1, 2] [5, 2, 1, 2, 5, 4]",
        "{names: xy1, rows: [[2, 1, 1, 0], [2, 1, 1]]} {names: x, rows: [[1], [2]]}",
        "index 2 is past the end of a list of 2",
        "abaa|1division by zero",
    ]);
}

#[test]
fn records_lie_spread_out_in_lists() {
    let script = r#"
var all = [{name: "a", x: 1, y: 10}, {name: "b", x: 2, y: 20}]
note "{all[1].y}"
let second = all[1]
all[0] = second
note "{all[0].x}"
all[1].x = 77
note "{second.x}"
var last = second
for one in all {
    note "{one.x} {one.name}"
    last = one
}
note "{last.x}"
var k = 2
all[k].x = 1
"#;
    let ran = run(script);
    assert_eq!(ran.notes(), ["20", "2", "2", "2 b", "77 b", "77"]);
    ran.fails_at(FailureKind::Value, "index 2 is past the end of a list of 2", "all[k]");
}

#[test]
fn lists_and_texts_are_made() {
    let script = r#"
var two = 2
note "{[x * x for x in 0..6 if x mod two == 0]}"
var ends = [0.5, 3]
note "{[x for x in ends[0]..ends[1]]} {[x for x in ends[1]..0]}"
let range = 0..5
note "{[1] + [two, 3]} {"ab" + "c{two}"} {count(range)}"
"#;
    run(script).says(&["[0, 4, 16]", "[0.5, 1.5, 2.5] []", "[1, 2, 3] abc2 5"]);
}
