#!/usr/bin/env bash
# Makes what people install, in target/extra/package: a Debian package and an archive for other Linux systems, both with a
# static program (musl), manual pages, completions, scripts, settings for editors and the licences of all libraries. Then
# installs the package in an empty root, runs it there and removes it, and unpacks and runs the archive. Needs root, Rust
# with rustup, Python 3.11 and Debian's musl-tools (installed where missing). PROFILE=release builds
# quicker, PROGRAM=FILE takes a static program that is built.
set -euo pipefail
cd "$(dirname "$0")/../.."
profile=${PROFILE:-dist}
target=$(uname -m)-unknown-linux-musl
work=$PWD/target/extra/package
program=${PROGRAM:-}
if [ -z "$program" ]; then
    tests/extra/install.sh musl-gcc musl-tools
    rustup target add "$target"
    cargo build --profile "$profile" --target "$target"
    program=${CARGO_TARGET_DIR:-target}/$target/$profile/spintrue
fi
version=$("$program" --version | cut -d' ' -f2)

# Not while anything is built: C libraries would be built anew for each commit.
export SOURCE_DATE_EPOCH
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct 2>/dev/null || stat -c %Y Cargo.toml)

# Everything once, in the places that Debian gives it.
rm -rf "$work"
root=$work/root
share=$root/usr/share
mkdir -p "$root/usr/bin" "$root/DEBIAN" "$share/man/man1" "$share/bash-completion/completions" "$share/zsh/vendor-completions" \
    "$share/fish/vendor_completions.d" "$share/spintrue" "$share/doc/spintrue"
cp "$program" "$root/usr/bin/spintrue"
"$program" completions bash > "$share/bash-completion/completions/spintrue"
"$program" completions zsh > "$share/zsh/vendor-completions/_spintrue"
"$program" completions fish > "$share/fish/vendor_completions.d/spintrue.fish"

# A command and those below it, by what its help lists.
manual() {
    local page=spintrue word
    for word in "$@"; do page+=-$word; done
    "$program" manual "$@" | gzip -9n > "$share/man/man1/$page.1.gz"
    "$program" "$@" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z]\+\) .*/\1/p' | grep -vx help |
        while read -r word; do manual "$@" "$word"; done || true
}
manual
[ "$(ls "$share/man/man1" | wc -l)" -gt 25 ]

cp -r scripts grammar "$share/spintrue"
cp -r README.md CHANGELOG.md LICENSE-APACHE LICENSE-MIT docs "$share/doc/spintrue"
python3 -B tests/extra/licences.py "$target" > "$share/doc/spintrue/THIRD-PARTY.txt"
{
    echo "spintrue is under either of the Apache License 2.0 or the MIT licence:"
    echo "LICENSE-APACHE and LICENSE-MIT. THIRD-PARTY.txt has the licences of the libraries in it."
} > "$share/doc/spintrue/copyright"

# The archive: the same, flat.
name=spintrue-$version-$(uname -m)-linux
flat=$work/$name
mkdir -p "$flat"
cp -r "$root/usr/bin/spintrue" "$share/spintrue/." "$share/doc/spintrue/." "$share/man" "$flat"
mkdir "$flat/completions"
cp "$share/bash-completion/completions/spintrue" "$flat/completions/spintrue.bash"
cp "$share/zsh/vendor-completions/_spintrue" "$share/fish/vendor_completions.d/spintrue.fish" "$flat/completions"
tar -C "$work" --sort=name --owner=0 --group=0 --numeric-owner --mtime="@$SOURCE_DATE_EPOCH" -cf - "$name" | gzip -9n > "$work/$name.tar.gz"

find "$share/doc/spintrue" \( -name CHANGELOG.md -o -name THIRD-PARTY.txt \) -exec gzip -9n {} +
architecture=$(dpkg --print-architecture)
cat > "$root/DEBIAN/control" <<CONTROL
Package: spintrue
Version: $version
Architecture: $architecture
Maintainer: spintrue <spintrue@spintrue.invalid>
Installed-Size: $(du -ks "$root/usr" | cut -f1)
Section: science
Priority: optional
Description: brings up polygon scan heads by script
 A small language with a checker, a shell, a simulated head, a wire to real heads
 and acceptance records. It is not a safety function: the hardware interlock chain
 stands on its own. IEC 60825-1, local codes and the laser safety officer decide.
CONTROL
find "$root" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
deb=$work/spintrue_${version}_$architecture.deb
dpkg-deb --root-owner-group -Zxz --build "$root" "$deb" >/dev/null

# Installed where there is nothing else, not even a C library; run as a user would; removed without a trace.
clean=$work/clean
mkdir -p "$clean"/{tmp,var/lib/dpkg/{updates,info}}
touch "$clean/var/lib/dpkg/"{status,available}
before=$(cd "$clean" && find . -not -path './var/*' | sort)
dpkg --root="$clean" --log=/dev/null -i "$deb" >/dev/null
"$program" run scripts/bring_up.spt > "$work/here.txt"
(cd scripts && tar cf - .) | (mkdir "$clean/scripts" && tar -C "$clean/scripts" -xf -)
chroot "$clean" /usr/bin/spintrue run scripts/bring_up.spt > "$work/there.txt"
cmp "$work/here.txt" "$work/there.txt"
chroot "$clean" /usr/bin/spintrue run /usr/share/spintrue/scripts/bring_up.spt | tail -n 1 | grep -qx PASSED
gzip -dc "$clean/usr/share/man/man1/spintrue-head-test.1.gz" | grep -q '^.SH SYNOPSIS'
rm -r "$clean/scripts"
dpkg --root="$clean" --log=/dev/null --purge spintrue >/dev/null
after=$(cd "$clean" && find . -not -path './var/*' | sort)
[ "$before" = "$after" ] || { diff <(echo "$before") <(echo "$after"); exit 1; }

mkdir "$work/unpacked"
tar -C "$work/unpacked" -xzf "$work/$name.tar.gz"
(cd "$work/unpacked/$name" && ./spintrue run scripts/bring_up.spt) | cmp "$work/here.txt" -
# Only a build that is shipped shows how the library of options behaves in one.
(cd "$work/unpacked" && "./$name/spintrue" new bench && cd bench && "../$name/spintrue" check bring_up.spt &&
    "../$name/spintrue" run bring_up.spt && "../$name/spintrue" test tests) > "$work/project.txt"
rm -rf "$clean" "$work/unpacked" "$root" "$flat"
ls -l "$work"/*.deb "$work"/*.tar.gz | awk '{print $NF ": " int($5 / 1024) " KiB"}'
