#!/usr/bin/env bash
# Tests `spintrue serve` with PyVISA, a general-purpose library for instruments: identification,
# errors, status bits, blocks, and a complete bring-up from Python. Needs Python 3 with venv;
# installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/wire
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check pyvisa==1.16.2 pyvisa-py==0.8.1
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/wire.py "${CARGO_TARGET_DIR:-target}/debug/spintrue"
