//! The command line: bad input of every kind gets a clear error and the right exit code, and nothing is
//! left moving.

use crate::program::{Ended, Typing, at_root, command, ended, recorded, spintrue, started};
use crate::support::{Folder, root};
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

#[track_caller]
fn says(path: &Path, code: i32, words: &str) {
    let ended = at_root(&["run", path.to_str().unwrap()]);
    let (got, text) = (ended.code.unwrap(), ended.all());
    let start: String = text.chars().take(2000).collect();
    assert_eq!(got, code, "{start}");
    assert!(text.contains(words), "`{words}` is not in:\n{start}");
}

#[test]
fn files_that_are_no_scripts() {
    let folder = Folder::new("files");
    says(&folder.0.join("absent.spt"), 2, "there is no file");
    says(&folder.0, 2, "is a folder");
    says(&folder.file("latin.spt", b"let a = 1\nnote \"\xe4\"\n"), 2, "on line 2");
    says(&folder.file("zero.spt", b"let a\0 = 1\n"), 2, "E0101");
    says(&folder.file("empty.spt", ""), 0, "PASSED");
    says(&folder.file("blank.spt", "\n\n// nothing\n"), 0, "PASSED");
    let large = folder.file("large.spt", "");
    // A file with a hole: 100 MB without writing them.
    fs::File::options().write(true).open(&large).unwrap().set_len(100_000_000).unwrap();
    says(&large, 2, "larger than 16 MiB");
}

#[test]
fn scripts_that_try_to_break_the_parser() {
    let folder = Folder::new("deep");
    let deep = format!("let x = {}1{}\n", "(".repeat(10_000), ")".repeat(10_000));
    says(&folder.file("deep.spt", deep), 2, "E0204");
    let blocks = format!("{}{}", "if true {\n".repeat(10_000), "}\n".repeat(10_000));
    says(&folder.file("blocks.spt", blocks), 2, "E0204");
    let long = format!("let x = 1{}\nnote \"{{x}}\"\n", " + 1".repeat(100_000));
    says(&folder.file("long.spt", long), 2, "E0205");
    says(&folder.file("open.spt", "note \"{{{{"), 2, "E0");
    let strings = format!("note {}1{}\n", "\"{".repeat(5_000), "}\"".repeat(5_000));
    says(&folder.file("strings.spt", strings), 2, "E0");
}

#[test]
fn values_that_have_no_meaning() {
    let folder = Folder::new("values");
    let check = |name: &str, text: &str, words: &str| says(&folder.file(name, text), 2, words);
    check("index.spt", "let xs = [1, 2]\nvar i = 1\ni = i + 1\nnote \"{xs[i]}\"\n", "past the end");
    check("zero.spt", "var z = 1\nz = z - 1\nnote \"{1 / z}\"\n", "division by zero");
    check("root.spt", "var z = 1 mm^2\nz = z - 2 mm^2\nnote \"{sqrt(z)}\"\n", "sqrt");
    check("large.spt", "var z = 1000\nz = z + 1\nnote \"{exp(z)}\"\n", "exp(1001) has no result");
    check("mean.spt", "var xs: list of length = []\nnote \"{mean(xs)}\"\n", "empty list");
    check("unit.spt", "spin(4800 rmp)\n", "there is no unit `rmp`");
    check("memory.spt", "var xs = [1]\nrepeat 60 times { xs = xs + xs }\n", "list");
    check(
        "lists.spt",
        "var all: list of list of number = []\nfor i in 0..1000 { all = all + [0..1000000] }\n",
        "256 MiB",
    );
    check("text.spt", "var t = \"x\"\nrepeat 60 times { t = t + t }\n", "text");
}

