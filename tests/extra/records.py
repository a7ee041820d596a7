"""Runs scripts with --record, and a batch, and reads the files with independent libraries."""

import base64
import csv
import gzip
import hashlib
import json
import signal
import sqlite3
import subprocess
import sys
import time
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import jsonschema_rs
import junitparser
import numpy
import pandas
import yaml
import rfc8785
from cryptography.hazmat.primitives.serialization import load_der_public_key, load_pem_private_key
from lxml import etree
from tap.parser import Parser

program, runs, schema = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])

NASTY = '''
expect "plain": 2 < 3
expect "rail # 1 \\\\ & <b> ]]> 'x' \u00e9\u20ac\U0001f600": 5.1 V \u00b1 0.2 V within 4.75 V .. 5.25 V
expect "too large: yes - no": 7 um <= 6 um
record "nasty = [key] #": 3 mm
record "rows, [x]": [{at: k * 1.5 mm, said: "=1+\\"{k}\\", x", good: k > 0, of: {share: k * 10 %}} for k in 0..3]
record "rows, [x]": [{at: 9 mm, said: " blank ", good: true, of: {share: 5 %}}]
record "nasty = [key] #": "text \\"quoted\\" \\\\ end"
note "<script>alert(1)</script> & so on"
'''

CASES = {
    "passing": (["scripts/bring_up.spt"], 0),
    "interlock": (["scripts/bring_up.spt", "--fault", "interlock_opened@9s"], 3),
    "accept": (["scripts/accept.spt", "--head", "sim:scripts/heads/ten_marginal.toml"], None),
    "bow": (["scripts/accept.spt", "--head", "sim:scripts/heads/wrong/bow.toml"], 1),
    "undecided": (["scripts/accept.spt", "--head", "sim:scripts/heads/wrong/three_marks.toml"], 4),
    "ghost": (["scripts/accept.spt", "--head", "sim:scripts/heads/wrong/ghost_pulse.toml"], 3),
    "pages": (["scripts/expose_page.spt"], 0),
    "badly_made": (["scripts/bring_up.spt", "--head", "sim:scripts/heads/eight_badly_made.toml"], None),
    "nasty": ([str(runs / "nasty.spt")], 1),
    "nothing": ([str(runs / "nothing.spt")], 0),
}

GOOD = 0
SCHEMAS = {
    name: jsonschema_rs.Draft202012Validator(
        json.loads(Path(f"docs/schema/{name}.json").read_text("utf-8")), validate_formats=True
    )
    for name in ("record", "events")
}


def held(condition, what):
    """Counts true conditions; exits at the first false one."""
    global GOOD
    if not condition:
        sys.exit(f"not true: {what}")
    GOOD += 1


def lines_of(folder):
    text = gzip.decompress((folder / "events.jsonl.gz").read_bytes())
    zcat = subprocess.run(["zcat", folder / "events.jsonl.gz"], capture_output=True, check=True)
    held(zcat.stdout == text, "zcat and Python read the same")
    held(not text.startswith(b"\xef\xbb\xbf") and b"\r" not in text, "UTF-8, LF, no BOM")
    held(text.endswith(b"\n"), "the last line ends with a newline")
    lines = [json.loads(line) for line in text.decode("utf-8").splitlines()]
    for line in lines:
        held(SCHEMAS["events"].is_valid(line), f"the published schema takes {line}")
    return lines


def manifest(folder):
    whole = json.loads((folder / "record.json").read_text("utf-8"))
    SCHEMAS["record"].validate(whole)
    said = whole.pop("digest")
    held(hashlib.sha256(rfc8785.dumps(whole)).hexdigest() == said, "the digest of record.json (RFC 8785)")
    signed(folder, whole["signed_by"])
    names = {path.name for path in folder.iterdir()} - {"record.json", "record.json.sig"}
    held(names == set(whole["files"]), "the manifest names every file")
    for name, known in whole["files"].items():
        bytes_ = (folder / name).read_bytes()
        held(hashlib.sha256(bytes_).hexdigest() == known["sha256"], f"the digest of {name}")
        held(len(bytes_) == known["bytes"], f"the length of {name}")
    for source in whole["identity"]["sources"]:
        digest = hashlib.sha256(Path(source["name"]).read_bytes()).hexdigest()
        held(digest == source["sha256"], f"the digest of {source['name']}")
    return whole


