#!/usr/bin/env bash
# Makes archives of many runs in an SQLite file and on a PostgreSQL server of its own, and measures how long
# `history` takes on them and what memory an export needs. Nothing here fails for being slow.
#   tests/extra/large.sh [--lean] [RUNS...]     20,000 and 1,000,000 unless given; the latter take 10 GB of disk
# --lean makes runs of one check, one quantity and a station, on the server alone: 10,000,000 take 12 GB.
# Needs PostgreSQL and Python 3; `SPINTRUE_LARGE=FOLDER` keeps the archives there.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo build --quiet --release
exec python3 tests/extra/large.py "${CARGO_TARGET_DIR:-target}/release/spintrue" "$@"
