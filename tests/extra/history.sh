#!/usr/bin/env bash
# Reads archives that spintrue wrote, and their exports, with Python's sqlite3, DuckDB and pandas; compares
# charts, capability, skewness, failing checks and yields with the examples of the NIST/SEMATECH e-Handbook and
# with calculations of its own in NumPy and SciPy. Needs Python 3 with venv; installs packages under target/.
# SEED=7 draws other data.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/history
mkdir -p "$work"
rm -f "$work"/*.sqlite* "$work"/*.txt "$work"/*.jsonl "$work"/*.csv "$work"/*.spt
python=$(tests/extra/python.sh numpy scipy pandas duckdb)
cargo test --quiet --no-run
"$python" tests/extra/history.py "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue" "${SEED:-1}"
