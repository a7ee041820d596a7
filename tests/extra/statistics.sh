#!/usr/bin/env bash
# Compares every statistical built-in, fits, spectra, the library of numbers and the shell's plots with NumPy, SciPy and
# statsmodels on random data, gauge studies
# with statsmodels' analysis of variance. Needs Python 3 with venv; installs packages under target/.
# SEED=7 draws other data.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/statistics
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check \
    numpy==2.3.5 scipy==1.17.1 statsmodels==0.15.0
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/statistics.py "$work" "${SEED:-1}" \
    "${CARGO_TARGET_DIR:-target}/debug/spintrue"