def signed(folder, key):
    """The signature is one for OpenSSL and for the library `cryptography`, and theirs are the same bytes."""
    record, signature = (folder / "record.json").read_bytes(), folder / "record.json.sig"
    public = load_der_public_key(base64.b64decode(key))
    public.verify(signature.read_bytes(), record)
    private = load_pem_private_key((runs / "key.pem").read_bytes(), None)
    held(private.sign(record) == signature.read_bytes(), "Ed25519 gives one signature only")
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", runs / "public.pem", "-rawin",
               "-in", folder / "record.json", "-sigfile", signature]
    held(subprocess.run(command, capture_output=True).returncode == 0, "OpenSSL verifies the signature")
    command = [program, "record", "verify", folder, "--public-key", runs / "public.pem"]
    held(subprocess.run(command, capture_output=True).returncode == 0, "spintrue verifies the signature")


def digested(archive):
    """The digest of each row of an archive, computed from what sqlite3 reads."""
    file = sqlite3.connect(archive)
    file.row_factory = sqlite3.Row

    def kept(row, without):
        return {name: row[name] for name in row.keys() if name not in without and row[name] is not None}

    found = 0
    for run in file.execute("SELECT * FROM runs").fetchall():
        whole = kept(run, ("id", "row_digest", "record_digest"))
        for part in ("identity", "params", "checks", "quantities"):
            details = file.execute(f"SELECT * FROM {part} WHERE run = ? ORDER BY place", (run["id"],))
            whole[part] = [kept(row, ("run", "place")) for row in details]
        held(sha256(whole) == run["row_digest"], "the digest of a row (RFC 8785)")
        found += 1
    contents = {
        ("run", run["id"]): sha256([run["row_digest"], run["record_digest"]]) for run in file.execute("SELECT * FROM runs")
    }
    for row in file.execute("SELECT * FROM decisions"):
        contents["decision", row["id"]] = sha256(kept(row, ("id",)))
    before = ""
    for place, link in enumerate(file.execute("SELECT * FROM chain ORDER BY place").fetchall(), 1):
        held(contents.pop((link["kind"], link["subject"])) == link["content"], "the content of a link")
        before = sha256([before, place, link["kind"], link["subject"], link["content"]])
        held((before, place) == (link["digest"], link["place"]), "links follow each other")
    held(not contents, "every run and decision has its link")
    return found


def sha256(value):
    """Of the canonical form (RFC 8785)."""
    return hashlib.sha256(rfc8785.dumps(value)).hexdigest()


def junit(folder, checks, code):
    path = folder / "junit.xml"
    etree.XMLSchema(etree.parse(schema)).assertValid(etree.parse(path))
    suites = list(junitparser.JUnitXml.fromfile(str(path)))
    cases = [case for suite in suites for case in suite]
    held(len(cases) == len(checks) + 1, "a test case for each check and one for the run")
    for case, check in zip(cases, checks):
        held(case.name == check["label"], f"{case.name!r} is {check['label']!r}")
        kinds = [type(result).__name__ for result in case.result]
        held(kinds == ([] if check["outcome"] == "conforms" else ["Failure"]), case.name)
    bad = [case for case in cases if case.result]
    held((code == 0) == (not bad), "exactly the runs that do not pass have failed test cases")
    properties = {p.name: p.value for p in suites[0].properties()}
    held(properties["head serial"] and properties["simulated"] == "true", "properties")


