#!/usr/bin/env bash
# Reads an archive that spintrue wrote with Python's sqlite3. Compares the export with the stored rows,
# and the limits of the charts with its own calculation. Needs Python 3, installs nothing.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/history
rm -rf "$work"
mkdir -p "$work"
cargo test --quiet --no-run
spintrue="${CARGO_TARGET_DIR:-target}/debug/spintrue"
for seed in $(seq 1 30); do
    "$spintrue" run scripts/bring_up.spt --seed "$seed" --archive "$work/archive.sqlite" >"$work/last.txt"
done
"$spintrue" history export "$work/archive.sqlite" --format jsonl >"$work/runs.jsonl"
"$spintrue" history trend "$work/archive.sqlite" "worst in-scan" --with-simulated --high 6um >"$work/trend.txt"
python3 tests/extra/history.py "$work"
