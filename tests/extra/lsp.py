"""Drives the language server with pygls, and checks what its typed client reads.

pygls decodes every answer into the types of lsprotocol, which are generated from the meta model of the
Language Server Protocol: an answer of the wrong shape fails here.
"""

import asyncio
import shutil
import sys
import time
from pathlib import Path

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException
from pygls.lsp.client import BaseLanguageClient

PROGRAM, WORK = sys.argv[1], Path(sys.argv[2]).resolve()
FOLDER = WORK / "scripts"
# No answer takes this long, not even on a loaded machine.
PATIENCE = 120

# One line of a script with what an editor asks about it.
SCRIPT = """\
// spintrue run typed.spt --set @datasheets/ten_facet.toml
use "lib/motion.spt"
use "lib/lines.spt"

/// Polygon speed.
param speed = 4800 rpm within 1000 rpm .. 9000 rpm
let largest = 6 um
expect: guard, coverage 2

/// Waits a little, some times.
routine linger(patience: time) may reads, provokes {
    for _k in 0..3 {
        wait   patience
    }
    try {
        provoke("no_lock")
    } catch problem {
        if problem.kind == "timeout" { note "µ🙂 late" }
    }
}

spin(7000 rpm)
spin(speed)
linger(2 s)
let plan = plan_line(speed, length: 304.8 mm, resolution: 300 dpi)
let marks = table("tables/marks.csv")
record "marks": count(marks)
note "{plan.line_rate in Hz : 1} {largest in µm}"
"""


class Editor:
    """A client with what the server told it by itself."""

    def __init__(self):
        self.client = BaseLanguageClient("an editor for tests", "1")
        self.reports, self.shown, self.refreshed = {}, [], []
        self.version = {}

        @self.client.feature(lsp.TEXT_DOCUMENT_PUBLISH_DIAGNOSTICS)
        def published(params):
            self.reports[params.uri] = params

        @self.client.feature(lsp.WINDOW_SHOW_MESSAGE)
        def shown(params):
            self.shown.append(params.message)

        @self.client.feature(lsp.WORKSPACE_DIAGNOSTIC_REFRESH)
        def refreshed(_):
            self.refreshed.append(time.monotonic())

    async def start(self, pulls, options, encodings):
        await self.client.start_io(PROGRAM, "lsp")
        text = lsp.TextDocumentClientCapabilities(
            publish_diagnostics=lsp.PublishDiagnosticsClientCapabilities(related_information=True),
            diagnostic=lsp.DiagnosticClientCapabilities() if pulls else None,
        )
        diagnostics = lsp.DiagnosticWorkspaceClientCapabilities(refresh_support=True)
        answer = await self.client.initialize_async(
            lsp.InitializeParams(
                capabilities=lsp.ClientCapabilities(
                    text_document=text,
                    general=lsp.GeneralClientCapabilities(position_encodings=encodings),
                    workspace=lsp.WorkspaceClientCapabilities(diagnostics=diagnostics),
                ),
                workspace_folders=[lsp.WorkspaceFolder(FOLDER.as_uri(), "scripts")],
                initialization_options=options,
            )
        )
        self.client.initialized(lsp.InitializedParams())
        return answer.capabilities

    def open(self, path, text):
        uri = path.as_uri()
        self.version[uri] = 1
        item = lsp.TextDocumentItem(uri, "spintrue", 1, text)
        self.client.text_document_did_open(lsp.DidOpenTextDocumentParams(item))
        return lsp.TextDocumentIdentifier(uri)

    def change(self, document, edit):
        self.version[document.uri] += 1
        identifier = lsp.VersionedTextDocumentIdentifier(
            uri=document.uri, version=self.version[document.uri]
        )
        self.client.text_document_did_change(lsp.DidChangeTextDocumentParams(identifier, [edit]))

    async def until(self, holds, what):
        end = time.monotonic() + PATIENCE
        while not holds():
            assert time.monotonic() < end, f"waited in vain: {what}"
            await asyncio.sleep(0.001)

    async def told(self, document):
        """The reports on a document as it stands now."""
        version = self.version[document.uri]

        def is_told():
            return getattr(self.reports.get(document.uri), "version", None) == version

        await self.until(is_told, "reports")
        return self.reports[document.uri].diagnostics

    async def stop(self):
        await self.client.shutdown_async(None)
        self.client.exit(None)
        await asyncio.wait_for(self.client._server.wait(), PATIENCE)
        assert self.client._server.returncode == 0, self.client._server.returncode


