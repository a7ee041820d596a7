"""The grammar in grammar/spintrue.ebnf, read by a general-purpose GLR parser (parglare).

The rules of files, statements, types, expressions and values in texts are taken unchanged from the
file. The lexical part and the layout are implemented here independently, from the file's description
in words; they share no code with the crate.

    grammar.py draw TEXTS SEED COUNT    writes the corpus, generated and mutated programs
    grammar.py compare TEXTS ANSWERS    parses each, and compares with the crate's answers
"""

import json
import multiprocessing
import random
import re
import sys
import unicodedata
from collections import Counter, namedtuple
from pathlib import Path

from parglare import GLRParser, Grammar
from parglare.exceptions import SyntaxError as NoParse

ROOT = Path(__file__).resolve().parent.parent.parent
GRAMMAR = (ROOT / "grammar" / "spintrue.ebnf").read_text(encoding="utf-8")

# The rules used: everything after the layout, and these of the lexical part.
LEXICAL_RULES = ["text", "value"]
# Symbols that the lexical part below returns as one token.
TOKENS = {"name", "number", "unit", "power", "decimals", "END"}


Token = namedtuple("Token", "type value")


# The notation of the grammar file.


def notation(text):
    """The rules of the grammar file: name -> (kind, parts)."""
    text = re.sub(r"\(\*.*?\*\)", " ", text, flags=re.S)
    pattern = r"\?[^?]*\?|\"[^\"]*\"|'[^']*'|[A-Za-z][A-Za-z0-9-]*|[=|\[\]{}();-]"
    words = re.findall(pattern, text)
    at = 0

    def peek():
        return words[at] if at < len(words) else None

    def take(expected=None):
        nonlocal at
        word = words[at]
        assert expected is None or word == expected, f"{word} instead of {expected}"
        at += 1
        return word

    def choice():
        options = [sequence()]
        while peek() == "|":
            take()
            options.append(sequence())
        return options[0] if len(options) == 1 else ("or", options)

    def sequence():
        parts = []
        while peek() not in (None, "|", "]", "}", ")", ";"):
            part = factor()
            if peek() == "-":
                take()
                part = ("not", part, factor())
            parts.append(part)
        return parts[0] if len(parts) == 1 else ("seq", parts)

    def factor():
        word = take()
        if word in "[{(":
            inner = choice()
            take({"[": "]", "{": "}", "(": ")"}[word])
            return {"[": ("opt", inner), "{": ("rep", inner), "(": inner}[word]
        if word[0] in "\"'":
            return ("lit", word[1:-1])
        if word[0] == "?":
            return ("said", word)
        return ("ref", word)

    rules = {}
    while peek() is not None:
        name = take()
        take("=")
        rules[name] = choice()
        take(";")
    return rules


ALL_RULES = notation(GRAMMAR)
BODY = notation(GRAMMAR[GRAMMAR.index("(* 3. "):])
RULES = {**{name: ALL_RULES[name] for name in LEXICAL_RULES}, **BODY}
KEYWORDS = {literal for _, literal in ALL_RULES["keyword"][1]}
ESCAPES = {literal for kind, literal in ALL_RULES["escape"][1][1][1]}
CHARACTER_NOT = {part[1] for part in ALL_RULES["character"][2][1] if part[0] == "lit"}


def literals(tree, rule):
    """The token types of the literals in a rule: the type of a brace depends on what it opens."""
    kind = tree[0]
    if kind == "lit":
        return [(tree[1], terminal(tree[1], rule))]
    if kind in ("seq", "or"):
        return [found for part in tree[1] for found in literals(part, rule)]
    if kind in ("opt", "rep"):
        return literals(tree[1], rule)
    return []


