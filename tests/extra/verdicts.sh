#!/usr/bin/env bash
# Brings up 1,000 random heads with up to three defects each, and compares every verdict with what the head
# really draws, by arithmetic of its own.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --release --quiet --test language -- --ignored --nocapture verdicts
