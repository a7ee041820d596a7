"""The licences of all libraries in the program, as one text for packages: `licences.py TARGET`, such as
x86_64-unknown-linux-musl. A library without a licence that is known here, or with none, fails."""

import collections
import json
import pathlib
import re
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]

# Terms that let the program be given away with their text beside it.
KNOWN = {"0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0", "ISC", "MIT",
         "MPL-2.0", "Unicode-3.0", "Unlicense", "Zlib"}

def shipped(target):
    """The libraries in the program: what its crates depend on, without what only builds or tests them."""
    command = ["cargo", "metadata", "--format-version", "1", "--locked", "--filter-platform", target]
    found = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    packages = {package["id"]: package for package in found["packages"]}
    nodes = {node["id"]: node for node in found["resolve"]["nodes"]}
    seen, waiting = set(), [found["resolve"]["root"]]
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        for needed in nodes[name]["deps"]:
            if any(kind["kind"] is None for kind in needed["dep_kinds"]):
                waiting.append(needed["pkg"])
    own = set(found["workspace_members"])
    return sorted((packages[name] for name in seen - own), key=lambda package: (package["name"], package["version"]))


def terms(package):
    said = (package["license"] or "").replace("/", " OR ")
    assert said, f"{package['name']} states no licence"
    choices = re.split(r"\s+OR\s+", said.replace("(", "").replace(")", ""))
    known = [choice for choice in choices if all(part in KNOWN for part in re.split(r"\s+AND\s+", choice))]
    assert known, f"{package['name']}: {said}"
    return said


def texts(package):
    """Every text in a library's folder, those of C sources in it too."""
    name = re.compile(r"(?i)(licen[cs]e|copying|notice|copyright|unlicense)([-._].*)?$")
    files = pathlib.Path(package["manifest_path"]).parent.rglob("*")
    return [path.read_text(errors="replace").strip() for path in sorted(files) if name.match(path.name) and path.is_file()]


def main():
    libraries = shipped(sys.argv[1])
    assert len(libraries) > 50, len(libraries)
    print("Libraries in spintrue, and their licences. spintrue itself: LICENSE-APACHE or LICENSE-MIT.\n")
    by_text, without = collections.defaultdict(list), []
    for package in libraries:
        name = f"{package['name']} {package['version']}"
        print(f"  {name}: {terms(package)}")
        found = texts(package)
        for text in dict.fromkeys(found):
            by_text[text].append(name)
        if not found:
            without.append(name)
    print("\n  The standard library of Rust: MIT OR Apache-2.0.\n  musl, the C library: MIT.\n  SQLite, inside libsqlite3-sys: public domain.")
    print("\nThe source of a library under MPL-2.0 is what the registry of Rust crates has under its name and version, unchanged.")
    if without:
        print(f"\nWithout a text of their own, under the terms named above: {', '.join(without)}.")
    for text, names in by_text.items():
        print(f"\n{'=' * 78}\n{', '.join(names)}\n{'-' * 78}\n{text}")


main()