def terminal(literal, rule):
    if literal in "{}":
        what = {"block": "BLOCK", "value": "VALUE"}.get(rule, "RECORD")
        return what + ("_OPEN" if literal == "{" else "_CLOSE")
    if rule == "text":
        return "QUOTE"
    if re.fullmatch("[a-z]+", literal):
        return "WORD_" + literal.upper()
    if literal == "1":
        return "ONE"
    return "MARK_" + "_".join(f"{ord(c):X}" for c in literal)


def to_parser():
    """A parser of the rules, over lists of tokens."""
    names = {rule: "r_" + rule.replace("-", "_") for rule in RULES}
    used = set()

    def use(token):
        used.add(token)
        return token

    def write(tree, rule):
        kind = tree[0]
        if kind == "lit":
            return use(terminal(tree[1], rule))
        if kind == "ref":
            name = tree[1]
            if name == "word":
                return use("NAME")
            if name in ("character", "escape"):
                return use("PLAIN")
            if name in TOKENS:
                # The number 1 has its own type.
                both = f"({use('NUMBER')} | {use('ONE')})"
                return both if name == "number" else use(name.upper())
            return names[name]
        if kind == "seq":
            return "(" + " ".join(write(part, rule) for part in tree[1]) + ")"
        if kind == "or":
            return "(" + " | ".join(write(part, rule) for part in tree[1]) + ")"
        return "(" + write(tree[1], rule) + ")" + ("?" if kind == "opt" else "*")

    lines = [f"{names[rule]}: {write(RULES[rule], rule)};" for rule in sorted(RULES, key="file".__ne__)]
    lines += ["terminals"] + [f"{token}: ;" for token in sorted(used)]

    def recognizer(kind):
        def recognize(tokens, at):
            return tokens[at:at + 1] if at < len(tokens) and tokens[at].type == kind else None
        return recognize

    recognizers = {token: recognizer(token) for token in used}
    return GLRParser(Grammar.from_string("\n".join(lines), recognizers=recognizers), ws=None)


# The lexical part, from its description in words.


class Refused(Exception):
    pass


