#!/usr/bin/env bash
# Compares the motion of rotor and galvanometer of random simulated heads with SciPy: the equations of
# docs/simulated-head.md with its solver of differential equations, the linear regimes with transfer
# functions, and closed forms. Needs Python 3 with venv; installs packages under target/. SEED=7
# draws other heads, COUNT=200 more of them than 12.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/physics
mkdir -p "$work"
python=$(tests/extra/python.sh scipy numpy)
cargo test --quiet --no-run
"$python" tests/extra/physics.py "$work" \
    "${CARGO_TARGET_DIR:-target}/debug/spintrue" "${SEED:-1}" "${COUNT:-12}"
