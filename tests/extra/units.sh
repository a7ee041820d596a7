#!/usr/bin/env bash
# Compares every unit, with every prefix, with pint, a general-purpose library of quantities. Shows the
# intended difference: a turn is an angle here. Needs Python 3 with venv; installs packages under
# target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/units
mkdir -p "$work"
python=$(tests/extra/python.sh pint)
cargo test --quiet --no-run
"$python" tests/extra/units.py "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue"
