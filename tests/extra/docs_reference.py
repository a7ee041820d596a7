"""The reference of the site, made of what the program prints."""

import html
import pathlib
import re
import subprocess

import words

ROOT = pathlib.Path(__file__).resolve().parents[2]


class Program:
    """The program that tells of itself."""

    def __init__(self, path):
        self.path = path

    def says(self, *arguments):
        done = subprocess.run([self.path, *arguments], cwd=ROOT, capture_output=True, text=True)
        assert done.returncode == 0, (arguments, done.stderr)
        return done.stdout

    def commands(self, *of):
        """Every command below one, itself first, as its words."""
        yield of
        listed = self.says(*of, "--help").partition("Commands:\n")[2].partition("\n\n")[0]
        for line in listed.splitlines():
            name = line.split()[0]
            # The rest of a line that was wrapped stands further in.
            if line[2] != " " and name != "help":
                yield from self.commands(*of, name)


def prose(text):
    """Lines that were wrapped, as a paragraph. Signs that would mean something on a page mean themselves."""
    parts = " ".join(text.split()).split("`")
    parts[::2] = [re.sub(r"([*_\[\]])", r"\\\1", html.escape(part, quote=False)) for part in parts[::2]]
    return "`".join(parts)


def script(text):
    return f"```spintrue\n{text}\n```"


def unindented(text):
    return "\n".join(line.removeprefix("  ") for line in text.strip("\n").split("\n"))


def explained(text, heading):
    """A built-in or a keyword."""
    # A record of the same name follows.
    text, _, example = text.split("\nrecord ")[0].partition("\nExample:\n")
    title, *paragraphs = text.strip().split("\n\n")
    parts = [f"### {heading}"]
    if title != f"keyword {heading}":
        parts.append(script(title))
    for paragraph in paragraphs:
        named = re.split(r"^  (?=\w+: )", paragraph, flags=re.M)
        if paragraph.startswith("  ") and len(named) > 1:
            items = [item.partition(": ") for item in named[1:]]
            parts.append("\n".join(f"- `{name}`: {prose(meaning)}" for name, _, meaning in items))
        else:
            parts += [prose(line) for line in re.split(r"\n(?=Takes at most:)", paragraph)]
    if example:
        parts.append(script(unindented(example)))
    return "\n\n".join(parts)


def topics(listed):
    """Topics with their entries, of a list with a heading for each topic and entries that stand further in."""
    for block in listed.strip().split("\n\n"):
        title, *entries = block.split("\n")
        if entries:
            yield title, [entry[2:] for entry in entries if entry.startswith("  ") and entry[2] != " "]


def builtins(program):
    listed = program.says("builtins").split("\nRecords\n")[0]
    parts = ["# Built-ins", "What `spintrue builtins` and `spintrue builtins NAME` print. In a signature, `[x: ...]` may be left out."]
    for topic, entries in topics(listed):
        parts.append(f"## {topic}")
        parts += [explained(program.says("builtins", name), name) for name in (e.split("(")[0] for e in entries)]
    return "\n\n".join(parts)


def records(program):
    listed = program.says("builtins").split("\nRecords\n")[1].split("\n\n")[0]
    parts = ["# Records of built-ins", "What built-ins return, as `spintrue builtins NAME` prints it."]
    for name in sorted(word.strip() for word in listed.replace("\n", " ").split(",")):
        # A built-in may have the name of its record.
        text = program.says("builtins", name).split(f"record {name}\n\n")[1]
        meaning, _, fields = text.partition("\n\n  ")
        rows = re.findall(r"^ *(\w+) +((?:list of )?\S+) +(.*(?:\n {24,}.*)*)", fields, flags=re.M)
        assert rows, text
        table = [f"| `{field}` | `{kind}` | {prose(what).replace('|', '&#124;')} |" for field, kind, what in rows]
        parts += [f"### {name}", prose(meaning), "\n".join(["| field | kind | meaning |", "| --- | --- | --- |", *table])]
    return "\n\n".join(parts)


def keywords(program):
    listed = program.says("explain").split("\nKeywords\n")[1].split("\n\n")[0]
    names = sorted(word.strip() for word in listed.replace("\n", " ").split(","))
    assert names == words.keywords(), "the highlighting grammar has other keywords"
    parts = ["# Keywords", "What `spintrue explain KEYWORD` prints."]
    return "\n\n".join(parts + [explained(program.says("explain", name), name) for name in names])


def units(program):
    parts = ["# Units", "What `spintrue units` prints."]
    first, *blocks = program.says("units").strip().split("\n\n")
    parts.append("\n".join(["```text", first, "```"]))
    for block in blocks:
        title, _, rows = block.partition("\n")
        parts += [f"## {title}", f"```text\n{unindented(rows)}\n```"] if rows else [prose(block)]
    return "\n\n".join(parts)


def codes(program):
    listed = program.says("explain").split("\n`spintrue explain CODE`")[0]
    parts = ["# Codes of reports", "What `spintrue explain` and `spintrue explain CODE` print. E is an error, W a warning."]
    for topic, entries in topics(listed):
        parts.append(f"## {topic}")
        for code in (entry.split()[0] for entry in entries):
            text, _, examples = program.says("explain", code).partition("\nWrong\n")
            wrong, _, right = examples.partition("\nRight\n")
            title, _, why = text.partition("\n\n")
            parts += [f"### {code}", f"**{prose(title.partition(': ')[2])}**"]
            parts += [prose(paragraph) for paragraph in why.strip().split("\n\n")]
            parts += ["Wrong:", f"```text\n{unindented(wrong)}\n```", "Right:", f"```text\n{unindented(right)}\n```"]
    return "\n\n".join(parts)


def options(program):
    parts = ["# Commands and options", "What `--help` prints. [Commands](../commands.md) says what to use for what."]
    for words in program.commands():
        parts += [f"## {' '.join(('spintrue', *words))}", f"```text\n{program.says(*words, '--help').rstrip()}\n```"]
    return "\n\n".join(parts)


def description(program):
    return ("# A description with every key\n\nWhat `spintrue head new` prints: the built-in simulated head, which is invented. "
            "[The simulated head](../simulated-head.md) explains the physics behind it.\n\n"
            f"```toml\n{program.says('head', 'new').rstrip()}\n```")


def grammar(_):
    return f"# Grammar\n\nThe file `grammar/spintrue.ebnf`.\n\n```text\n{(ROOT / 'grammar/spintrue.ebnf').read_text().rstrip()}\n```"


def script_files():
    return sorted((ROOT / "scripts").rglob("*.spt"), key=lambda path: (path.parent != ROOT / "scripts", path))


def scripts(_):
    parts = ["# Scripts that come along"]
    for path in script_files():
        parts += [f"## {path.relative_to(ROOT)}", script(path.read_text().rstrip())]
    return "\n\n".join(parts)


PAGES = {"builtins": builtins, "records": records, "keywords": keywords, "units": units, "codes": codes,
         "options": options, "description": description, "grammar": grammar, "scripts": scripts}
