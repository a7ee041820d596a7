"""Runs scripts with --record and reads what they leave with other people's libraries."""

import csv
import hashlib
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import junitparser
import pandas
import yaml
from lxml import etree
from tap.parser import Parser

program, runs, schema = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])

NASTY = '''
expect "plain": 2 < 3
expect "rail # 1 \\\\ & <b> ]]> 'x' \u00e9\u20ac\U0001f600": 5.1 V \u00b1 0.2 V within 4.75 V .. 5.25 V
expect "too large: yes - no": 7 um <= 6 um
record "nasty = [key] #": 3 mm
record "nasty = [key] #": "text \\"quoted\\" \\\\ end"
note "<script>alert(1)</script> & so on"
'''

CASES = {
    "passing": (["scripts/bring_up.spt"], 0),
    "interlock": (["scripts/bring_up.spt", "--fault", "interlock_opened@9s"], 3),
    "accept": (["scripts/accept.spt", "--head", "sim:scripts/heads/ten_marginal.toml"], None),
    "pages": (["scripts/expose_page.spt"], 0),
    "badly_made": (["scripts/bring_up.spt", "--head", "sim:scripts/heads/eight_badly_made.toml"], None),
    "nasty": ([str(runs / "nasty.spt")], 1),
    "nothing": ([str(runs / "nothing.spt")], 0),
}

GOOD = 0


def held(condition, what):
    """Counts what holds; stops at what does not."""
    global GOOD
    if not condition:
        sys.exit(f"not so: {what}")
    GOOD += 1


def lines_of(folder):
    text = (folder / "events.jsonl").read_bytes()
    held(not text.startswith(b"\xef\xbb\xbf") and b"\r" not in text, "UTF-8, LF, no BOM")
    held(text.endswith(b"\n"), "the last line has its end")
    return [json.loads(line) for line in text.decode("utf-8").splitlines()]


def manifest(folder):
    whole = json.loads((folder / "record.json").read_text("utf-8"))
    said = whole.pop("digest")
    canonical = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    held(hashlib.sha256(canonical.encode()).hexdigest() == said, "the digest of record.json")
    names = {path.name for path in folder.iterdir()} - {"record.json"}
    held(names == set(whole["files"]), "the manifest names every file")
    for name, known in whole["files"].items():
        bytes_ = (folder / name).read_bytes()
        held(hashlib.sha256(bytes_).hexdigest() == known["sha256"], f"the digest of {name}")
        held(len(bytes_) == known["bytes"], f"the length of {name}")
    for source in whole["identity"]["sources"]:
        digest = hashlib.sha256(Path(source["name"]).read_bytes()).hexdigest()
        held(digest == source["sha256"], f"the digest of {source['name']}")
    return whole


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
    held((code == 0) == (not bad), "a run that passes has no bad test case, any other has")
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
    held((code == 0) == all(test.ok for test in tests), "all good where the run passes")


def table(folder, events):
    readings = [e["reply"]["reading"] for e in events if "reading" in e.get("reply", {})]
    path = folder / "lines.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    held(path.read_bytes().count(b"\r\n") == len(rows) + 1, "CRLF behind every row")
    frame = pandas.read_csv(path)
    held(len(rows) == len(readings) == len(frame), "a row for each line that was measured")
    for row, reading in zip(rows, readings):
        held(float(row["in_scan_m"]) == reading["in_scan"], "in-scan")
        held(float(row["cross_scan_standard_uncertainty_m"]) == reading["cross_scan_u"], "u")
    if len(frame):
        held(frame["facet"].dtype.kind == "i" and frame["in_scan_m"].dtype.kind == "f", "dtypes")
    return len(rows)


(runs / "nasty.spt").write_text(NASTY, "utf-8")
(runs / "nothing.spt").write_text("", "utf-8")
for name, (arguments, wanted) in CASES.items():
    folder = runs / name
    command = [program, "run", *arguments, "--record", str(folder), "--operator", "<night> & day"]
    ran = subprocess.run(command, capture_output=True, text=True)
    held(wanted is None or ran.returncode == wanted, f"{name}: {ran.stdout}{ran.stderr}")
    events = lines_of(folder)
    checks = [event for event in events if event["event"] == "check"]
    whole = manifest(folder)
    held(whole["exit_code"] == ran.returncode == events[-1]["exit_code"], "the exit code")
    unreached = "planned and not reached"
    for label in events[-1]["checks"]["not_reached"]:
        checks.append({"label": label, "outcome": unreached})
    junit(folder, checks, ran.returncode)
    tap(folder, checks, ran.returncode)
    rows = table(folder, events)
    values = tomllib.loads((folder / "values.toml").read_text("utf-8"))["values"]
    recorded = [event for event in events if event["event"] == "recorded"]
    held(len(values) == len(recorded), "every recorded value")
    verified = subprocess.run([program, "record", "verify", str(folder)], capture_output=True)
    held(verified.returncode == 0, "verified")
    print(f"{name}: {len(events)} events, {len(checks)} checks, {rows} lines, {len(values)} values")
print(f"records read by others: {GOOD} statements hold (YAML by PyYAML {yaml.__version__})")
