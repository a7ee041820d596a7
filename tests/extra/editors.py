"""The files for editors under `grammar`: `editors.py PROGRAM WORK` compares what is generated with the tables that it comes from
and tries it, `--write` writes it anew."""

import json
import os
import pathlib
import re
import subprocess
import sys
import tomllib

import words

ROOT = pathlib.Path(__file__).resolve().parents[2]
GRAMMAR = ROOT / "grammar"
SYNTAX = GRAMMAR / "vim/syntax/spintrue.vim"
SNIPPETS = GRAMMAR / "vim/snippets/spintrue.snippets"

# Scopes of the highlighting grammar, and the groups of Vim.
GROUPS = {
    "comment.line.documentation": "SpecialComment", "comment.line.double-slash": "Comment",
    "constant.numeric": "Number", "keyword.other.unit": "Type", "string.quoted.double": "String",
    "constant.character.escape": "SpecialChar", "variable.other.property": "Identifier",
    "keyword.control": "Statement", "keyword.control.import": "Include", "storage.type": "StorageClass",
    "storage.modifier": "StorageClass", "keyword.operator.word": "Operator", "keyword.other": "Keyword",
    "constant.language": "Boolean", "support.function": "Function", "support.type": "Type",
    "support.constant.effect": "Constant", "constant.other.code": "Constant",
}
# What Vim's file does not tell apart.
PLAIN = {"variable.other.declaration", "variable.parameter", "entity.name.function", "entity.name.function.call",
         "keyword.operator", "source"}


def group(scope):
    return "spintrue" + "".join(part.capitalize() for part in re.split(r"[.-]", scope))


def syntax():
    """The words of Vim's highlighting, in very magic patterns."""
    unit = words.unit().replace("(?:", "%(").replace("|%|", r"|\%|")
    unit = unit.replace(r"(?![\p{L}\p{N}\p{Pc}])", r"[[:alnum:]_]@!")
    assert "(?" not in unit and "\\p" not in unit, unit
    lines = [
        '" Highlighting of scripts, generated from grammar/spintrue.tmLanguage.json by tests/extra/editors.sh --write.',
        "if exists('b:current_syntax') | finish | endif",
        "let b:current_syntax = 'spintrue'",
        "syn case match",
        "syn iskeyword @,48-57,_,192-255",
    ]
    classes = words.classes()
    for scope, listed in classes.items():
        if scope == "support.function":
            lines.append(f"syn match {group(scope)} '\\v<%({'|'.join(listed)})>\\ze\\s*\\('")
        else:
            lines.append(f"syn keyword {group(scope)} {' '.join(listed)}")
    # The later one counts.
    lines.append(f"syn keyword {group('keyword.operator.word')} in nextgroup={group('keyword.other.unit')} skipwhite")
    effects, types = "|".join(words.captured("may")), "|".join(words.types())
    rules = {
        "variable.other.property": r"\v\.@<!\.[[:alpha:]_]\k*",
        "support.type": rf"\v%(%(:|-\>|<of>)\s*)@<=%({types})>%(\s*[(.])@!",
        "support.constant.effect": rf"\v%(<may\s+)@<=%({effects})%(\s*,\s*%({effects}))*>",
        "constant.other.code": r"\v%(<allow\s+)@<=[EW]\d+>",
        "comment.line.double-slash": "//.*$",
        "comment.line.documentation": r"^\s*///\%(/\)\@!.*$",
    }
    lines += [f"syn match {group(scope)} '{pattern}'" for scope, pattern in rules.items()]
    number, unit_group = group("constant.numeric"), group("keyword.other.unit")
    string, escape = group("string.quoted.double"), group("constant.character.escape")
    lines += [
        rf"syn match {number} '\v<\d+%(_\d+)*%(\.\d+%(_\d+)*)?%([eE][+-]?\d+)?' nextgroup={unit_group} skipwhite",
        f"syn match {unit_group} contained '\\v{unit}'",
        rf"syn match {escape} contained '\\[\"\\nt{{}}]'",
        rf"""syn region {string} start='"' skip='\\.' end='"\|$' contains={escape},spintrueInserted""",
        r"syn region spintrueInserted contained matchgroup=Delimiter start='{' end='}\|$' contains=TOP",
        r"syn region spintrueBraces contained containedin=spintrueInserted,spintrueBraces start='{' end='}\|$' contains=TOP",
        *(f"hi def link {group(scope)} {linked}" for scope, linked in GROUPS.items()),
    ]
    return "\n".join(lines) + "\n"


def snippets():
    """The format that plugins for snippets read in Vim and Neovim."""
    parts = ["# Generated from grammar/snippets.json by tests/extra/editors.sh --write.\n"]
    for snippet in json.loads((GRAMMAR / "snippets.json").read_text()).values():
        body = "".join(f"\t{line}\n" if line else "\n" for line in snippet["body"])
        parts.append(f"snippet {snippet['prefix']} \"{snippet['description']}\"\n{body}")
    return "".join(parts)


def expanded(body):
    """A snippet with its defaults, as an editor leaves it if nothing is typed."""
    text, defaults = "\n".join(body), {}

    def default(found):
        defaults[found[1]] = re.sub(r"\$(\d)", lambda inner: defaults[inner[1]], found[2])
        return defaults[found[1]]

    text = re.sub(r"\$\{(\d):([^{}]*)\}", default, text)
    return re.sub(r"\$(\d)", lambda found: defaults.get(found[1], ""), text)


