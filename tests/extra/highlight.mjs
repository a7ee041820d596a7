// Compares the tokens of the highlighting grammar for lines of a script with the expected ones.
import fs from "node:fs";
import { createRequire } from "node:module";
import textmate from "vscode-textmate";
import oniguruma from "vscode-oniguruma";

const require = createRequire(import.meta.url);
await oniguruma.loadWASM(fs.readFileSync(require.resolve("vscode-oniguruma/release/onig.wasm")).buffer);
const registry = new textmate.Registry({
    onigLib: Promise.resolve({
        createOnigScanner: (patterns) => new oniguruma.OnigScanner(patterns),
        createOnigString: (text) => new oniguruma.OnigString(text),
    }),
    loadGrammar: async () =>
        textmate.parseRawGrammar(fs.readFileSync(process.argv[2], "utf8"), "grammar.json"),
});
const grammar = await registry.loadGrammar("source.spintrue");

// Lines, each with words and the innermost scope that each word must have.
const expected = [
    ["/// Polygon speed.", [["/// Polygon speed.", "comment.line.documentation"]]],
    ["//// a ruler", [["//// a ruler", "comment.line.double-slash"]]],
    [
        "param speed = 4800 rpm // why",
        [["param", "storage.type"], ["speed", "variable.other.declaration"],
            ["4800", "constant.numeric"], ["rpm", "keyword.other.unit"],
            ["// why", "comment.line.double-slash"]],
    ],
    ["let a = 9.8 m/s^2 + 5 µs", [["m/s^2", "keyword.other.unit"], ["µs", "keyword.other.unit"]]],
    ["let a = 0..10", [["0", "constant.numeric"], ["..", "keyword.operator"], ["10", "constant.numeric"]]],
    ["let m = 3 mod h", [["3", "constant.numeric"], ["mod", "keyword.operator.word"]]],
    ["let b = 35 %", [["35", "constant.numeric"], ["%", "keyword.other.unit"]]],
    [
        "routine f(x: list of length) -> flag may reads, spins within arm {",
        [["routine", "storage.type"], ["f", "entity.name.function"], ["x", "variable.parameter"],
            ["list", "storage.modifier"], ["length", "support.type"], ["flag", "support.type"],
            ["reads, spins", "support.constant.effect"], ["within", "keyword.control"]],
    ],
    [
        'note "at {speed in rpm : 1} \\{ {f({a: 1}.a)} end"',
        [["note", "keyword.other"], ["in", "keyword.operator.word"], ["rpm", "keyword.other.unit"],
            ["\\{", "constant.character.escape"], [" end", "string.quoted.double"]],
    ],
    ['let s = "// no comment" // one', [["// no comment", "string.quoted.double"], ["// one", "comment.line.double-slash"]]],
    ["wait until locked() within 3 s", [["until", "keyword.control"], ["locked", "support.function"], ["s", "keyword.other.unit", 29]]],
    ["a.within_reach = my_own(1)", [["within_reach", "variable.other.property"], ["my_own", "entity.name.function.call"]]],
    ["größe = true", [["größe", "source"], ["true", "constant.language"]]],
    ['allow W0803 "meant"', [["allow", "storage.modifier"], ["W0803", "constant.other.code"]]],
    ['let open = "not closed', [["not closed", "string.quoted.double"]]],
    ["let next = 1", [["let", "storage.type"]]],
];

let wrong = 0;
let stack = textmate.INITIAL;
for (const [line, words] of expected) {
    const made = grammar.tokenizeLine(line, stack);
    stack = made.ruleStack;
    for (const [word, scope, from] of words) {
        const at = from ?? line.indexOf(word);
        const token = made.tokens.find((token) => token.startIndex <= at && at < token.endIndex);
        const found = token?.scopes.at(-1) ?? "nothing";
        if (found !== `${scope}.spintrue`) {
            wrong += 1;
            console.error(`${line}\n    ${word} is ${found}, should be ${scope}`);
        }
    }
}
if (wrong > 0) {
    process.exit(1);
}
console.log(`${expected.length} lines are highlighted as expected`);
