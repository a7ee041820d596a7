#!/usr/bin/env bash
# Drives simulated heads in real time at stations by one batch: how much of a core the batch and its processes take, and
# that kills of a process and of the batch neither lose nor double a head. STATIONS is how many; the limit on the share of
# a core is checked from 32 on. Needs Python 3 on Linux.
set -euo pipefail
cd "$(dirname "$0")/../.."
profile=${STATIONS_PROFILE:-debug}
if [ "$profile" = release ]; then cargo build --quiet --release; else cargo test --quiet --no-run; fi
python3 -B tests/extra/stations.py "${CARGO_TARGET_DIR:-target}/$profile/spintrue" "${STATIONS:-4}"
