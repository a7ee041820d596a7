#!/usr/bin/env bash
# Gives the path of a Python that has packages: `python.sh PACKAGE…`. All scripts share one environment under target/,
# with the versions of requirements.txt. Takes a lock, since several scripts may call it at once. Needs Python 3.11
# with venv.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/python
mkdir -p "$work"
exec 9>"$work/lock"
flock 9
[ -x "$work/venv/bin/pip" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check --constraint tests/extra/requirements.txt "$@" >&2
echo "$PWD/$work/venv/bin/python"
