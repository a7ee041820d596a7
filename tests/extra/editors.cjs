// Tries the packed extension for Visual Studio Code with stand-ins for the editor: `editors.cjs FOLDER PROGRAM`. What it names
// is in the package, its commands run the program, a real head is refused, and the language server starts with its settings.

const assert = require("node:assert");
const fs = require("node:fs");
const Module = require("node:module");
const path = require("node:path");
const { spawnSync } = require("node:child_process");

const [folder, program] = [path.resolve(process.argv[2]), process.argv[3]];
const manifest = JSON.parse(fs.readFileSync(path.join(folder, "package.json"), "utf8"));
const { languages, grammars, snippets, commands } = manifest.contributes;
for (const file of [manifest.main, languages[0].configuration, grammars[0].path, snippets[0].path]) {
  assert(fs.existsSync(path.join(folder, file)), file);
}
const rules = JSON.parse(fs.readFileSync(path.join(folder, languages[0].configuration), "utf8"));
for (const pattern of Object.values(rules.indentationRules)) new RegExp(pattern);

const settings = { program, head: "", fixtures: [] };
const [registered, tasks, errors, started] = [{}, [], [], []];
const vscode = {
  workspace: {
    getConfiguration: () => ({ get: (name) => settings[name] }),
    getWorkspaceFolder: () => undefined,
    onDidChangeConfiguration: (changed) => ((vscode.changed = changed), {}),
  },
  window: {
    showErrorMessage: (message) => errors.push(message),
    activeTextEditor: {
      document: { languageId: "spintrue", fileName: path.resolve("scripts/spin_only.spt"), uri: {}, save: async () => true },
    },
  },
  commands: { registerCommand: (name, run) => ((registered[name] = run), {}) },
  tasks: { executeTask: async (task) => tasks.push(task.execution) },
  ProcessExecution: class { constructor(process, args, options) { Object.assign(this, { process, args, options }); } },
  Task: class { constructor(definition, scope, name, source, execution) { this.execution = execution; } },
  TaskScope: { Workspace: 2 },
};
// The client of the editor's makers is only loaded, against a vscode in which every name is a class.
const anything = new Proxy(class {}, { get: (target, name) => (name === "prototype" ? target.prototype : anything) });
let stub = anything;
const load = Module._load;
Module._load = function (name, ...rest) {
  return name === "vscode" ? stub : load.call(this, name, ...rest);
};
const client = require(require.resolve("vscode-languageclient/node", { paths: [folder] }));
assert(typeof client.LanguageClient === "function");
stub = vscode;
const file = require.resolve("vscode-languageclient/node", { paths: [folder] });
require.cache[file].exports = {
  LanguageClient: class {
    constructor(id, name, server, options) { Object.assign(this, { server, options }); }
    async start() { started.push(this); }
    async stop() {}
  },
};

(async () => {
  const extension = require(path.join(folder, manifest.main));
  await extension.activate({ subscriptions: [] });
  assert.deepEqual(Object.keys(registered).sort(), commands.map(({ command }) => command).sort());
  assert.deepEqual(started[0].server, { command: program, args: ["lsp"] });
  assert.deepEqual(started[0].options.initializationOptions, {});
  for (const [head, extra] of [["", []], ["scripts/heads/six_small.toml", ["--head", "sim:scripts/heads/six_small.toml"]]]) {
    settings.head = head;
    for (const command of ["check", "run"]) {
      await registered[`spintrue.${command}`]();
      const { process: started, args } = tasks.at(-1);
      assert.deepEqual(args, [command, path.resolve("scripts/spin_only.spt"), ...extra]);
      const done = spawnSync(started, args, { encoding: "utf8" });
      assert.equal(done.status, 0, done.stdout + done.stderr);
    }
  }
  for (const head of ["tcp://127.0.0.1:5025", "serial:///dev/ttyUSB0"]) {
    settings.head = head;
    const before = tasks.length;
    await registered["spintrue.run"]();
    assert.equal(tasks.length, before, head);
    assert.match(errors.at(-1), /is a real head/);
  }
  settings.head = "sim";
  await vscode.changed({ affectsConfiguration: () => true });
  assert.deepEqual(started.at(-1).options.initializationOptions, { head: "sim" });
  await extension.deactivate();
  console.log(`the extension has ${commands.length} commands that run the program, and refuses real heads`);
})().catch((error) => {
  console.error(error);
  process.exit(1);
});