def tap(folder, checks, code):
    results = list(Parser().parse_file(str(folder / "results.tap")))
    held(results[0].category == "version" and results[0].version == 14, "TAP version 14")
    plans = [line for line in results if line.category == "plan"]
    tests = [line for line in results if line.category == "test"]
    held(len(plans) == 1 and plans[0].expected_tests == len(tests), "one plan, as many tests")
    held(not [line for line in results if line.category == "unknown"], "every line is known")
    held([test.number for test in tests] == list(range(1, len(tests) + 1)), "numbers")
    held(len(tests) == len(checks) + 1, "a test for each check and one for the run")
    for test, check in zip(tests, checks):
        held(test.ok == (check["outcome"] == "conforms"), check["label"])
        held(test.yaml_block["outcome"] == check["outcome"], "diagnostics")
        held(not test.skip and not test.todo, "no directive by accident")
        # tap.py ends a description at any number sign, an escaped one as well.
        label = check["label"].replace("\\", "\\\\").replace("#", "\\#").split("#")[0].strip()
        plain = test.description.removeprefix("- ")
        held(plain == label, f"{plain!r} is {label!r}")
    held((code == 0) == all(test.ok for test in tests), "all tests pass exactly if the run passes")
    # Required by version 14 (TAP 14 specification), but not checked by the reader.
    lines = (folder / "results.tap").read_text("utf-8").splitlines()
    held(lines[0] == "TAP version 14" and lines[1] == f"1..{len(tests)}", "version, then plan")
    held(lines.count("  ---") == lines.count("  ...") == len(tests), "YAML indented by two")


def moment(text):
    """A time of day as in RFC 3339, in UTC."""
    held(text.endswith("Z") and "T" in text, text)
    at = datetime.fromisoformat(text)
    held(at.utcoffset() == timedelta(0), text)
    return at


def table(folder, events):
    path = folder / "lines.csv.gz"
    with gzip.open(path, "rt", newline="") as file:
        rows = list(csv.DictReader(file))
    held(gzip.decompress(path.read_bytes()).count(b"\r\n") == len(rows) + 1, "CRLF after every row")
    frame = pandas.read_csv(path)
    held(len(rows) == len(frame), "pandas reads every row")
    called = [e for e in events if "reading" in e.get("reply", {})]
    held(not called, "readings stand in one place")
    held(all(row["pattern"] == "test marks" for row in rows), "no line here is a map")
    for row in rows:
        if not row["marks_at"]:
            continue
        # The shift is the first coefficient of a fit of Legendre polynomials, which NumPy makes as well; to 0.1 nm.
        at, along = ([float(cell) for cell in row[name].split()] for name in ("marks_at", "marks_in_scan_um"))
        design = numpy.polynomial.legendre.legvander([2 * place for place in at], min(3, len(at) - 1))
        fitted, *_ = numpy.linalg.lstsq(design, along)
        held(abs(float(row["in_scan_um"]) - fitted[0]) < 0.51e-4, "in-scan")
        noise = float(row["cross_scan_stated_um"].split()[0])
        u = noise * numpy.linalg.inv(design.T @ design)[0, 0] ** 0.5
        held(abs(float(row["cross_scan_standard_uncertainty_um"]) - u) < 0.51e-4, "u")
    if len(frame):
        held(frame["facet"].dtype.kind == "i" and frame["in_scan_um"].dtype.kind == "f", "dtypes")
    return len(rows)


UNITS = {"m": 1, "mm": 1e-3, "um": 1e-6, "s": 1, "ns": 1e-9, "rad": 1, "urad": 1e-6, "1": 1, "%": 1e-2}


def flat(record, above=""):
    """The fields of a record as columns have them; lists have none."""
    for name, value in record.items():
        if isinstance(value, dict) and "value" not in value:
            yield from flat(value, f"{above}{name}.")
        elif not isinstance(value, list):
            yield above + name, value


