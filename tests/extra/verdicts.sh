#!/usr/bin/env bash
# Brings up 1,000 random heads with up to three defects each, and compares every verdict with what the head
# really draws, by arithmetic of its own. Then accepts good heads with every kind of fault at 200 random times:
# each is seen, or changes nothing of what leaves the station. MOMENTS=20 tries fewer times.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --release --quiet --test language -- --ignored --nocapture verdicts