#[test]
fn heads_that_are_described_wrongly() {
    let folder = Folder::new("heads");
    let script = folder.file("empty.spt", "");
    let with = |toml: &str| {
        let head = folder.file("head.toml", toml);
        let address = format!("sim:{}", head.display());
        let output = at_root(&["run", script.to_str().unwrap(), "--head", &address]);
        assert_eq!(output.code, Some(2), "{toml}");
        output.error
    };
    let wrong = with("[rotor]\ninertia = \"1e-4 kg*m^2\"\nfriktion = 3\n");
    assert!(wrong.contains("friktion") && wrong.contains("head.toml:3"), "{wrong}");
    let unlike = with("[rotor]\ninertia = \"3 mm\"\n");
    assert!(unlike.contains("inertia") && unlike.contains("head.toml:2"), "{unlike}");
    assert!(with("[rotor\n").contains("head.toml:1"));
    for address in ["sim:/no/such/file.toml", "tcp:nowhere", "sim?seed=x", "sim?sed=3", ""] {
        let output = at_root(&["run", script.to_str().unwrap(), "--head", address]);
        assert_eq!(output.code, Some(2), "{address}");
        assert!(!output.error.is_empty(), "{address}");
    }
}

#[test]
fn options_that_do_not_exist() {
    for arguments in [&["run"][..], &["check"], &["spin"], &["run", "a.spt", "--sede", "3"]] {
        let output = at_root(arguments);
        assert_eq!(output.code, Some(2), "{arguments:?}");
        assert!(output.error.contains("Usage"), "{arguments:?}");
    }
    assert_eq!(at_root(&["builtins", "spinn"]).code, Some(2));
    assert!(at_root(&["builtins", "spinn"]).error.contains("`spin`"));
}

#[test]
fn help_shows_examples_and_cautions() {
    let help = at_root(&["run", "--help"]);
    let text = help.out;
    for words in ["not a safety function", "IEC 60825-1", "laser safety officer", "Examples:"] {
        assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains(words), "{text}");
    }
    let version = at_root(&["--version"]).out;
    assert!(version.starts_with(concat!("spintrue ", env!("CARGO_PKG_VERSION"))), "{version}");
    let units = at_root(&["units"]).out;
    for unit in ["inch", "rpm", "arcsec", "degC", "dpi", "ppm"] {
        assert!(units.contains(unit), "{unit}");
    }
}

/// Every command but `help` with what it does, as the program lists them.
fn commands() -> Vec<(String, String)> {
    let list = at_root(&["--help"]).out;
    let (_, list) = list.split_once("Commands:\n").unwrap();
    let listed = list.lines().take_while(|line| !line.is_empty());
    let commands = listed.map(|line| line.trim().split_once("  ").unwrap());
    let commands = commands.map(|(name, about)| (name.to_string(), about.trim().to_string()));
    let commands: Vec<_> = commands.filter(|(name, _)| name != "help").collect();
    assert!(commands.len() > 10);
    commands
}

/// What a package installs beside the program: completions that bash reads, and a manual page of every command.
#[cfg(unix)]
#[test]
fn completions_and_manual_pages_name_every_command() {
    let folder = Folder::new("completions");
    folder.file("completions", at_root(&["completions", "bash"]).out);
    let typed = "source ./completions; COMP_WORDS=(spintrue ''); COMP_CWORD=1; \
                 _spintrue spintrue '' spintrue; echo \"${COMPREPLY[@]}\"";
    let output = Command::new("bash").args(["-c", typed]).current_dir(&folder.0).output().unwrap();
    let offered = String::from_utf8(output.stdout).unwrap();
    for (command, _) in commands() {
        assert!(offered.split_whitespace().any(|word| word == command), "{command}: {offered}");
        let page = at_root(&["manual", &command]).out;
        assert!(page.contains(&format!(".TH spintrue-{command} 1")), "{page}");
    }
    let test = at_root(&["manual", "head", "test"]).out;
    assert!(test.contains(".TH spintrue-head-test 1") && test.contains("allow\\-light"), "{test}");
    let wrong = at_root(&["manual", "head", "tset"]);
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.error.contains("`spintrue head --help` lists them"), "{}", wrong.error);
}

