#!/usr/bin/env bash
# Recomputes every field of line plans on random heads with an independent model (Python's standard
# library, exact rational arithmetic) and compares them with the values that spintrue records. SEED=7
# draws other heads, COUNT=1000 more of them.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --quiet --no-run
mkdir -p target/extra/plan
python3 tests/extra/plan_model.py "${CARGO_TARGET_DIR:-target}/debug/spintrue" target/extra/plan "${SEED:-1}" "${COUNT:-200}"
