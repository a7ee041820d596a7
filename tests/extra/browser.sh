#!/usr/bin/env bash
# Has web pages in headless Chromium try everything that a page can send to a port of this machine against
# `spintrue serve` and against docs/examples/python_head: nothing may move, arm or take control. Needs Python 3
# and Chromium (installed from Debian's packages where there is none and root asks). PROGRAM=FILE tries
# another build, such as one that takes header lines of HTTP for mistakes, at which this must fail.
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh chromium chromium
browser=$(command -v chromium)
[ -n "${PROGRAM:-}" ] || cargo build --quiet
python3 -B tests/extra/browser.py "$browser" "${PROGRAM:-${CARGO_TARGET_DIR:-target}/debug/spintrue}"
