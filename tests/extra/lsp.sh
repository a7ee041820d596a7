#!/usr/bin/env bash
# Drives the language server with a general-purpose client, pygls (PyPI), whose lsprotocol types read every
# answer: each feature on the shipped scripts, and how long a key takes in a long one. Needs Python 3 with
# venv; installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/lsp
mkdir -p "$work"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check pygls==2.1.1 lsprotocol==2025.0.0
cargo test --quiet --no-run
"$work/venv/bin/python" tests/extra/lsp.py "${CARGO_TARGET_DIR:-target}/debug/spintrue" "$work"
