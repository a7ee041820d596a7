//! What surely fails on a head is told before anything moves, in the words in which the run would fail; what may go
//! well is not.

use crate::inside::{Events, Sources};
use crate::support::{root, scripts};
use spintrue_head::{Bitmap, Head, Rig};
use spintrue_language::{
    Diagnostic, Images, Prepared, Severity, Station, prepare, prove, run_program,
};
use spintrue_sim::{SimGauge, SimHead, open};
use std::fs;
use std::rc::Rc;
use std::sync::Arc;

const READY: &str = "spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
";

/// 32 dots wide and 2 lines long.
fn image() -> Vec<u8> {
    let mut image = b"P4\n32 2\n".to_vec();
    image.extend([0xAA; 8]);
    image
}

fn prepared(script: &str) -> Prepared {
    let prepared = prepare(&mut Sources::with_image(script, image()), "script.spt", &[]).unwrap();
    assert_eq!(prepared.errors(), 0, "{script}\n{:?}", prepared.diagnostics);
    prepared
}

/// A head of `scripts/heads` by its name, or the built-in one.
fn head_of(name: &str) -> (SimHead, SimGauge) {
    let path = root().join(format!("scripts/heads/{name}.toml"));
    let text = (!name.is_empty()).then(|| fs::read_to_string(path).unwrap());
    open(text.as_deref().map(|text| (name, text)), 1).unwrap()
}

fn told(script: &str) -> (Prepared, Vec<Diagnostic>) {
    told_on("", script)
}

fn told_on(name: &str, script: &str) -> (Prepared, Vec<Diagnostic>) {
    let prepared = prepared(script);
    let (mut head, _) = head_of(name);
    let head = head.describe().unwrap();
    let reports = prepared.unfit(&head, true, &|_| Ok(()));
    (prepared, reports)
}

/// What the run fails with, on a simulated head without the gate before it.
fn fails(prepared: &Prepared) -> Option<String> {
    fails_on("", prepared)
}

fn fails_on(name: &str, prepared: &Prepared) -> Option<String> {
    let (head, gauge) = head_of(name);
    let rig = Rig::new(Box::new(head), Some(Box::new(gauge)));
    let mut station = Station::open(Box::new(rig), Arc::default()).unwrap();
    station.set_images(Box::new(Image));
    let sources = prepared.sources.clone();
    let place = Rc::new(move |span| sources.place(span));
    let program = prepared.program.as_ref().unwrap();
    run_program(program, &mut station, &mut Events::default(), place).err().map(|f| f.message)
}

struct Image;

impl Images for Image {
    fn image(&mut self, _: &str) -> Result<Arc<Bitmap>, String> {
        Ok(Arc::new(Bitmap::read(&image()).unwrap()))
    }
}

/// Fails in the run for a reason that is told before it: the code, the place and the beginning of the words, which
/// are those of the run.
#[track_caller]
fn proved(script: &str, code: &str, place: &str, words: &str) {
    let (prepared, reports) = told(script);
    let [report, ..] = &reports[..] else { panic!("nothing is told of\n{script}") };
    assert_eq!((report.code, report.severity), (code, Severity::Error), "{script}\n{reports:?}");
    assert_eq!(prepared.sources.slice(report.span()), place, "{script}\n{}", report.headline);
    assert!(report.headline.starts_with(words), "{script}\n{}", report.headline);
    let failure = fails(&prepared).unwrap_or_else(|| panic!("the run does not fail\n{script}"));
    if code != "E0911" {
        assert_eq!(failure, report.headline, "{script}");
    }
}

#[track_caller]
fn open_to_run(script: &str) {
    let (_, reports) = told(script);
    assert!(reports.is_empty(), "{script}\n{reports:?}");
}

