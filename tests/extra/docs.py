"""Builds the site of the documentation: `docs.py PROGRAM WORK`. Pages of `docs` and of the reference are linked with
each other wherever one names what another explains. A link or an anchor that leads nowhere fails. Then what the
tests of the program cannot type is typed: blocks that need a server, and those in Python."""

import logging
import os
import pathlib
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time

import docs_reference
import pygments.lexers
from mkdocs.commands.build import build
from mkdocs.config import load_config

ROOT = docs_reference.ROOT
DOCS = ROOT / "docs"

STYLE = """/* Wide tables and blocks scroll by themselves, so that no page is wider than a phone. */
.md-typeset table:not([class]) td code { white-space: normal; overflow-wrap: anywhere; }
.md-typeset img { border: 1px solid var(--md-default-fg-color--lightest); }
"""


class Links:
    """Links what a page names to where it is explained: other pages each time, the rest where a page first names it."""

    def __init__(self, reference):
        self.pages = {path.name for path in DOCS.glob("*.md")}
        self.anchors = {}
        for page in ("scripts", "codes", "builtins"):
            for name in re.findall(r"^###? (\S+)$", reference[page], flags=re.M):
                self.anchors[name] = f"reference/{page}.md#{slug(name)}"
        for command in re.findall(r"^## (spintrue .+)$", reference["options"], flags=re.M):
            self.anchors[command] = f"reference/options.md#{slug(command)}"

    def target(self, code, seen):
        page = code.removeprefix("docs/")
        if page in self.pages:
            return page
        words = code.split("(")[0].split()
        for name in (" ".join(words[:3]), " ".join(words[:2]), words[0] if len(words) == 1 else ""):
            target = self.anchors.get(name)
            # Short names are words of the language as well.
            if target and target not in seen and ("builtins" not in target or "_" in name or "(" in code):
                seen.add(target)
                return target
        return None

    def linked(self, text, own, up=""):
        seen = set()

        def code(found):
            target = self.target(found[1], seen)
            return f"[`{found[1]}`]({up}{target})" if target and target.split("#")[0] != own else found[0]

        def bare(found):
            target = self.target(found[1], seen)
            return f"[{found[1]}]({up}{target})" if target and target.split("#")[0] != own else found[0]

        def line(text):
            if text.startswith("#"):
                return text
            text = re.sub(r"(?<![\[`\w])`([^`\n]+)`(?!\])", code, text)
            text = re.sub(r"(?<![\w`\[/.#])([EW]\d{4})(?![\w`\]])", bare, text)
            plain = r"(?<![\w/`\[(])(?:docs/)([\w-]+\.md)(?![\w`\]#)])"
            return re.sub(plain, lambda found: f"[{found[0]}]({up}{found[1]})" if found[1] in self.pages else found[0], text)

        parts = text.split("```")
        parts[::2] = ["\n".join(map(line, part.split("\n"))) for part in parts[::2]]
        return "```".join(parts)


def slug(heading):
    return re.sub(r"[-\s]+", "-", re.sub(r"[^\w\s-]", "", heading).strip().lower())


def site(program, work):
    """The pages, and the site made of them."""
    pages = work / "pages"
    shutil.rmtree(pages, ignore_errors=True)
    (pages / "reference").mkdir(parents=True)
    reference = {name: make(program) for name, make in docs_reference.PAGES.items()}
    links = Links(reference)
    for path in sorted(DOCS.glob("*.md")):
        text = re.sub(r"\| reference/(\w+) \|", r"| [\1](reference/\1.md) |", path.read_text())
        # Marks of the tests, and flags of code that is tested.
        text = re.sub(r"<!-- .*? -->\n", "\n", text).replace("```rust,no_run", "```rust")
        (pages / path.name).write_text(links.linked(text, path.name))
    for name, text in reference.items():
        (pages / f"reference/{name}.md").write_text(links.linked(text, f"reference/{name}.md", "../"))
    for beside in ("pictures", "schema"):
        shutil.copytree(DOCS / beside, pages / beside)
    (pages / "site.css").write_text(STYLE)
    shutil.copy(DOCS / "site.yml", work / "site.yml")
    pygments.lexers.LEXERS["Spintrue"] = ("docs_lexer", "spintrue", ("spintrue",), (), ())
    build(load_config(str(work / "site.yml"), strict=True))
    return len(reference)


