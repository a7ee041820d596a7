#!/usr/bin/env bash
# Other systems: builds the program for Windows, runs it under Wine and compares what bring_up.spt prints with Linux, byte
# for byte, and checks that everything compiles for macOS. Needs rustup, Python 3 with venv, mingw-w64 and Wine (if missing
# and run as root, installed from Debian's packages); a compiler for macOS comes from PyPI (ziglang).
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$PWD/target/extra/systems
mkdir -p "$work"
built=${CARGO_TARGET_DIR:-target}
cargo test --quiet --no-run
"$built/debug/spintrue" run scripts/bring_up.spt > "$work/linux.txt"

tests/extra/install.sh x86_64-w64-mingw32-gcc --no-install-recommends gcc-mingw-w64-x86-64
tests/extra/install.sh wine --no-install-recommends wine wine64
rustup target add x86_64-pc-windows-gnu aarch64-apple-darwin
cargo build --quiet --target x86_64-pc-windows-gnu
cp "$built/x86_64-pc-windows-gnu/debug/spintrue.exe" "$work"
# Older versions of Wine lack this library, which the standard library of Rust draws random numbers from.
cat > "$work/bcryptprimitives.c" <<'C'
#include <windows.h>
BOOLEAN NTAPI SystemFunction036(PVOID buffer, ULONG length);
__declspec(dllexport) BOOL ProcessPrng(PBYTE data, SIZE_T length) { return SystemFunction036(data, (ULONG)length); }
C
x86_64-w64-mingw32-gcc -shared -o "$work/bcryptprimitives.dll" "$work/bcryptprimitives.c" -ladvapi32
export WINEDEBUG=-all WINEPREFIX=$work/wine
# Wine's first start sets up its folders.
wine wineboot --init >/dev/null 2>&1
wine "$work/spintrue.exe" run scripts/bring_up.spt > "$work/windows.txt"
cmp "$work/linux.txt" "$work/windows.txt"
rm -rf "$work/record"
wine "$work/spintrue.exe" run scripts/bring_up.spt --record "target/extra/systems/record" >/dev/null
"$built/debug/spintrue" record verify "$work/record"
echo "Windows under $(wine --version): bring_up.spt prints the same bytes, and its record is whole"

# What people do: an acceptance with its record, a shell, a head that is served, and a batch that is killed.
windows() { wine "$work/spintrue.exe" "$@"; }
there=target/extra/systems
rm -rf "$work/accepted" "$work/batch" "$work/windows.sqlite"
windows run scripts/accept.spt --record "$there/accepted" --archive "$there/windows.sqlite" >/dev/null
"$built/debug/spintrue" record verify "$work/accepted"
printf 'spin(600 rpm)\nwait until locked() within 20 s\nmeasured_speed()\n' > "$work/typed.txt"
windows shell < "$work/typed.txt" | tr -d '\r' > "$work/shell_windows.txt"
"$built/debug/spintrue" shell < "$work/typed.txt" > "$work/shell_linux.txt"
cmp "$work/shell_linux.txt" "$work/shell_windows.txt"
port=$((20000 + RANDOM % 20000))
windows serve --listen "127.0.0.1:$port" --no-secret "a test" > "$work/served.txt" 2>&1 &
for _ in $(seq 100); do grep -q "127.0.0.1" "$work/served.txt" && break; sleep 0.1; done
windows run scripts/spin_only.spt --head "tcp://127.0.0.1:$port" | tail -n 1 | grep -q PASSED
"$built/debug/spintrue" run scripts/spin_only.spt --head "tcp://127.0.0.1:$port" | tail -n 1 | grep -q PASSED
pkill -KILL -f "spintrue.exe serve --listen 127.0.0.1:$port"
wait
echo "Windows: acceptance with record and archive, the shell, and a served head, which Linux uses too"
{ echo serial; for k in $(seq 12); do echo "W-$k"; done; } > "$work/list.csv"
batch=(batch scripts/bring_up.spt --list "$there/list.csv" --record "$there/batch" --archive "$there/windows.sqlite")
windows "${batch[@]}" > "$work/batch.txt" 2>&1 &
finished() { cat "$work/batch/journal.jsonl" 2>/dev/null | grep -c '"done"' || true; }
for _ in $(seq 300); do [ "$(finished)" -ge 3 ] && break; sleep 0.05; done
pkill -KILL -f "spintrue.exe batch"
wait || true
windows "${batch[@]}" | tail -n 3
"$built/debug/spintrue" record verify "$work/batch"
[ "$("$built/debug/spintrue" history "$work/windows.sqlite" --limit 50 | grep -c 'W-')" = 12 ]
echo "Windows: a batch that was killed goes on, and no head is lost or doubled"


# What ends a run: Ctrl-C, Ctrl-Break and a closed console.
x86_64-w64-mingw32-gcc -Wall -Werror -O1 -o "$work/console.exe" tests/extra/systems_console.c
python3 -B tests/extra/systems.py "$built/debug/spintrue" "$work/spintrue.exe" "$work/console.exe" "$there"
echo "Windows: a head under light is made safe when a run is ended from its console"

python=$(tests/extra/python.sh ziglang)
cat > "$work/cc" <<CC
#!/usr/bin/env bash
arguments=()
while [ \$# != 0 ]; do
    case \$1 in
        --target=* | -mmacosx-version-min=*) ;;
        -arch) shift ;;
        *) arguments+=("\$1") ;;
    esac
    shift
done
exec "$python" -m ziglang cc -target aarch64-macos "\${arguments[@]}"
CC
chmod +x "$work/cc"
CC_aarch64_apple_darwin=$work/cc cargo check --quiet --target aarch64-apple-darwin
echo "macOS: everything compiles"
