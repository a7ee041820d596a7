"""The words of the language by class, as grammar/spintrue.tmLanguage.json has them, which is generated from the
tables of the program."""

import json
import pathlib
import re

GRAMMAR = pathlib.Path(__file__).resolve().parents[2] / "grammar/spintrue.tmLanguage.json"


def classes():
    """Scope, such as `keyword.control`, to its words."""
    found = {}
    for rule in json.loads(GRAMMAR.read_text())["repository"]["code"]["patterns"]:
        listed = re.fullmatch(r"\(\?<!.*?\)\(\?:([a-z_0-9|]+)\)\(\?!.*?\)(\(\?=.*\))?", rule.get("match", ""))
        if listed and "name" in rule:
            found[rule["name"].removesuffix(".spintrue")] = sorted(listed[1].split("|"))
    assert len(found) == 8, found.keys()
    return found


def captured(first):
    """The words that the grammar expects behind another, such as effects behind `may`."""
    for rule in json.loads(GRAMMAR.read_text())["repository"]["code"]["patterns"]:
        behind = re.search(re.escape(first) + r"\)\\s\+\(\(\?:([a-z|]+)\)", rule.get("match", ""))
        if behind:
            return sorted(behind[1].split("|"))
    raise AssertionError(first)


def unit():
    """The pattern of a whole unit."""
    for rule in json.loads(GRAMMAR.read_text())["repository"]["code"]["patterns"]:
        if rule.get("captures", {}).get("2", {}).get("name") == "keyword.other.unit.spintrue":
            return re.search(r"\[ \\t\]\*\((.*)\)$", rule["match"])[1]
    raise AssertionError("the grammar has no units")


def keywords():
    return sorted(word for scope, listed in classes().items() if scope != "support.function" for word in listed)


def types():
    """The names of kinds and records."""
    for rule in json.loads(GRAMMAR.read_text())["repository"]["code"]["patterns"]:
        if rule.get("captures", {}).get("2", {}).get("name") == "support.type.spintrue":
            return sorted(re.search(r"\\s\*\(\(\?:([a-z_|]+)\)\)", rule["match"])[1].split("|"))
    raise AssertionError("the grammar has no types")
