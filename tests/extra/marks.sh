#!/usr/bin/env bash
# Recomputes with NumPy and SciPy, from the raw readings of recorded runs on many simulated heads, every number
# of the lines that these record, the trims that were loaded, what steps of the trims prove, and what pulses tell.
# Needs Python 3 with venv; installs packages under target/. SEED=7 takes other heads.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/marks
mkdir -p "$work"
python=$(tests/extra/python.sh scipy numpy)
cargo test --quiet --no-run
for part in marks pulses; do
    "$python" -B "tests/extra/$part.py" "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue" "${SEED:-1}"
done
