//! What a record keeps of looks: its events and the recording of the same run hold the same calls, but for
//! looks that decided nothing, and these are counted.

use crate::program::{Ended, at_root, json_lines, recorded};
use crate::support::Folder;
use serde_json::Value;

/// The calls of a run as its record and its recording have them, and the last event.
struct Run {
    kept: Vec<Value>,
    all: Vec<Value>,
    end: Value,
}

fn is_of_line(call: &Value) -> bool {
    ["expose", "measure"].iter().any(|name| call["name"] == *name)
}

impl Run {
    fn of(name: &str, script: &str, more: &[&str], code: i32) -> Run {
        let folder = Folder::new(&format!("looks-{name}"));
        let script = folder.named("s.spt", script);
        let (record, trace) = (folder.path("record"), folder.path("run.trace"));
        let run = ["run", &script, "--record", &record, "--trace", &trace];
        let ended: Ended = at_root(&[&run[..], more].concat());
        assert_eq!(ended.code, Some(code), "{name}: {}", ended.all());
        // Test lines stand in lines.csv.
        let call = |line: &Value| {
            let call = line.get("call").filter(|call| !is_of_line(call))?;
            let time = (line["time"].as_f64().unwrap() * 1e6).round() / 1e6;
            Some(serde_json::json!([time, call, line["reply"]]))
        };
        let events = json_lines(&recorded(format!("{record}/events.jsonl")));
        let times: Vec<f64> = events.iter().filter_map(|event| event["time"].as_f64()).collect();
        assert!(times.is_sorted(), "head time goes back");
        let trace = json_lines(&at_root(&["head", "trace", &trace, "--json"]).out);
        let rows = recorded(format!("{record}/lines.csv"));
        let read = trace.iter().filter(|line| line["reply"]["reading"].is_object()).count();
        assert_eq!(rows.lines().count(), read + 1);
        Run {
            kept: events.iter().filter_map(call).collect(),
            all: trace.iter().filter_map(call).collect(),
            end: events.last().unwrap().clone(),
        }
    }

    /// Every call that was kept was made, in this order, and the rest is counted; how many that are.
    fn left_out(&self) -> usize {
        let mut all = self.all.iter();
        for kept in &self.kept {
            assert!(all.any(|call| call == kept), "{kept}");
        }
        let left_out = self.end["looks_left_out"].as_u64().unwrap() as usize;
        assert_eq!(self.kept.len() + left_out, self.all.len());
        left_out
    }

    /// Whether all calls of a kind were kept.
    fn has_all(&self, name: &str, counted: Option<u64>) -> bool {
        let of = |calls: &[Value]| {
            let is_one = |call: &&Value| {
                call[1]["name"] == name && counted.is_none_or(|count| call[1]["count"] == count)
            };
            calls.iter().filter(is_one).count()
        };
        assert!(of(&self.all) > 0, "{name}");
        of(&self.kept) == of(&self.all)
    }
}

#[test]
fn looks_that_decide_nothing_are_left_out() {
    let script = "let plan = plan_line(3000 rpm, length: 100 mm, resolution: 300 dpi)
spin(3000 rpm)
wait until locked() within 20 s
hold locked(), interlock_closed() every 10 ms {
    wait 5 s
    wait until turns(2)[0].period > 5 s within 2 s every 100 ms else { note \"over\" }
}
record \"periods\": [turn.period for turn in turns(3)]
let supply = [rails()[0].measured for k in 0 .. 20]
record \"supply\": mean(supply)
arm at 10 % {
    record \"line\": test_line(0, plan).in_scan
}
";
    let run = Run::of("plain", script, &[], 0);
    let left_out = run.left_out();
    assert!(left_out > run.kept.len(), "{left_out} of {}", run.all.len());
    // What the script read itself is there, whole.
    for (name, counted) in [("turns", Some(3)), ("spin", None)] {
        assert!(run.has_all(name, counted), "{name}");
    }
    assert!(!run.has_all("turns", Some(2)));
    let read = |calls: &[Value]| {
        let from = calls.iter().position(|call| call[1]["count"] == 3).unwrap();
        let to = calls.iter().position(|call| call[1]["name"] == "arm").unwrap();
        calls[from..to].to_vec()
    };
    assert_eq!(read(&run.kept), read(&run.all));
    assert!(read(&run.all).len() > 20);
    // The look at which lock came.
    let locked = |calls: &[Value]| {
        calls.iter().find(|call| call[2]["status"]["locked"] == true).unwrap().clone()
    };
    assert_eq!(locked(&run.kept), locked(&run.all));
}

/// The looks that ended a run are kept: a wait that gave up, a condition that no longer held, a fault.
#[test]
fn looks_that_end_a_run_are_kept() {
    let last_before = |calls: &[Value], name: &str| {
        let at = calls.iter().position(|call| call[1]["name"] == name).unwrap();
        calls[at - 1].clone()
    };
    let gave_up = "spin(3000 rpm)\nwait until locked() within 20 s\nwait until turns(2)[0].period > 5 s within 2 s every 100 ms\n";
    let unheld = "spin(3000 rpm)\nwait until locked() within 20 s
hold rails()[1].measured > 22 V every 10 ms {\n    wait 20 s\n}\n";
    let cases = [
        ("gave-up", gave_up, &[][..], 3),
        ("unheld", unheld, &["--fault", "rail_low(rail=drive)@12 s"], 3),
        (
            "fault",
            "spin(3000 rpm)\nwait until locked() within 20 s\nwait until turns(2)[0].period > 5 s within 20 s\n",
            &["--fault", "index_missing@12 s"],
            3,
        ),
    ];
    for (name, script, more, code) in cases {
        let run = Run::of(name, script, more, code);
        run.left_out();
        assert_eq!(last_before(&run.kept, "disarm"), last_before(&run.all, "disarm"), "{name}");
    }
}
