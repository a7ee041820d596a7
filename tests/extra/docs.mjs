// Opens every page of the site in Chromium as on a phone (390 px): nothing may be wider than the page, every picture must be
// there, no request may leave the site. Search must find what a reader looks for. `--write` takes the pictures of
// docs/pictures anew from a report of a run.

import { mkdirSync, readFileSync, readdirSync, statSync } from "node:fs";
import { createServer } from "node:http";
import { extname, join, relative, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [executablePath, work, write] = process.argv.slice(2);
const site = resolve(work, "site");
const shots = join(work, "shots");
mkdirSync(shots, { recursive: true });
const browser = await chromium.launch({ executablePath, args: ["--no-sandbox", "--disable-dev-shm-usage"] });
const troubles = [];

// Search needs a server.
const kinds = { ".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".json": "application/json", ".png": "image/png" };
const server = createServer((request, response) => {
  const path = join(site, decodeURIComponent(new URL(request.url, "http://site").pathname));
  try {
    const body = readFileSync(path);
    response.writeHead(200, { "content-type": kinds[extname(path)] ?? "application/octet-stream" }).end(body);
  } catch {
    response.writeHead(404).end();
  }
});
await new Promise((listening) => server.listen(0, "127.0.0.1", listening));
const address = `http://127.0.0.1:${server.address().port}`;
const place = (path) => `${address}/${relative(site, path)}`;

const pages = (folder) =>
  readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    return statSync(path).isDirectory() ? pages(path) : name.endsWith(".html") ? [path] : [];
  });

// What makes a page wider than the screen.
const wide = () => {
  const width = document.documentElement.clientWidth;
  const scrolls = (node) => node && (["auto", "scroll", "hidden"].includes(getComputedStyle(node).overflowX) || scrolls(node.parentElement));
  const found = [];
  for (const node of document.querySelectorAll("article *"))
    if (node.getClientRects().length && node.getBoundingClientRect().right > width + 1 && !scrolls(node.parentElement))
      found.push(`${node.tagName} "${node.textContent.trim().slice(0, 40)}" ends at ${Math.round(node.getBoundingClientRect().right)} of ${width}`);
  if (document.documentElement.scrollWidth > width) found.push(`the page is ${document.documentElement.scrollWidth} wide of ${width}`);
  for (const image of document.images) if (!image.naturalWidth) found.push(`no picture ${image.src}`);
  return found;
};

async function phone(context, path) {
  const page = await context.newPage();
  page.on("pageerror", (error) => troubles.push(`${path}: ${error}`));
  page.on("request", (request) => {
    if (!request.url().startsWith(address) && !/^(data|blob):/.test(request.url()))
      troubles.push(`${path} asks for ${request.url()}`);
  });
  await page.goto(place(path));
  for (const found of await page.evaluate(wide)) troubles.push(`${relative(site, path)}: ${found}`);
  await page.close();
}

if (write === "--write") {
  const context = await browser.newContext({ viewport: { width: 1100, height: 620 } });
  const page = await context.newPage();
  await page.goto(pathToFileURL(resolve(work, "shown/trend.html")).href);
  await page.locator("figure").first().screenshot({ path: "docs/pictures/trend.png" });
  await page.goto(pathToFileURL(resolve(work, "shown/record/report.html")).href);
  const pictures = "docs/pictures";
  await page.screenshot({ path: join(pictures, "report.png") });
  await page.locator(".pair", { hasText: "cross-scan: before" }).first().screenshot({ path: join(pictures, "trims.png") });
  await context.close();
}

const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
const all = pages(site).filter((path) => !path.endsWith("404.html"));
for (const path of all) await phone(context, path);
const page = await context.newPage();
for (const name of ["index", "tutorial", "reference/builtins"]) {
  await page.goto(`${address}/${name}.html`);
  await page.screenshot({ path: join(shots, `${name.replace("/", "-")}.png`) });
}
await page.goto(`${address}/index.html`);
await page.locator("label.md-header__button[for=__search]").click();
for (const [words, found] of [["test_lines", "builtins"], ["E0605", "codes"], ["interlock", "signals"], ["uncertainty", "concepts"]]) {
  const links = page.locator(`.md-search-result__link[href*="${found}"]`);
  // The index may still be loading when the words are typed.
  let finds = false;
  for (let attempt = 0; attempt < 5 && !finds; attempt += 1) {
    await page.locator("input.md-search__input").fill("");
    await page.locator("input.md-search__input").pressSequentially(words);
    finds = await links.first().waitFor({ state: "attached", timeout: 5000 }).then(() => true, () => false);
  }
  if (!finds) troubles.push(`search for ${words} does not find ${found}`);
}
await context.close();
await browser.close();
server.close();
for (const trouble of troubles) console.error(trouble);
if (troubles.length) process.exit(1);
console.log(`${all.length} pages are readable at 390 px; screenshots are in ${shots}`);
