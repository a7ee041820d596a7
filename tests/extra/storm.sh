#!/usr/bin/env bash
# A line of stations in a storm: tests/extra/storm.py. STORM_STATIONS is how many (default 6), STORM_SECONDS how long (default
# 240), STORM_SEED the seed, STATIONS_PROFILE=release another build. Needs Python 3 on Linux, and PostgreSQL.
set -euo pipefail
cd "$(dirname "$0")/../.."
profile=${STATIONS_PROFILE:-debug}
if [ "$profile" = release ]; then cargo build --quiet --release; else cargo test --quiet --no-run; fi
python3 -B tests/extra/storm.py "${CARGO_TARGET_DIR:-target}/$profile/spintrue" "${STORM_STATIONS:-6}" "${STORM_SECONDS:-240}" \
    "${STORM_SEED:-1}"
