#!/usr/bin/env bash
# Types at the shell on a terminal, by tmux, and reads the screen; compares the walk through it in
# docs/shell.md with what really happens. `--write` writes that page anew. Needs Python 3 and tmux,
# which it installs where it may.
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh tmux tmux
cargo build --quiet
python3 tests/extra/shell.py "$@"
