#!/usr/bin/env bash
# Reads and switches a real Modbus/TCP server of another library, pymodbus, with the built program:
# every kind of register and word order, exceptions, a server that dies during a run, and one that is
# restarted. Needs Python 3 with venv; installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/modbus
mkdir -p "$work"
python=$(tests/extra/python.sh pymodbus)
cargo test --quiet --no-run
"$python" tests/extra/modbus.py "${CARGO_TARGET_DIR:-target}/debug/spintrue" "$work"
