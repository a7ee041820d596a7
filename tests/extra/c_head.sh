#!/usr/bin/env bash
# Tests the worked example of a head in C, docs/examples/c_head, built plainly and with the sanitizers of the compiler:
# every contract, a complete bring-up, clients that vanish or fall silent, stops, floods, invalid bytes. Then plants
# defects, one at a time, which these tests must detect. Needs a C compiler and Python 3.
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh cc gcc libc6-dev
tests/extra/install.sh make make
cargo test --quiet --no-run
python3 -B tests/extra/c_head.py "${CARGO_TARGET_DIR:-target}/debug/spintrue"
