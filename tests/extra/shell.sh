#!/usr/bin/env bash
# Types at the shell on a terminal, by tmux, and reads the screen; compares the walk through it in
# docs/shell.md with what really happens. `--write` writes that page anew. Needs Python 3 and tmux,
# which it installs where it may.
set -euo pipefail
cd "$(dirname "$0")/../.."
if ! command -v tmux > /dev/null; then
    if [ "$(id -u)" = 0 ] && command -v apt-get > /dev/null; then
        apt-get update -qq && apt-get install -y -qq tmux > /dev/null
    else
        echo "tmux is missing: install it (such as: sudo apt-get install tmux)" >&2
        exit 1
    fi
fi
cargo build --quiet
python3 tests/extra/shell.py "$@"
