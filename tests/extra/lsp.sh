#!/usr/bin/env bash
# Drives the language server with a general-purpose client, pygls (PyPI), whose lsprotocol types read every
# answer: each feature on the shipped scripts, and how long a key takes in a long one. Needs Python 3 with
# venv; installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/lsp
mkdir -p "$work"
python=$(tests/extra/python.sh pygls lsprotocol)
cargo test --quiet --no-run
"$python" tests/extra/lsp.py "${CARGO_TARGET_DIR:-target}/debug/spintrue" "$work"