/// A group of options that is laid into a command must not put its own words in their place.
#[test]
fn the_help_of_a_command_begins_as_the_list_of_commands_says() {
    for (name, about) in commands() {
        let help = at_root(&[&name, "--help"]).out;
        assert_eq!(help.lines().next().unwrap(), about.trim(), "{name}");
    }
}

/// A reader that goes away must not stop the run on its way to a safe head.
#[test]
fn a_closed_pipe_is_no_reason_to_stop() {
    let folder = Folder::new("pipe");
    folder.file("long.spt", "for i in 0..20000 { note \"line {i}\" }\n");
    let mut child = started(command(&folder, &["run", "long.spt"]));
    drop(child.stdout.take());
    let ended = ended(child);
    assert_eq!((ended.code, ended.error.as_str()), (Some(0), ""));
}

/// Ctrl-C during a loop that would run for hours: `finally` runs, the head is safe, exit 130.
#[cfg(unix)]
#[test]
fn an_interrupt_ends_any_loop_and_leaves_the_head_safe() {
    let folder = Folder::new("interrupt");
    folder.file(
        "endless.spt",
        "spin(4800 rpm)\nwait until locked() within 20 s\nvar n = 0\nnote \"started\"\n\
         try {\n    repeat 1000000000 times {\n        for i in 0..1000 { n = n + i }\n    }\n\
         } catch problem {\n    note \"never caught {problem.kind}\"\n\
         } finally {\n    note \"finally runs\"\n}\nnote \"{n}\"\n",
    );
    for signal in ["INT", "TERM"] {
        let mut typing = Typing::new(command(&folder, &["run", "endless.spt"]));
        typing.until("started");
        typing.signal(signal);
        let asked = Instant::now();
        let (text, code) = typing.end();
        // A bound against hanging, not a measurement.
        assert!(asked.elapsed() < Duration::from_secs(60));
        assert_eq!(code, Some(130), "{text}");
        assert!(text.contains("finally runs") && !text.contains("never caught"), "{text}");
        assert!(text.contains("laser off, mirror parked, polygon at rest"), "{text}");
    }
}

#[test]
fn a_fault_that_cannot_be_is_pointed_at_before_anything_moves() {
    for (option, words) in [
        ("lock_lots@12s", "did you mean `lock_lost`?"),
        ("lock_lost@12", "`12` has no unit"),
        ("lock_lost@12 mm", "must be of kind time, not length"),
        ("lock_lost@1e999 s", "its at is no time"),
        ("stuck_trim(facet=10)@0 s", "a whole number from 0 to 9"),
        ("stuck_trim(facet=3", "the bracket is not closed"),
        ("rail_low(rail=pump)", "there is no rail `pump`"),
        ("", "names no fault"),
    ] {
        let output = at_root(&["run", "scripts/spin_only.spt", "--fault", option]);
        let said = output.error;
        assert_eq!(output.code, Some(2), "{option}: {said}");
        assert!(output.out.is_empty(), "{option}");
        assert!(said.contains(words) && said.contains("--fault"), "{option}: {said}");
    }
}

#[test]
fn a_new_description_is_the_built_in_head_and_overwrites_nothing() {
    let folder = Folder::new("head-new");
    let path = folder.0.join("head.toml");
    let path = path.to_str().unwrap();
    assert_eq!(at_root(&["head", "new", path]).code, Some(0));
    let written = fs::read_to_string(path).unwrap();
    assert_eq!(at_root(&["head", "new"]).out, written);
    let again = at_root(&["head", "new", path]);
    assert_eq!(again.code, Some(2));
    assert!(again.error.contains("is there already"));
    assert_eq!(fs::read_to_string(path).unwrap(), written);
    let nowhere = folder.0.join("no/such/head.toml");
    assert_eq!(at_root(&["head", "new", nowhere.to_str().unwrap()]).code, Some(2));
    let described = |address: &str| at_root(&["head", "describe", address]).out;
    assert_eq!(described(&format!("sim:{path}")), described("sim"));
}

