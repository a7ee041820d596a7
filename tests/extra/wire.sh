#!/usr/bin/env bash
# Tests `spintrue serve` with PyVISA, a general-purpose library for instruments: identification,
# errors, status bits, blocks, and a complete bring-up from Python. Needs Python 3 with venv;
# installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/wire
mkdir -p "$work"
python=$(tests/extra/python.sh pyvisa pyvisa-py)
cargo test --quiet --no-run
"$python" tests/extra/wire.py "${CARGO_TARGET_DIR:-target}/debug/spintrue"
