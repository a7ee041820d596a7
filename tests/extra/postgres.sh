#!/usr/bin/env bash
# Starts its own PostgreSQL server in a temporary folder and runs tests/program/postgres.rs on it: output equal
# to that of archive files, several stations at once, encryption, and failures of the server. The server is stopped
# on every way out of the script. Needs PostgreSQL (if missing and run as root, installed from Debian's
# packages).
set -euo pipefail
cd "$(dirname "$0")/../.."

# Debian does not put the server's programs on the search path.
programs() {
    local initdb
    initdb=$(command -v initdb || find /usr/lib/postgresql /usr/local/pgsql /opt -name initdb -path '*/bin/*' \
        2>/dev/null | sort -V | tail -n 1)
    [ -n "$initdb" ] && dirname "$(readlink -f "$initdb")"
}
if ! programs >/dev/null; then
    tests/extra/install.sh pg_createcluster postgresql-common
    # The package must not start a server of its own.
    echo 'create_main_cluster = false' >>/etc/postgresql-common/createcluster.conf
    tests/extra/install.sh initdb postgresql
fi
programs=$(programs)
cargo test --quiet --test program --no-run

work=$(mktemp -d)
# PostgreSQL refuses to run as root.
as=()
if [ "$(id -u)" = 0 ]; then
    as=(runuser -u nobody --)
    chown nobody "$work"
fi
for mode in immediate fast; do
    printf '#!/bin/sh\ncd %q && exec %s %q/pg_ctl -D data -m %s -w stop\n' \
        "$work" "${as[*]}" "$programs" "$mode" >"$work/stop-$mode"
done
trap 'cd /; "$work/stop-immediate" >/dev/null 2>&1 || true; rm -rf "$work"' EXIT
trap 'exit 1' HUP INT TERM
echo 'secret of admin' >"$work/password"
chmod 755 "$work"/stop-* "$work"
(cd "$work" && "${as[@]}" "$programs/initdb" -D data -U admin --auth=scram-sha-256 \
    --pwfile=password --encoding=UTF8 --locale=C >initdb.log)
# Two authorities, and a certificate of the first for 127.0.0.1.
tests/extra/install.sh openssl openssl
for authority in known other; do
    openssl req -x509 -newkey ed25519 -nodes -days 2 -subj "/CN=$authority" -keyout "$work/$authority.key" \
        -out "$work/$authority.pem" 2>/dev/null
done
openssl req -newkey ed25519 -nodes -subj "/CN=archive" -keyout "$work/server.key" 2>/dev/null |
    openssl x509 -req -days 2 -CA "$work/known.pem" -CAkey "$work/known.key" -CAcreateserial \
        -extfile <(printf 'subjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n') \
        -out "$work/server.pem" 2>/dev/null
chmod 600 "$work/server.key"
if [ "$(id -u)" = 0 ]; then chown nobody "$work"/server.*; fi
# The role `far` is let in over an encrypted connection only.
sed -i '1i hostnossl all far all reject' "$work/data/pg_hba.conf"
for try in $(seq 1 20); do
    port=$((20000 + RANDOM % 20000))
    printf '#!/bin/sh\ncd %q && exec %s %q/pg_ctl -D data -l log -w -o "%s" start\n' \
        "$work" "${as[*]}" "$programs" \
        "-p $port -k $work -c listen_addresses=127.0.0.1 -c max_connections=60 \
-c ssl=on -c ssl_cert_file=$work/server.pem -c ssl_key_file=$work/server.key" >"$work/start"
    chmod 755 "$work/start"
    "$work/start" >"$work/start.log" 2>&1 && break
    # The port may be in use.
    [ "$try" != 20 ] || { cat "$work/start.log" "$work/log" >&2; exit 1; }
done
SPINTRUE_POSTGRES="$work" SPINTRUE_POSTGRES_PORT="$port" SPINTRUE_PSQL="$programs/psql" \
    cargo test --quiet --test program -- --ignored --test-threads=1 postgres::
"$work/stop-fast" >/dev/null
