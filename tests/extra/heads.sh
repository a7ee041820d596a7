#!/usr/bin/env bash
# Tries the worked example of a head in another language, docs/examples/python_head: every contract, a whole
# bring-up, clients that are killed or fall silent, nonsense on the line; then bends it on purpose, which
# each of these must see. Needs Python 3, and nothing else.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo build --quiet --bins --example own_head
python3 -B tests/extra/heads.py "${CARGO_TARGET_DIR:-target}/debug/spintrue"