#[test]
fn limits_of_the_head() {
    let ready = |rest: &str| format!("{READY}{rest}");
    let lit = |rest: &str| ready(&format!("arm at 35 % {{ {rest} }}\n"));
    proved("spin(48000 rpm)\n", "E0910", "48000 rpm", "polygon speed 48000 rpm is outside");
    proved("let fast = 8000 rpm\nspin(fast * 3)\n", "E0910", "fast * 3", "polygon speed 24000 rpm");
    proved("steer(20 deg)\n", "E0910", "20 deg", "galvanometer angle");
    proved(&lit("record \"x\": test_line(10, plan)"), "E0910", "10", "there is no facet 10");
    proved(&lit("record \"x\": test_line(-1, plan)"), "E0910", "-1", "there is no facet -1");
    proved(&lit("record \"x\": test_line(1.5, plan)"), "E0910", "1.5", "there is no facet 1.5");
    proved(
        &lit("for k in 0..11 { record \"x\": test_line(k, plan) }"),
        "E0910",
        "k",
        "there is no facet 10: the polygon has facets 0 to 9",
    );
    let lines =
        lit("let all = [test_line(k, plan) for k in 0..count(facets()) + 1]\nrecord \"x\": all");
    proved(&lines, "E0910", "k", "there is no facet 10");
    // The end of a range that is too long to look at every turn, though the run gets no further than facet 10.
    let (long, reports) = told(&lit("for k in 0..40000 { record \"x\": test_line(k, plan) }"));
    assert!(reports[0].headline.starts_with("there is no facet 39999"), "{reports:?}");
    assert!(fails(&long).unwrap().starts_with("there is no facet 10"));
    proved(
        &lit("record \"x\": test_lines(plan, readings: 0)"),
        "E0910",
        "0",
        "0 readings cannot be",
    );
    proved(&ready("record \"x\": turns(0)\n"), "E0910", "0", "0 turns cannot be watched");
    proved(
        &ready("load([{in_scan: 0 s, cross_scan: 0 rad, length: 1, power: 1} for k in 0..3])\n")
            .replace("for k", "for _k"),
        "E0910",
        "[{in_scan: 0 s, cross_scan: 0 rad, length: 1, power: 1} for _k in 0..3]",
        "there are 3 trims for 10 facets",
    );
    proved(
        "var trims = no_trims()\ntrims = [{in_scan: 1 s, cross_scan: 0 rad, length: 1, power: 1}]\nload(trims)\n",
        "E0910",
        "trims",
        "there are 1 trims for 10 facets",
    );
    let long = lit("record \"x\": test_line(0, plan)").replace("304.8 mm", "3 m");
    proved(&long, "E0910", "plan", "this plan is not feasible: the line");
    let other = lit("record \"x\": test_line(0, plan)").replace("spin(4800 rpm)", "spin(3000 rpm)");
    proved(&other, "E0910", "plan", "the plan is for 4800 rpm, and the polygon turns at 3000 rpm");
    let paper = lit(
        "record \"x\": test_lines(plan_line(4800 rpm, length: 100 mm, resolution: 300 dpi, facets: 8, focal_length: 404 mm))",
    );
    let (_, reports) = told(&paper);
    assert!(reports[0].headline.starts_with("this plan is on paper"), "{reports:?}");
    let wide = lit("record \"x\": expose(\"stripes.pbm\", plan)");
    proved(&wide, "E0910", "plan", "stripes.pbm is 32 dots wide and the plan has 3600");
}

#[test]
fn values_without_meaning() {
    proved(
        "var zero = 3\nzero = zero - 3\nnote \"{1 / zero}\"\n",
        "E0709",
        "1 / zero",
        "division by zero",
    );
    proved("let n = 0\nnote \"{7 mod n}\"\n", "E0709", "7 mod n", "division by zero");
    proved("let n = 0\nnote \"{n^-2}\"\n", "E0709", "n^-2", "division by zero");
    proved(
        "let xs = [1, 2, 3]\nnote \"{xs[3]}\"\n",
        "E0508",
        "xs[3]",
        "index 3 is past the end of a list of 3",
    );
    proved(
        "let xs = [1, 2, 3]\nlet at_end = count(xs)\nnote \"{xs[at_end]}\"\n",
        "E0508",
        "xs[at_end]",
        "index 3",
    );
    proved("var xs = [1, 2]\nlet n = 5\nxs[n] = 4\n", "E0508", "xs[n]", "index 5 is past");
    proved(
        "let xs = [1, 2]\nlet n = 0.5\nnote \"{xs[n]}\"\n",
        "E0508",
        "xs[n]",
        "index 0.5 is not a whole",
    );
    proved("let n = -1\nnote \"{facets()[n]}\"\n", "E0508", "facets()[n]", "index -1 is negative");
    proved("let t = 1 s\nwait t - 3 s\n", "E0710", "wait t - 3 s", "cannot wait -2 s");
    proved(
        "let n = -2\nrepeat n times { note \"x\" }\n",
        "E0708",
        "n",
        "a loop cannot run -2 times",
    );
    proved(
        "let n = 2.5\nrepeat n times { note \"x\" }\n",
        "E0708",
        "n",
        "a loop cannot run 2.5 times",
    );
    proved("let n = -4\nnote \"{sqrt(n)}\"\n", "E0910", "sqrt(n)", "sqrt(-4) has no result");
    proved("let none: list of number = []\nnote \"{mean(none)}\"\n", "E0910", "mean(none)", "");
    proved(
        "param power = 35\nspin(4800 rpm)\nwait until locked() within 20 s\narm at power { note \"x\" }\n",
        "E0714",
        "power",
        "cannot arm at 35: power is a share above 0",
    );
}

