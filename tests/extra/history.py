"""Reads an archive with Python's sqlite3 and compares it with the output of spintrue."""

import json
import math
import re
import sqlite3
import sys


def mean(values):
    return math.fsum(values) / len(values)


work = sys.argv[1]
archive = sqlite3.connect(f"file:{work}/archive.sqlite?mode=ro", uri=True)
archive.row_factory = sqlite3.Row
assert archive.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
assert archive.execute("PRAGMA foreign_key_check").fetchall() == []
assert archive.execute("PRAGMA user_version").fetchone()[0] == 4

runs = [json.loads(line) for line in open(f"{work}/runs.jsonl", encoding="utf-8")]
assert len(runs) == 30, len(runs)
compared = 0
for run in runs:
    for table in ("identity", "params", "checks", "quantities"):
        rows = archive.execute(f"SELECT * FROM {table} WHERE run = ? ORDER BY place", (run["id"],))
        rows = rows.fetchall()
        assert len(rows) == len(run[table]) > 0, table
        for row, told in zip(rows, run[table]):
            for name, value in told.items():
                assert row[name] == value, (table, name, row[name], value)
                compared += 1

values = [
    row["value"] * 1e6
    for row in archive.execute(
        "SELECT value FROM quantities JOIN runs ON runs.id = run WHERE label = 'worst in-scan' "
        "ORDER BY started, runs.id"
    )
]
ranges = [abs(b - a) for a, b in zip(values, values[1:])]
centre = mean(values)
sigma = mean(ranges) / (2 / math.sqrt(math.pi))
long = math.sqrt(math.fsum((x - centre) ** 2 for x in values) / (len(values) - 1))
mine = [
    centre, centre - 3 * sigma, centre + 3 * sigma, mean(ranges),
    mean(ranges) + 3 * math.sqrt(2 - 4 / math.pi) * sigma, sigma,
    (6 - centre) / (3 * sigma), (6 - centre) / (3 * long),
]
text = open(f"{work}/trend.txt", encoding="utf-8").read()
head = text.split("\n\n")[0].split("\n", 1)[1]
told = [float(number) for number in re.findall(r"-?\d+\.\d+", head)]
assert len(told) == len(mine), (told, mine)
for one, other in zip(told, mine):
    assert abs(one - other) <= 0.00501, (told, mine)
print(f"{compared} stored cells equal the export; centre, limits, sigma, Cpk and Ppk agree: {told}")
