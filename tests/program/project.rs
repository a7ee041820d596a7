//! Project files, folders to start from, and what comes with the program.

use crate::program::{Ended, spintrue};
use crate::support::{Folder, root};
use std::fs;

const SCRIPT: &str = "note \"ran\"\n";

fn project(name: &str, text: &str) -> Folder {
    let folder = Folder::new(&format!("project-{name}"));
    folder.file("spintrue.toml", text);
    folder.file("s.spt", SCRIPT);
    folder
}

#[track_caller]
fn refused(ended: &Ended, words: &str) {
    assert!(ended.code == Some(2) && ended.words().contains(words), "{}", ended.all());
}

#[test]
fn a_new_folder_works_as_it_stands() {
    let folder = Folder::new("project-new");
    assert_eq!(spintrue(&folder, &["new", "bench"]).code, Some(0));
    let bench = folder.0.join("bench");
    for arguments in [
        &["run", "bring_up.spt"][..],
        &["run", "bring_up.spt", "--head", "rehearsal"],
        &["check", "bring_up.spt"],
        &["fmt", "--check", "bring_up.spt", "lib/product.spt", "tests/product.spt"],
        &["test", "tests"],
        &["head", "describe", "rehearsal"],
    ] {
        let ended = spintrue(&bench, arguments);
        assert_eq!(ended.code, Some(0), "{arguments:?}: {}", ended.all());
    }
    // How a command is used has nothing to do with what the project gives.
    let wrong = spintrue(&bench, &["run"]);
    refused(&wrong, "Usage: spintrue run");
    assert!(!wrong.error.contains("identity"), "{}", wrong.all());
    let listed = spintrue(&bench, &["history", "runs.sqlite", "--identity", "station=S1"]);
    assert_eq!(listed.out.matches("bring_up.spt").count(), 2, "{}", listed.all());
    refused(&spintrue(&folder, &["new", "bench"]), "bench is not empty");
}

#[test]
fn a_name_stands_for_a_head_and_none_is_chosen() {
    let folder = project(
        "heads",
        "[heads]\nfar = \"tcp://127.0.0.1:1\"\nown = \"sim:own.toml?memory=kept.json&seed=3\"\n\
         [defaults]\nfixture = [\"none.toml\"]\ngauge-file = \"none.toml\"\narchive = \"a.sqlite\"\n",
    );
    folder.file("own.toml", "[head]\nserial = \"OWN-7\"\n");
    // Neither a default of the project nor a variable leads anywhere but to the simulator.
    assert!(spintrue(&folder, &["run", "s.spt"]).out.contains("SIM-0001"));
    let own = spintrue(&folder, &["run", "s.spt", "--head", "own"]);
    assert!(own.code == Some(0) && own.words().contains("OWN-7 (seed 3)"), "{}", own.all());
    // In a folder below, files are still those beside the project file.
    fs::create_dir(folder.0.join("below")).unwrap();
    let below = spintrue(folder.0.join("below"), &["run", "../s.spt", "--head", "own"]);
    assert!(below.code == Some(0) && below.words().contains("OWN-7"), "{}", below.all());
    let listed = spintrue(&folder, &["history", "a.sqlite"]).out;
    assert_eq!(listed.matches("s.spt").count(), 3, "{listed}");
    // A real head has what stands around it.
    refused(&spintrue(&folder, &["run", "s.spt", "--head", "far"]), "none.toml");
    refused(
        &spintrue(&folder, &["run", "s.spt", "--head", "near"]),
        "has no head `near`; it has far, own",
    );
    let list = spintrue(&folder, &["head", "list"]).out;
    assert!(list.contains("far  tcp://127.0.0.1:1\n"), "{list}");
}

#[test]
fn what_is_given_counts_more_than_a_default() {
    let folder = project(
        "defaults",
        "[defaults]\narchive = \"a.sqlite\"\nidentity = [\"station=S1\"]\nat-most = \"1s\"\n",
    );
    folder.file("long.spt", "wait 2 s\n");
    refused(&spintrue(&folder, &["run", "long.spt"]), "1 s");
    let longer = ["run", "long.spt", "--at-most", "1min", "--archive", "b.sqlite"];
    assert_eq!(spintrue(&folder, &longer).code, Some(0));
    let named = ["run", "s.spt", "--at-most", "1min", "--identity", "station=S2"];
    assert_eq!(spintrue(&folder, &named).code, Some(0));
    let of = |file: &str, station: &str| {
        let station = format!("station={station}");
        let listed = spintrue(&folder, &["history", file, "--identity", &station]);
        listed.out.matches(".spt").count()
    };
    assert_eq!([of("a.sqlite", "S1"), of("a.sqlite", "S2"), of("b.sqlite", "S1")], [0, 1, 1]);
    // A replay is no run, so no archive takes it; a command that has no such option takes no default.
    let traced = ["run", "s.spt", "--at-most", "1min", "--trace", "t.trace"];
    assert_eq!(spintrue(&folder, &traced).code, Some(0));
    let replay = ["run", "s.spt", "--at-most", "1min", "--head", "replay:t.trace"];
    let replayed = spintrue(&folder, &replay);
    assert_eq!(replayed.code, Some(0), "{}", replayed.all());
    assert_eq!(spintrue(&folder, &["fmt", "--check", "--", "s.spt"]).code, Some(0));
}

