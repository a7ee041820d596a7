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
const expected = JSON.parse(fs.readFileSync(process.argv[3], "utf8"));

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
