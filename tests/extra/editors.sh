#!/usr/bin/env bash
# The files for editors under grammar/: what is generated is compared with the tables of the program (`--write` writes it
# anew), snippets are checked and formatted, Vim shows a script, indents it and takes reports, Neovim speaks with the language
# server, and the extension for Visual Studio Code is packed (target/extra/editors/spintrue.vsix) and its commands are tried
# with stand-ins for the editor. Needs Python 3.11, Node 20, Vim and Neovim (the latter two, if missing and run as root,
# installed from Debian's packages); installs the rest under target/.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/editors
mkdir -p "$work"
tests/extra/install.sh vim vim
tests/extra/install.sh nvim neovim
[ -n "${PROGRAM:-}" ] || cargo test --quiet --no-run
program=$(realpath "${PROGRAM:-${CARGO_TARGET_DIR:-target}/debug/spintrue}")
python3 -B tests/extra/editors.py "$program" "$work" "$@"

[ -f "$work/package.json" ] || echo '{"private": true}' > "$work/package.json"
npm install --prefix "$work" --silent --no-audit --no-fund @vscode/vsce@4.1.0
rm -rf "$work/extension" "$work/unpacked"
mkdir -p "$work/extension"
cp grammar/vscode/* grammar/snippets.json grammar/spintrue.tmLanguage.json "$work/extension"
cp LICENSE-MIT "$work/extension/LICENSE"
npm install --prefix "$work/extension" --silent --no-audit --no-fund --omit=dev
(cd "$work/extension" && ../node_modules/.bin/vsce package --allow-missing-repository --out ../spintrue.vsix) | tail -n 1
python3 -m zipfile -e "$work/spintrue.vsix" "$work/unpacked"
node tests/extra/editors.cjs "$work/unpacked/extension" "$program"