def tables(folder, events):
    """Every recorded list of records stands in a table, read by Python's csv and by pandas."""
    wanted = {}
    for event in events:
        rows = event.get("value") if event["event"] == "recorded" else None
        if isinstance(rows, list) and rows and isinstance(rows[0], dict) and "value" not in rows[0]:
            word = "".join(c if c.isalnum() else "_" for c in event["name"])
            wanted.setdefault(f"table_{word}.csv", []).extend(dict(flat(row)) for row in rows)
    names = {path.name for path in folder.glob("table_*.csv")}
    held(names == set(wanted), f"a table for each recorded list: {names} {set(wanted)}")
    for name, rows in wanted.items():
        path = folder / name
        with path.open(newline="", encoding="utf-8") as file:
            head, *cells = csv.reader(file, strict=True)
        held(path.read_bytes().count(b"\r\n") == len(cells) + 1 == len(rows) + 1, "a row each, with CRLF")
        frame = pandas.read_csv(path)
        held(list(frame.columns) == head and len(frame) == len(rows), "pandas reads it")
        fields = [column[:-1].split(" [") for column in head]
        held({field for field, _ in fields} == set(rows[0]), f"the columns of {name}")
        for at, (field, unit) in enumerate(fields):
            if unit in UNITS:
                held(frame[head[at]].dtype.kind in "if", f"{head[at]} of {name} holds numbers")
            for row, read in zip(rows, cells):
                value = row[field]
                if isinstance(value, dict) and value["value"] is not None and unit in UNITS:
                    off = float(read[at]) * UNITS[unit] - value["value"]
                    held(abs(off) <= 1e-15 * abs(value["value"]), f"{field} of {name}")
                elif isinstance(value, bool):
                    held(read[at] == ("true" if value else "false"), f"{field} of {name}")
                elif isinstance(value, str):
                    held(read[at].removeprefix("'") == value, f"{field} of {name}: {read[at]!r}")
    return len(wanted)


for command in [
    ["openssl", "genpkey", "-algorithm", "ed25519", "-out", runs / "key.pem"],
    ["openssl", "pkey", "-in", runs / "key.pem", "-pubout", "-out", runs / "public.pem"],
]:
    subprocess.run(command, check=True, capture_output=True)
(runs / "nasty.spt").write_text(NASTY, "utf-8")
(runs / "nothing.spt").write_text("", "utf-8")
for name, (arguments, wanted) in CASES.items():
    folder = runs / name
    command = [program, "run", *arguments, "--record", str(folder), "--operator", "<night> & day",
               "--archive", str(runs / "archive.sqlite"), "--identity", "station=S\u00e9 \U0001f600 #3",
               "--sign", str(runs / "key.pem")]
    ran = subprocess.run(command, capture_output=True, text=True)
    held(wanted is None or ran.returncode == wanted, f"{name}: {ran.stdout}{ran.stderr}")
    events = lines_of(folder)
    checks = [event for event in events if event["event"] == "check"]
    whole = manifest(folder)
    moment(whole["identity"]["started"])
    held(whole["exit_code"] == ran.returncode == events[-1]["exit_code"], "the exit code")
    unreached = "planned and not reached"
    for label in events[-1]["checks"]["not_reached"]:
        checks.append({"label": label, "outcome": unreached})
    junit(folder, checks, ran.returncode)
    tap(folder, checks, ran.returncode)
    rows = table(folder, events)
    lists = tables(folder, events)
    values = tomllib.loads((folder / "values.toml").read_text("utf-8"))["values"]
    recorded = [event for event in events if event["event"] == "recorded"]
    listed = [event for event in recorded if isinstance(event["value"], list) and event["value"] and isinstance(event["value"][0], dict)
              and "value" not in event["value"][0]]
    held(len(values) == len(recorded) - len(listed), "every recorded value that is no table")
    verified = subprocess.run([program, "record", "verify", str(folder)], capture_output=True)
    held(verified.returncode == 0, "verified")
    print(f"{name}: {len(events)} events, {len(checks)} checks, {rows} lines, {len(values)} values, {lists} tables")