#[test]
fn lock_where_nothing_spins() {
    proved(
        "wait until locked() within 20 s\n",
        "E0911",
        "wait until locked() within 20 s",
        "this waits for lock",
    );
    let behind = "spin(4800 rpm)\nwait until locked() within 20 s\nbrake()\nwait until at_rest() within 60 s\n\
                  wait until locked() within 20 s else fail timeout(\"no lock\")\n";
    proved(
        behind,
        "E0911",
        "wait until locked() within 20 s else fail timeout(\"no lock\")",
        "this waits",
    );
    proved("arm at 35 % { note \"x\" }\n", "E0911", "arm", "the laser cannot be armed");
    // Another condition, or somebody who sees to it.
    open_to_run("wait until locked() within 1 s else { note \"as it should\" }\n");
    open_to_run("wait until locked() or at_rest() within 1 s\n");
    open_to_run("wait until status().interlock_closed within 1 s\n");
}

/// Where something may go well, nothing is said.
#[test]
fn what_may_go_well() {
    open_to_run("if measured_speed() > 1 rpm { spin(4800 rpm) }\n");
    open_to_run("spin(smaller(head_limits().highest_speed, 90000 rpm))\n");
    open_to_run(
        "let can = head_limits()\nsteer(can.galvanometer_angle)\nsteer(-can.galvanometer_angle)\n",
    );
    open_to_run("for k in 0..11 { if k == facet_count() { break }\nnote \"{facets()[k]}\" }\n");
    open_to_run("for k in 0..11 { if locked() { break }\nnote \"{facets()[k]}\" }\n");
    open_to_run("for k in 0..200 { if locked() { break }\nnote \"{facets()[k]}\" }\n");
    open_to_run(
        "routine at_rest_only(k: number) -> number may reads {\n  for i in 0..20 {\n    if locked() { return i }\n\
                 \u{20}   if i > k { return facets()[i mod 10] }\n  }\n  return 0\n}\nnote \"{at_rest_only(3)}\"\n",
    );
    open_to_run("var xs: list of number = []\nfor k in 0..3 { xs = xs + [k] }\nnote \"{xs[2]}\"\n");
    open_to_run(
        "var xs = [1]\nwhile count(xs) < 4 at most 9 times { xs = xs + [2] }\nnote \"{xs[3]}\"\n",
    );
    open_to_run("let xs: list of number = []\nfor x in xs { note \"{1 / (x - x)}\" }\n");
    open_to_run("let n = 3\nif n > 5 { note \"{[1, 2][n]}\" }\n");
    open_to_run("let n = 0\nif n != 0 and 1 / n > 2 { note \"x\" }\n");
    // The script sees to it.
    open_to_run("try { spin(48000 rpm) } catch problem { note problem.message }\n");
    proved(
        "try { spin(48000 rpm) } catch problem { note problem.message\n fail problem }\n",
        "E0910",
        "48000 rpm",
        "polygon speed",
    );
    open_to_run(
        "routine fast() may spins { spin(48000 rpm) }\ntry { fast() } catch _p { note \"no\" }\n",
    );
    proved(
        "routine fast() may spins { spin(48000 rpm) }\ntry { fast() } catch _p { note \"no\" }\nfast()\n",
        "E0910",
        "48000 rpm",
        "polygon speed",
    );
}

/// The call that leads there and the param that it depends on stand beside it.
#[test]
fn why_it_fails_is_shown() {
    let script =
        "param speed = 9000 rpm\nroutine up(by: number) may spins { spin(speed * by) }\nup(1.1)\n";
    let (prepared, reports) = told(script);
    let [report] = &reports[..] else { panic!("{reports:?}") };
    let shown: Vec<(&str, &str)> = report
        .labels
        .iter()
        .map(|label| (prepared.sources.slice(label.span), label.text.as_str()))
        .collect();
    assert_eq!(
        shown,
        [("speed * by", ""), ("up(1.1)", "called here"), ("speed", "`speed` is 9000 rpm")]
    );
    let help: Vec<&str> = report.help.iter().map(|help| help.text.as_str()).collect();
    assert_eq!(help, ["`head_limits()` holds what this head can do"]);
}

