#!/usr/bin/env bash
# Recomputes with NumPy and SciPy, from the raw readings of recorded runs on many simulated heads, every number
# of the lines that these record, the trims that were loaded, and what steps of the trims prove. Needs
# Python 3 with venv; installs packages under target/. SEED=7 takes other heads.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/marks
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check scipy==1.17.1 numpy==2.3.5
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/marks.py "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue" "${SEED:-1}"
