"""Compares archives, exports, charts and counts of spintrue with those of other programs."""

import json
import math
import re
import sqlite3
import subprocess
import sys

import duckdb
import numpy as np
import pandas
from scipy import stats

work, spintrue, seed = sys.argv[1], sys.argv[2], int(sys.argv[3])


def call(*arguments, codes=(0,)):
    ended = subprocess.run([spintrue, *arguments], capture_output=True, text=True)
    assert ended.returncode in codes, (arguments, ended.stdout, ended.stderr)
    return ended.stdout


def near(one, other, off=0.00501):
    assert abs(one - other) <= off, (one, other)


def number(pattern, text):
    found = re.search(pattern, " ".join(text.split()))
    assert found, (pattern, text)
    return float(found.group(1))


def series(name, values, unit="", check=None):
    """An archive with a run for each value, as if on a real head, an hour apart."""
    script, archive = f"{work}/{name}.spt", f"{work}/{name}.sqlite"
    lines = [f"param x = 1{unit}", 'record "x": x']
    with open(script, "w", encoding="utf-8") as file:
        file.write("\n".join(lines + ([check] if check else [])) + "\n")
    for at, value in enumerate(values):
        call("run", script, "--set", f"x={value!r}{unit}", "--archive", archive,
             "--identity", f"station=S{at % 3}", codes=(0, 1, 4))
    with sqlite3.connect(archive) as db:
        db.execute(
            "UPDATE runs SET simulated = 0, serial = 'H-' || (id / 2), started = "
            "strftime('%Y-%m-%dT%H:%M:%S.000Z', '2026-01-01 00:00:00', '+' || id || ' hours')"
        )
    return archive


# The export and the stored rows, of bring-ups on simulated heads.
archive = f"{work}/archive.sqlite"
for at in range(1, 31):
    call("run", "scripts/bring_up.spt", "--seed", str(at), "--archive", archive, codes=(0, 1, 4))
for form in ("jsonl", "csv"):
    with open(f"{work}/runs.{form}", "w", encoding="utf-8", newline="") as file:
        file.write(call("history", "export", archive, "--format", form))
db = sqlite3.connect(f"file:{archive}?mode=ro", uri=True)
db.row_factory = sqlite3.Row
assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
assert db.execute("PRAGMA foreign_key_check").fetchall() == []
assert db.execute("PRAGMA user_version").fetchone()[0] == 6
runs = [json.loads(line) for line in open(f"{work}/runs.jsonl", encoding="utf-8")]
assert len(runs) == 30, len(runs)
compared = 0
for run in runs:
    for table in ("identity", "params", "checks", "quantities"):
        rows = db.execute(f"SELECT * FROM {table} WHERE run = ? ORDER BY place", (run["id"],))
        rows = rows.fetchall()
        assert len(rows) == len(run[table]) > 0, table
        for row, told in zip(rows, run[table]):
            for name, value in told.items():
                assert row[name] == value, (table, name, row[name], value)
                compared += 1
print(f"{compared} stored cells equal the export")

# Other readers of the exports.
stored = [row[0] for row in db.execute("SELECT value FROM quantities ORDER BY run, place")]
frame = pandas.read_csv(f"{work}/runs.csv", keep_default_na=False, dtype=str)
kinds = {"run": 30}
for kind, table in (("identity", "identity"), ("param", "params"), ("check", "checks"), ("quantity", "quantities")):
    kinds[kind] = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
assert frame["kind"].value_counts().to_dict() == kinds, frame["kind"].value_counts()
assert frame[frame["kind"] == "quantity"]["value"].astype(float).tolist() == stored
lines = pandas.read_json(f"{work}/runs.jsonl", lines=True, precise_float=True)
# Its own reading of numbers may miss the nearest double.
assert np.allclose([q["value"] for row in lines["quantities"] for q in row], stored, rtol=1e-14, atol=0)
told = duckdb.sql(
    f"SELECT kind, count(*) FROM read_csv('{work}/runs.csv', all_varchar = true) GROUP BY kind"
).fetchall()
assert dict(told) == kinds, told
told = duckdb.sql(
    f"SELECT q.value FROM (SELECT id, unnest(quantities) AS q FROM read_json('{work}/runs.jsonl')) ORDER BY id"
).fetchall()
assert sorted(row[0] for row in told) == sorted(stored)
print(f"pandas and DuckDB read {len(frame)} lines and {len(stored)} quantities, all as stored")


def chart(values):
    """Centre, sigma of the moving ranges, standard deviation."""
    return np.mean(values), np.mean(np.abs(np.diff(values))) / (2 / math.sqrt(math.pi)), np.std(values, ddof=1)


