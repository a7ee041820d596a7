//! Tests of scripts: `spintrue test` on the shipped test files, and on files whose expectations are wrong.

use crate::program::{at_root, spintrue};
use crate::support::Folder;
use insta::assert_snapshot;

#[test]
fn shipped_scripts_pass_their_tests() {
    let ended = at_root(&["test", "scripts/tests"]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.error);
    assert!(ended.out.ends_with(" passed, 0 failed, 1 failed as is known\n"), "{}", ended.out);
}

/// Expectations that are wrong in each way, beside right ones.
const WRONG: &str = "\
script = 'a.spt'

[[test]]
name = 'passes'
checks = { fast = 'conforms' }
recorded = { speed = '3000 rpm' }

[[test]]
name = 'wrong verdict & <name>'
verdict = 'failed'

[[test]]
name = 'wrong values'
seeds = '7..8'
checks = { fast = 'undecided', other = 'conforms' }
recorded = { speed = '2999 rpm', other = '1' }

[[test]]
name = 'fails in another way'
faults = ['no_lock']
failure = 'interlock_open'
exit_code = 1

[[test]]
name = 'is known to fail'
faults = ['no_lock']
known_failure = 'the drive # is weak'

[[test]]
name = 'is no longer known to fail'
known_failure = 'it was weak'

[[test]]
name = 'is refused as expected'
script = 'wrong.spt'
report = 'E0401'

[[test]]
name = 'is refused in another way'
script = 'wrong.spt'
report = 'E0910'

[[test]]
name = 'has no script'
script = 'none.spt'
known_failure = 'that is no failure of a script'
";

fn folder() -> Folder {
    let folder = Folder::new("suite");
    let script = "\
spin(3000 rpm)
wait until locked() within 20 s
record \"speed\": 3000 rpm
expect \"fast\": measured_speed() > 2000 rpm
";
    folder.file("t/a.spt", script);
    folder.file("t/wrong.spt", "spin(faster)\n");
    folder.file("t/wrong.test.toml", WRONG);
    folder
}

#[test]
fn what_differs_is_told_to_people_and_machines() {
    let folder = folder();
    let arguments = ["test", "t", "--junit", "out.xml", "--tap", "out.tap"];
    let ended = spintrue(&folder, &arguments);
    assert_eq!(ended.code, Some(1), "{}", ended.error);
    assert_snapshot!("told", ended.out);
    assert_snapshot!("junit", folder.read("out.xml"));
    assert_snapshot!("tap", folder.read("out.tap"));
    // Neither the number of threads nor the order changes anything.
    let alone = spintrue(&folder, &["test", "t", "--threads", "1"]);
    assert_eq!(alone.out, ended.out);
    // Results are not overwritten.
    let again = spintrue(&folder, &arguments);
    assert_eq!(again.code, Some(2));
    assert!(again.error.contains("out.xml is there already"), "{}", again.error);
}

#[test]
fn tests_are_chosen_and_listed() {
    let folder = folder();
    let listed = spintrue(
        &folder,
        &["test", "t", "--list", "--only", "wrong values", "--only", "refused as"],
    );
    let names = "\
t/wrong.test.toml: wrong values, seed 7
t/wrong.test.toml: wrong values, seed 8
t/wrong.test.toml: is refused as expected
";
    assert_eq!(listed.out, names);
    let script = spintrue(&folder, &["test", "t/a.spt"]);
    assert_eq!(script.code, Some(0), "{}", script.out);
    for (arguments, why) in [
        (&["test", "t", "--only", "nothing"][..], "`--only` leaves none of 10 tests"),
        (&["test", "empty"], "there are no tests: their files end in .test.toml"),
        (&["test", "t/missing.test.toml"], "there is no file or folder t/missing.test.toml"),
        (&["test", "empty/x.toml"], "name a file that ends in .test.toml, or a script"),
        (&["test", "real.test.toml"], "is no simulated head"),
        (&["test", "kept.test.toml"], "tests share no memory"),
        (&["test", "bad.test.toml"], "bad.test.toml:2: "),
    ] {
        let real = "script = 't/a.spt'\nhead = 'tcp://127.0.0.1:1'\n[[test]]\nname = 'n'\n";
        folder.file("real.test.toml", real);
        folder.file("kept.test.toml", real.replace("tcp://127.0.0.1:1", "sim?memory=m.json"));
        folder.file("bad.test.toml", "[[test]]\nname = \n");
        folder.file("empty/x.toml", "");
        let ended = spintrue(&folder, arguments);
        assert!(matches!(ended.code, Some(1 | 2)), "{arguments:?}: {:?}", ended.code);
        let told = format!("{}{}", ended.out, ended.error);
        assert!(told.contains(why), "{told}");
    }
}