def batch():
    """A batch of heads with names that every format must accept."""
    serials = ["SN-1", "SN,2", 'say "3"', "\u00e9\u20ac/<b>", "SN-5"]
    faults = ["", "", "", "", "no_lock"]
    with (runs / "heads.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["serial", "fault"], *zip(serials, faults)])
    folder = runs / "batch"
    command = [program, "batch", "scripts/spin_only.spt", "--list", str(runs / "heads.csv"),
               "--record", str(folder)]
    ran = subprocess.run(command, capture_output=True, text=True)
    with (folder / "summary.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file, strict=True))
    held([row["serial"] for row in rows] == serials, f"{ran.stdout}{ran.stderr}")
    held((folder / "summary.csv").read_bytes().count(b"\r\n") == len(rows) + 1, "CRLF")
    worst = [0, 4, 1, 2, 3, 130]
    codes = [worst.index(int(row["exit_code"])) for row in rows]
    held(worst[max(codes)] == ran.returncode, "the worst outcome")
    for row in rows:
        moment(row["finished"])
        shown = [program, "record", "show", "--json", str(folder / row["record"])]
        shown = json.loads(subprocess.run(shown, capture_output=True, text=True).stdout)
        held(shown["identity"]["serial"] == row["serial"], row["serial"])
        held(shown["state"] == "whole" and shown["end"]["verdict"] == row["verdict"], row["serial"])
    path = folder / "junit.xml"
    etree.XMLSchema(etree.parse(schema)).assertValid(etree.parse(path))
    cases = [case for suite in junitparser.JUnitXml.fromfile(str(path)) for case in suite]
    held([case.name for case in cases] == serials, "a test case for each head")
    good = [not case.result for case in cases]
    held(good == [row["verdict"] == "passed" for row in rows], "exactly the passed heads are good")
    journal = (folder / "journal.jsonl").read_bytes()
    held(journal.endswith(b"\n") and b"\r" not in journal, "JSON Lines")
    events = [json.loads(line) for line in journal.decode("utf-8").splitlines()]
    held([e["serial"] for e in events if e["event"] == "done"] == serials, "finished in order")
    for event in events:
        moment(event["at"])
    print(f"batch: {len(rows)} heads, exit code {ran.returncode}")


def tests():
    """Results of tests: passed, failed and known to fail, as cases and as test points."""
    place = runs / "tests"
    place.mkdir()
    (place / "good.spt").write_text('expect "two": 1 + 1 == 2\n')
    (place / "all.test.toml").write_text(
        "script = 'good.spt'\n[[test]]\nname = 'good'\n[[test]]\nname = 'bad <&'\nverdict = 'failed'\n"
        "[[test]]\nname = 'known'\nverdict = 'failed'\nknown_failure = 'number # 7'\n")
    command = [program, "test", str(place), "--junit", str(place / "junit.xml"), "--tap", str(place / "results.tap")]
    held(subprocess.run(command, capture_output=True).returncode == 1, "one test failed")
    path = place / "junit.xml"
    etree.XMLSchema(etree.parse(schema)).assertValid(etree.parse(path))
    cases = [case for suite in junitparser.JUnitXml.fromfile(str(path)) for case in suite]
    held([case.name for case in cases] == ["good", "bad <&", "known"], "a case for each test")
    held([[type(result).__name__ for result in case.result] for case in cases] == [[], ["Failure"], ["Skipped"]], "kinds")
    points = [line for line in Parser().parse_file(str(place / "results.tap")) if line.category == "test"]
    held([point.ok for point in points] == [True, False, False], "test points")
    held([bool(point.todo) for point in points] == [False, False, True], "what is known to fail is a TODO test")
    print("results of tests are read as passed, failed and known")


def others():
    """A run that is stopped on its way, and a replay, which no archive takes; what their reports say of them."""
    folder = runs / "stopped"
    going = subprocess.Popen([program, "run", "scripts/accept.spt", "--record", str(folder)], stdout=subprocess.DEVNULL)
    while not (folder / "table_before.csv").exists():
        time.sleep(0.01)
    going.send_signal(signal.SIGINT)
    held(going.wait() == 130, "stopped")
    trace, folder = runs / "run.trace", runs / "replay"
    for more in (["--trace", str(trace)], ["--head", f"replay:{trace}", "--record", str(folder)]):
        subprocess.run([program, "run", "scripts/bring_up.spt", *more], stdout=subprocess.DEVNULL, check=True)
    for name, words in {
        "stopped": ["INTERRUPTED", "stopped before its end", "not reached", "stopped on request"],
        "replay": ["Nothing moved: a recording was played back", "none may ship by this record"],
        "bow": ["The head must not ship.", "1 does not"],
        "undecided": ["not every check was decided", "1 undecided", "no number"],
        "ghost": ["it failed before the run was over", "Ended early (fault)"],
        "accept": ["The head must not ship"],
        "passing": ["No real head was measured, so none may ship by this record."],
    }.items():
        page = (runs / name / "report.html").read_text("utf-8")
        # The first screen comes before the checks.
        first = page.split('<h2 id="checks"')[0]
        for word in words:
            held(word in (page if word in ("no number", "not reached") else first), f"{name}: {word}")
    # By the gauge of the default head.
    whole = sum(path.stat().st_size for path in (runs / "bow").iterdir())
    held(whole < 420_000, f"a record of an acceptance has {whole} bytes")
    print(f"other reports say what they are; a record of an acceptance has {whole / 1000:.0f} kB")


def prints():
    """A run that measures by prints, and the reading of one of its sheets by itself."""
    sheets, answers = runs / "sheets", runs / "prints.toml"
    scans = ", ".join(f'"{sheets}/sheet-{number}.png"' for number in (1, 2))
    answers.write_text("\"Medium in place, other pages out of the way, covers closed, eyewear on: may light come out?\" = "
                       f"\"yes\"\n\"File of the scan of the sheet just exposed\" = [{scans}]\n")
    run = ["run", "scripts/trim_facets.spt", "--gauge", "print", "--sheets", sheets, "--answers", answers, "--sheet",
           "170x120mm", "--set", "length=150mm", "--record", runs / "prints", "--sign", runs / "key.pem"]
    read = ["chart", "read", sheets / "sheet-1.png", "--chart", sheets / "sheet-1.pbm", "--record", runs / "one_print"]
    for command in (run, read):
        subprocess.run([program, *command], stdout=subprocess.DEVNULL, check=True)
    manifest(runs / "prints")
    for name, number in (("prints", 1), ("prints", 2), ("one_print", 1)):
        size = (runs / name / f"sheet-{number}.png").stat().st_size
        held(size < 500_000, f"the picture of sheet {number} of {name} has {size} bytes")
    print("records of prints and of one scan hold pictures of some hundred kB at most")


tests()
others()
prints()
batch()
for more in (["exclude", "1", "2"], ["exclude", "2", "--undo"], ["freeze", "worst in-scan", "--with-simulated"]):
    command = [program, "history", more[0], str(runs / "archive.sqlite"), *more[1:], "--reason", "r", "--author", "a"]
    told = subprocess.run(command, capture_output=True, text=True)
    held(told.returncode == 0, told.stdout + told.stderr)
print(f"archive: {digested(runs / 'archive.sqlite')} rows with their digests")
command = [program, "record", "verify", str(runs / "archive.sqlite"), "--records", *map(str, (runs,))]
told = subprocess.run(command, capture_output=True, text=True)
held(told.returncode == 0, told.stdout + told.stderr)
print(f"records read by independent libraries: {GOOD} conditions hold (YAML by PyYAML {yaml.__version__})")
