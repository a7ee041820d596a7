// Opens every report in Chromium: light and wide, dark and narrow, and as printed on A4 and Letter. There
// must be no external requests and no errors; nothing may be cut off, overflow or lie over something else, and
// axe-core must find no accessibility violations. Printed, every sheet has its number and the serial number, and the first
// one the checks and the signatures.

import { execFileSync } from "node:child_process";
import { readFileSync, readdirSync, existsSync } from "node:fs";
import { join, resolve } from "node:path";
import { chromium } from "playwright-core";

const [executablePath, runs, shots] = process.argv.slice(2);
const axe = readFileSync(join(import.meta.dirname ?? ".", "node_modules/axe-core/axe.min.js"), "utf8");
const troubles = [];

// What is cut off or overlaps, in the page. Only what is in a scrolling region may be wider than the page.
const faults = () => {
  const found = [];
  const said = (node) => `${node.tagName} "${node.textContent.trim().slice(0, 40)}"`;
  const shown = (node) => node.getClientRects().length > 0;
  const box = (node) => node.getBoundingClientRect();
  const over = (a, b, by) =>
    Math.min(a.right, b.right) - Math.max(a.left, b.left) > by &&
    Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > by;
  const width = document.documentElement.clientWidth;
  for (const node of document.body.querySelectorAll("*")) {
    const head = node.closest("thead");
    const hidden = head && getComputedStyle(head).clipPath !== "none";
    if (!shown(node) || node.closest("svg") || hidden) continue;
    const region = node.closest(".wide");
    const scrolls = region && getComputedStyle(region).overflowX === "auto";
    if (!scrolls && box(node).right > width + 1) found.push(`${said(node)} ends at ${box(node).right} of ${width}`);
    if (!scrolls && getComputedStyle(node).display !== "inline" && node.scrollWidth > node.clientWidth + 1 && node.clientWidth > 0)
      found.push(`${said(node)} is ${node.scrollWidth} wide in ${node.clientWidth}`);
  }
  for (const drawing of document.querySelectorAll("svg")) {
    const frame = box(drawing);
    const texts = [...drawing.querySelectorAll("text")].map((node) => [node, box(node)]);
    for (const [at, [node, own]] of texts.entries()) {
      if (own.left < frame.left - 1 || own.right > frame.right + 1 || own.top < frame.top - 1 || own.bottom > frame.bottom + 1)
        found.push(`${said(node)} is cut off by its plot`);
      for (const [other, its] of texts.slice(at + 1))
        if (over(own, its, 1.5)) found.push(`${said(node)} overlaps ${said(other)}`);
    }
  }
  // On a phone, the cells of a check stand below each other, all from the left.
  for (const cell of document.querySelectorAll(".checks tbody th, .checks tbody td")) {
    if (!shown(cell) || getComputedStyle(cell).display !== "block") continue;
    const style = getComputedStyle(cell);
    if (!["left", "start"].includes(style.textAlign) || box(cell).width < box(cell.parentElement).width - 1)
      found.push(`${said(cell)} does not fill its line from the left`);
  }
  // Units and signs as the SI writes them, but for what is input of a script or a file.
  for (const node of document.querySelectorAll("h1, p, td, dd, th, figcaption, .words, svg text, .verdict span")) {
    const input = node.closest(".code, .condition, .log") || node.querySelector(".code, .condition");
    if (!input && /(\d|\bin) (u[mrs]|urad|degC|ohm)\b|<=|>=/.test(node.textContent))
      found.push(`${said(node)} is not written as the SI has it`);
  }
  for (const row of document.querySelectorAll("tr")) {
    const cells = [...row.cells].filter(shown).map((cell) => {
      const range = document.createRange();
      range.selectNodeContents(cell);
      return [cell, box(range)];
    });
    for (const [at, [cell, own]] of cells.entries())
      for (const [other, its] of cells.slice(at + 1))
        if (over(own, its, 1)) found.push(`${said(cell)} overlaps ${said(other)}`);
  }
  return found.slice(0, 5);
};

// The text of each sheet.
const sheets = (pdf) => execFileSync("pdftotext", ["-layout", pdf, "-"]).toString().split("\f").slice(0, -1);
const browser = await chromium.launch({ executablePath, args: ["--no-sandbox", "--disable-gpu"] });
let opened = 0;
for (const name of readdirSync(runs)) {
  const report = resolve(runs, name, "report.html");
  if (!existsSync(report)) continue;
  for (const [colorScheme, width] of [["light", 1200], ["dark", 400]]) {
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
    const laid = async (on) => troubles.push(...(await page.evaluate(faults)).map((fault) => `${on}: ${fault}`));
    await laid(what);
    await page.screenshot({ path: join(shots, `${what}.png`), fullPage: true });
    await page.evaluate(axe);
    const found = await page.evaluate(() => globalThis.axe.run());
    for (const { id, help, nodes } of found.violations) {
      troubles.push(`${what}: ${id}: ${help}: ${nodes[0].html.slice(0, 120)}`);
    }
    if (found.passes.length < 10) troubles.push(`${what}: axe-core checked too little`);
    opened += 1;
    if (colorScheme === "light") {
      await page.emulateMedia({ media: "print" });
      for (const [format, across] of [["A4", 210], ["Letter", 215.9]]) {
        // The margins of the style sheet, in mm.
        await page.setViewportSize({ width: Math.floor(((across - 26) / 25.4) * 96), height: 900 });
        await laid(`${name} on ${format}`);
        const path = join(shots, `${name}-${format}.pdf`);
        await page.pdf({ path, format, printBackground: true });
        const printed = sheets(path);
        const serial = existsSync(resolve(runs, name, "record.json"))
          ? JSON.parse(readFileSync(resolve(runs, name, "record.json"))).identity.serial
          : "";
        printed.forEach((text, at) => {
          if (!text.includes(serial) || !text.includes(`page ${at + 1} of ${printed.length}`))
            troubles.push(`${name} on ${format}: sheet ${at + 1} has no serial or number`);
        });
        if (serial && !["Signature", "Checks"].every((wanted) => printed[0]?.includes(wanted)))
          troubles.push(`${name} on ${format}: the first sheet lacks checks or signatures`);
      }
    }
    await context.close();
  }
}
await browser.close();
if (opened === 0) troubles.push("found no report to open");
if (troubles.length > 0) {
  console.error(troubles.join("\n"));
  process.exit(1);
}
console.log(`reports opened ${opened} times without problems`);
