// The page that computes in the browser, in headless Chromium: `node shell.mjs PAGE CAPTURES LINEWAKE [SCREENSHOTS]`. PAGE is
// what `linewake page` writes, CAPTURES the folder of captures of `linewake demo`, LINEWAKE the program that answers are
// held against. Ends with status 1 where a check fails.
import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, readdirSync, rmSync, statSync, truncateSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [page_file, captures, program, shots] = process.argv.slice(2).map((path) => resolve(path));
const strings = JSON.parse(readFileSync(new URL("../../fixtures/page/hostile.json", import.meta.url), "utf8"));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const folder = mkdtempSync(join(tmpdir(), "linewake-shell-"));
const browser = await chromium.launchPersistentContext(join(folder, "profile"), {
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  viewport: { width: 1400, height: 1000 },
  acceptDownloads: true,
  args: ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-quic", "--no-first-run"],
});

let failed = 0;
const check = (what, holds, found = "") => {
  if (!holds) failed++;
  console.log(`${holds ? "ok  " : "FAIL"} ${what}${found === "" ? "" : `: ${found}`}`);
};

// A fresh tab that notes whatever must not happen.
async function open(options = {}) {
  const tab = await browser.newPage();
  const seen = { errors: [], requests: [], dialogs: [] };
  tab.on("console", (message) => ["error", "warning"].includes(message.type()) && seen.errors.push(message.text()));
  tab.on("pageerror", (error) => seen.errors.push(String(error)));
  tab.on("request", (request) => /^(data|blob):/.test(request.url()) || seen.requests.push(request.url()));
  tab.on("dialog", (dialog) => { seen.dialogs.push(dialog.message()); dialog.dismiss(); });
  await tab.emulateMedia({ colorScheme: "light", reducedMotion: "reduce", ...options });
  await tab.addInitScript(() => {
    globalThis.frozen = [];
    new PerformanceObserver((list) => list.getEntries().forEach((entry) => frozen.push(Math.round(entry.duration)))).observe({ type: "longtask" });
  });
  await tab.goto(pathToFileURL(page_file).href, { waitUntil: "load" });
  return { tab, seen };
}

const quiet = (seen) => seen.errors.length === 0 && seen.requests.length === 1 && seen.dialogs.length === 0;
const told = (seen) => [...seen.requests.slice(1), ...seen.errors, ...seen.dialogs].slice(0, 3).join(" | ").slice(0, 400);
const settle = (tab) => tab.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
const idle = (tab) => tab.waitForFunction(() => document.body.ariaBusy === "false" && !document.querySelector("#answer.old"), null, { timeout: 240_000 });
const shot = async (tab, name) => shots && tab.screenshot({ path: join(shots, `shell-${name}.png`) });
const linewake = (...words) => {
  const { status, stdout, stderr } = spawnSync(program, words, { cwd: captures, encoding: "utf8", maxBuffer: 1e9 });
  return { status, stdout, stderr };
};

const NAMES = ["background-1", "background-2", "led-panel-on-1", "led-panel-on-2", "led-panel-on-filter-1", "led-panel-on-filter-2"].map((name) => `${name}.csv`);
const paths = NAMES.map((name) => join(captures, name));

async function given(tab, files = paths) {
  await tab.setInputFiles("#files", files);
  await tab.waitForFunction(() => document.querySelector(".item"), null, { timeout: 60_000 });
  await idle(tab);
}
async function view(tab, name) {
  await tab.click(`#tab-${name}`);
  await settle(tab);
  await idle(tab);
  const figure = tab.locator("#answer figure.plot").first();
  await figure.evaluate((element) => element.scrollIntoView());
  await figure.locator("canvas").first().waitFor();
  await settle(tab);
  return figure;
}
const lane = (tab, title) => tab.locator(".lane", { has: tab.getByRole("heading", { name: title, exact: true }) }).first();

// Equal but for the last digits.
function differing(a, b, place = "") {
  if (typeof a === "number" && typeof b === "number") return Math.abs(a - b) <= 1e-12 * Math.max(Math.abs(a), Math.abs(b)) ? [] : [`${place}: ${a} and ${b}`];
  if (a && b && typeof a === "object" && typeof b === "object") return [...new Set([...Object.keys(a), ...Object.keys(b)])].flatMap((key) => differing(a[key], b[key], `${place}.${key}`));
  return a === b ? [] : [`${place}: ${JSON.stringify(a)} and ${JSON.stringify(b)}`];
}

// Damaged and odd files: each gets its verdict or its message.
{
  const { tab, seen } = await open();
  const corpus = new URL("../../fixtures/corpus/", import.meta.url).pathname;
  const files = readdirSync(corpus, { withFileTypes: true }).filter((entry) => entry.isDirectory())
    .flatMap(({ name }) => readdirSync(join(corpus, name)).slice(0, 3).map((file) => join(corpus, name, file)));
  // Three gigabytes of nothing, which take no room.
  const large = join(folder, "too-large.csv");
  writeFileSync(large, "");
  truncateSync(large, 3e9);
  await given(tab, [...files, large]);
  const verdicts = await tab.locator(".item .verdict").allTextContents();
  check(`${files.length} damaged and odd files each get a verdict`, verdicts.length > 10 && verdicts.every((text) => text && text !== "not looked at yet"), [...new Set(verdicts)].slice(0, 4).join("; "));
  const unread = tab.locator(".item", { has: tab.locator(".verdict.unreadable") }).first();
  await unread.locator(".name").click();
  check("a broken file has its message", /error: /.test(await tab.textContent("#capture .failed")), (await tab.textContent("#capture .failed")).slice(0, 160));
  await tab.locator('.item[data-path="too-large.csv"] .name').click();
  const message = await tab.textContent("#capture .failed");
  check("a file too large: how large is possible, and the command line", /3000 MB.*up to 2148 MB.*linewake inspect too-large.csv/.test(message), message);
  check("quiet with broken files", quiet(seen), told(seen));
  await tab.close();
}

await browser.close();
rmSync(folder, { recursive: true, force: true });
console.log(failed ? `${failed} checks failed` : "all checks hold");
process.exit(failed ? 1 : 0);