#[test]
fn params_that_may_be_set_too_far() {
    let (mut head, _) = open(None, 1).unwrap();
    let head = head.describe().unwrap();
    let risky = |script: &str| {
        let told = prepared(script).risky(&head, &mut || true).unwrap();
        assert!(told.iter().all(|one| one.code == "W0827" && one.severity == Severity::Warning));
        told.into_iter().map(|one| one.headline).collect::<Vec<String>>()
    };
    let power = "param power = 35 % within 1 % .. 3500 %\nspin(4800 rpm)\nwait until locked() within 20 s\n\
                 arm at power { note \"x\" }\n";
    let words = "`power` may be set up to 3500 %, and then this fails: cannot arm at 35: power is a share above 0 and at most 1 (100 %)";
    assert_eq!(risky(power), [words]);
    let both = risky("param speed = 4800 rpm within 1 rpm .. 99000 rpm\nspin(speed)\n");
    assert!(
        both[0].starts_with("`speed` may be set down to 1 rpm, and then") && both.len() == 2,
        "{both:?}"
    );
    // What is meant, what the script sees to, what fails anyhow, and what fits.
    for fine in [
        "allow W0827 \"for larger heads\"\nparam speed = 4800 rpm within 1000 rpm .. 99000 rpm\nspin(speed)\n",
        "param speed = 4800 rpm within 1000 rpm .. 99000 rpm\nallow W0827 \"for larger heads\"\nspin(speed)\n",
        "param speed = 4800 rpm within 1000 rpm .. 99000 rpm\nroutine up() may spins { spin(speed) }\n\
         allow W0827 \"for larger heads\"\nup()\n",
        "allow W0827 \"for others\"\nparam speed = 4800 rpm within 1000 rpm .. 6000 rpm\nspin(speed)\n",
        "param speed = 4800 rpm within 1 rpm .. 99000 rpm\nspin(larger(smaller(speed, 5000 rpm), 1000 rpm))\n",
        "param speed = 4800 rpm within 1000 rpm .. 99000 rpm\nif speed > 5000 rpm { fail \"too fast\" }\nspin(speed)\n",
        "param n = 3 within 0 .. 5\nspin(48000 rpm)\nwait n * 1 s\n",
        "param speed = 4800 rpm within 1000 rpm .. 6000 rpm\nspin(speed)\n",
    ] {
        assert_eq!(risky(fine), Vec::<String>::new(), "{fine}");
    }
}

/// Scripts made at random of calls with values inside and outside of what the head can do: what is told does fail,
/// in these words, and what fails for such a reason is told.
#[test]
fn what_is_told_is_what_fails() {
    let mut state = 7_u64;
    let mut below = move |count: u64| {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 33) % count
    };
    let (mut refused, mut ran) = (0, 0);
    for _ in 0..300 {
        let mut script = String::from("var n = 4\nlet xs = [2, 4, 6]\n");
        for _ in 0..1 + below(4) {
            let value = below(14);
            let line = match below(9) {
                0 => format!("spin({} rpm)\n", 500 * value),
                1 => format!("steer({} deg)\n", value),
                2 => format!("note \"{{xs[{value} mod 5]}}\"\n"),
                3 => format!("n = n - {value}\nnote \"{{60 / n}}\"\n"),
                4 => format!("for k in {}..{} {{ note \"{{facets()[k]}}\" }}\n", value / 3, value),
                5 => format!("n = {value}\nif n > 6 {{ note \"{{sqrt(9 - n)}}\" }}\n"),
                6 => format!(
                    "load([{{in_scan: {value} * 100 ns, cross_scan: 0 rad, length: 1, power: 1}} for _k in facets()])\n"
                ),
                7 => format!("wait (n + {value} - 5) * 1 s\n"),
                _ => format!("repeat n / 2 + {value} times {{ n = n + 1 }}\n"),
            };
            script.push_str(&line);
        }
        let (prepared, reports) = told(&script);
        let failure = fails(&prepared);
        match (&reports[..], &failure) {
            ([], None) => ran += 1,
            ([first, ..], Some(failure)) => {
                assert_eq!(&first.headline, failure, "{script}");
                refused += 1;
            }
            _ => panic!("{failure:?}\n{reports:?}\n{script}"),
        }
    }
    assert!(refused > 60 && ran > 60, "{refused} refused, {ran} ran");
}