# Charts and capability.
values = [
    row["value"] * 1e6
    for row in db.execute(
        "SELECT value FROM quantities JOIN runs ON runs.id = run WHERE label = 'worst in-scan' "
        "ORDER BY started, runs.id"
    )
]
centre, sigma, long = chart(values)
text = call("history", "trend", archive, "worst in-scan", "--with-simulated", "--high", "6um")
near(number(r"individuals centre ([-\d.]+)", text), centre)
near(number(r"upper limit ([-\d.]+)|\.\. ([-\d.]+)" if "upper limit" in text else r"\.\. ([-\d.]+)", text), centre + 3 * sigma)
near(number(r"moving range centre ([-\d.]+)", text), np.mean(np.abs(np.diff(values))))
near(number(r"moving range centre [-\d.]+, limit ([-\d.]+)", text),
     np.mean(np.abs(np.diff(values))) + 3 * math.sqrt(2 - 4 / math.pi) * sigma)
near(number(r"sigma ([-\d.]+)", text), sigma)
near(number(r"Cpk ([-\d.]+);", text), (6 - centre) / (3 * sigma))
near(number(r"Ppk ([-\d.]+)", text), (6 - centre) / (3 * long))
print("limits, sigma, Cpk and Ppk of bring-ups agree with NumPy")

# NIST/SEMATECH e-Handbook 6.3.2.2: ten batches, limits 45.8159 and 55.8041 with d2 rounded to 1.128.
batches = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
text = call("history", "trend", series("batches", batches), "x")
near(number(r"centre ([\d.]+), limits", text), 50.81)
near(number(r"limits ([\d.]+)", text), 45.8159)
near(number(r"limits [\d.]+ \.\. ([\d.]+)", text), 55.8041)
assert "none: the series is in control" in text

# The same, 6.1.6: limits 8 and 20, mean 16, standard deviation 2: Cp 1.0, Cpk 0.6667.
spread = 2 / math.sqrt(10 / 9)
handbook = [16 + spread * (1 if at % 2 else -1) for at in range(10)]
text = call("history", "trend", series("handbook", handbook), "x", "--low", "8", "--high", "20")
near(number(r"Pp ([\d.]+)", text), 1.0)
near(number(r"Ppk ([\d.]+)", text), 0.6667)
print("the charts and the capability of the NIST/SEMATECH e-Handbook agree")

def errors(values):
    """How many standard errors the skewness is."""
    n = len(values)
    return abs(stats.skew(values, bias=False)) / math.sqrt(6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3)))


# Skewed magnitudes, with the limit of their check.
random = np.random.default_rng(seed)
values = random.lognormal(0, 0.7, 240).tolist()
archive = series("skewed", values, " um", 'expect "x": x <= 6 um')
text = call("history", "trend", archive, "x")
near(number(r"skewness ([\d.]+),", text), stats.skew(values, bias=False))
n = len(values)
near(number(r"skewness [\d.]+, ([\d.]+) standard errors", text), errors(values), 0.0501)
centre, sigma, long = chart(values)
near(number(r"Cpk ([-\d.]+);", text), (6 - centre) / (3 * sigma))
high = np.percentile(values, 99.5, method="weibull")
near(number(r"Cnpk ([-\d.]+)", text), (6 - np.median(values)) / (high - np.median(values)))
assert "at most 6 um, of the check in the newest run" in " ".join(text.split()), text
assert ("no lower control limit" in " ".join(text.split())) == (centre < 3 * sigma)
for at in range(4):
    normal = random.normal(5, 1, 40).tolist()
    text = call("history", "trend", series(f"normal-{at}", normal), "x")
    is_skewed = abs(stats.skew(normal, bias=False)) >= 0.5 and errors(normal) > 2.58
    assert ("skewness" in text) == is_skewed, (errors(normal), text)

# Failing checks and yields, counted by pandas.
fails = pandas.DataFrame({
    "run": range(1, n + 1),
    "value": values,
    "station": [f"S{at % 3}" for at in range(n)],
})
fails["day"] = pandas.to_datetime("2026-01-01") + pandas.to_timedelta(fails["run"], unit="h")
fails["day"] = fails["day"].dt.strftime("%Y-%m-%d")
fails["serial"] = fails["run"] // 2
fails["passed"] = fails["value"] <= 6
fails["first"] = ~fails.duplicated("serial")
text = call("history", "failing", archive, "--by", "station")
for station, group in fails.groupby("station"):
    part = text.split(f"station {station}: ")[1]
    assert part.startswith(f"{len(group)} runs"), part
    failing = int((~group["passed"]).sum())
    if failing:
        assert re.search(rf"^ +{failing}  100.0 %  100.0 %", part, re.M), (failing, part)
text = call("history", "yield", archive, "--by", "day,station")
rows = 0
for (day, station), group in fails.groupby(["day", "station"]):
    heads, last = group["serial"].nunique(), group.groupby("serial")["passed"].last()
    first = group[group["first"]]
    cells = re.search(rf"^{day} +{station} +real +(\d+) +(\d+) +(\S+)(?: +[\d.]+ %)? +(\S+) ", text, re.M)
    assert cells, (day, station, text)
    wanted = (
        str(heads), str(len(group) - heads),
        f"{int(first['passed'].sum())}/{len(first)}" if len(first) else "none",
        f"{int(last.sum())}/{heads}",
    )
    assert cells.groups() == wanted, (day, station, cells.groups(), wanted)
    rows += 1
print(f"skewness and Cnpk agree with SciPy and NumPy; failing checks and {rows} yields with pandas")
