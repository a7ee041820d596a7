#!/usr/bin/env bash
# Runs the campaign of docs/campaigns.md by GNU parallel, kills a worker and then the engine in the middle, goes on,
# and compares the result with that of one run. Needs GNU parallel and Python (if missing and run as root, installed from
# Debian's packages).
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh parallel parallel
tests/extra/install.sh python3 python3
cargo test --quiet --no-run
program=$(cargo metadata --format-version 1 --no-deps --offline |
    python3 -c 'import json, sys; print(json.load(sys.stdin)["target_directory"])')
python3 tests/extra/campaign.py "$program/debug/spintrue"