def snippets_are_right(program, work):
    listed = json.loads((GRAMMAR / "snippets.json").read_text())
    for name, snippet in listed.items():
        assert name == snippet["prefix"] and (name == "script" or name in words.keywords()), name
        script = work / f"snippet_{name}.spt"
        script.write_text(expanded(snippet["body"]))
        done = subprocess.run([program, "check", str(script)], capture_output=True, text=True)
        assert done.returncode == 0 and "no problems" in done.stdout, (name, script.read_text(), done.stdout, done.stderr)
        done = subprocess.run([program, "fmt", "--check", str(script)], capture_output=True, text=True)
        assert done.returncode == 0, (name, "is not formatted", script.read_text())
    return len(listed)


def vim(work, *commands, file=None):
    """What Vim says of a file, with these settings and no others."""
    path = f"set rtp^={GRAMMAR / 'vim'} encoding=utf-8"
    start = ["vim", "-Nu", "NONE", "-i", "NONE", "-n", "-es", "--cmd", path, "--cmd", "filetype plugin indent on", "--cmd", "syntax on"]
    out = work / "vim.json"
    out.unlink(missing_ok=True)
    listed = [argument for command in commands for argument in ("-c", command)]
    end = ["-c", f"call writefile([json_encode(g:said)], '{out}')", "-c", "qa!"]
    done = subprocess.run([*start, str(file), *listed, *end], cwd=work, stdin=subprocess.DEVNULL, capture_output=True, timeout=60,
                          env=os.environ | {"LC_ALL": "C.UTF-8"})
    assert out.exists(), done.stderr.decode()
    return json.loads(out.read_text())


def vim_colours(work):
    """The lines of tests/data/highlight.json, as Vim sees them."""
    lines = json.loads((ROOT / "tests/data/highlight.json").read_text())
    count = 0
    for line, expected in lines:
        file = work / "line.spt"
        file.write_text(line + "\n")
        asked = []
        for word, scope, *at in expected:
            at = at[0] if at else line.index(word)
            # The last byte of a word, since a comment or a region may begin with another group.
            asked.append(len(line[: at + len(word)].encode()))
        names = ", ".join(f"synIDattr(synID(1, {column}, 1), 'name')" for column in asked)
        for (word, scope, *_), found in zip(expected, vim(work, f"let g:said = [{names}]", file=file), strict=True):
            wanted = "" if scope in PLAIN else group(scope)
            assert found == wanted or (scope in PLAIN and found in ("", "spintrueInserted")), (line, word, scope, found)
            count += 1
    return count


def vim_works(program, work):
    """Reports in the quickfix list, and each line of the scripts indented behind the one before as the formatter does."""
    wrong = work / "wrong.spt"
    wrong.write_text("spin(80 Hz)\nwait until locked()\n")
    path = f"let $PATH = '{pathlib.Path(program).parent}:' . $PATH"
    said = vim(work, path, "make", "let g:said = map(getqflist(), '[v:val.lnum, v:val.col, v:val.type, v:val.nr, v:val.text]')", file=wrong)
    assert [report[:4] for report in said] == [[1, 6, "E", 605], [2, 1, "E", 314]], said
    count, right = 0, 0
    for script in sorted((ROOT / "scripts").rglob("*.spt")):
        said = vim(work, "let g:said = map(range(1, line('$')), '[SpintrueIndent(v:val), indent(v:val), getline(v:val)]')", file=script)
        told = [(indent, formatted) for indent, formatted, line in said if line]
        count, right = count + len(told), right + sum(indent == formatted for indent, formatted in told)
    # A statement over several lines is not always told from the line before.
    assert right >= 0.97 * count, f"only {right} of {count} lines"
    return f"{right} of {count}"


NEOVIM = """
local config = dofile('%(config)s')
config.root_dir = vim.fn.getcwd()
local client = vim.lsp.start_client(config)
vim.lsp.buf_attach_client(0, client)
local all = function() return #vim.diagnostic.get(0) == 2 end
local came = vim.wait(20000, all, 50)
local codes = vim.tbl_map(function(told) return told.code or told.user_data.lsp.code end, vim.diagnostic.get(0))
table.sort(codes)
vim.fn.writefile({vim.json.encode({vim.bo.filetype, came, codes})}, '%(out)s')
vim.cmd('qa!')
"""


def neovim(program, work):
    """A client of the protocol with the settings that are given."""
    script, out = work / "neovim.lua", work / "neovim.json"
    script.write_text(NEOVIM % {"config": GRAMMAR / "vim/lsp/spintrue.lua", "out": out})
    out.unlink(missing_ok=True)
    start = ["nvim", "--headless", "-u", "NONE", "-i", "NONE", "-n", "--cmd", f"set rtp^={GRAMMAR / 'vim'}", "--cmd", "filetype plugin on"]
    environment = os.environ | {"PATH": f"{pathlib.Path(program).parent}:{os.environ['PATH']}"}
    subprocess.run([*start, "wrong.spt", "-S", str(script)], cwd=work, env=environment, stdin=subprocess.DEVNULL, timeout=60,
                   capture_output=True)
    assert json.loads(out.read_text()) == ["spintrue", True, ["E0314", "E0605"]], out.read_text()


def main():
    program, work, write = sys.argv[1], pathlib.Path(sys.argv[2]).resolve(), "--write" in sys.argv
    for path, text in ((SYNTAX, syntax()), (SNIPPETS, snippets())):
        if write:
            path.write_text(text)
        assert path.read_text() == text, f"{path} is stale: tests/extra/editors.sh --write"
    helix = tomllib.loads((GRAMMAR / "helix/languages.toml").read_text())
    assert helix["language"][0]["file-types"] == ["spt"] and helix["language-server"]["spintrue"]["args"] == ["lsp"]
    print(f"{snippets_are_right(program, work)} snippets pass the checker and the formatter")
    print(f"Vim colours {vim_colours(work)} words as expected")
    print(f"Vim takes the reports of the checker, and indents {vim_works(program, work)} lines as the formatter")
    neovim(program, work)
    print("Neovim shows the reports of the language server")


main()
