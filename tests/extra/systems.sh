#!/usr/bin/env bash
# Other systems: builds the program for Windows, runs it under Wine and compares what bring_up.spt prints with Linux, byte
# for byte, and checks that everything compiles for macOS. Needs rustup, Python 3 with venv, mingw-w64 and Wine (if missing
# and run as root, installed from Debian's packages); a compiler for macOS comes from PyPI (ziglang).
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$PWD/target/extra/systems
mkdir -p "$work"
built=${CARGO_TARGET_DIR:-target}
cargo build --quiet
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

[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check ziglang==0.17.0
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
exec "$work/venv/bin/python" -m ziglang cc -target aarch64-macos "\${arguments[@]}"
CC
chmod +x "$work/cc"
CC_aarch64_apple_darwin=$work/cc cargo check --quiet --target aarch64-apple-darwin
echo "macOS: everything compiles"
