#!/usr/bin/env bash
# Compares every statistical built-in, fits, spectra, the library of numbers and the shell's plots with NumPy, SciPy and
# statsmodels on random data, gauge studies
# with statsmodels' analysis of variance. Needs Python 3 with venv; installs packages under target/.
# SEED=7 draws other data.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/statistics
mkdir -p "$work"
python=$(tests/extra/python.sh numpy scipy statsmodels)
cargo test --quiet --no-run
"$python" tests/extra/statistics.py "$work" "${SEED:-1}" \
    "${CARGO_TARGET_DIR:-target}/debug/spintrue"