#[test]
fn a_wrong_project_file_is_told_by_every_command() {
    for (text, told) in [
        ("[head]\na = 1\n", "spintrue.toml:1: unknown field `head`"),
        ("[defaults]\nhead = \"sim\"\n", "spintrue.toml:2: unknown field `head`"),
        ("[heads]\nsim = \"tcp://h:1\"\n", "`sim` cannot name a head"),
        ("[heads]\n\"a b\" = \"tcp://h:1\"\n", "`a b` cannot name a head"),
        ("[heads\n", "spintrue.toml:1:"),
    ] {
        let folder = project("wrong", text);
        refused(&spintrue(&folder, &["run", "s.spt"]), told);
        refused(&spintrue(&folder, &["units"]), told);
    }
}

#[test]
fn a_script_uses_the_library_of_the_program() {
    let folder = Folder::new("project-library");
    folder.file("s.spt", "use \"std/motion.spt\"\nuse \"std/lines.spt\"\nspin_up(4800 rpm)\n");
    // A folder of that name beside the script is another one.
    folder.file("std/motion.spt", "nonsense\n");
    let ended = spintrue(&folder, &["run", "s.spt"]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    folder.file("wrong.spt", "use \"std/moton.spt\"\n");
    refused(
        &spintrue(&folder, &["check", "wrong.spt"]),
        "there is no std/moton.spt; std/ has budget.spt",
    );
}

/// What is not beside a script is taken from the library of the project, wherever the script lies.
#[test]
fn a_script_uses_the_library_of_its_project() {
    let folder = project("shared", "library = \"ours\"\n");
    folder.file(
        "ours/add.spt",
        "use \"more.spt\"\nroutine twice(x: length) -> length {\n    return more(x)\n}\n",
    );
    folder.file("ours/more.spt", "routine more(x: length) -> length {\n    return 2 * x\n}\n");
    folder.file("deep/s.spt", "use \"add.spt\"\nexpect \"twice\": twice(2 mm) == 4 mm\n");
    for (place, script) in [("", "deep/s.spt"), ("deep", "s.spt")] {
        let ended = spintrue(folder.0.join(place), &["run", script]);
        assert_eq!(ended.code, Some(0), "{}", ended.all());
    }
    folder.file("deep/add.spt", "routine twice(x: length) -> length {\n    return x\n}\n");
    assert_eq!(
        spintrue(&folder, &["run", "deep/s.spt"]).code,
        Some(1),
        "what lies beside comes first"
    );
}

/// Each script that the program holds can be checked alone; all of them are the files of `scripts`.
#[test]
fn examples_and_pages_come_with_the_program() {
    let folder = Folder::new("project-examples");
    let listed = spintrue(&folder, &["example"]).out;
    assert!(listed.contains("bring_up") && listed.contains("station"), "{listed}");
    for line in listed.lines().filter(|line| !line.starts_with([' ', '`']) && !line.is_empty()) {
        let name = line.split_whitespace().next().unwrap();
        let file = format!("{name}.spt");
        assert_eq!(spintrue(&folder, &["example", name, &file]).code, Some(0));
        let ended = spintrue(&folder, &["check", &file]);
        assert_eq!(ended.code, Some(0), "{name}: {}", ended.all());
    }
    assert_eq!(spintrue(&folder, &["example", "--all", "scripts"]).code, Some(0));
    for name in ["bring_up.spt", "page.pbm", "heads/six_small.toml", "lib/lines.spt"] {
        let own = fs::read(root().join("scripts").join(name)).unwrap();
        assert_eq!(fs::read(folder.0.join("scripts").join(name)).unwrap(), own, "{name}");
    }
    refused(&spintrue(&folder, &["example", "--all", "scripts"]), "is not empty");
    refused(&spintrue(&folder, &["example", "brin_up"]), "did you mean `bring_up`?");
    let pages = spintrue(&folder, &["docs"]).out;
    for page in ["lines", "wire", "tutorial"] {
        assert!(pages.lines().any(|line| line.split(' ').next() == Some(page)), "{pages}");
    }
    let page = fs::read_to_string(root().join("docs/lines.md")).unwrap();
    for name in ["lines", "lines.md", "docs/lines.md"] {
        assert_eq!(spintrue(&folder, &["docs", name]).out, page);
    }
    refused(&spintrue(&folder, &["docs", "linse"]), "did you mean `lines`?");
    refused(&spintrue(&folder, &["docs", "nothing-near"]), "`spintrue docs` lists them");
}