#[test]
fn a_head_is_described_for_people_and_machines() {
    let text = at_root(&["head", "describe", "sim"]).out;
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(text.contains("highest speed                     6000 rpm"), "{text}");
    let json = at_root(&["head", "describe", "sim", "--json"]).out;
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["polygon"]["facets"], 10);
    assert_eq!(json["dot_clock"]["master"]["unit"], "Hz");
    assert_eq!(json["longest_times"]["reading_most"]["value"], 0.02);
    let wrong = at_root(&["head", "describe", "sim:no_such.toml"]);
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.error.contains("no_such.toml"));
}

/// A later source overrides an earlier one: data sheet, list, command line. Twice in one is a mistake.
#[test]
fn a_later_source_of_a_param_overrides_an_earlier_one() {
    let folder = Folder::new("sources");
    folder.file("s.spt", "param a = 1 mm\nparam b = 1 mm\nparam c = 1 mm\nnote \"{a} {b} {c}\"\n");
    folder.file("sheet.toml", "a = \"2 mm\"\nb = \"2 mm\"\nc = \"2 mm\"\n");
    folder.file("more.toml", "a = \"3 mm\"\n");
    folder.file("heads.csv", "serial,b,c\nSIM-0001,4 mm,4 mm\n");
    let ask = |arguments: &str| asked(&folder, arguments);
    for (arguments, seen) in [
        ("run s.spt --set @sheet.toml", "2 mm 2 mm 2 mm"),
        ("run s.spt --set c=5mm --set @sheet.toml", "2 mm 2 mm 5 mm"),
        ("run s.spt --set @sheet.toml --set c=5mm", "2 mm 2 mm 5 mm"),
    ] {
        let (code, text) = ask(arguments);
        assert!(code == 0 && text.contains(seen), "{arguments}: {text}");
    }
    let batch = "batch s.spt --list heads.csv --record out --set @sheet.toml --set c=5mm";
    let (code, text) = ask(batch);
    let events = recorded(folder.path("out/SIM-0001/events.jsonl"));
    assert!(code == 0 && events.contains("2 mm 4 mm 5 mm"), "{text}{events}");
    let start = events.lines().next().unwrap();
    assert!(start.contains(r#""params":{"a":"2 mm","b":"4 mm","c":"5mm"}"#), "{start}");
    for arguments in [
        "run s.spt --set a=1mm --set a=2mm",
        "run s.spt --set @sheet.toml --set @more.toml",
        "run s.spt --set @sheet.toml --set @more.toml --set a=5mm",
        "check s.spt --set a=1mm --set b=3mm --set a=2mm",
    ] {
        let (code, text) = ask(arguments);
        assert!(code == 2 && text.contains("param `a` is set twice"), "{arguments}: {text}");
    }
}

/// The exit code of a command in a folder, and all that it says.
fn asked(folder: &Folder, arguments: &str) -> (i32, String) {
    let arguments: Vec<&str> = arguments.split(' ').collect();
    let ended = spintrue(folder, &arguments);
    (ended.code.unwrap(), ended.all())
}

/// A script is whole though a param must still be set; what runs it refuses.
#[test]
fn a_param_without_a_value_fails_no_check() {
    let folder = Folder::new("unset");
    folder.file("s.spt", "param a: length\nparam t: time\nnote \"{a}\"\nwait t\n");
    folder.file("heads.csv", "serial,a\nSIM-0001,4 mm\n");
    let ask = |arguments: &str| asked(&folder, arguments);
    let (code, text) = ask("check s.spt");
    let must = "must be set to run: a (length), t (time)";
    assert!(code == 0 && text.contains(must) && !text.contains("E0516"), "{text}");
    assert!(text.contains("its longest time is known once it is set"), "{text}");
    let (code, text) = ask("check s.spt --set t=3s --at-most 1min");
    assert!(code == 0 && text.contains("must be set to run: a (length)"), "{text}");
    let (code, text) = ask("check s.spt --at-most 1min");
    assert!(code == 2 && text.contains("known only once its params are set"), "{text}");
    let (code, text) = ask("check s.spt --format json");
    assert!(code == 0 && text.contains(r#""kind":"length","param":"a""#), "{text}");
    let (code, text) = ask("check s.spt --format sarif");
    assert!(code == 0 && text.contains(r#""results":[]"#), "{text}");
    for arguments in [
        "run s.spt --set t=3s",
        "simulate s.spt --set t=3s",
        "batch s.spt --list heads.csv --record out",
        "shell s.spt --set t=3s --no-history",
    ] {
        let (code, text) = ask(arguments);
        assert!(code == 2 && text.contains("[E0516]"), "{arguments}: {text}");
    }
}

/// One rule for whatever is written: what is there stays, unless `--force` says otherwise, and that is
/// known before anything runs.
#[test]
fn no_file_is_overwritten_unasked() {
    let folder = Folder::new("overwriting");
    folder.file("s.spt", "spin(4800 rpm)\nwait until locked() within 30 s\nrecord \"v\": 1 mm\n");
    let page = fs::read(root().join("scripts/expose_page.spt")).unwrap();
    folder.file("expose_page.spt", page);
    folder.file("page.pbm", fs::read(root().join("scripts/page.pbm")).unwrap());
    for name in ["lib/budget.spt", "lib/lines.spt", "lib/motion.spt"] {
        folder.file(name, fs::read(root().join("scripts").join(name)).unwrap());
    }
    let ask = |arguments: &str| asked(&folder, arguments);
    #[cfg(unix)]
    {
        let made = Command::new("mkfifo").arg(folder.0.join("pipe")).status().unwrap();
        assert!(made.success());
        for arguments in [
            "simulate s.spt --heads 2 --out pipe",
            "run s.spt --trace pipe --force",
            "run expose_page.spt --picture pipe",
            "head new pipe",
        ] {
            let (code, text) = ask(arguments);
            assert!(
                code == 2 && text.contains("pipe is a pipe, not a file"),
                "{arguments}: {text}"
            );
        }
    }
    for seed in ["1", "2"] {
        let (code, text) = ask(&format!("run s.spt --archive a.sqlite --seed {seed}"));
        assert_eq!(code, 0, "{text}");
    }
    for arguments in [
        "head new out",
        "simulate s.spt --heads 2 --out out",
        "head expose page.pbm --out out",
        "head expose page.pbm --trim --out other --before out",
        "run s.spt --trace out",
        "head test sim --trace out",
        "run expose_page.spt --picture out",
        "history trend a.sqlite v --with-simulated --html out",
    ] {
        folder.file("out", "old");
        let (code, text) = ask(arguments);
        assert_eq!(code, 2, "{arguments}: {text}");
        let refusal = "out is there already: name another file, or overwrite it with `--force`";
        assert!(text.contains(refusal), "{arguments}: {text}");
        assert!(!text.contains("PASSED"), "{arguments}: {text}");
        assert_eq!(folder.read("out"), "old", "{arguments}");
        let before = folder.names();
        let (code, text) = ask(&format!("{arguments} --force"));
        assert_eq!(code, 0, "{arguments}: {text}");
        assert_ne!(fs::read(folder.0.join("out")).unwrap(), b"old", "{arguments}");
        let new: Vec<String> =
            folder.names().into_iter().filter(|name| !before.contains(name)).collect();
        assert!(new.iter().all(|name| matches!(&**name, "other" | "out-2")), "{new:?}");
    }
    // Pictures of further pages have places of their own.
    folder.file("page-2.png", "old");
    let (code, text) = ask("run expose_page.spt --picture page.png");
    assert!(code == 2 && text.contains("page-2.png is there already"), "{text}");
    assert!(!folder.0.join("page.png").exists());
}

/// On a full disk there is the file as a whole or none.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_no_empty_file() {
    let folder = Folder::new("full");
    folder.file("s.spt", "spin(4800 rpm)\n");
    for arguments in ["head new out.toml", "simulate s.spt --heads 2 --out out.json"] {
        // No file may grow past 0 bytes, which is what a full disk does.
        let program = env!("CARGO_BIN_EXE_spintrue");
        let limited = format!("trap '' XFSZ; ulimit -f 0; exec '{program}' {arguments} 2>&1 | cat");
        let output =
            Command::new("bash").args(["-c", &limited]).current_dir(&folder.0).output().unwrap();
        let text = Ended::from(output).out;
        assert!(text.contains("the file may not grow any more: make room"), "{text}");
        assert!(!text.contains("os error"), "{text}");
        assert_eq!(folder.names(), ["s.spt"], "{arguments}");
    }
}

/// A pipe without a writer keeps no command waiting, wherever a file is named.
#[cfg(unix)]
#[test]
fn pipes_and_devices_are_no_files() {
    let folder = Folder::new("pipes");
    folder.file("s.spt", "note \"x\"\n");
    folder.file("u.spt", "use \"pipe\"\n");
    assert!(Command::new("mkfifo").arg(folder.path("pipe")).status().unwrap().success());
    for arguments in [
        "check pipe",
        "check u.spt",
        "check /dev/zero",
        "run pipe",
        "run s.spt --set @pipe",
        "run s.spt --answers pipe",
        "run s.spt --head sim:pipe",
        "run s.spt --head sim?memory=pipe",
        "run s.spt --head replay:pipe",
        "run s.spt --head tcp://127.0.0.1:1?secret-file=pipe",
        "run s.spt --fixture pipe",
        "run s.spt --archive pipe",
        "shell pipe --no-history",
        "serve --secret-file pipe",
        "batch s.spt --list pipe --record out",
        "simulate --merge pipe",
        "head expose pipe",
        "head trace pipe",
        "history pipe",
        "fmt pipe",
    ] {
        let arguments: Vec<&str> = arguments.split(' ').collect();
        let mut child = started(command(&folder, &arguments));
        let begun = Instant::now();
        while child.try_wait().unwrap().is_none() {
            if begun.elapsed() > Duration::from_secs(30) {
                let _ = child.kill();
                panic!("{arguments:?} waits");
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        let ended = ended(child);
        assert_eq!(ended.code, Some(2), "{arguments:?}: {}", ended.error);
        let refusal = "is a pipe or a device, not a file";
        assert!(ended.error.contains(refusal), "{arguments:?}: {}", ended.error);
    }
}

/// Machines are told of a head that is silent from the start.
#[test]
fn a_silent_head_is_told_to_machines() {
    let folder = Folder::new("silent");
    folder.file("s.spt", "spin(4800 rpm)\n");
    let output = spintrue(&folder, &["run", "s.spt", "--json", "--fault", "link_silent@0s"]);
    assert_eq!(output.code, Some(3));
    let end: serde_json::Value = serde_json::from_str(output.out.trim()).unwrap();
    assert_eq!(end["event"], "end");
    assert_eq!((&end["verdict"], &end["exit_code"]), (&"head failed".into(), &3.into()));
    let why = end["failure"]["message"].as_str().unwrap();
    assert!(why.contains("the head does not answer: the link is silent"), "{why}");
    // At an address where nothing listens nothing is begun.
    let output = spintrue(&folder, &["run", "s.spt", "--json", "--head", "tcp://127.0.0.1:1"]);
    assert_eq!(output.code, Some(2));
    let end: serde_json::Value = serde_json::from_str(&output.out).unwrap();
    assert!(end["verdict"] == "not run" && end["exit_code"] == 2, "{end}");
}
