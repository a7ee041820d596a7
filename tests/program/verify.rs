//! Verifying records, batches and archives: what is edited, missing or exchanged is found, and what an older
//! version wrote is still verified. Signatures are made and checked with OpenSSL beside.

use crate::program::{Ended, command};
use crate::support::Folder;
use rusqlite::Connection;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

const SCRIPT: &str =
    "param width = 1 um\nrecord \"wide\": width\nexpect \"width\": width ± 0.1 um <= 2 um\n";

fn spintrue(folder: &Folder, arguments: &[&str]) -> (i32, String) {
    let ended = Ended::from(command(folder, arguments).output().unwrap());
    (ended.code.unwrap(), ended.all())
}

fn verify(folder: &Folder, arguments: &[&str]) -> (i32, String) {
    spintrue(folder, &[&["record", "verify"], arguments].concat())
}

#[track_caller]
fn found(folder: &Folder, arguments: &[&str], wanted: &str) {
    let (code, told) = verify(folder, arguments);
    assert!(code == 1 && told.contains(wanted), "{code}: {told}");
}

#[track_caller]
fn whole(folder: &Folder, arguments: &[&str]) -> String {
    let (code, told) = verify(folder, arguments);
    assert_eq!(code, 0, "{told}");
    told
}

fn folder(name: &str) -> Folder {
    let folder = Folder::new(&format!("verify-{name}"));
    folder.file("s.spt", SCRIPT);
    folder
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

/// Two runs with records below one folder, and one without.
fn archived(name: &str) -> Folder {
    let folder = folder(name);
    let run = ["run", "s.spt", "--archive", "a.sqlite", "--identity", "station=S3"];
    for more in [&["--record", "kept/one"][..], &["--record", "kept/two"], &[]] {
        assert_eq!(spintrue(&folder, &[&run[..], more].concat()).0, 0);
    }
    folder
}

fn sql(folder: &Folder, statements: &str) {
    let archive = Connection::open(folder.path("a.sqlite")).unwrap();
    archive.pragma_update(None, "foreign_keys", false).unwrap();
    archive.execute_batch(statements).unwrap();
}

/// Name and type of each column.
fn columns(folder: &Folder, table: &str) -> Vec<(String, String)> {
    let archive = Connection::open(folder.path("a.sqlite")).unwrap();
    let asked = format!("SELECT name, type FROM pragma_table_info('{table}')");
    let mut asked = archive.prepare(&asked).unwrap();
    let rows = asked.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.map(Result::unwrap).collect()
}

#[test]
fn an_archive_is_verified_by_itself_and_with_its_records() {
    let folder = archived("archive");
    // The digest depends on the time of day.
    let told = |more: &[&str]| {
        let told = whole(&folder, &[&["a.sqlite"], more].concat());
        let end = last_link(&told);
        told.replace(&end, "[digest]")
    };
    assert_eq!(
        told(&[]),
        "a.sqlite: 3 runs, as they were stored\n  the chain begins with run 1; after 3 links it ends in\n  [digest]\n  \
         2 of them have a record: `--records DIR` compares those, too\n"
    );
    assert!(
        told(&["--records", "kept"]).ends_with("\n  2 of them have a record, as it was written\n")
    );
}

/// Every column of every table, changed in one run alone.
#[test]
fn every_edited_cell_is_found() {
    let folder = archived("cells");
    let kept = fs::read(folder.path("a.sqlite")).unwrap();
    let mut tried = 0;
    for table in ["runs", "identity", "params", "checks", "quantities"] {
        for (column, kind) in columns(&folder, table) {
            // The number of a run says nothing, and that of its details to which one they belong.
            if column == "id" || column == "run" || column == "place" {
                continue;
            }
            let value = if kind == "TEXT" { "'other'" } else { "7" };
            let of = if table == "runs" { "id" } else { "run" };
            sql(&folder, &format!("UPDATE {table} SET {column} = {value} WHERE {of} = 2"));
            let (code, told) = verify(&folder, &["a.sqlite", "--records", "kept"]);
            assert!(code == 1 && told.contains("run 2 ("), "{table}.{column}: {told}");
            fs::write(folder.path("a.sqlite"), &kept).unwrap();
            tried += 1;
        }
    }
    assert!(tried > 40, "{tried}");
    whole(&folder, &["a.sqlite", "--records", "kept"]);
    for edit in [
        "DELETE FROM checks WHERE run = 2",
        "INSERT INTO params VALUES (2, 7, 'more', '1')",
        "UPDATE params SET run = -1 WHERE run = 2",
    ] {
        sql(&folder, edit);
        found(&folder, &["a.sqlite"], "run 2 (SIM-0001, 2");
        fs::write(folder.path("a.sqlite"), &kept).unwrap();
    }
}

/// The digest of the last link of a chain.
fn last_link(told: &str) -> String {
    let is_digest = |word: &&str| word.len() == 64 && word.chars().all(|c| c.is_ascii_hexdigit());
    told.split_whitespace().find(is_digest).unwrap().to_string()
}

/// What was deleted with all that told of it leaves a gap in the chain.
#[test]
fn what_was_deleted_leaves_a_gap() {
    let folder = archived("chain");
    let decide = |more: &[&str]| {
        let decide = ["history", "exclude", "a.sqlite", "--reason", "r", "--author", "a"];
        assert_eq!(spintrue(&folder, &[&decide[..], more].concat()).0, 0);
    };
    decide(&["1", "3"]);
    decide(&["3", "--undo"]);
    assert_eq!(spintrue(&folder, &["run", "s.spt", "--archive", "a.sqlite"]).0, 0);
    let kept = fs::read(folder.path("a.sqlite")).unwrap();
    let known = last_link(&whole(&folder, &["a.sqlite"]));
    let tables = ["identity", "params", "checks", "quantities"];
    let without = |run: u32| -> String {
        let parts = tables.map(|table| format!("DELETE FROM {table} WHERE run = {run};")).concat();
        format!("{parts} DELETE FROM runs WHERE id = {run};")
    };
    let unlinked = |place: u32| format!("DELETE FROM chain WHERE place = {place};");
    let cases = [
        (without(2), "run 2 is missing; the chain holds it"),
        (without(2) + &unlinked(2), "the links 2 to 2 of the chain are missing"),
        (
            without(2) + &unlinked(2) + "UPDATE chain SET place = place - 1 WHERE place > 2;",
            "its link of the chain, 2, was changed",
        ),
        ("UPDATE runs SET record_digest = NULL WHERE id = 2".into(), "run 2 is another than"),
        ("DELETE FROM decisions WHERE id = 2".into(), "decision 2 is missing; the chain holds it"),
        ("UPDATE decisions SET reason = 'better'".into(), "decision 1 is another than"),
        ("INSERT INTO decisions SELECT 9, made, author, reason, kind, run, label, scope, centre, deviation, unit,
            base_runs, base_from, base_to FROM decisions WHERE id = 1".into(), "decision 9 is not in the chain"),
        (unlinked(7), "run 4 is not in the chain"),
    ];
    for (edit, wanted) in cases {
        sql(&folder, &edit);
        found(&folder, &["a.sqlite"], wanted);
        fs::write(folder.path("a.sqlite"), &kept).unwrap();
    }
    // What was cut off at the end is found where it was noted how the chain ended.
    sql(&folder, &(without(4) + &unlinked(7)));
    whole(&folder, &["a.sqlite"]);
    found(&folder, &["a.sqlite", "--chain-link", &known], "the chain has no link with the digest");
    fs::write(folder.path("a.sqlite"), &kept).unwrap();
    assert_eq!(spintrue(&folder, &["run", "s.spt", "--archive", "a.sqlite"]).0, 0);
    whole(&folder, &["a.sqlite", "--chain-link", &known]);
}

#[test]
fn an_edited_missing_or_exchanged_record_is_found() {
    let folder = archived("records");
    let all = ["a.sqlite", "--records", "kept"];
    // A row whose digest was made anew, as the program itself would make it.
    folder.file("other/s.spt", SCRIPT.replace("1 um", "1.5 um"));
    let kept = fs::read(folder.path("a.sqlite")).unwrap();
    sql(&folder, "UPDATE runs SET record_digest = NULL WHERE id = 1");
    found(&folder, &all, "kept/one: the row of this record is missing");
    fs::write(folder.path("a.sqlite"), &kept).unwrap();
    sql(
        &folder,
        "UPDATE runs SET record_digest = (SELECT record_digest FROM runs r WHERE r.id = 3 - runs.id) WHERE id < 3",
    );
    found(&folder, &all, "run 1 (SIM-0001");
    fs::write(folder.path("a.sqlite"), &kept).unwrap();
    sql(&folder, "DELETE FROM runs WHERE id = 1");
    found(&folder, &all, "kept/one: the row of this record is missing");
    fs::write(folder.path("a.sqlite"), &kept).unwrap();

    let (one, aside) = (folder.path("kept/one"), folder.path("aside"));
    fs::rename(&one, &aside).unwrap();
    found(&folder, &all, "its record is missing, or was changed");
    // Another whole record in its place.
    let run = ["run", "s.spt", "--record", "kept/one", "--seed", "2"];
    assert_eq!(spintrue(&folder, &run).0, 0);
    found(&folder, &all, "its record is missing, or was changed");
    fs::remove_dir_all(&one).unwrap();
    fs::rename(&aside, &one).unwrap();
    whole(&folder, &all);
    folder.file("kept/three/UNFINISHED", "");
    found(&folder, &all, "3 runs, as they were stored; NOT ALL RECORDS ARE FINISHED");
    fs::remove_dir_all(folder.path("kept/three")).unwrap();
    let lines = format!("{one}/values.toml");
    fs::write(&lines, fs::read_to_string(&lines).unwrap().replace('1', "2")).unwrap();
    found(&folder, &all, "kept/one: values.toml was changed");
}

const LIST: &str = "serial,width\nSN-1,1 um\nSN-2,7 um\nSN-3,1.5 um\n";

#[test]
fn a_batch_is_verified_as_a_whole() {
    let folder = folder("batch");
    folder.file("heads.csv", LIST);
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
    assert_eq!(spintrue(&folder, &batch).0, 1);
    assert_eq!(
        whole(&folder, &["out"]),
        "out: a batch with 3 records, whole and as it was written\n"
    );
    let refused = verify(&folder, &["out", "--records", "out"]);
    assert!(refused.0 == 2 && refused.1.contains("is for archives"), "{}", refused.1);
    let (kept, out) = (folder.path("kept"), folder.path("out"));
    copy(out.as_ref(), kept.as_ref());
    let again = || {
        fs::remove_dir_all(&out).unwrap();
        copy(kept.as_ref(), out.as_ref());
    };
    let edit = |name: &str, from: &str, to: &str| {
        let path = format!("{out}/{name}");
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{text}");
        fs::write(path, text.replacen(from, to, 1)).unwrap();
    };
    edit("summary.csv", "SN-2,failed,1", "SN-2,passed,0");
    found(&folder, &["out"], "summary.csv was changed");
    again();
    edit(
        "journal.jsonl",
        "\"serial\":\"SN-2\",\"verdict\":\"failed\"",
        "\"serial\":\"SN-2\",\"verdict\":\"passed\"",
    );
    found(&folder, &["out"], "SN-2: this is not the record that the journal names");
    again();
    edit("SN-2/results.tap", "not ok", "ok");
    found(&folder, &["out"], "SN-2: results.tap was changed");
    again();
    fs::remove_dir_all(format!("{out}/SN-2")).unwrap();
    found(&folder, &["out"], "SN-2");
    again();
    for (from, to) in [("SN-1", "x"), ("SN-3", "SN-1"), ("x", "SN-3")] {
        fs::rename(format!("{out}/{from}"), format!("{out}/{to}")).unwrap();
    }
    found(&folder, &["out"], "SN-1: this is not the record that the journal names");
    again();
    fs::write(format!("{out}/more.txt"), "").unwrap();
    found(&folder, &["out"], "more.txt was added");
}

/// What a kill leaves was not changed, and a summary of before is not whole.
#[test]
fn a_batch_that_was_cut_off_is_not_finished() {
    let folder = folder("batch-cut-off");
    folder.file("heads.csv", "serial,width\nSN-1,1 um\n");
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
    assert_eq!(spintrue(&folder, &batch).0, 0);
    whole(&folder, &["out"]);
    let names = ["summary.csv", "junit.xml", "report.html"].map(|name| format!("out/{name}"));
    let before = names.each_ref().map(|name| folder.read(name));
    folder.file("heads.csv", LIST);
    assert_eq!(spintrue(&folder, &batch).0, 1);
    // Cut off in the third head: neither its end nor the new summary is there.
    let journal = folder.read("out/journal.jsonl");
    folder.file("out/journal.jsonl", &journal[..journal.rfind("{\"event\":\"done\"").unwrap()]);
    names.iter().zip(before).for_each(|(name, text)| drop(folder.file(name, text)));
    fs::remove_dir_all(folder.path("out/SN-3")).unwrap();
    assert_eq!(
        verify(&folder, &["out"]),
        (
            1,
            "out: a batch with 2 records, as it was written, and NOT FINISHED\n  \
             the summary does not have how SN-2 ended; it is written when the batch command ends\n  \
             SN-3: begun and not finished\n  \
             where no batch is running, the same batch command goes on, and writes the summary\n"
                .to_string()
        )
    );
    assert_eq!(spintrue(&folder, &batch).0, 1);
    whole(&folder, &["out"]);
}

/// As an older version wrote them: a batch with its record and archive, which knew no identity.
#[test]
fn what_an_older_version_wrote_is_verified() {
    let folder = folder("older");
    copy("tests/data/older".as_ref(), folder.path("old").as_ref());
    let told = whole(&folder, &["old/batch/OLD-2"]);
    assert!(told.contains("verdict: failed"), "{told}");
    whole(&folder, &["old/batch"]);
    let told = whole(&folder, &["old/archive.sqlite"]);
    assert!(told.contains("2 of them were stored by an older version, without a digest"), "{told}");
    // What is added now has its digest.
    assert_eq!(spintrue(&folder, &["run", "s.spt", "--archive", "old/archive.sqlite"]).0, 0);
    let told = whole(&folder, &["old/archive.sqlite"]);
    assert!(told.contains("3 runs") && told.contains("2 of them were"), "{told}");
    assert!(told.contains("the chain begins with run 3; after 1 link it ends in"), "{told}");
    let (code, told) = spintrue(&folder, &["record", "show", "old/batch/OLD-2"]);
    assert!(code == 0 && told.contains("whole and as it was written"), "{told}");
    let path = folder.path("old/batch/OLD-2/record.json");
    fs::write(&path, fs::read_to_string(&path).unwrap().replace("\"seed\": 1", "\"seed\": 2"))
        .unwrap();
    found(&folder, &["old/batch/OLD-2"], "its digest does not fit it");
}

/// Who and what took part stands in every file for people and machines.
#[test]
fn identities_are_in_record_archive_and_tables() {
    let folder = folder("identity");
    folder.file("heads.csv", LIST);
    let named = ["--operator", "day", "--identity", "station=S3", "--identity", "gauge=G-7"];
    let batch =
        ["batch", "s.spt", "--list", "heads.csv", "--record", "out", "--archive", "a.sqlite"];
    assert_eq!(spintrue(&folder, &[&batch[..], &named].concat()).0, 1);
    let record: Value = serde_json::from_str(&folder.read("out/SN-1/record.json")).unwrap();
    let identity = &record["identity"];
    assert_eq!(identity["operator"], "day");
    for (name, value) in [("station", "S3"), ("gauge", "G-7"), ("address", "sim")] {
        assert_eq!(identity["named"][name], value);
    }
    let known = |name: &str| identity["named"][name].as_str().unwrap().to_string();
    assert!(known("clock").contains("virtual") && known("description").len() == 64);
    assert!(!known("host").is_empty() && !known("commit").is_empty());
    let (_, exported) = spintrue(&folder, &["history", "export", "a.sqlite", "--format", "csv"]);
    let (_, lines) = spintrue(&folder, &["history", "export", "a.sqlite", "--format", "jsonl"]);
    let run: Value = serde_json::from_str(lines.lines().next().unwrap()).unwrap();
    assert_eq!(run["record_digest"], record["digest"]);
    assert_eq!(run["row_digest"], record["archive_row"]);
    let mut pairs: Vec<(String, String)> = identity["named"]
        .as_object()
        .unwrap()
        .iter()
        .map(|(name, value)| (name.clone(), value.as_str().unwrap().to_string()))
        .collect();
    let script = identity["sources"][0]["sha256"].as_str().unwrap();
    pairs.push(("sha256 s.spt".to_string(), script.to_string()));
    for (name, value) in &pairs {
        assert!(exported.contains(&format!(",identity,{name},")), "{exported}");
        let in_row = serde_json::json!({"name": name, "value": value});
        assert!(run["identity"].as_array().unwrap().contains(&in_row), "{run}");
        let property = format!("name=\"{name}\" value=\"{value}\"");
        assert!(folder.read("out/SN-1/junit.xml").contains(&property), "{property}");
        assert!(folder.read("out/SN-1/report.html").contains(value), "{value}");
    }
    let summary = folder.read("out/summary.csv");
    let head = summary.lines().next().unwrap();
    for column in
        ["operator", "address", "clock", "commit", "description", "gauge", "host", "station"]
    {
        assert!(head.split(',').any(|name| name == column), "{head}");
    }
    let (_, list) = spintrue(&folder, &["history", "a.sqlite", "--identity", "station=S3"]);
    assert_eq!(list.matches("SN-").count(), 3, "{list}");
    let both = ["--identity", "station=S3", "--identity", "gauge=G-8"];
    let (_, list) = spintrue(&folder, &[&["history", "a.sqlite"][..], &both].concat());
    assert_eq!(list, "no such runs\n");
}

#[test]
fn wrong_identities_and_keys_are_refused() {
    let folder = folder("refused");
    folder.file("heads.csv", LIST);
    let public = folder.file(
        "public.pem",
        "-----BEGIN PUBLIC KEY-----\nMCowBQYDK2VwAyEA\n-----END PUBLIC KEY-----\n",
    );
    let public = public.display().to_string();
    let cases: [(&[&str], &str); 9] = [
        (&["--identity", "station"], "such as station=S3"),
        (&["--identity", "Station=1"], "small letters"),
        (&["--identity", "station= 1"], "blanks around it"),
        (&["--identity", "host=x"], "found out by spintrue itself"),
        (&["--identity", "operator=x"], "an option of its own"),
        (&["--identity", "a=1", "--identity", "a=2"], "is given twice"),
        (&["--sign", "none.pem"], "there is no file none.pem"),
        (&["--sign", "s.spt"], "s.spt"),
        (&["--sign", "public.pem"], "public.pem"),
    ];
    for (more, wanted) in cases {
        for command in [
            &["run", "s.spt", "--record", "r"][..],
            &["batch", "s.spt", "--list", "heads.csv", "--record", "r"],
        ] {
            let (code, told) = spintrue(&folder, &[command, more].concat());
            assert!(code == 2 && told.contains(wanted), "{code}: {told}");
            assert!(!Path::new(&folder.path("r")).exists(), "{told}");
        }
    }
    assert_eq!(spintrue(&folder, &["run", "s.spt", "--record", "r"]).0, 0);
    let (code, told) = verify(&folder, &["r", "--public-key", &public]);
    assert!(code == 2 && told.contains("is no public key for Ed25519"), "{told}");
    let (code, told) = spintrue(&folder, &["run", "s.spt", "--identity", "station=S3"]);
    assert!(code == 2 && told.contains("--record"), "{told}");
}

#[cfg(unix)]
mod signed {
    use super::{Command, Folder, Path, folder, found, fs, spintrue, verify, whole};
    use std::os::unix::fs::PermissionsExt;

    fn openssl(folder: &Folder, arguments: &[&str]) -> bool {
        let ran = Command::new("openssl").args(arguments).current_dir(&folder.0).output();
        ran.unwrap().status.success()
    }

    /// A folder with two pairs of keys; OpenSSL makes them readable by their owner alone.
    fn keys(name: &str) -> Folder {
        let folder = folder(name);
        for key in ["own", "other"] {
            let (private, public) = (format!("{key}.pem"), format!("{key}-public.pem"));
            assert!(openssl(&folder, &["genpkey", "-algorithm", "ed25519", "-out", &private]));
            assert!(openssl(&folder, &["pkey", "-in", &private, "-pubout", "-out", &public]));
        }
        folder
    }

    const RUN: [&str; 6] = ["run", "s.spt", "--record", "r", "--sign", "own.pem"];

    /// OpenSSL accepts what was signed here, and this program what OpenSSL signed.
    #[test]
    fn signatures_are_those_of_openssl() {
        let folder = keys("openssl");
        assert_eq!(spintrue(&folder, &RUN).0, 0);
        let told = whole(&folder, &["r"]);
        assert!(told.contains("\n  signed by the key MCowBQYDK2VwAyEA"), "{told}");
        let told = whole(&folder, &["r", "--public-key", "own-public.pem"]);
        assert!(told.contains("signed by the key of own-public.pem"), "{told}");
        let check = |key: &str| {
            let verify = ["pkeyutl", "-verify", "-pubin", "-inkey", key, "-rawin"];
            let files = ["-in", "r/record.json", "-sigfile", "r/record.json.sig"];
            openssl(&folder, &[&verify[..], &files].concat())
        };
        assert!(check("own-public.pem") && !check("other-public.pem"));
        let sign = ["pkeyutl", "-sign", "-inkey", "own.pem", "-rawin", "-in", "r/record.json"];
        fs::remove_file(folder.path("r/record.json.sig")).unwrap();
        assert!(openssl(&folder, &[&sign[..], &["-out", "r/record.json.sig"]].concat()));
        whole(&folder, &["r", "--public-key", "own-public.pem"]);
    }

    #[test]
    fn a_signature_of_another_key_or_text_is_found() {
        let folder = keys("wrong");
        assert_eq!(spintrue(&folder, &RUN).0, 0);
        found(&folder, &["r", "--public-key", "other-public.pem"], "signed by another key");
        let path = folder.path("r/record.json.sig");
        let good = fs::read(&path).unwrap();
        assert_eq!(good.len(), 64);
        for at in 0..64 {
            let mut bytes = good.clone();
            bytes[at] ^= 1;
            fs::write(&path, bytes).unwrap();
            found(&folder, &["r"], "record.json.sig is no signature of record.json");
        }
        fs::write(&path, [&good[..], b"\n"].concat()).unwrap();
        found(&folder, &["r"], "record.json.sig is no signature");
        fs::remove_file(&path).unwrap();
        found(&folder, &["r"], "record.json.sig is no signature");
        // A record that says it is not signed has none.
        assert_eq!(spintrue(&folder, &["run", "s.spt", "--record", "plain"]).0, 0);
        fs::write(folder.path("plain/record.json.sig"), &good).unwrap();
        found(&folder, &["plain"], "record.json.sig was added");
        fs::remove_file(folder.path("plain/record.json.sig")).unwrap();
        found(&folder, &["plain", "--public-key", "own-public.pem"], "it is not signed");
    }

    #[test]
    fn a_key_that_others_can_read_is_refused() {
        let folder = keys("rights");
        for mode in [0o640, 0o604, 0o620, 0o644] {
            let rights = fs::Permissions::from_mode(mode);
            fs::set_permissions(folder.path("own.pem"), rights).unwrap();
            let (code, told) = spintrue(&folder, &RUN);
            assert!(code == 2 && told.contains("chmod 600"), "{told}");
            assert!(!Path::new(&folder.path("r")).exists());
        }
        fs::set_permissions(folder.path("own.pem"), fs::Permissions::from_mode(0o400)).unwrap();
        assert_eq!(spintrue(&folder, &RUN).0, 0);
        let encrypt =
            ["pkey", "-in", "other.pem", "-aes256", "-passout", "pass:x", "-out", "enc.pem"];
        assert!(openssl(&folder, &encrypt));
        let (code, told) =
            spintrue(&folder, &["run", "s.spt", "--record", "e", "--sign", "enc.pem"]);
        assert!(code == 2 && told.contains("is encrypted"), "{told}");
        assert!(openssl(&folder, &["genpkey", "-algorithm", "x25519", "-out", "x.pem"]));
        let (code, told) = spintrue(&folder, &["run", "s.spt", "--record", "e", "--sign", "x.pem"]);
        assert!(code == 2 && told.contains("openssl genpkey -algorithm ed25519"), "{told}");
    }

    #[test]
    fn records_of_a_batch_are_signed() {
        let folder = keys("batch");
        folder.file("heads.csv", super::LIST);
        let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
        let more = ["--sign", "own.pem", "--archive", "a.sqlite"];
        assert_eq!(spintrue(&folder, &[&batch[..], &more].concat()).0, 1);
        let key = ["--public-key", "own-public.pem"];
        whole(&folder, &[&["out"], &key[..]].concat());
        whole(&folder, &[&["a.sqlite", "--records", "out"], &key[..]].concat());
        found(
            &folder,
            &["out", "--public-key", "other-public.pem"],
            "SN-3: it is signed by another",
        );
        let (code, _) =
            verify(&folder, &["a.sqlite", "--records", "out", "--public-key", "other-public.pem"]);
        assert_eq!(code, 1);
    }
}
