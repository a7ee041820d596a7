"""A recorded table goes through a spreadsheet program (Gnumeric's ssconvert) and back: CSV to a workbook to CSV.
Every cell that `table` then reads must equal what was recorded; texts that look like numbers or dates are left out,
since a spreadsheet makes numbers and dates of them."""

import pathlib
import subprocess
import sys

program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
ROWS = """let none = head_limits().length_trim
let rows = [{
    name: "=1+\\"{k}\\", äµ; a", at: k * 12.345678901234567 mm, height: 1 um * sqrt(k) / 3, tiny: k * 1.7e-13 s,
    ok: k mod 2 == 0, warm: 20 degC + k * 0.1 K, share: k * 7 %, xs: [i * 2 um / 3 for i in 0..k], inner: {y: 1 / (k + 3)}
} for k in 0..50]
let absent = [{at: choose(k == 1, none * 1 mm, k * 1 mm)} for k in 0..3]
"""


def run(*words):
    ended = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    assert ended.returncode == 0, (words, ended.stdout, ended.stderr)


(folder / "out.spt").write_text(ROWS + 'record "rows": rows\nrecord "absent": absent\n')
run(program, "run", "out.spt", "--record", "kept")
for name in ["rows", "absent"]:
    run("ssconvert", f"kept/table_{name}.csv", f"{name}.xlsx")
    run("ssconvert", f"{name}.xlsx", f"{name}.csv")
(folder / "back.spt").write_text(
    ROWS
    + 'expect "rows": table("rows.csv") == rows\n'
    + 'let back = table("absent.csv")\nexpect "absent": "{back}" == "{absent}"\n'
)
run(program, "run", "back.spt")
print("a spreadsheet keeps all cells of a recorded table")
