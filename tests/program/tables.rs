//! Tables: what a run records reads back equal, is there while the run goes on, and dirt is reported where
//! it stands before anything moves.

use crate::program::{json_lines, piped, recorded, shell, spintrue};
use crate::support::{Folder, names};
use std::fs;

/// Rows of every kind, with numbers that no unit writes in a few digits.
const ROWS: &str = r#"
let rows = [{
    serial: "=1+\"{k}\", äµ",
    at: k * 12.5 mm - 25 mm,
    height: 1 um * sqrt(k) / 3,
    padded: " 007 ",
    good: k mod 2 == 0,
    share: k * 10 %,
    warm: 20 degC + k * 0.1 K,
    place: {y: k * 1 deg / 7, x: k / 3},
    speed: k * 1 um / 7 s,
    empty: ""
} for k in 0..5]
"#;

#[test]
fn what_is_recorded_reads_back_equal() {
    let folder = Folder::new("tables-back");
    let told = "record \"rows, in mm\": rows\nrecord \"rows, in mm\": [rows[4]]\n";
    folder.file("out.spt", format!("param n = 2.5 mm\n{ROWS}{told}note \"{{n}}\"\n"));
    let ended = spintrue(&folder, &["run", "out.spt", "--record", "kept"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    let name = "table_rows__in_mm.csv";
    let text = folder.read(&format!("kept/{name}"));
    let header = "serial [text],at [mm],height [um],padded [text],good [flag],share [%],warm [degC],\
                  place.y [rad],place.x [1],speed [m/s],empty [text]";
    assert_eq!(text.lines().next().unwrap(), header, "{text}");
    assert_eq!(text.matches("\r\n").count(), 7, "{text}");
    let back = format!(
        "{ROWS}let back = table(\"kept/{name}\")\nexpect \"equal\": back == rows + [rows[4]]\n\
         expect \"in order\": back[4].place.x == rows[4].place.x and back[1].serial == rows[1].serial\n"
    );
    folder.file("back.spt", back);
    let ended = spintrue(&folder, &["run", "back.spt", "--record", "again"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    // The table is kept with the record, as all that the run rests on.
    let sources = recorded(folder.path("again/sources.json"));
    assert!(sources.contains(name), "{sources}");
    // Params are there with value and unit.
    let events = json_lines(&recorded(folder.path("kept/events.jsonl")));
    let params = events.iter().find(|event| event["event"] == "params").unwrap();
    assert_eq!(params["params"]["n"]["value"], 0.0025);
    assert_eq!(params["params"]["n"]["unit"], "m");
    let values = folder.read("kept/values.toml");
    assert!(values.contains("[params]\nn = \"0.0025 m\"\n"), "{values}");
}

#[test]
fn a_table_grows_while_the_script_runs_and_other_fields_begin_another() {
    let folder = Folder::new("tables-grow");
    let script = r#"
var rows: list of {b: length, a: number} = []
for k in 0..3 {
    rows = rows + [{b: k * 1 um, a: k}]
    record "row": [{b: k * 1 um, a: k}]
}
record "Row": rows
record "row": [{a: 1 s}]
record "none": [x for x in rows if x.a > 5]
record "plain": [1 mm]
fail "here"
"#;
    folder.file("grow.spt", script);
    let ended = spintrue(&folder, &["run", "grow.spt", "--record", "kept"]);
    assert_eq!(ended.code, Some(1), "{}{}", ended.out, ended.error);
    let tables: Vec<String> =
        names(folder.path("kept")).into_iter().filter(|n| n.starts_with("table")).collect();
    assert_eq!(tables, ["table_Row_2.csv", "table_row.csv", "table_row_3.csv"]);
    let read = |name: &str| folder.read(&format!("kept/{name}"));
    assert_eq!(read("table_row.csv"), "b [um],a [1]\r\n0,0\r\n1,1\r\n2,2\r\n");
    assert_eq!(read("table_Row_2.csv"), "b [um],a [1]\r\n0,0\r\n1,1\r\n2,2\r\n");
    let verified = spintrue(&folder, &["record", "verify", "kept"]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.out, verified.error);
}

/// Absent values, lists of numbers inside records, and what the language itself gives.
#[test]
fn absent_values_and_lists_read_back() {
    let folder = Folder::new("tables-absent");
    let rows = "let none = head_limits().length_trim\n\
                let rows = [{at: choose(k == 1, none * 1 mm, k * 1 mm), xs: [i * 2 um for i in 0..k], \
                temps: [20 degC + k * 1 K], inner: {ys: [none, k / 3]}} for k in 0..3]\n";
    let turns = "spin(3000 rpm)\nwait until locked() within 30 s\nlet seen = turns(3)\n";
    let told = "record \"rows\": rows\nrecord \"one\": [rows[0]]\nrecord \"one\": [rows[2]]\n\
                record \"turns\": seen\nrecord \"count\": count(seen)\n";
    folder.file("out.spt", format!("{rows}{turns}{told}"));
    let ended = spintrue(&folder, &["run", "out.spt", "--record", "kept"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    let head = "at [mm],xs [list of m],temps [list of degC],inner.ys [list of 1]\r\n";
    let text = folder.read("kept/table_rows.csv");
    assert!(text.starts_with(head), "{text}");
    assert!(text.contains("\r\nNaN,0,21,NaN 0.333"), "{text}");
    let back = format!(
        "{rows}let back = table(\"kept/table_rows.csv\")\nlet seen = table(\"kept/table_turns.csv\")\n\
         expect \"rows\": \"{{back}}\" == \"{{rows}}\"\n\
         expect \"lists\": back[2].xs == rows[2].xs and count(back[0].xs) == 0\n\
         expect \"turns\": count(seen) == 3 and count(seen[0].pulses) == 10\n\
         expect \"period\": seen[0].period within 19.9 ms .. 20.1 ms\n"
    );
    folder.file("back.spt", back);
    let ended = spintrue(&folder, &["run", "back.spt"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    folder.file("dirt.csv", "xs [list of um],at [mm]\n1 2,\n1 2mm 3,4\n1;2,4\n");
    folder.file("dirt.spt", "note \"{table(\"dirt.csv\")}\"\n");
    let ended = spintrue(&folder, &["check", "dirt.spt"]);
    for said in ["this cell is empty", "`2mm` has a unit of its own", "`1;2` is no number"] {
        assert!(ended.error.contains(said), "{said}: {}{}", ended.out, ended.error);
    }
}

/// Nothing moves where one cell is wrong; files that are no text, or too large, are refused.
#[test]
fn dirt_is_refused_before_anything_moves() {
    let folder = Folder::new("tables-dirt");
    folder.file(
        "run.spt",
        "let rows = table(\"rows.csv\")\nspin(3000 rpm)\nnote \"{count(rows)}\"\n",
    );
    let long = format!("at [mm]\n{}", "1\n".repeat(9_000_000));
    let wide = format!("{}\n", "a,".repeat(600_000));
    let cases: [(&[u8], &str); 6] = [
        (b"at [mm]\n1\n2,5\n", "rows.csv:3:3"),
        (b"at [mm]\n1\n\xff\n", "UTF-8"),
        (b"at [mm],at [um]\n1,2\n", "two columns `at`"),
        (b"", "empty"),
        (long.as_bytes(), "rows.csv"),
        (wide.as_bytes(), "rows.csv"),
    ];
    for (bytes, said) in cases {
        fs::write(folder.path("rows.csv"), bytes).unwrap();
        let ended = spintrue(&folder, &["run", "run.spt"]);
        assert_eq!(ended.code, Some(2), "{said}: {}{}", ended.out, ended.error);
        assert!(ended.error.contains(said) && ended.error.contains("E0522"), "{}", ended.error);
        assert!(!ended.out.contains("Summary"), "{}", ended.out);
        assert!(ended.error.len() < 20_000, "{}", ended.error.len());
    }
    fs::write(folder.path("rows.csv"), b"\xef\xbb\xbfat [mm]\r\n1\r\n2.5\r\n").unwrap();
    assert_eq!(spintrue(&folder, &["run", "run.spt"]).code, Some(0));
}

/// A table in a data sheet, as one of its own and by the name of a file beside the sheet.
#[test]
fn data_sheets_give_tables() {
    let folder = Folder::new("tables-sheet");
    let script = "param marks: list of {at: length, name: text}\nparam more = [{at: 1 mm}]\n\
                  expect \"marks\": count(marks) == 2 and marks[1].at == 5 mm and marks[0].name == \"left - end\"\n\
                  expect \"more\": count(more) == 2 and more[1].at == 2 um\n";
    folder.file("run.spt", script);
    fs::create_dir(folder.path("data")).unwrap();
    folder.file("data/more.csv", "at [um]\n1\n2\n");
    let sheet = "more = 'table(\"more.csv\")'\n[[marks]]\nat = \"1 mm\"\nname = \"left - end\"\n\
                 [[marks]]\nat = \"5 mm\"\nname = \"end\"\n";
    folder.file("data/sheet.toml", sheet);
    let ended = spintrue(&folder, &["run", "run.spt", "--set", "@data/sheet.toml"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
}

/// What a script wants drawn is drawn: in the report with its axes and limits, in the shell as text.
#[test]
fn recorded_lists_are_drawn() {
    let folder = Folder::new("tables-plots");
    let script = r#"
let rows = [{at: k * 10 mm, bow: k * 1 um, rest: 0.5 um * k} for k in 0..6]
record "bow", line, low -1 um, high 8 um: rows
record "shifts", points: [r.bow for r in rows]
record "by name", bars: [{name: "facet {k}", height: k * 1 um - 2 um} for k in 0..4]
record "spread", histogram, high 4 um: [r.bow for r in rows]
record "not drawn": rows
"#;
    folder.file("run.spt", script);
    let ended = spintrue(&folder, &["run", "run.spt", "--record", "kept"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    let page = folder.read("kept/report.html");
    assert_eq!(page.matches("<svg").count(), 5);
    for words in ["at in mm", "bow in µm", "rest in µm", "shifts in µm", "height in µm", "facet 3"]
    {
        assert!(page.contains(words), "{words}");
    }
    let of = |number: usize| page.split("</figure>").nth(number - 1).unwrap().to_string();
    assert!(of(1).contains("<polyline") && of(1).contains(">high<") && of(1).contains(">low<"));
    // The script's limits are those of the second field, and of what is like it.
    assert!(of(2).contains("<polyline") && of(2).contains(">high<"));
    let marks = |number: usize, class: &str| -> usize {
        let paths = of(number);
        let path = paths.split("<path d=\"").find(|path| path.contains(class)).unwrap();
        path.split('"').next().unwrap().matches('M').count()
    };
    assert_eq!(marks(3, "\"point\""), 6);
    assert_eq!(marks(4, "\"one full\""), 4);
    // Six values make three steps.
    assert_eq!(marks(5, "\"one full\""), 3);
    let events = json_lines(&recorded(folder.path("kept/events.jsonl")));
    let plots: Vec<_> = events.iter().filter(|event| !event["plot"].is_null()).collect();
    assert_eq!(plots.len(), 4);
    assert_eq!(
        (plots[0]["plot"]["as"].as_str(), plots[0]["plot"]["low"].as_f64()),
        (Some("line"), Some(-1e-6))
    );
    let typed = piped(shell(&folder, &[]), "record \"x\", bars: [1 um, 3 um, 2 um]\n");
    let rows: Vec<usize> =
        typed.out.lines().filter(|l| l.contains('#')).map(|l| l.matches('#').count()).collect();
    assert!(rows.len() == 3 && rows[0] < rows[2] && rows[2] < rows[1], "{}", typed.out);
}

/// Every row of a long table is held against the head before anything moves, and so is a cell that is no number.
#[test]
fn every_row_is_proved() {
    let folder = Folder::new("tables-proved");
    let rows = |count: usize, bad: usize, wrong: &str, good: &str| {
        let row = |at: usize| if at == bad { wrong } else { good };
        let rows = (0..count).map(row).collect::<Vec<&str>>().join("\n");
        format!("speed [rpm],facet [1]\n{rows}\n")
    };
    folder.file("long.csv", rows(5000, 4500, "9000,1", "3000,2"));
    folder.file("none.csv", rows(3, 1, "NaN,1", "3000,2"));
    folder.file("fine.csv", rows(5000, 4500, "5000,1", "3000,2"));
    for (name, code, told) in [
        ("long", 2, "polygon speed 9000 rpm is outside 600 rpm to 6000 rpm"),
        ("none", 2, "polygon speed no number is outside 600 rpm to 6000 rpm"),
        ("fine", 0, "no problems"),
    ] {
        let script =
            format!("let rows = table(\"{name}.csv\")\nfor r in rows {{ spin(r.speed) }}\n");
        folder.file("rows.spt", script);
        let ended = spintrue(&folder, &["check", "rows.spt"]);
        let all = format!("{}{}", ended.out, ended.error);
        assert_eq!(ended.code, Some(code), "{name}: {all}");
        assert!(all.contains(told), "{name}: {all}");
    }
}

/// In a run, what is no number is a mistake of the script and no failure of the head.
#[test]
fn no_number_is_the_mistake_of_the_script() {
    let folder = Folder::new("tables-no-number");
    folder.file("none.csv", "speed [rpm],at [mrad],t [s]\nNaN,NaN,NaN\n3000,1,1\n");
    for call in [
        "spin(row.speed)",
        "steer(row.at)",
        "wait row.t",
        "trims[0].in_scan = row.t\n    load(trims)",
    ] {
        // Which row it is becomes known in the run only.
        let script = format!(
            "var rows = table(\"none.csv\")\nvar trims = no_trims()\nvar k = 1\nif not locked() {{ k = 0 }}\n\
             let row = rows[k]\nif true {{\n    {call}\n}}\n"
        );
        folder.file("one.spt", script);
        let ended = spintrue(&folder, &["run", "one.spt"]);
        let all = format!("{}{}", ended.out, ended.error);
        assert_eq!(ended.code, Some(2), "{call}: {all}");
        assert!(all.contains("value: "), "{call}: {all}");
    }
}
