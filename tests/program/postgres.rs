//! Archives on a real PostgreSQL server: that they tell the same as files do, byte by byte, and
//! whatever can go wrong with one. `tests/extra/postgres.sh` starts the server and runs this.

use crate::support::Folder;
use rusqlite::Connection;
use std::fs;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

const SCRIPT: &str = "\
param seen = 2 um
record \"width\": seen in nm
record \"'); DROP TABLE runs; --\": 3
record \"Größe 面 <b>\": 1.5
expect \"width\": seen ± 0.1 um within 1 um .. 3 um
";

const ADMIN: &str = "secret of admin";

fn given(name: &str) -> String {
    std::env::var(name).unwrap_or_else(|_| panic!("run tests/extra/postgres.sh"))
}

fn port() -> String {
    given("SPINTRUE_POSTGRES_PORT")
}

/// A database of its own on the server, and a folder.
struct Place {
    folder: Folder,
    database: String,
    url: String,
}

impl Place {
    fn new(name: &str) -> Place {
        let folder = Folder::new(&format!("postgres-{name}"));
        folder.file("s.spt", SCRIPT);
        let database = format!("runs_{name}");
        sql("postgres", &format!("DROP DATABASE IF EXISTS {database}"));
        sql("postgres", &format!("CREATE DATABASE {database}"));
        let url = format!("postgres://admin@127.0.0.1:{}/{database}", port());
        Place { folder, database, url }
    }

    fn sql(&self, statements: &str) -> String {
        sql(&self.database, statements)
    }

    fn count(&self, table: &str) -> i64 {
        self.sql(&format!("SELECT count(*) FROM {table}")).parse().unwrap()
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
        command.current_dir(&self.folder.0).args(arguments).env("PGPASSWORD", ADMIN);
        command
    }

    /// Exit code, standard output and standard error. No password is in them.
    fn spintrue(&self, arguments: &[&str]) -> (i32, String, String) {
        ended(self.command(arguments))
    }

    /// Refused with exit code 2 and these words, before anything is run.
    #[track_caller]
    fn refused(&self, arguments: &[&str], words: &str) {
        let (code, out, error) = self.spintrue(arguments);
        assert_eq!((code, out.as_str()), (2, ""), "{error}");
        assert!(error.contains(words), "`{words}` is not in:\n{error}");
    }

    fn run(&self) -> [&str; 4] {
        ["run", "s.spt", "--archive", &self.url]
    }

    #[track_caller]
    fn stored(&self) {
        let (code, _, error) = self.spintrue(&self.run());
        assert_eq!((code, error.as_str()), (0, ""));
    }

    /// Has the server do this before each quantity that is stored, once tries are over.
    fn before_quantities(&self, what: &str) {
        self.sql(&format!(
            "CREATE FUNCTION before() RETURNS trigger LANGUAGE plpgsql AS $$
                BEGIN {what}; RETURN new; END $$;
            CREATE TRIGGER before BEFORE INSERT ON quantities FOR EACH ROW
                WHEN (new.label <> '') EXECUTE FUNCTION before()"
        ));
    }

    /// The run that is being stored, once the server is at that.
    fn storing(&self, statement: &str) -> String {
        let sql = format!(
            "SELECT pid FROM pg_stat_activity WHERE application_name = 'spintrue'
                AND datname = '{}' AND state = 'active' AND query LIKE '{statement}%'",
            self.database
        );
        let since = Instant::now();
        while since.elapsed() < Duration::from_secs(30) {
            let found = self.sql(&sql);
            if !found.is_empty() {
                return found;
            }
            sleep(Duration::from_millis(20));
        }
        panic!("no run is being stored");
    }
}

fn ended(mut command: Command) -> (i32, String, String) {
    let output = command.output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    let (out, error) = (text(output.stdout), text(output.stderr));
    assert!(!error.contains("panicked"), "{error}");
    assert!(!out.contains("secret") && !error.contains("secret"), "{out}{error}");
    (output.status.code().unwrap(), out, error)
}

/// What psql answers.
#[track_caller]
fn sql(database: &str, statements: &str) -> String {
    let folder = given("SPINTRUE_POSTGRES");
    let output = Command::new(given("SPINTRUE_PSQL"))
        .args(["-h", &folder, "-p", &port(), "-U", "admin", "-d", database])
        .args(["-XqAt", "-v", "ON_ERROR_STOP=1", "-c", statements])
        .env("PGPASSWORD", ADMIN)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim_end().to_string()
}