def is_control(c):
    turns = unicodedata.bidirectional(c) in (
        "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
    return (unicodedata.category(c) == "Cc" or turns
            or c in "\u0085\u2028\u2029\u200e\u200f\u061c\ufeff")


NUMBER = re.compile(r"[0-9]+(?:_[0-9]+)*(?:\.[0-9]+(?:_[0-9]+)*)?(?:[eE][+-]?[0-9]+)?")
WHOLE = re.compile(r"[ \t]*(-?)[ \t]*([0-9]+)")
UNIT_TABLE = (ROOT / "src" / "head" / "units" / "table.rs").read_text(encoding="utf-8")
UNITS = {}
for name, aliases, prefixes in re.findall(
        r'^    unit\("(\S+)", &\[(.*?)\], (\w+|"\w*"),', UNIT_TABLE, re.M):
    letters = {"NONE": "", "SI": "fpnumkMG"}.get(prefixes, prefixes.strip('"'))
    for spelling in [name, *re.findall('"(.*?)"', aliases)]:
        UNITS[spelling] = letters
POWERED = r"[^\W\d]+(?:\^-?[0-9]+)?"
BRACKET = re.compile(rf"\({POWERED}(?:[/*]{POWERED})*\)")


def is_unit(word):
    word = word.replace("\u00b5", "u").replace("\u03bc", "u")
    return word in UNITS or word[:1] in UNITS.get(word[1:], "") and word[:1] != ""


TOUCHING_WHOLE = re.compile(r"\^(-?)([0-9]+)")
MARKS = sorted(
    {literal for rule, tree in RULES.items() for literal, _ in literals(tree, rule)
     if not re.fullmatch("[a-z]+|1|\"", literal)} | {"+-", "<=", ">="},
    key=len, reverse=True)
# Operators as the grammar lists them: after one, the line continues.
OPERATORS = {"+", "-", "*", "/", "±", "+-", "==", "!=", "<", "<=", ">", ">=", ".."}
WORD_OPERATORS = {"and", "or", "mod"}
FOREIGN = re.compile(r"&&|\|\||===|!==|=>|<>|\+=|-=|\*=|/=|\+\+|\*\*|:=|\.\.\.|\.\.=")


def layout_words():
    """The keyword and mark lists in the words of the layout."""
    words = GRAMMAR[GRAMMAR.index("(* 2. "):GRAMMAR.index("(* 3. ")]
    after = re.search(r"and after the keywords\s+(.*?);", words, re.S).group(1)
    before = re.search(r"begins with one of\s+(.*?)\s+Of the operators", words, re.S).group(1)
    return (set(re.findall("[a-z]+", after)), set(before.split()))


AFTER_WORDS, BEFORE = layout_words()


def first_words(rule):
    """The keywords that a rule can begin with."""
    def first(tree, rule):
        kind = tree[0]
        if kind == "lit":
            return {tree[1]}
        if kind == "ref":
            return first(RULES[tree[1]], tree[1]) if tree[1] in RULES else {tree[1]}
        if kind == "or":
            return set().union(*(first(part, rule) for part in tree[1]))
        if kind == "seq":
            found = set()
            for part in tree[1]:
                found |= first(part, rule)
                if part[0] not in ("opt", "rep"):
                    break
            return found
        return first(tree[1], rule)
    return {word for word in first(RULES[rule], rule) if word in KEYWORDS}


# "not", "true" and "false" begin expressions, not statements.
BEGIN_STATEMENT = first_words("statement") - first_words("expression")
# After these keywords no operand and no type can follow.
NO_OPERAND = {"else", "try", "finally", "times", "arm", "true", "false", "break", "continue",
              "use", "param", "routine", "let", "var", "for", "catch", "any", "may", "allow"}


def is_word_start(c):
    return c == "_" or c.isidentifier()


def word_at(text, at):
    end = at
    if end < len(text) and is_word_start(text[end]):
        end += 1
        while end < len(text) and ("a" + text[end]).isidentifier():
            end += 1
    return text[at:end]


class Scanner:
    """Characters to tokens, with the layout's line ends."""

    def __init__(self, text):
        self.text = text[1:] if text.startswith("\ufeff") else text
        self.at = 0
        self.tokens = []
        # What is open: "(", "[", "record", "block", or "value".
        self.open = []
        self.levels = [0]
        self.line_end = False

    def push(self, kind, value=""):
        self.tokens.append(Token(kind, value))

    def last(self):
        return self.tokens[-1] if self.tokens else None

    def in_block(self):
        return not self.open or self.open[-1] == "block"

    def scan(self):
        text = self.text
        for at, c in enumerate(text):
            if is_control(c) and c not in "\t\n" and text[at:at + 2] != "\r\n":
                raise Refused("control character")
        while self.at < len(text):
            c = text[self.at]
            if c in " \t\r":
                self.at += 1
            elif c == "\n":
                self.at += 1
                if "value" in self.open:
                    raise Refused("a text ends on its line")
                self.line_end = True
            elif text.startswith("//", self.at):
                end = text.find("\n", self.at)
                self.at = len(text) if end < 0 else end
            else:
                self.token(c)
        if self.open:
            raise Refused("unclosed")
        while self.tokens and self.tokens[-1].type == "END":
            self.tokens.pop()
        return self.tokens

    def token(self, c):
        text, at = self.text, self.at
        word = word_at(text, at)
        number = NUMBER.match(text, at)
        if word:
            self.begin(word, word in KEYWORDS)
            self.at += len(word)
            return self.word(word)
        if number:
            self.begin(number.group(), False)
            self.at = number.end()
            return self.number(number.group())
        if c == '"':
            self.begin(c, False)
            self.push("QUOTE")
            self.at += 1
            return self.inside_text()
        if FOREIGN.match(text, at):
            raise Refused("foreign operator")
        if c == ";":
            self.at += 1
            self.line_end = False
            return self.end()
        if c == "^":
            self.begin(c, False)
            return self.power()
        mark = next((mark for mark in MARKS if text.startswith(mark, at)), None)
        if mark is None:
            raise Refused("unknown character")
        self.begin(mark, False)
        self.at += len(mark)
        self.mark(mark)

    def begin(self, first, keyword):
        """Decides whether the line end before a token counts."""
        if not self.line_end:
            return
        self.line_end = False
        last = self.last()
        if last is None:
            return
        if last.value == "else" and last.type == "WORD_ELSE":
            return
        if keyword and first in BEGIN_STATEMENT:
            if last.value != "." and self.names_field(self.at + len(first)):
                return
            inside_list = self.open and self.open[-1] == "[" and first in ("for", "if")
            if not inside_list:
                self.end()
            return
        if not self.in_block():
            return
        unfinished = (
            last.value in OPERATORS | {",", ":", ".", "=", "->"} and last.type.startswith("MARK")
            or last.type.startswith("WORD_") and last.value in AFTER_WORDS | WORD_OPERATORS)
        if not unfinished and first not in BEFORE:
            self.end()

    def end(self):
        if not self.in_block():
            raise Refused("a statement ends inside brackets")
        self.levels[-1] = 0
        if self.tokens and self.tokens[-1].type not in ("END", "BLOCK_OPEN"):
            self.push("END")

    def deeper(self):
        """An expression is at most 256 operators and brackets high."""
        self.levels[-1] += 1
        height = 0
        for what, level in zip(reversed([None] + self.open), reversed(self.levels)):
            height += level
            if what in (None, "block"):
                break
            height += 1
        if height > 256:
            raise Refused("too high")

    def word(self, word):
        if word not in KEYWORDS or self.names_field(self.at):
            return self.push("NAME", word)
        before = self.tokens[-2:]
        for_in = (len(before) == 2 and before[0].type == "WORD_FOR" and before[1].type == "NAME")
        if word in WORD_OPERATORS | {"not", "within", "of"} or word == "in" and not for_in:
            self.deeper()
        self.push("WORD_" + word.upper(), word)
        if word == "in" and not for_in:
            self.blanks()
            if not self.unit():
                raise Refused("`in` needs a unit")

    def names_field(self, after):
        """Behind "." and before ":" inside the braces of a record a keyword names a field."""
        last = self.last()
        if last is None or last.value == "." and last.type.startswith("MARK"):
            return last is not None
        begins = last.type == "RECORD_OPEN" or last.value == "," and last.type.startswith("MARK")
        in_record = bool(self.open) and self.open[-1] == "record"
        return in_record and begins and self.text[after:].lstrip(" \t\r\n").startswith(":")

    def blanks(self):
        while self.text[self.at:self.at + 1] in (" ", "\t", "\r"):
            self.at += 1

    def number(self, written):
        value = float(written.replace("_", ""))
        if value == float("inf"):
            raise Refused("not finite")
        rest = self.text[self.at:]
        if rest.startswith(".") and not rest.startswith(".."):
            raise Refused("a digit follows the point")
        touching = word_at(self.text, self.at)
        if touching.startswith("_"):
            raise Refused("an underscore stands between two digits")
        if written == "0" and re.fullmatch("[xXbo][0-9a-fA-F_]+", touching):
            raise Refused("numbers are decimal")
        self.push("ONE" if value == 1.0 else "NUMBER", written)
        self.blanks()
        self.unit()

    def unit(self):
        """The unit that begins here, if one does."""
        text, start = self.text, self.at

        def part(first):
            name = word_at(text, self.at)
            if name in KEYWORDS:
                return False
            if not name and not (first and text.startswith("%", self.at)):
                return False
            if re.search("[0-9]", name):
                raise Refused("a digit in a unit")
            self.at += len(name) or 1
            power = TOUCHING_WHOLE.match(text, self.at)
            if power:
                if NUMBER.match(text, power.start(2)).end() != power.end(2):
                    raise Refused("not a whole exponent")
                whole(power.group(1), power.group(2))
                self.at = power.end()
                if TOUCHING_WHOLE.match(text, self.at):
                    raise Refused("no power on a power")
            return True

        if not part(True):
            return False
        def bracket():
            """A bracket of units alone, without a blank."""
            found = BRACKET.match(text, self.at)
            if not found or not all(is_unit(word) for word in re.findall(r"[^\W\d]+", found.group())):
                return False
            self.at = found.end()
            return True

        while text[self.at:self.at + 1] in ("/", "*"):
            mark = self.at
            self.at += 1
            if not bracket() and not part(False):
                self.at = mark
                break
        self.push("UNIT", text[start:self.at])
        return True

    def power(self):
        last = self.last()
        if last is not None and last.type == "POWER":
            raise Refused("no power on a power")
        self.deeper()
        found = WHOLE.match(self.text, self.at + 1)
        if not found or NUMBER.match(self.text, found.start(2)).end() != found.end():
            raise Refused("an exponent is a whole number")
        whole(found.group(1), found.group(2))
        self.at = found.end()
        self.push("POWER")

    def inside_text(self):
        text = self.text
        while True:
            c = text[self.at:self.at + 1]
            if c in ("", "\n"):
                raise Refused("a text ends on its line")
            self.at += 1
            if c == '"':
                return self.push("QUOTE")
            if c == "{":
                self.bracket("value")
                return self.push("VALUE_OPEN", c)
            if c == "\\":
                if text[self.at:self.at + 1] not in ESCAPES:
                    raise Refused("no such escape")
                self.at += 1
            elif c in CHARACTER_NOT:
                raise Refused("stands alone in a text")
            if self.last().type != "PLAIN":
                self.push("PLAIN")

    def bracket(self, what):
        if len(self.open) >= 64:
            raise Refused("too deep")
        self.open.append(what)
        self.levels.append(0)

    def unbracket(self, what):
        if not self.open or self.open.pop() != what:
            raise Refused("unmatched")
        self.levels.pop()

    def mark(self, mark):
        kind = terminal(mark, "")
        if mark in "([":
            self.bracket(mark)
            self.push(kind, mark)
        elif mark in ")]":
            self.unbracket({")": "(", "]": "["}[mark])
            self.push(kind, mark)
        elif mark == "{":
            record = "value" in self.open or self.is_record()
            self.bracket("record" if record else "block")
            self.push("RECORD_OPEN" if record else "BLOCK_OPEN", mark)
        elif mark == "}":
            if not self.open:
                raise Refused("unmatched")
            what = self.open[-1]
            self.unbracket(what)
            if what == "block":
                if self.last().type == "END":
                    self.tokens.pop()
                return self.push("BLOCK_CLOSE", mark)
            self.push("VALUE_CLOSE" if what == "value" else "RECORD_CLOSE", mark)
            if what == "value":
                self.inside_text()
        elif mark == ":" and self.open and self.open[-1] == "value":
            self.push(kind, mark)
            found = re.compile(r"[ \t]*([0-9]+)[ \t]*(?=\})").match(self.text, self.at)
            if not found or int(found.group(1)) > 17:
                raise Refused("decimals are 0 to 17")
            self.at = found.end()
            self.push("DECIMALS")
        else:
            if mark in OPERATORS or mark == ".":
                self.deeper()
            if mark == ",":
                self.levels[-1] = 0
            self.push(kind, mark)

    def is_record(self):
        last = self.last()
        if last is None or last.type == "END" or last.type.startswith("BLOCK"):
            return False
        if last.type.startswith("WORD_"):
            wanted = last.value not in NO_OPERAND
        else:
            wanted = (last.type.startswith("MARK_") and last.value not in (")", "]")
                      or last.type in ("RECORD_OPEN", "VALUE_OPEN"))
        if not wanted:
            return False
        at = self.at
        blanks = re.compile(r"(?:[ \t\r\n]|//[^\n]*)*")
        at = blanks.match(self.text, at).end()
        if self.text.startswith("}", at):
            return True
        name = word_at(self.text, at)
        at = blanks.match(self.text, at + len(name)).end()
        return bool(name) and self.text.startswith(":", at)


def whole(sign, digits):
    if int(digits) > 2**31 - 1:
        raise Refused("an exponent beyond 32 bits")


def said_in_words(tokens):
    """The rules that the grammar gives in words."""
    calls = []
    for at, token in enumerate(tokens):
        before = tokens[at - 1] if at else None
        starts = before is None or before.type in ("END", "BLOCK_OPEN")
        if token.value == "-" and (starts or before.type == "WORD_ELSE"):
            raise Refused("a statement begins with a minus sign")
        if token.type == "WORD_UNTIL" and before.type == "WORD_WAIT":
            has_limit(tokens, at)
        if before is not None and before.type == "WORD_USE" and token.type == "QUOTE":
            without_values(tokens, at)
        if at > 1 and tokens[at - 2].type == "WORD_ALLOW" and token.type == "QUOTE":
            without_values(tokens, at)
        if calls and calls[-1][0] and before.value in ("(", ",") and token.value != ")":
            named = (token.type == "NAME" and at + 1 < len(tokens) and tokens[at + 1].value == ":")
            if calls[-1][1] and not named:
                raise Refused("named arguments come last")
            calls[-1][1] = calls[-1][1] or named
        if token.value in ("(", "[", "{"):
            call = token.value == "(" and before is not None and before.type == "NAME"
            calls.append([call, False])
        elif token.value in (")", "]", "}"):
            calls.pop()


def has_limit(tokens, until):
    """A `within` that can be a band's is one, so `wait until` needs one that cannot."""
    compared = False
    for at, token in outside_brackets(tokens, until + 1):
        if token.type in ("END", "BLOCK_OPEN", "BLOCK_CLOSE", "WORD_EVERY", "WORD_ELSE"):
            break
        if token.value in ("and", "or"):
            compared = False
        if token.value in COMPARATORS:
            compared = True
        if token.type == "WORD_WITHIN":
            loose = [t.value for _, t in outside_brackets(tokens, at + 1)
                     if t.type not in SUM and t.value not in SUM_MARKS]
            if compared or loose[:1] != [".."]:
                return
            compared = True
    raise Refused("a wait without a limit")


COMPARATORS = {literal for literal, _ in literals(RULES["comparator"], "comparator")}
# The tokens of a sum, outside its brackets.
SUM = {"NAME", "NUMBER", "ONE", "UNIT", "POWER", "WORD_MOD", "WORD_TRUE", "WORD_FALSE"}
SUM_MARKS = {"+", "-", "*", "/", "."}


def outside_brackets(tokens, start):
    """The tokens from one on that are in no bracket opened after it."""
    depth = 0
    quoted = []
    for at in range(start, len(tokens)):
        token = tokens[at]
        if token.type == "QUOTE":
            # If no text is open at this depth, one begins.
            if quoted and quoted[-1] == depth:
                quoted.pop()
                depth -= 1
            else:
                depth += 1
                quoted.append(depth)
        elif token.value in ("(", "[") or token.type in ("RECORD_OPEN", "VALUE_OPEN"):
            depth += 1
        elif token.value in (")", "]") or token.type in ("RECORD_CLOSE", "VALUE_CLOSE"):
            depth -= 1
        elif depth == 0:
            yield at, token
        if depth < 0:
            return


def without_values(tokens, at):
    kinds = [token.type for token in tokens[at + 1:]]
    if "VALUE_OPEN" in kinds[:kinds.index("QUOTE")]:
        raise Refused("a text without values")


_parser = None


def accepts(text):
    global _parser
    if _parser is None:
        _parser = to_parser()
    try:
        tokens = Scanner(text).scan()
        _parser.parse(tokens)
        said_in_words(tokens)
        return True, ""
    except Refused as why:
        return False, str(why)
    except NoParse as why:
        return False, str(why).split("\n")[0]


# Programs.

NAMES = ["a", "b", "speed", "µ_x", "h", "locked", "facets", "D"]
SAMPLES = {
    "name": NAMES,
    "number": ["1", "3", "0.5", "1_000", "2e3"],
    "unit": ["mm", "rpm", "%", "m/s^2", "µs", "kg*m^-2", "W/(m*K)", "N*(µm^-1/rad)", "mm/(b)"],
    "power": ["^2", "^-1", "^ 3"],
    "decimals": ["2", "0"],
    "character": ["x", "µ ", "//"],
    "escape": ["\\n", "\\{", "\\\""],
}


class Generator:
    """Programs derived randomly from the rules."""

    def __init__(self, seed):
        self.random = random.Random(seed)

    def program(self):
        self.budget = self.random.choice([4, 10, 25])
        return "".join(self.derive(RULES["file"], "file", 0))

    def blank(self):
        return self.random.choice([" ", " ", " ", "  ", "\t"])

    def derive(self, tree, rule, depth):
        kind = tree[0]
        tight = self.budget <= 0 or depth > 60
        if kind == "lit":
            if rule in ("text", "value"):
                return [tree[1]]
            line = "\n" if rule == "block" and self.random.random() < 0.5 else ""
            if tree[1] in "([,{" and self.random.random() < 0.1:
                return [tree[1] + "\n"]
            return [line + tree[1] + line + self.blank()]
        if kind == "said":
            return ["x"]
        if kind == "ref":
            name = tree[1]
            if name == "END":
                return [self.random.choice(["\n", "\n", ";", " // c\n", "\n\n"])]
            if name == "word":
                sample = self.random.choice(SAMPLES["name"] + sorted(KEYWORDS))
                return [sample + self.blank()]
            if name in SAMPLES:
                sample = self.random.choice(SAMPLES[name])
                return [sample if rule in ("text",) else sample + self.blank()]
            if name in ("statement", "expression"):
                self.budget -= 1
            return self.derive(RULES[name], name, depth + 1)
        if kind == "seq":
            return [word for part in tree[1] for word in self.derive(part, rule, depth)]
        if kind == "or":
            options = tree[1]
            if tight:
                options = sorted(options, key=cost)[:2]
            return self.derive(self.random.choice(options), rule, depth)
        # Chains of operators are rare, to keep programs small.
        share = 0.0 if tight else 0.8 if rule in ("file", "block", "item", "compound") else 0.18
        out = []
        while self.random.random() < share:
            out += self.derive(tree[1], rule, depth)
            if kind == "opt":
                break
        return out


_costs = {}


def cost(tree):
    """Approximate number of tokens of the shortest derivation."""
    key = id(tree)
    if key not in _costs:
        _costs[key] = 50
        kind = tree[0]
        if kind in ("opt", "rep"):
            _costs[key] = 0
        elif kind == "seq":
            _costs[key] = sum(cost(part) for part in tree[1])
        elif kind == "or":
            _costs[key] = min(cost(part) for part in tree[1])
        elif kind == "ref" and tree[1] in RULES:
            _costs[key] = 1 + cost(RULES[tree[1]])
        else:
            _costs[key] = 1
    return _costs[key]


BITS = sorted(KEYWORDS) + MARKS + [
    "\n", "\n", "\n", ";", '"', "\\", "//", "///x\n", "1", "3 mm", "0x1f", "2.", "5.0.1", "a", "b",
    "^2", "^-1", "%", "{x}", '"t"', '"{a}"', "f(a)", "[1]", "{a: 1}", "{ f() }", "\r\n", "µ", "mm",
    "in mm", "within 1 .. 2", "else", "&", "'", "#", "°", "+", "-", "- 1", "**", "@"]


def mutate(text, rng):
    parts = re.findall(r"\s+|\w+|[^\w\s]", text)
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        at = rng.randrange(len(parts) + 1)
        how = rng.randrange(6)
        if how == 0:
            del parts[at:at + rng.choice([1, 1, 2])]
        elif how == 1 and parts:
            at = min(at, len(parts) - 1)
            parts[at:at] = parts[at:at + rng.choice([1, 2, 3])]
        elif how == 2 and parts:
            other = rng.randrange(len(parts))
            at = min(at, len(parts) - 1)
            parts[at], parts[other] = parts[other], parts[at]
        elif how == 3:
            parts[at:at] = [rng.choice(["\n", "\n", " ", ";"])]
        elif how == 4:
            parts[at:at] = [" ", rng.choice(BITS), " "]
        else:
            parts[at:at + 1] = [rng.choice(BITS)]
    return "".join(parts)


def slices(text, rng, lines=6):
    """A few lines of a longer script."""
    rows = text.split("\n")
    if len(rows) <= lines:
        return text
    start = rng.randrange(len(rows) - lines)
    return "\n".join(rows[start:start + rng.randint(1, lines)])


def draw(path, seed, count):
    rng = random.Random(seed)
    corpus = []
    for file in sorted([*ROOT.glob("tests/corpus/**/*.spt"), *ROOT.glob("scripts/**/*.spt")]):
        try:
            corpus.append(file.read_bytes().decode("utf-8"))
        except UnicodeDecodeError:
            pass
    generator = Generator(seed)
    generated = []
    while len(generated) < count // 3:
        program = generator.program()
        if 0 < len(program) < 600:
            generated.append(program)
    mutated = []
    while len(mutated) < count - len(generated):
        source = rng.choice(generated) if rng.random() < 0.5 else slices(rng.choice(corpus), rng)
        mutated.append(mutate(source[:600], rng))
    texts = [("corpus", text) for text in corpus]
    texts += [("generated", text) for text in generated]
    texts += [("mutated", text) for text in mutated]
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    with open(path, "w", encoding="utf-8") as out:
        for kind, text in texts:
            out.write(json.dumps({"kind": kind, "text": text}) + "\n")


def one(line):
    entry = json.loads(line)
    return entry, accepts(entry["text"])


def compare(path, answers):
    lines = Path(path).read_text(encoding="utf-8").splitlines()
    said = Path(answers).read_text(encoding="utf-8").split("\n")
    counts = Counter()
    differ = []
    with multiprocessing.Pool() as pool:
        found = pool.map(one, lines, chunksize=50)
    for (entry, (mine, why)), answer in zip(found, said, strict=False):
        theirs = answer == "parses"
        counts[entry["kind"], mine] += 1
        if mine != theirs:
            differ.append((entry, mine, why, answer))
    for kind in ("corpus", "generated", "mutated"):
        print(f"{kind}: {counts[kind, True]} accepted, {counts[kind, False]} refused")
    for entry, mine, why, answer in differ[:20]:
        mine = "accepts" if mine else f"refuses ({why})"
        print(f"\nThe grammar {mine}, the parser says: {answer}\n{entry['text']}")
    if differ:
        sys.exit(f"\n{len(differ)} of {len(lines)} texts have different results")
    if min(counts[kind, mine] for kind in ("corpus", "mutated") for mine in (True, False)) < 30:
        sys.exit("too few texts of one kind for a meaningful comparison")
    print("the grammar and the parser agree")


if __name__ == "__main__":
    if sys.argv[1] == "draw":
        draw(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
    elif sys.argv[1] == "compare":
        compare(sys.argv[2], sys.argv[3])
    else:
        for text in sys.argv[1:]:
            print(accepts(text))
