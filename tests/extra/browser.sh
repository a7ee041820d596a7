#!/usr/bin/env bash
# Opens web pages in headless Chromium that send everything a page can send to a port of this machine, to
# `spintrue serve` and to docs/examples/python_head. Nothing may move, arm or take control. Needs Python 3 and
# Chromium (if missing and run as root, installed from Debian's packages). PROGRAM=FILE tests another
# build; a build that treats header lines of HTTP as mere errors must fail.
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh chromium chromium
browser=$(command -v chromium)
[ -n "${PROGRAM:-}" ] || cargo test --quiet --no-run
python3 -B tests/extra/browser.py "$browser" "${PROGRAM:-${CARGO_TARGET_DIR:-target}/debug/spintrue}"