/// Starts or stops the server.
fn server(what: &str) {
    let program = format!("{}/{what}", given("SPINTRUE_POSTGRES"));
    let mut command = Command::new(program);
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    assert!(command.status().unwrap().success(), "{what}");
}

#[test]
#[ignore = "needs a server"]
fn both_stores_tell_the_same() {
    let place = Place::new("same");
    let stores = ["a.sqlite", place.url.as_str()];
    let head = "[head]\nserial = \"a'); DROP TABLE runs; --\"\n";
    place.folder.file("head.toml", head);
    let mut runs: Vec<Vec<String>> = Vec::new();
    let line = |text: &str| text.split('|').map(str::to_string).collect::<Vec<_>>();
    for seed in 1..=12 {
        runs.push(line(&format!(
            "SCRIPTS/bring_up.spt|--seed|{seed}|--operator|shift {}",
            seed % 3
        )));
    }
    for width in [2.0, 2.1, 1.9, 3.05, 9.0, 2.2] {
        runs.push(line(&format!("s.spt|--set|seen={width} um")));
    }
    runs.push(line("s.spt|--head|sim:head.toml?seed=18446744073709551615|--fault|lock_lost@1h"));
    runs.push(line("SCRIPTS/bring_up.spt|--fault|lock_lost@12s|--operator|Ünïque 面"));
    let scripts = format!("{}/scripts", env!("CARGO_MANIFEST_DIR"));
    for run in &runs {
        let codes = stores.map(|store| {
            let run = run.iter().map(|part| part.replace("SCRIPTS", &scripts));
            let mut arguments: Vec<String> = vec!["run".to_string()];
            arguments.extend(run.chain(["--archive".to_string(), store.to_string()]));
            let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
            place.spintrue(&arguments).0
        });
        assert_eq!(codes[0], codes[1], "{run:?}");
    }
    for store in stores {
        let (code, out, _) = place.spintrue(&["record", "verify", store]);
        assert!(code == 0 && out.contains("20 runs, as they were stored"), "{out}");
    }
    // The clock alone tells the runs of one from those of the other. Two share a time.
    let file = Connection::open(place.folder.path("a.sqlite")).unwrap();
    let started = "UPDATE runs SET started = strftime('%Y-%m-%dT%H:%M:%S.000Z',
        '2026-01-01 12:00:00', '+' || (id - id / 7) || ' days')";
    file.execute(started, []).unwrap();
    place.sql(
        "UPDATE runs SET started = to_char(timestamp '2026-01-01 12:00:00'
            + (id - id / 7) * interval '1 day', 'YYYY-MM-DD\"T\"HH24:MI:SS\".000Z\"')",
    );
    for store in stores {
        let (code, out, _) = place.spintrue(&["record", "verify", store]);
        assert!(code == 1 && out.matches("its row was changed").count() == 20, "{out}");
    }
    // The digests are still those of the other times.
    file.execute("UPDATE runs SET row_digest = NULL", []).unwrap();
    place.sql("UPDATE runs SET row_digest = NULL");
    let mut said = 0;
    let mut same = |arguments: &[&str]| {
        let answers = stores.map(|store| {
            let arguments: Vec<&str> =
                arguments.iter().map(|part| if *part == "STORE" { store } else { part }).collect();
            let (code, out, error) = place.spintrue(&arguments);
            let page = fs::read_to_string(place.folder.path("t.html")).unwrap_or_default();
            (code, out, error, page)
        });
        assert_eq!(answers[0], answers[1], "{arguments:?}");
        assert_eq!(answers[0].0, 0, "{}", answers[0].2);
        said += answers[0].1.len();
        answers[0].1.lines().count()
    };
    let filters: [&[&str]; 12] = [
        &["--model", "ten-facet demonstration head (invented)", "--identity", "attempt=2"],
        &[
            "--identity",
            concat!("version=", env!("CARGO_PKG_VERSION")),
            "--identity",
            "day=2026-01-04",
        ],
        &[],
        &["--limit", "5"],
        &["--operator", "shift 1"],
        &["--operator", "Ünïque 面"],
        &["--serial", "a'); DROP TABLE runs; --"],
        &["--script", "s.spt", "--verdict", "failed"],
        &["--verdict", "undecided"],
        &["--since", "2026-01-04", "--until", "2026-01-09"],
        &["--operator", "' OR 1=1 --"],
        &["--since", "2026-01-05T13:00:00+02:00", "--limit", "3"],
    ];
    for filter in filters {
        same(&[&["history", "STORE"], filter].concat());
        for format in ["csv", "jsonl"] {
            same(&[&["history", "export", "STORE", "--format", format], filter].concat());
        }
    }
    for by in [&[][..], &["--by", "day,attempt"], &["--by", "operator,script,model,month"]] {
        same(&[&["history", "yield", "STORE"], by].concat());
        same(&[&["history", "failing", "STORE", "--with-simulated"], by].concat());
    }
    let by = ["--by", "operator,script,model,month"];
    same(&[&["history", "trend", "STORE", "--with-simulated", "width"], &by[..]].concat());
    same(&["history", "yield", "STORE", "--since", "2026-01-05"]);
    same(&["history", "failing", "STORE"]);
    assert_eq!(same(&["history", "STORE", "--operator", "shift 1"]), 5);
    assert_eq!(same(&["history", "export", "STORE", "--format", "jsonl"]), runs.len());
    let trend = ["history", "trend", "STORE", "--with-simulated"];
    same(
        &[&trend[..], &["width", "--high", "3um", "--every", "3", "--html", "t.html", "--force"]]
            .concat(),
    );
    same(&[&trend[..], &["worst in-scan", "--low", "0um", "--high", "6um"]].concat());
    same(&[&trend[..], &["worst in-scan", "--limit", "4"]].concat());
    same(&[&trend[..], &["worst in-scan", "--operator", "shift 2"]].concat());
    same(&[&trend[..], &["'); DROP TABLE runs; --"]].concat());
    let signed = ["--reason", "gauge not warm: it's 面", "--author", "A. Name"];
    same(&[&["history", "exclude", "STORE", "13", "14"], &signed[..]].concat());
    same(&[&["history", "exclude", "STORE", "14", "--undo"], &signed[..]].concat());
    let freeze = ["history", "freeze", "STORE", "worst in-scan", "--with-simulated"];
    same(&[&freeze[..], &["--by", "operator"], &signed].concat());
    let made = "2026-02-03T04:05:06.000Z";
    file.execute("UPDATE decisions SET made = $1", [made]).unwrap();
    place.sql(&format!("UPDATE decisions SET made = '{made}'"));
    same(&["history", "decisions", "STORE"]);
    same(&["history", "STORE"]);
    same(&["history", "export", "STORE", "--format", "jsonl"]);
    same(&[&trend[..], &["width"]].concat());
    same(&[&trend[..], &["worst in-scan", "--by", "operator"]].concat());
    same(&[&freeze[..], &["--by", "operator", "--undo"], &signed].concat());
    assert!(said > 50_000, "{said}");
    let wrong = stores.map(|store| place.spintrue(&["history", "trend", store, "wdth"]));
    assert!(wrong[0].2.contains("labels like it") && wrong[0] == wrong[1], "{wrong:?}");
}

