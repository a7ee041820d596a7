#!/usr/bin/env bash
# Exposes charts with a model of a head, scans them with a model of a flatbed scanner, both in NumPy and SciPy, and
# compares what spintrue reads with what was put in; likewise with the simulated head. Bad scans made with Pillow and
# tifffile must each get a clear answer. Then a program plays a person with a scanner, who brings simulated heads up by
# `--gauge print`. Needs Python 3 with venv; installs packages under target/. SEED=7 takes
# other heads, CHART_SCANS=200 so many of them, PRINT_HEADS=9 brings so many up.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/chart
mkdir -p "$work"
python=$(tests/extra/python.sh numpy scipy pillow scikit-image tifffile)
cargo test --quiet --no-run
"$python" -B tests/extra/chart.py "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue" \
    "${SEED:-1}" "${CHART_SCANS:-2}"
"$python" -B tests/extra/print_gauge.py "$work" "${CARGO_TARGET_DIR:-target}/debug/spintrue" \
    "${SEED:-1}" "${PRINT_HEADS:-1}"
