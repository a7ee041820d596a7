// Starts the language server for scripts, and runs or checks the script in view in a terminal. Only simulated heads
// and recordings are run from here: a real head is started by a person at its bench.

const vscode = require("vscode");
const { LanguageClient } = require("vscode-languageclient/node");

let client;

const setting = (name) => vscode.workspace.getConfiguration("spintrue").get(name);

function options() {
  const head = setting("head");
  const fixtures = setting("fixtures");
  return { ...(head ? { head } : {}), ...(fixtures.length ? { fixtures } : {}) };
}

async function start() {
  const server = { command: setting("program"), args: ["lsp"] };
  client = new LanguageClient("spintrue", "spintrue", server, {
    documentSelector: [{ language: "spintrue" }],
    initializationOptions: options(),
  });
  try {
    await client.start();
  } catch (error) {
    vscode.window.showErrorMessage(`\`${server.command} lsp\` does not start: ${error.message ?? error}. Install spintrue, or set spintrue.program.`);
  }
}

// Where the descriptions that settings name are found.
const folder = (document) => vscode.workspace.getWorkspaceFolder(document.uri)?.uri.fsPath;

function arguments_(command, document) {
  const head = setting("head");
  if (command === "run" && !/^(sim|replay)(:|\?|$)|^[^:]+\.toml$|^$/.test(head)) {
    throw new Error(`\`${head}\` is a real head: run the script from a terminal at its bench`);
  }
  const address = /^[^:]+\.toml$/.test(head) ? `sim:${head}` : head;
  return [command, document.fileName, ...(address ? ["--head", address] : []), ...setting("fixtures").flatMap((file) => ["--fixture", file])];
}

async function inTerminal(command) {
  const document = vscode.window.activeTextEditor?.document;
  if (document?.languageId !== "spintrue" || !(await document.save())) return;
  try {
    const execution = new vscode.ProcessExecution(setting("program"), arguments_(command, document), { cwd: folder(document) });
    await vscode.tasks.executeTask(new vscode.Task({ type: "process" }, vscode.TaskScope.Workspace, command, "spintrue", execution));
  } catch (error) {
    vscode.window.showErrorMessage(error.message);
  }
}

async function activate(context) {
  for (const command of ["check", "run"]) {
    context.subscriptions.push(vscode.commands.registerCommand(`spintrue.${command}`, () => inTerminal(command)));
  }
  context.subscriptions.push(
    vscode.workspace.onDidChangeConfiguration(async (changed) => {
      if (changed.affectsConfiguration("spintrue")) {
        await client?.stop().catch(() => {});
        await start();
      }
    }),
  );
  await start();
}

module.exports = { activate, deactivate: () => client?.stop() };
