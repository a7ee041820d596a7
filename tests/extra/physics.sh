#!/usr/bin/env bash
# Compares the motion of rotor and galvanometer of random simulated heads with SciPy: the equations of
# docs/simulated-head.md with its solver of differential equations, the linear regimes with transfer
# functions, and closed forms. Needs Python 3 with venv; installs packages under target/. SEED=7
# draws other heads, COUNT=200 more of them than 12.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/physics
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check scipy==1.17.1 numpy==2.3.5
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/physics.py "$work" \
    "${CARGO_TARGET_DIR:-target}/debug/spintrue" "${SEED:-1}" "${COUNT:-12}"