#[test]
#[ignore = "needs a server"]
fn both_schemas_have_the_same_columns() {
    let place = Place::new("columns");
    place.stored();
    place.spintrue(&["run", "s.spt", "--archive", "a.sqlite"]);
    let file = Connection::open(place.folder.path("a.sqlite")).unwrap();
    let read = |sql: &str| -> Vec<String> {
        let mut query = file.prepare(sql).unwrap();
        let rows = query.query_map([], |row| row.get::<_, String>(0)).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    };
    let columns = read(
        "SELECT t.name || ' ' || c.name || ' ' || lower(c.type) || ' ' || (c.\"notnull\" OR c.pk > 0)
        FROM sqlite_schema t JOIN pragma_table_info(t.name) c
        WHERE t.type = 'table' ORDER BY t.name, c.cid",
    );
    let own = place.sql(
        "SELECT table_name || ' ' || column_name || ' ' || data_type || ' '
            || CASE is_nullable WHEN 'NO' THEN 1 ELSE 0 END FROM information_schema.columns
        WHERE table_schema = 'public' AND table_name <> 'spintrue_archive'
        ORDER BY table_name, ordinal_position",
    );
    let columns: Vec<String> = columns
        .iter()
        .map(|line| line.replace(" integer ", " bigint ").replace(" real ", " double precision "))
        .collect();
    assert_eq!(own.lines().collect::<Vec<_>>(), columns);
    assert!(columns.len() > 40, "{columns:?}");
    let indexes = read(
        "SELECT i.name || ' ' || (SELECT group_concat(name, ', ') FROM pragma_index_info(i.name))
        FROM sqlite_schema t JOIN pragma_index_list(t.name) i
        WHERE t.type = 'table' AND i.origin = 'c' ORDER BY i.name",
    );
    let own = place.sql(
        "SELECT indexname || ' ' || regexp_replace(indexdef, '.*USING btree \\(([^)]*)\\).*', '\\1') FROM pg_indexes
        WHERE schemaname = 'public' AND indexname NOT LIKE '%pkey' ORDER BY indexname",
    );
    assert_eq!(own.lines().collect::<Vec<_>>(), indexes);
    let version: i64 = file.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    assert_eq!(place.sql("SELECT version FROM spintrue_archive"), version.to_string());
}