/// Limits between which nothing lies and an uncertainty below zero would reject every head, good ones as well: the
/// run does not fail, so it is told before.
#[test]
fn checks_that_no_head_passes() {
    let measured = format!(
        "{READY}var lines: list of line = []\narm at 35 % {{ lines = test_lines(plan) }}\nlet x = lines[0].cross_scan\n"
    );
    let told_of = |rest: &str| {
        let (_, reports) = told(&format!("{measured}{rest}\n"));
        reports.iter().map(|one| format!("{} {}", one.code, one.headline)).collect::<Vec<String>>()
    };
    let within = "nothing lies within 5 um .. -5 um: the first is larger than the second";
    let swapped = [format!("E0513 {within}")];
    for rest in [
        "let lo = 5 um\nlet hi = -5 um\nexpect \"x\": x within lo .. hi",
        "let limits = {low: 5 um, high: -5 um}\nexpect \"x\": x within limits.low .. limits.high",
        "let tol = -5 um\nexpect \"x\": x within -tol .. tol",
        "routine ok(x: length, lo: length, hi: length) { expect \"x\": x within lo .. hi }\nok(x, 5 um, -5 um)",
        "param tol = 5 um\nexpect \"x\": x within tol .. -tol",
    ] {
        assert_eq!(told_of(rest), swapped, "{rest}");
    }
    let below = ["E0514 an uncertainty cannot be negative, as -1 um is"];
    assert_eq!(told_of("let u = -1 um\nexpect \"x\": x ± u <= 50 um"), below);
    let vain = told_of(
        "let lo = 5000 rpm\nlet hi = 4000 rpm\nhold measured_speed() within lo .. hi { wait 1 s }",
    );
    assert_eq!(vain, ["E0912 `measured_speed() within lo .. hi` cannot hold"]);
    let vain = told_of(
        "let lo = 5000 rpm\nlet hi = 4000 rpm\nwait until measured_speed() within lo .. hi within 2 s",
    );
    assert_eq!(vain, ["E0912 this waits in vain"]);
    // What is made up for a trial is not shown.
    let rounded = ["E0910 rounded(…, 0) has no result"];
    assert_eq!(told_of("record \"x\": rounded(x, 0 um)"), rounded);
    let none: [&str; 0] = [];
    assert_eq!(told_of("let lo = -5 um\nexpect \"x\": x ± (lo - lo) within lo .. lo"), none);
}

/// Each script of a file with the head that it is for.
fn cases(file: &str) -> Vec<(String, String, String)> {
    let text = fs::read_to_string(root().join("tests/language/proved").join(file)).unwrap();
    let cases = text.strip_prefix("## ").unwrap().split("\n## ");
    let parted = cases.map(|case| {
        let (title, script) = case.split_once('\n').unwrap();
        let (title, head) = title.split_once(" on ").unwrap_or((title, ""));
        (title.to_string(), head.to_string(), format!("{}\n", script.trim_end()))
    });
    parted.collect()
}

/// Scripts that fail for a reason known before they run: it is told, and they do fail.
#[test]
fn what_is_known_before_the_run_is_told() {
    for (title, head, script) in cases("refused.txt") {
        let (prepared, reports) = told_on(&head, &script);
        let [first, ..] = &reports[..] else { panic!("{title}: nothing is told of\n{script}") };
        assert_eq!(first.severity, Severity::Error, "{title}");
        let failure =
            fails_on(&head, &prepared).unwrap_or_else(|| panic!("{title}: it does not fail"));
        let in_other_words = ["E0904", "E0908", "E0909", "E0911", "E0912"].contains(&first.code);
        assert!(
            in_other_words || failure == first.headline,
            "{title}: {failure}\n{}",
            first.headline
        );
    }
}

/// Scripts that look as if they might fail, and do not.
#[test]
fn what_does_not_fail_is_not_told() {
    for (title, head, script) in cases("fine.txt") {
        let (prepared, reports) = told_on(&head, &script);
        assert!(reports.is_empty(), "{title}: {reports:?}");
        assert_eq!(fails_on(&head, &prepared), None, "{title}");
    }
}

/// Nothing is said of what is shipped.
#[test]
fn shipped_scripts_are_fine() {
    let (mut head, _) = open(None, 1).unwrap();
    let head = head.describe().unwrap();
    for path in scripts("scripts") {
        let name = path.strip_prefix(root().join("scripts")).unwrap().display().to_string();
        let prepared = prove(&mut Sources::below("scripts"), &name, &[]).unwrap();
        let mut told = prepared.unfit(&head, true, &|_| Ok(()));
        told.extend(prepared.risky(&head, &mut || true).unwrap());
        told.retain(|report| report.code != "E0908");
        assert!(told.is_empty(), "{name}: {told:?}");
    }
}
