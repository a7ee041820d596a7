#!/usr/bin/env bash
# Types into the shell on a terminal, with tmux, and reads the screen. Compares the walk in docs/shell.md
# with the real output; `--write` updates that page. Needs Python 3 and tmux (if missing and run as root,
# installed from Debian's packages).
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh tmux tmux
cargo test --quiet --no-run
python3 tests/extra/shell.py "$@"
