"""Colours scripts on the pages of the documentation, by the words of the highlighting grammar."""

import re

import words as language
from pygments.lexer import RegexLexer, bygroups, words
from pygments.token import Comment, Keyword, Name, Number, Operator, Punctuation, String, Whitespace

__all__ = ["Spintrue"]


def _whole(scope):
    return words(language.classes()[scope], prefix=r"(?<!\w)", suffix=r"(?!\w)")


# Pygments and Oniguruma write classes of letters differently.
_UNIT = re.sub(r"\\p\{L\}\\p\{N\}\\p\{Pc\}", r"\\w", language.unit())


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
            (words(language.classes()["support.function"], prefix=r"(?<!\w)", suffix=r"(?=\s*\()"), Name.Builtin),
            (r"[^\W\d]\w*", Name),
            (r"[^\w\s]", Punctuation),
        ],
    }
