// Opens every report in Chromium: in both colour schemes, wide and narrow, and printed. There must be no
// external requests, no errors and no overflow, and axe-core must find no accessibility violations.

import { readFileSync, readdirSync, existsSync, statSync } from "node:fs";
import { join, resolve } from "node:path";
import { chromium } from "playwright-core";

const [executablePath, runs, shots] = process.argv.slice(2);
const axe = readFileSync(join(import.meta.dirname ?? ".", "node_modules/axe-core/axe.min.js"), "utf8");
const troubles = [];
const browser = await chromium.launch({ executablePath, args: ["--no-sandbox", "--disable-gpu"] });
let opened = 0;
for (const name of readdirSync(runs)) {
  const report = resolve(runs, name, "report.html");
  if (!existsSync(report)) continue;
  for (const colorScheme of ["light", "dark"]) {
    for (const width of [1200, 400]) {
      const what = `${name}-${colorScheme}-${width}`;
      // Lets axe-core bypass the page's content security policy.
      const context = await browser.newContext({
        colorScheme,
        viewport: { width, height: 900 },
        bypassCSP: true,
      });
      const page = await context.newPage();
      page.on("console", (message) => troubles.push(`${what}: ${message.text()}`));
      page.on("pageerror", (error) => troubles.push(`${what}: ${error}`));
      page.on("request", (request) => {
        const url = request.url();
        if (!url.startsWith("data:") && url !== `file://${report}`) troubles.push(`${what}: requests ${url}`);
      });
      await page.goto(`file://${report}`);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      if (wide > width) troubles.push(`${what}: ${wide} pixels wide`);
      await page.screenshot({ path: join(shots, `${what}.png`), fullPage: true });
      await page.evaluate(axe);
      const found = await page.evaluate(() => globalThis.axe.run());
      for (const { id, help, nodes } of found.violations) {
        troubles.push(`${what}: ${id}: ${help}: ${nodes[0].html.slice(0, 120)}`);
      }
      if (found.passes.length < 10) troubles.push(`${what}: axe-core checked too little`);
      opened += 1;
      if (width === 1200 && colorScheme === "light") {
        const path = join(shots, `${name}.pdf`);
        await page.pdf({ path, preferCSSPageSize: true, printBackground: true });
        if (statSync(path).size < 5000) troubles.push(`${name}: an empty PDF`);
      }
      await context.close();
    }
  }
}
await browser.close();
if (opened === 0) troubles.push("found no report to open");
if (troubles.length > 0) {
  console.error(troubles.join("\n"));
  process.exit(1);
}
console.log(`reports opened ${opened} times without problems`);
