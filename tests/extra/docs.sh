#!/usr/bin/env bash
# Builds the documentation as a site into target/extra/docs/site, with the reference from what the program prints, by
# mkdocs-material (from PyPI). Fails where a link or its anchor leads nowhere, where a page is wider than a phone,
# where search or a picture is missing, and where blocks of the cookbook that need a server do not work. `--write` takes the
# pictures of docs/pictures anew. Needs Python 3.9 with venv, Node 18 and Chromium (if missing and run as root,
# installed from Debian's packages); installs the rest under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/docs
mkdir -p "$work"
tests/extra/install.sh chromium chromium
python=$(tests/extra/python.sh mkdocs-material)
[ -f "$work/package.json" ] || echo '{"private": true}' > "$work/package.json"
npm install --prefix "$work" --silent --no-audit --no-fund playwright-core@1.65.1
[ -n "${PROGRAM:-}" ] || cargo test --quiet --no-run
"$python" -B tests/extra/docs.py "${PROGRAM:-${CARGO_TARGET_DIR:-target}/debug/spintrue}" "$work" "$@"
cp tests/extra/docs.mjs "$work/docs.mjs"
node "$work/docs.mjs" "$(command -v chromium)" "$work" "$@"