fn all_pass(place: &Place, stations: usize) {
    let mut stations: Vec<Child> = (0..stations)
        .map(|_| place.command(&place.run()).stdout(Stdio::null()).spawn().unwrap())
        .collect();
    for station in &mut stations {
        assert_eq!(station.wait().unwrap().code(), Some(0));
    }
}

#[test]
#[ignore = "needs a server"]
fn several_stations_write_at_once_and_make_the_schema_once() {
    let place = Place::new("many");
    for _ in 0..5 {
        all_pass(&place, 16);
    }
    assert_eq!((place.count("runs"), place.count("quantities")), (80, 240));
    assert_eq!(
        place.sql("SELECT string_agg(DISTINCT version::text, ' ') FROM spintrue_archive"),
        "6"
    );
    let (code, out, _) = place.spintrue(&["history", &place.url, "--limit", "100"]);
    assert_eq!((code, out.lines().count()), (0, 81));
    // Their links follow each other.
    let (code, out, _) = place.spintrue(&["record", "verify", &place.url]);
    assert!(code == 0 && out.contains("after 80 links it ends in"), "{out}");
    // Numbers in a row, for a try uses none up.
    assert_eq!(place.sql("SELECT min(id) || ' ' || max(id) FROM runs"), "1 80");
}

/// As the first version made it.
const BACK: &str = "DROP TABLE chain; DROP TABLE decisions; DROP INDEX runs_by_head; DROP INDEX runs_cut_short;
    DROP INDEX checks_to_count; ALTER TABLE runs DROP COLUMN operator; ALTER TABLE runs DROP COLUMN provoked;
    ALTER TABLE runs DROP COLUMN row_digest; ALTER TABLE runs DROP COLUMN record_digest; DROP TABLE identity;
    UPDATE spintrue_archive SET version = 1";

#[test]
#[ignore = "needs a server"]
fn stations_of_a_newer_version_bring_it_up_to_date_once() {
    let place = Place::new("steps");
    place.stored();
    place.sql(BACK);
    all_pass(&place, 8);
    assert_eq!((place.count("runs"), place.sql("TABLE spintrue_archive")), (9, "6".to_string()));
    place.sql(BACK);
    let (code, out, error) = place.spintrue(&["history", &place.url]);
    assert_eq!((code, out.lines().count(), error.as_str()), (0, 10, ""));
    // Tried first, then done.
    place.sql(BACK);
    let upgrade = |more: &[&str]| {
        let (code, out, error) =
            place.spintrue(&[&["history", "upgrade", &place.url], more].concat());
        assert_eq!((code, error.as_str()), (0, ""));
        out
    };
    let out = upgrade(&["--dry-run"]);
    assert!(
        out.contains("has schema version 1; 5 steps to version 6 were tried and rolled back"),
        "{out}"
    );
    assert_eq!(place.sql("TABLE spintrue_archive"), "1");
    assert_eq!(place.sql("SELECT count(*) FROM pg_tables WHERE tablename = 'chain'"), "0");
    let out = upgrade(&[]);
    assert!(out.contains("has schema version 6 now, it had 1"), "{out}");
    assert!(upgrade(&["--dry-run"]).contains("has schema version 6, the newest"));
    // A step that fails changes nothing.
    place.sql(&format!("{BACK}; CREATE INDEX runs_by_operator ON runs (model)"));
    place.refused(&place.run(), "runs_by_operator");
    place.refused(&["history", "upgrade", &place.url, "--dry-run"], "runs_by_operator");
    assert_eq!(place.sql("TABLE spintrue_archive"), "1");
    let columns = "SELECT count(*) FROM information_schema.columns WHERE column_name = 'operator'";
    assert_eq!(place.sql(columns), "0");
    place.sql("UPDATE spintrue_archive SET version = 99");
    place.refused(&place.run(), "has schema version 99");
    place.refused(&["history", &place.url], "has schema version 99");
    assert_eq!(place.count("runs"), 9);
}

