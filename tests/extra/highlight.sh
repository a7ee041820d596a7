#!/usr/bin/env bash
# Reads grammar/spintrue.tmLanguage.json with general-purpose libraries for such grammars
# (vscode-textmate and vscode-oniguruma, from npm) and compares their tokens for a few lines with the
# expected ones. Needs Node 18 or newer; installs packages under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/highlight
mkdir -p "$work"
[ -f "$work/package.json" ] || echo '{"private": true}' > "$work/package.json"
npm install --prefix "$work" --silent --no-audit --no-fund vscode-textmate@9.3.2 vscode-oniguruma@2.0.1
cp tests/extra/highlight.mjs "$work/highlight.mjs"
node "$work/highlight.mjs" grammar/spintrue.tmLanguage.json tests/data/highlight.json
