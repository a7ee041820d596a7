#!/usr/bin/env bash
# Runs scripts/diagnose.spt on every documented fault and on every head of scripts/heads, and scripts/first_power_on.spt on
# wiring faults: at least 95 % of what is wrong is named, and no good head is blamed. One seed of each, against the
# tables of docs/diagnose.md; `--full` runs 50 seeds each with a release build, `--write` renews the tables with these.
# Needs Python 3.
set -euo pipefail
cd "$(dirname "$0")/../.."
target=${CARGO_TARGET_DIR:-target}
case "${1:-}" in
--full | --write)
    cargo build --release --quiet
    options=()
    [ "$1" = --full ] || options+=(--write)
    python3 -B tests/extra/diagnose.py "$target/release/spintrue" "${options[@]}"
    ;;
*)
    cargo test --quiet --no-run
    python3 -B tests/extra/diagnose.py "$target/debug/spintrue" --sample
    ;;
esac
