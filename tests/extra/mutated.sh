#!/usr/bin/env bash
# Gives the program files of every kind that it reads, each mutated at random: scripts, descriptions, tables, lists, images,
# scans, recordings, records, archives, keys. None may make it panic, hang, fill the memory or print control characters.
# MUTATED_SECONDS is the time for each kind (default 1), MUTATED_SEED the seed, MUTATED_KINDS some kinds only, MUTATED_PROGRAM
# another build. Needs Python (if missing and run as root, installed from Debian's packages).
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh python3 python3
program=${MUTATED_PROGRAM:-}
if [ -z "$program" ]; then
    cargo test --quiet --no-run
    program=$(cargo metadata --format-version 1 --no-deps --offline |
        python3 -c 'import json, sys; print(json.load(sys.stdin)["target_directory"])')/debug/spintrue
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
python3 tests/extra/mutated.py "$program" "$work" "${MUTATED_SECONDS:-1}" "${MUTATED_SEED:-1}" ${MUTATED_KINDS:-}