def place(text, words, within=0):
    """The position of some words, in UTF-16 units."""
    at = text.index(words) + within
    line = text.count("\n", 0, at)
    before = text[text.rfind("\n", 0, at) + 1 : at]
    return lsp.Position(line, len(before.encode("utf-16-le")) // 2)


def under(text, found):
    """The words of a range, in UTF-16 units."""
    lines = text.split("\n")

    def offset(position):
        before = sum(len(line) + 1 for line in lines[: position.line])
        units = lines[position.line].encode("utf-16-le")[: 2 * position.character]
        return before + len(units.decode("utf-16-le"))

    return text[offset(found.start) : offset(found.end)]


async def reading(editor, doc, text):
    client = editor.client

    async def hover(words, within=0):
        params = lsp.HoverParams(doc, place(text, words, within))
        return (await client.text_document_hover_async(params)).contents.value

    assert "param speed: rotation" in await hover("speed = ")
    assert "Runs a block once" in await hover("for _k")
    assert "reads the state of the head" in await hover("reads, ")
    assert "guard band" in await hover("guard,")
    assert "The drive is too weak" in await hover("no_lock")
    assert "A wait reached its limit." in await hover("timeout")

    params = lsp.DefinitionParams(doc, place(text, "linger(2"))
    assert under(text, (await client.text_document_definition_async(params)).range) == "linger"
    context = lsp.ReferenceContext(include_declaration=True)
    params = lsp.ReferenceParams(context, doc, place(text, "largest ="))
    assert len(await client.text_document_references_async(params)) == 2
    params = lsp.DocumentHighlightParams(doc, place(text, "plan ="))
    assert len(await client.text_document_document_highlight_async(params)) == 2

    outline = await client.text_document_document_symbol_async(lsp.DocumentSymbolParams(doc))
    assert "linger" in [symbol.name for symbol in outline]
    found = await client.workspace_symbol_async(lsp.WorkspaceSymbolParams("spin_up"))
    assert any(symbol.location.uri.endswith("lib/motion.spt") for symbol in found), found
    links = await client.text_document_document_link_async(lsp.DocumentLinkParams(doc))
    assert [under(text, link.range) for link in links] == [
        "datasheets/ten_facet.toml",
        "lib/motion.spt",
        "lib/lines.spt",
        "tables/marks.csv",
    ]
    assert all(Path(link.target.removeprefix("file://")).is_file() for link in links)

    params = lsp.SelectionRangeParams(doc, [place(text, "patience\n")])
    [selection] = await client.text_document_selection_range_async(params)
    grown = []
    while selection:
        grown.append(under(text, selection.range))
        selection = selection.parent
    assert grown[:2] == ["patience", "wait   patience"] and grown[-1] == text, grown


async def showing(editor, doc, text, can):
    client = editor.client
    folds = await client.text_document_folding_range_async(lsp.FoldingRangeParams(doc))
    assert lsp.FoldingRangeKind.Imports in [fold.kind for fold in folds]
    assert all(fold.start_line < fold.end_line for fold in folds)

    legend = can.semantic_tokens_provider.legend
    data = (await client.text_document_semantic_tokens_full_async(lsp.SemanticTokensParams(doc))).data
    line = character = 0
    words = {}
    for at in range(0, len(data), 5):
        down, right, length, kind, _ = data[at : at + 5]
        line, character = line + down, right if down else character + right
        end = lsp.Position(line, character + length)
        word = under(text, lsp.Range(lsp.Position(line, character), end))
        words.setdefault(word, legend.token_types[kind])
    wanted = {
        "use": "keyword",
        "speed": "variable",
        "4800": "number",
        "rpm": "number",
        "linger": "function",
        "patience": "parameter",
        "time": "type",
        "reads": "enumMember",
        "line_rate": "property",
        "µ🙂 late": "string",
        "/// Polygon speed.": "comment",
    }
    assert {word: words[word] for word in wanted} == wanted
    whole = lsp.Range(lsp.Position(0, 0), lsp.Position(text.count("\n"), 0))
    params = lsp.SemanticTokensRangeParams(doc, whole)
    assert (await client.text_document_semantic_tokens_range_async(params)).data == data

    hints = await client.text_document_inlay_hint_async(lsp.InlayHintParams(doc, whole))
    labels = [hint.label for hint in hints]
    assert ": rotation" in labels and ": plan" in labels, labels
    assert sum(label.startswith("≤ ") for label in labels) == 2, labels
    lenses = await client.text_document_code_lens_async(lsp.CodeLensParams(doc))
    titles = [lens.command.title for lens in lenses]
    assert len(titles) == 2 and titles[0].startswith("the script reads, spins"), titles
    assert "ten_large" in titles[0] and "at most" in titles[1], titles
    for title in titles:
        print(f"  lens: {title}")


async def writing(editor, doc, text):
    client = editor.client
    end = place(text, 'note "{plan')

    async def offered(line):
        start = lsp.Range(end, end)
        editor.change(doc, lsp.TextDocumentContentChangePartial(text=line + "\n", range=start))
        position = lsp.Position(end.line, len(line))
        items = await client.text_document_completion_async(lsp.CompletionParams(doc, position))
        gone = lsp.Range(end, lsp.Position(end.line + 1, 0))
        editor.change(doc, lsp.TextDocumentContentChangePartial(text="", range=gone))
        return items

    async def labels(line):
        return [item.label for item in await offered(line)]

    assert (await labels("wait 3 "))[0] == "h" and "mm" not in await labels("wait 3 ")
    assert (await labels("if largest > 3 "))[0] == "m"
    assert "mrad" in await labels("load([{cross_scan: 3 ") and "mm" not in await labels(
        "load([{cross_scan: 3 "
    )
    assert "stuck_trim(facet=3)" in await labels('provoke("')
    assert "timeout" in await labels('if problem.kind == "')
    assert "marks.csv" in await labels('table("tables/')
    [spin] = [item for item in await offered("spi") if item.label == "spin"]
    resolved = await client.completion_item_resolve_async(spin)
    assert "Runs the polygon up" in resolved.documentation.value
    params = lsp.SignatureHelpParams(doc, place(text, "speed, length"))
    assert (await client.text_document_signature_help_async(params)).active_parameter == 0

    options = lsp.FormattingOptions(tab_size=4, insert_spaces=True)
    part = lsp.Range(place(text, "wait   "), place(text, "wait   ", 4))
    params = lsp.DocumentRangeFormattingParams(doc, part, options)
    [edit] = await client.text_document_range_formatting_async(params)
    assert edit.new_text == "        wait patience", edit
    params = lsp.DocumentFormattingParams(doc, options)
    [edit] = await client.text_document_formatting_async(params)
    assert "wait patience" in edit.new_text
    params = lsp.PrepareRenameParams(doc, place(text, "linger(2"))
    assert (await client.text_document_prepare_rename_async(params)).placeholder == "linger"
    params = lsp.RenameParams(doc, place(text, "linger(2"), "stay")
    edit = await client.text_document_rename_async(params)
    assert [len(edits) for edits in edit.changes.values()] == [2]


async def mistakes(editor, doc):
    """Parameters that make no sense are answered with an error, and the server goes on."""
    missing = lsp.TextDocumentIdentifier("file:///nowhere.spt")
    try:
        await editor.client.text_document_code_lens_async(lsp.CodeLensParams(missing))
        raise AssertionError("a document that is not open has lenses")
    except JsonRpcException as error:
        assert error.code == -32602, error
    await editor.client.text_document_code_lens_async(lsp.CodeLensParams(doc))


async def pulled(text):
    """Reports on a head of the options, asked for by the editor."""
    editor = Editor()
    can = await editor.start(True, {"head": "heads/ten_large.toml"}, ["utf-16"])
    assert can.position_encoding == "utf-16"
    doc = editor.open(FOLDER / "typed.spt", text)
    first = await editor.client.text_document_diagnostic_async(lsp.DocumentDiagnosticParams(doc))
    # What takes a while may come later, with a word that the editor may ask again.
    if "W0827" not in [item.code for item in first.items]:
        await editor.until(lambda: editor.refreshed, "refresh")
    params = lsp.DocumentDiagnosticParams(doc, previous_result_id=first.result_id)
    report = await editor.client.text_document_diagnostic_async(params)
    codes = {item.code: under(text, item.range) for item in report.items}
    assert codes["E0910"] == "7000 rpm" and "W0827" in codes, codes
    params = lsp.DocumentDiagnosticParams(doc, previous_result_id=report.result_id)
    again = await editor.client.text_document_diagnostic_async(params)
    assert isinstance(again, lsp.RelatedUnchangedDocumentDiagnosticReport), again
    assert doc.uri not in editor.reports, "told twice"
    params = lsp.WorkspaceDiagnosticParams(previous_result_ids=[])
    everywhere = (await editor.client.workspace_diagnostic_async(params)).items
    by_uri = {item.uri: item for item in everywhere}
    assert {item.code for item in by_uri[doc.uri].items} == set(codes), by_uri[doc.uri]
    assert (FOLDER / "accept.spt").as_uri() in by_uri, list(by_uri)
    known = [lsp.PreviousResultId(uri=item.uri, value=item.result_id) for item in everywhere]
    params = lsp.WorkspaceDiagnosticParams(previous_result_ids=known)
    again = (await editor.client.workspace_diagnostic_async(params)).items
    assert all(item.kind == "unchanged" for item in again), again
    await reading(editor, doc, text)
    await showing(editor, doc, text, can)
    await writing(editor, doc, text)
    await mistakes(editor, doc)
    assert not editor.shown, editor.shown
    await editor.stop()


async def pushed(text):
    """Without pulling, a head that cannot be used, and positions in bytes."""
    editor = Editor()
    can = await editor.start(False, {"head": "tcp://127.0.0.1:1"}, ["utf-8", "utf-16"])
    assert can.position_encoding == "utf-8"
    text = text.replace("spin(speed)", 'note "µ🙂"; print(largest)')
    doc = editor.open(FOLDER / "typed.spt", text)
    [report] = [r for r in await editor.told(doc) if r.severity == lsp.DiagnosticSeverity.Error]
    assert report.source == "spintrue" and report.code == "E0402", report
    lines = text.encode().split(b"\n")
    line = lines[report.range.start.line]
    assert line[report.range.start.character : report.range.end.character] == b"print"
    context = lsp.CodeActionContext(diagnostics=[report])
    params = lsp.CodeActionParams(doc, report.range, context)
    actions = await editor.client.text_document_code_action_async(params)
    kinds = {action.kind: action for action in actions}
    assert kinds[lsp.CodeActionKind.QuickFix].is_preferred, actions
    [edit] = kinds[lsp.CodeActionKind.QuickFix].edit.changes[doc.uri]
    assert line[edit.range.start.character : edit.range.end.character] == b"print(largest)", edit
    assert edit.new_text == 'note "{largest}"', edit
    # What makes all edits gives the lines as they are then.
    [edit] = kinds[lsp.CodeActionKind.SourceFixAll].edit.changes[doc.uri]
    assert edit.new_text == 'note "µ🙂"; note "{largest}"\n', edit
    [message] = editor.shown
    assert "connects to none" in message, message
    await editor.stop()


async def keys():
    """How long a key takes in a script of 2,000 lines: its reports, a completion and all colours."""
    blocks = [
        f"""
/// Block {n}.
routine block_{n}(plan: plan, limit: length) -> length {{
    var total = 0 um
    for line in measured_lines(plan) {{
        if line.in_scan_u > limit {{
            note "wide {{line.in_scan_u in um : 2}}"
        }} else {{
            total = total + 1 um
        }}
    }}
    for k in 0..8 {{
        total = total + k * 1 um
    }}
    return total
}}
record "block {n}": block_{n}(plan, limit_{n % 20})
"""
        for n in range(125)
    ]
    params = [f"param limit_{n} = {n + 1} um within 1 um .. 100 um\n" for n in range(20)]
    head = 'use "lib/motion.spt"\nuse "lib/lines.spt"\nparam speed = 4800 rpm\nspin_up(speed)\n'
    plan = "let plan = plan_line(speed, length: 304.8 mm, resolution: 300 dpi)\n"
    text = head + "".join(params) + plan + "".join(blocks)
    assert text.count("\n") > 2000
    editor = Editor()
    await editor.start(False, {"head": "sim"}, None)
    doc = editor.open(FOLDER / "long.spt", text)
    assert not [r for r in await editor.told(doc) if r.severity == lsp.DiagnosticSeverity.Error]
    end = lsp.Position(text.count("\n"), 0)
    times = {"reports": [], "completion": [], "colours": []}
    for n, letter in enumerate('note "typed {limit_1}"'):
        at = lsp.Position(end.line, n)
        began = time.monotonic()
        change = lsp.TextDocumentContentChangePartial(text=letter, range=lsp.Range(at, at))
        editor.change(doc, change)
        await editor.told(doc)
        times["reports"].append(time.monotonic() - began)
        began = time.monotonic()
        at = lsp.Position(end.line, n + 1)
        await editor.client.text_document_completion_async(lsp.CompletionParams(doc, at))
        times["completion"].append(time.monotonic() - began)
        began = time.monotonic()
        await editor.client.text_document_semantic_tokens_full_async(lsp.SemanticTokensParams(doc))
        times["colours"].append(time.monotonic() - began)
    lines = text.count("\n")
    for what, seconds in times.items():
        middle, most = sorted(seconds)[len(seconds) // 2] * 1e3, max(seconds) * 1e3
        print(f"  {what} per key in {lines} lines: {middle:.0f} ms, at most {most:.0f} ms")
    await editor.stop()


async def main():
    if FOLDER.exists():
        shutil.rmtree(FOLDER)
    shutil.copytree("scripts", FOLDER)
    await pulled(SCRIPT)
    await pushed(SCRIPT)
    await keys()
    print("every feature of the language server, read by pygls")


asyncio.run(main())