#[test]
#[ignore = "needs a server"]
fn what_is_no_archive_is_left_alone() {
    let place = Place::new("foreign");
    place.refused(&["history", &place.url], "there is no archive in postgres://admin@127.0.0.1");
    place.refused(
        &["history", "upgrade", &place.url],
        "there is no archive in postgres://admin@127",
    );
    assert_eq!(place.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'"), "0");
    place.sql("CREATE TABLE checks (mine text)");
    place.refused(&place.run(), "has a table `checks` of something else");
    place.refused(&["history", &place.url], "has a table `checks` of something else");
    assert_eq!(place.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'"), "1");
    // Beside it, in a schema of its own.
    place.sql("CREATE SCHEMA station");
    let own = format!("{}?options=-csearch_path=station", place.url);
    let (code, _, error) = place.spintrue(&["run", "s.spt", "--archive", &own]);
    assert_eq!((code, error.as_str()), (0, ""));
    assert_eq!((place.count("station.runs"), place.count("checks")), (1, 0));
    let none = format!("{}?options=-csearch_path%3Dnone", place.url);
    place.refused(&["run", "s.spt", "--archive", &none], "search path");
}

/// Certificates of two authorities lie beside the server; one of the first is the server's, for 127.0.0.1.
#[test]
#[ignore = "needs a server: tests/extra/postgres.sh"]
fn a_server_is_spoken_to_encrypted_and_only_if_it_is_the_right_one() {
    let place = Place::new("encrypted");
    let authority = |name: &str| format!("{}/{name}.pem", given("SPINTRUE_POSTGRES"));
    let with = |options: &str| format!("{}?{options}", place.url);
    let known = with(&format!("sslmode=verify-full&sslrootcert={}", authority("known")));
    let (code, _, error) = place.spintrue(&["run", "s.spt", "--archive", &known]);
    assert_eq!((code, error.as_str()), (0, ""));
    let (code, out, _) = place.spintrue(&["history", &known]);
    assert!(code == 0 && out.contains("s.spt"), "{out}");
    // That it is encrypted, the server says.
    place.sql("CREATE ROLE far LOGIN PASSWORD 'secret of admin'; GRANT SELECT ON ALL TABLES IN SCHEMA public TO far");
    let far = |address: &str| address.replace("admin@", "far@");
    assert_eq!(place.spintrue(&["history", &far(&known)]).0, 0);
    place.refused(&["history", &far(&with("sslmode=disable"))], "`?sslmode=verify-full` gives it");
    let wrong = with(&format!("sslmode=verify-full&sslrootcert={}", authority("other")));
    place.refused(&["history", &wrong], "the authority's certificate by `?sslrootcert=FILE`");
    place.refused(&["history", &with("sslmode=verify-full")], "certificate");
    let named = known.replace("127.0.0.1", "localhost");
    place.refused(&["history", &named], "name the host as its certificate does");
    for (file, told) in [
        (authority("none"), "No such file"),
        (authority("server").replace("pem", "key"), "it has none"),
    ] {
        let address = with(&format!("sslrootcert={file}"));
        place.refused(&["history", &address], told);
    }
    place.refused(
        &["history", &with("sslmode=require")],
        "does not keep a password from a wrong server",
    );
    place.sql("DROP OWNED BY far; DROP ROLE far");
}

/// The statements of docs/history.md, in their order.
#[test]
#[ignore = "needs a server"]
fn the_roles_of_the_page_may_do_what_it_says() {
    let place = Place::new("three_roles");
    let page = fs::read_to_string(crate::support::root().join("docs/history.md")).unwrap();
    let block = page.split("```sql\n").nth(1).unwrap().split("```").next().unwrap();
    let (before, after) = block.split_once("-- then run once as archive_owner").unwrap();
    place.sql(before);
    place.sql(&format!("ALTER ROLE archive_owner PASSWORD '{ADMIN}'"));
    let as_role = |role: &str| place.url.replace("admin@", &format!("{role}@"));
    let store = |role: &str| place.spintrue(&["run", "s.spt", "--archive", &as_role(role)]);
    assert_eq!(store("archive_owner").0, 0);
    place.sql(after);
    for role in ["station_3", "quality"] {
        place.sql(&format!("ALTER ROLE {role} PASSWORD '{ADMIN}'"));
    }
    assert_eq!((store("station_3").0, store("quality").0), (0, 2));
    let decision = ["--reason", "tried", "--author", "A. Name"];
    let exclude = |role: &str| {
        let address = as_role(role);
        place.spintrue(&[&["history", "exclude", &address, "1"][..], &decision].concat())
    };
    assert_eq!((exclude("station_3").0, exclude("quality").0), (0, 2));
    for role in ["station_3", "quality"] {
        let (code, out, _) = place.spintrue(&["history", &as_role(role)]);
        assert_eq!((code, out.matches("s.spt").count()), (0, 2), "{role}: {out}");
        let may = |what: &str| {
            place.sql(&format!("SELECT has_table_privilege('{role}', 'runs', '{what}')"))
        };
        assert_eq!((may("UPDATE"), may("DELETE")), ("f".to_string(), "f".to_string()));
    }
    for role in ["station_3", "quality", "archive_writer", "archive_reader", "archive_owner"] {
        place.sql(&format!("DROP OWNED BY {role}; DROP ROLE {role}"));
    }
}

#[test]
#[ignore = "needs a server"]
fn who_may_not_is_refused_without_a_word_of_the_password() {
    let place = Place::new("roles");
    place.stored();
    let at = format!("127.0.0.1:{}/{}", port(), place.database);
    let with = |user: &str, password: &str| format!("postgres://{user}:{password}@{at}");
    place.sql("DROP ROLE IF EXISTS reader; CREATE ROLE reader LOGIN PASSWORD 'secret/reader'");
    let reader = with("reader", "secret%2Freader");
    place.refused(&["history", &reader], "SELECT");
    place.sql("GRANT SELECT ON ALL TABLES IN SCHEMA public TO reader");
    assert_eq!(place.spintrue(&["history", &reader]).0, 0);
    let trend = place.spintrue(&["history", "export", &reader, "--format", "csv"]);
    assert_eq!((trend.0, trend.1.lines().count()), (0, 14));
    place.refused(&["run", "s.spt", "--archive", &reader], "grant reader what is missing");
    place.sql("ALTER ROLE reader SET default_transaction_read_only = on; GRANT INSERT ON ALL TABLES IN SCHEMA public TO reader");
    place.refused(&["run", "s.spt", "--archive", &reader], "may only be read");
    place.sql("ALTER ROLE reader RESET ALL");
    let (code, _, error) = place.spintrue(&["run", "s.spt", "--archive", &reader]);
    assert_eq!((code, error.as_str()), (0, ""));
    place.sql(BACK);
    place.refused(&["history", &reader], "must be owner of table runs");
    let wrong = "give the password of admin in the environment, in PGPASSWORD";
    place.refused(&["run", "s.spt", "--archive", &with("admin", "secret%20")], wrong);
    let mut without = place.command(&["history", &place.url]);
    without.env_remove("PGPASSWORD");
    let (code, _, error) = ended(without);
    assert!(code == 2 && error.contains("in PGPASSWORD"), "{error}");
    place.refused(&["history", &format!("{}x", place.url)], "such as with createdb");
    // The url has the password before the environment.
    let mut right = place.command(&["history", &with("admin", "secret%20of%20admin")]);
    right.env("PGPASSWORD", "wrong");
    assert_eq!(ended(right).0, 0);
}

#[test]
#[ignore = "needs a server"]
fn a_record_and_a_socket_keep_the_password_to_themselves() {
    let place = Place::new("socket");
    let socket = given("SPINTRUE_POSTGRES").replace('/', "%2F");
    let address =
        format!("postgres://admin:secret%20of%20admin@{socket}:{}/{}", port(), place.database);
    let (code, out, error) =
        place.spintrue(&["run", "s.spt", "--json", "--archive", &address, "--record", "r"]);
    assert_eq!((code, error.as_str()), (0, ""), "{out}");
    assert_eq!(place.count("runs"), 1);
    let files = fs::read_dir(place.folder.path("r")).unwrap();
    let texts: Vec<Vec<u8>> = files.map(|file| fs::read(file.unwrap().path()).unwrap()).collect();
    assert!(texts.len() > 5);
    for text in texts {
        assert!(!String::from_utf8_lossy(&text).contains("secret"));
    }
}

#[test]
#[ignore = "needs a server"]
fn a_lock_is_given_up_in_time() {
    let place = Place::new("lock");
    place.stored();
    let lock = "BEGIN; LOCK TABLE runs IN ACCESS EXCLUSIVE MODE; SELECT pg_sleep(60)";
    let mut holder = Command::new(given("SPINTRUE_PSQL"))
        .args(["-h", &given("SPINTRUE_POSTGRES"), "-p", &port(), "-U", "admin"])
        .args(["-d", &place.database, "-Xqc", lock])
        .env("PGPASSWORD", ADMIN)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let locks = "SELECT count(*) FROM pg_locks WHERE mode = 'AccessExclusiveLock' AND granted
        AND relation = 'runs'::regclass";
    while place.sql(locks) != "1" {
        sleep(Duration::from_millis(20));
    }
    let since = Instant::now();
    place.refused(&place.run(), "has been locked by another program for 5 s");
    assert!(since.elapsed() < Duration::from_secs(15), "{:?}", since.elapsed());
    holder.kill().unwrap();
    holder.wait().unwrap();
    place.sql("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'BEGIN; LOCK%' AND pid <> pg_backend_pid()");
    place.stored();
}

#[test]
#[ignore = "needs a server"]
fn a_reader_may_take_long() {
    let place = Place::new("pager");
    place.stored();
    place.sql(
        "INSERT INTO runs SELECT k, started, script, digest, version, serial, model, simulated, seed,
            faults, verdict, exit_code, failure, not_reached, took FROM runs, generate_series(2, 2000) k",
    );
    let export = ["history", "export", &place.url, "--format", "jsonl"];
    let export = place.command(&export).stdout(Stdio::piped()).spawn().unwrap();
    sleep(Duration::from_secs(12));
    let output = export.wait_with_output().unwrap();
    assert!(output.status.success());
    assert_eq!(output.stdout.split(|byte| *byte == b'\n').count(), 2001);
}

/// A run whose archive fails at the end: verdict and record are there, nothing of it is stored.
#[track_caller]
fn fails_at_the_end(place: &Place, record: &str, words: &str, meanwhile: impl FnOnce()) {
    let arguments = [&place.run()[..], &["--record", record]].concat();
    let mut command = place.command(&arguments);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    meanwhile();
    let since = Instant::now();
    let output = run.wait_with_output().unwrap();
    assert!(since.elapsed() < Duration::from_secs(25), "{:?}", since.elapsed());
    let error = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{error}");
    assert!(String::from_utf8(output.stdout).unwrap().ends_with("\nPASSED\n"));
    assert!(error.contains(words) && !error.contains("secret"), "`{words}` is not in:\n{error}");
    assert_eq!(place.spintrue(&["record", "verify", record]).0, 0);
}

#[test]
#[ignore = "needs a server"]
fn whatever_the_server_refuses_at_the_end_leaves_the_other_runs() {
    let place = Place::new("end");
    place.stored();
    let lost = "this run is not in the archive, whose other runs stay: ";
    place.before_quantities("RAISE 'could not extend file' USING ERRCODE = 'disk_full'");
    fails_at_the_end(&place, "full", &format!("{lost}the archive {}", place.url), || ());
    let (_, _, error) = place.spintrue(&place.run());
    assert!(error.contains("(could not extend file): make room on the server"), "{error}");
    place.sql("DROP TRIGGER before ON quantities; DROP FUNCTION before");
    place.before_quantities("PERFORM pg_sleep(60)");
    fails_at_the_end(&place, "slow", "it took too long", || ());
    // A stopped backend answers nothing; the program gives it up.
    let mut stopped = String::new();
    let signal = |signal: &str, pid: &str| {
        assert!(Command::new("kill").args([signal, pid]).status().unwrap().success());
    };
    fails_at_the_end(&place, "silent", "has not answered for 15 s", || {
        stopped = place.storing("INSERT INTO quantities");
        signal("-STOP", &stopped);
    });
    signal("-CONT", &stopped);
    let (code, _, _) = place.spintrue(&[&place.run()[..], &["--set", "seen=9 um"]].concat());
    assert_eq!(code, 1, "a verdict that is none already is not hidden by it");
    place.sql("DROP TRIGGER before ON quantities; DROP FUNCTION before");
    place.folder.file("long.spt", format!("record \"{}\": 3\n", noise(6_000)));
    let (code, _, error) = place.spintrue(&["run", "long.spt", "--archive", &place.url]);
    assert!(code == 2 && error.contains("more than PostgreSQL can index"), "{code} {error}");
    assert_eq!((place.count("runs"), place.count("checks"), place.count("quantities")), (1, 1, 3));
    place.stored();
}

/// Letters that hardly compress.
fn noise(count: usize) -> String {
    let mut state = 1_u32;
    let mut letter = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        char::from(
            b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
                [(state >> 26) as usize],
        )
    };
    (0..count).map(|_| letter()).collect()
}

#[test]
#[ignore = "needs a server"]
fn a_server_that_is_killed_keeps_whole_runs_only() {
    let place = Place::new("killed");
    place.stored();
    place.before_quantities("PERFORM pg_sleep(3)");
    let lost = "this run is not in the archive, whose other runs stay";
    fails_at_the_end(&place, "killed", lost, || {
        place.storing("INSERT INTO quantities");
        server("stop-immediate");
    });
    let refused = "see that its server runs and that host and port are right";
    place.refused(&place.run(), refused);
    place.refused(&["history", &place.url], refused);
    server("start");
    assert_eq!((place.count("runs"), place.count("checks"), place.count("quantities")), (1, 1, 3));
    // Killed while it confirms, it may have stored the run or not.
    place.sql(
        "DROP TRIGGER before ON quantities; CREATE CONSTRAINT TRIGGER late AFTER INSERT ON runs
        DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION before()",
    );
    fails_at_the_end(
        &place,
        "confirming",
        "it is not known whether this run is in the archive",
        || {
            place.storing("COMMIT");
            server("stop-immediate");
        },
    );
    server("start");
    place.sql("DROP TRIGGER late ON runs");
    let before = place.count("runs");
    assert_eq!(place.count("quantities"), 3 * before);
    place.stored();
    assert_eq!((place.count("runs"), place.count("quantities")), (before + 1, 3 * before + 3));
}

#[test]
#[ignore = "needs a server: tests/extra/postgres.sh"]
fn a_batch_that_is_gone_on_with_stores_no_head_twice() {
    let place = Place::new("batch");
    place.folder.file("heads.csv", "serial,seen\nA-1,2 um\nA-2,1.5 um\n");
    let secret = place.url.replace("admin@", &format!("admin:{}@", ADMIN.replace(' ', "%20")));
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "kept", "--archive", &secret];
    let (code, out, error) = place.spintrue(&batch);
    assert_eq!(code, 0, "{out}{error}");
    assert_eq!(place.count("runs"), 2);
    let journal = place.folder.0.join("kept/journal.jsonl");
    let lines = fs::read_to_string(&journal).unwrap();
    assert!(!lines.contains(&ADMIN.replace(' ', "%20")), "{lines}");
    // Cut off after the run was stored and before the journal said so.
    let (before, _) = lines.rsplit_once("{\"event\":\"done\"").unwrap();
    fs::write(&journal, before).unwrap();
    fs::write(place.folder.0.join("kept/A-2/UNFINISHED"), "").unwrap();
    let (code, out, error) = place.spintrue(&batch);
    assert_eq!(code, 0, "{out}{error}");
    assert_eq!(place.count("runs"), 2);
    // Where the archive lost the run, the head is run again.
    fs::write(&journal, before).unwrap();
    fs::write(place.folder.0.join("kept/A-2/UNFINISHED"), "").unwrap();
    for table in ["quantities", "checks", "params", "identity"] {
        place.sql(&format!("DELETE FROM {table}"));
    }
    place.sql("DELETE FROM runs WHERE serial = 'A-2'");
    let (code, out, error) = place.spintrue(&batch);
    assert_eq!(code, 0, "{out}{error}");
    assert_eq!(place.count("runs"), 2);
}

