#!/usr/bin/env bash
# Installs Debian packages if COMMAND is missing: `install.sh COMMAND PACKAGE…`. Takes a lock, since
# several scripts may call it at once. Without the rights to install, it says what to install.
set -euo pipefail
command=$1
shift
if command -v "$command" >/dev/null; then exit 0; fi
if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
    echo "$command is missing: install it (Debian package: $*)" >&2
    exit 1
fi
exec 9>"${TMPDIR:-/tmp}/spintrue-install.lock"
flock 9
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install -y -qq "$@" >/dev/null
