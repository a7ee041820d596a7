"""The words of the language by class, as grammar/spintrue.tmLanguage.json has them, which is generated from the
tables of the program, and a lexer made of them for the pages."""

import json
import pathlib
import re

from pygments.lexer import RegexLexer, bygroups, words
from pygments.token import Comment, Keyword, Name, Number, Operator, Punctuation, String, Whitespace

__all__ = ["Spintrue"]
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


def _whole(scope):
    return words(classes()[scope], prefix=r"(?<!\w)", suffix=r"(?!\w)")


# Pygments and Oniguruma write classes of letters differently.
_UNIT = re.sub(r"\\p\{L\}\\p\{N\}\\p\{Pc\}", r"\\w", unit())


class Spintrue(RegexLexer):
    name = "spintrue"
    aliases = ["spintrue"]
    tokens = {
        "root": [
            (r"\s+", Whitespace),
            (r"///.*$", Comment.Special),
            (r"//.*$", Comment.Single),
            (r'"(?:\\.|[^"\\\n])*"?', String),
            (r"(\d[\d_]*(?:\.\d+)?(?:[eE][+-]?\d+)?)([ \t]*)(" + _UNIT + ")", bygroups(Number, Whitespace, Name.Attribute)),
            (r"\d[\d_]*(?:\.\d+)?(?:[eE][+-]?\d+)?", Number),
            (r"(\.)([^\W\d]\w*)", bygroups(Punctuation, Name)),
            *((_whole(scope), Keyword) for scope in ("keyword.control", "keyword.control.import", "keyword.other")),
            *((_whole(scope), Keyword.Declaration) for scope in ("storage.type", "storage.modifier")),
            (_whole("keyword.operator.word"), Operator.Word),
            (_whole("constant.language"), Keyword.Constant),
            (words(classes()["support.function"], prefix=r"(?<!\w)", suffix=r"(?=\s*\()"), Name.Builtin),
            (r"[^\W\d]\w*", Name),
            (r"[^\w\s]", Punctuation),
        ],
    }