/// The server is restarted while a batch stores a head. The batch says what is missing, and the same command
/// completes it.
#[test]
#[ignore = "needs a server: tests/extra/postgres.sh"]
fn a_server_that_is_restarted_within_a_batch_loses_and_doubles_nothing() {
    let place = Place::new("restarted");
    let rows: String = (1..=6).map(|k| format!("R-{k},2 um\n")).collect();
    place.folder.file("heads.csv", format!("serial,seen\n{rows}"));
    let batch =
        ["batch", "s.spt", "--list", "heads.csv", "--record", "kept", "--archive", &place.url];
    place.stored();
    place.before_quantities("PERFORM pg_sleep(0.3)");
    let mut command = place.command(&batch);
    let running = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let since = Instant::now();
    while place.count("runs") < 3 {
        assert!(since.elapsed() < Duration::from_secs(60));
        sleep(Duration::from_millis(50));
    }
    place.storing("INSERT INTO quantities");
    server("stop-immediate");
    server("start");
    let ended = running.wait_with_output().unwrap();
    let told = String::from_utf8(ended.stderr).unwrap();
    assert_ne!(ended.status.code(), Some(0), "{told}");
    assert!(told.contains("not in the archive"), "{told}");
    place.sql("DROP TRIGGER before ON quantities");
    let (code, out, error) = place.spintrue(&batch);
    assert_eq!(code, 0, "{out}{error}");
    let serials = place
        .sql("SELECT string_agg(serial, ' ' ORDER BY serial) FROM runs WHERE serial LIKE 'R%'");
    assert_eq!(serials, "R-1 R-2 R-3 R-4 R-5 R-6");
    assert_eq!(place.count("quantities"), 3 * place.count("runs"));
}
