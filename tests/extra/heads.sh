#!/usr/bin/env bash
# Tests the worked example of a head in another language, docs/examples/python_head: every contract, a complete
# bring-up, clients that are killed or fall silent, stops behind all that may wait, invalid input. Then plants
# defects, one at a time, which these tests must detect. Needs only Python 3.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --quiet --no-run
python3 -B tests/extra/heads.py "${CARGO_TARGET_DIR:-target}/debug/spintrue"