def outside():
    """Links of the pages that are not on the site: what they name is in the source."""
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(DOCS / "examples").glob("*/README.md")]
    for path in pages:
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", path.read_text()):
            assert (path.parent / target).exists(), f"{path}: {target}"


def typed(program):
    """Blocks of the cookbook that need a server, and those in Python, in their order in one new folder."""
    page = (DOCS / "cookbook.md").read_text()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    count = 0
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "bin").mkdir()
        (folder / "bin/spintrue").symlink_to(pathlib.Path(program).resolve())
        (folder / "scripts").symlink_to(ROOT / "scripts")
        environment = os.environ | {"HOME": str(folder), "PATH": f"{folder / 'bin'}:{os.environ['PATH']}"}
        serving = None
        for language, block in re.findall(r"^```(sh|python)\n(.*?)^```$", page, flags=re.M | re.S):
            block = block.replace("5025", port)
            if language == "sh" and "spintrue serve" in block:
                serve, _, block = block.partition("\n")
                serving = subprocess.Popen(serve.rstrip(" &").split(), cwd=folder, env=environment, stdout=subprocess.DEVNULL)
                wait_for(int(port))
            elif language == "sh" and "run.jsonl" not in block:
                continue
            command = ["bash", "-ec", block] if language == "sh" else [sys.executable, "-c", block]
            done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=60)
            assert done.returncode == 0, (block, done.stdout, done.stderr)
            assert language == "sh" or re.search("spintrue,|'recorded'", done.stdout), (block, done.stdout)
            count += 1
        serving.terminate()
        assert serving.wait(20) in (0, 130, -15), serving.returncode
    assert count == 4, count


def shown(program, work):
    """What the pictures show: the report of a run, a trend, and a tint of every second line on the medium."""
    place = work / "shown"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    (place / "tint.pbm").write_bytes(b"P4\n160 60\n" + 30 * (20 * b"\xff" + 20 * b"\0"))
    script, archive = str(ROOT / "scripts/bring_up.spt"), "station.sqlite"
    run = ["run", script, "--record", "record"]
    many = [["run", script, "--archive", archive, "--seed", str(seed)] for seed in range(1, 41)]
    trend = ["history", "trend", archive, "worst in-scan", "--with-simulated", "--html", "trend.html"]
    expose = ["head", "expose", "tint.pbm", "--trim", "--pixels-per-dot", "4", "--before", "before.png", "--out", "after.png"]
    for command in (run, *many, trend, expose):
        subprocess.run([program, *command], cwd=place, check=True, stdout=subprocess.DEVNULL)
    for name in ("before", "after"):
        shutil.copy(place / f"{name}.png", DOCS / f"pictures/tint_{name}.png")


def wait_for(port):
    end = time.monotonic() + 20
    while True:
        try:
            socket.create_connection(("127.0.0.1", port)).close()
            return
        except OSError:
            assert time.monotonic() < end, "the server does not listen"
            time.sleep(0.05)


def main():
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    program, work = sys.argv[1], pathlib.Path(sys.argv[2])
    work, program = work.resolve(), str(pathlib.Path(program).resolve())
    if "--write" in sys.argv:
        shown(program, work)
    count = site(docs_reference.Program(program), work)
    print(f"the site has {len(list((work / 'site').rglob('*.html')))} pages, {count} of them the reference")
    outside()
    typed(program)
    print("blocks that need a server or Python work")


main()
