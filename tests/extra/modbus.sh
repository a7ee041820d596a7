#!/usr/bin/env bash
# Reads and switches a real Modbus/TCP server of another library, pymodbus, with the built program:
# every kind of register and word order, exceptions, a server that dies during a run, and one that is
# restarted. Needs Python 3 with venv; installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/modbus
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check pymodbus==3.16.1
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/modbus.py "${CARGO_TARGET_DIR:-target}/debug/spintrue" "$work"
