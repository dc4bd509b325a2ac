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

// Dropped, looked at, in their roles; every view says what the command line says.
{
  const { tab, seen } = await open();
  check("at most 4 MB", statSync(page_file).size <= 4e6, `${(statSync(page_file).size / 1e6).toFixed(2)} MB`);
  await shot(tab, "empty");
  const begun = Date.now();
  await given(tab);
  check("six captures are looked at", await tab.locator(".item .verdict.fit, .item .verdict.fit-with-limits").count() === 6, `${Date.now() - begun} ms`);
  const roles = {};
  for (const title of ["Background", "Load off", "Load on", "Load on, with filter"]) roles[title] = await lane(tab, title).locator(".name").allTextContents();
  check("roles by names", roles.Background.length === 2 && roles["Load on"].length === 2 && roles["Load on, with filter"].every((name) => name.includes("filter")), JSON.stringify(roles));
  await shot(tab, "roles");

  const [off, on, filter] = [NAMES.slice(0, 2), NAMES.slice(2, 4), NAMES.slice(4)];
  // A case stays chosen from view to view, where a view can be of one.
  const wanted = {
    waveform: [off[0], on[0], filter[0], "--columns", "5000"], spectrum: [on[0]], bands: [on[0]], added: ["--off", ...off, "--on", ...on],
    compare: ["--before", ...on, "--after", ...filter, "--off", ...off], coupling: ["--before", ...on, "--after", ...filter], receiver: [on[0]], "phase-map": [on[0]],
    emissions: [on[0]], transients: [on[0]],
  };
  for (const [name, words] of Object.entries(wanted)) {
    const figure = await view(tab, name);
    const inked = await figure.locator("canvas").first().evaluate((canvas) => {
      const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
      return data.filter((value, k) => k % 4 === 3 && value > 0).length / (canvas.width * canvas.height);
    });
    check(`${name}: drawn`, inked > 0.01, inked.toFixed(3));
    const shown = await tab.locator("#answer .conclusions p").allTextContents();
    const native = linewake(name, ...words);
    const said = native.stdout.split("\n").slice(0, 12).map((line) => line.trim());
    check(`${name}: the sentences of the command line`, shown.length > 0 && shown.every((sentence) => said.includes(sentence)), shown[0]?.slice(0, 90));
    check(`${name}: its command`, await tab.textContent("#command") === `linewake ${[name, ...words].join(" ")}`, await tab.textContent("#command"));
    const [download] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: "All values (JSON)" }).click()]);
    const different = differing(JSON.parse(readFileSync(await download.path(), "utf8")), JSON.parse(linewake(name, ...words, "--json").stdout));
    check(`${name}: the numbers of the command line`, different.length === 0, different.slice(0, 2).join("; "));
    await tab.evaluate(() => document.getElementById("results").scrollIntoView());
    await settle(tab);
    await shot(tab, name);
  }

  // The value under the pointer is one of the command's.
  const figure = await view(tab, "spectrum");
  const rows = spawnSync(program, ["spectrum", on[0], "-o", join(folder, "spectrum.csv")], { cwd: captures }) && readFileSync(join(folder, "spectrum.csv"), "utf8").trim().split("\n").map((line) => line.split(","));
  const [frequency, level, role] = ["frequency_hz", "level_db", "role"].map((name) => rows[0].indexOf(name));
  const over = await figure.locator(".u-over").first().boundingBox();
  await tab.mouse.move(over.x + 0.6 * over.width, over.y + 0.5 * over.height);
  await settle(tab);
  const reading = await figure.locator(".reading").first().textContent();
  const [, kilohertz, decibels] = reading.match(/([\d.]+) kHz, mean: ([−\d.]+)/) ?? [];
  const row = rows.slice(1).find((cells) => cells[role] === "wire" && Math.abs(cells[frequency] / 1e3 - kilohertz) < 1e-6);
  check("hover", row && Math.abs(row[level] - Number(decibels?.replace("−", "-"))) <= 0.0051, `${reading.slice(0, 60)}; ${row?.[level]}`);

  // Saving.
  for (const [title, begins] of [["Table (CSV)", ""], ["Picture (PNG)", "\x89PNG"], ["Drawing (SVG)", "<"], ["This view (HTML)", "<!DOCTYPE html>"]]) {
    const [download] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: title }).click()]);
    const bytes = readFileSync(await download.path());
    check(`saved: ${title}`, bytes.length > 1000 && bytes.toString("latin1").startsWith(begins), `${download.suggestedFilename()}, ${bytes.length} bytes`);
  }
  const [download] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: "Save the survey description" }).click()]);
  const description = readFileSync(await download.path(), "utf8");
  writeFileSync(join(captures, "of-the-page.toml"), description);
  const repeated = linewake("survey", "of-the-page.toml", "-o", join(folder, "report.html"));
  rmSync(join(captures, "of-the-page.toml"));
  check("the command line repeats the work from the description", repeated.status === 0, (repeated.stderr || repeated.stdout).slice(0, 200));
  await tab.getByRole("button", { name: "Make the report" }).click();
  await tab.getByRole("button", { name: /Save the report/ }).waitFor({ timeout: 240_000 });
  await idle(tab);
  const [report] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: /Save the report/ }).click()]);
  const conclusions = await tab.locator("#made li").allTextContents();
  check("the report, with the conclusions of the command line", readFileSync(await report.path(), "utf8").startsWith("<!DOCTYPE html>") && conclusions.slice(0, -1).every((line) => repeated.stdout.includes(line)), conclusions[0]?.slice(0, 120));

  // Settings hold, and are those of the commands.
  await tab.evaluate(() => { document.getElementById("settings").open = true; });
  await tab.getByRole("textbox", { name: "Rbw", exact: true }).fill("500");
  await tab.keyboard.press("Enter");
  await tab.waitForFunction(() => document.getElementById("command").textContent.includes("--rbw 500"), null, { timeout: 60_000 });
  await idle(tab);
  check("a setting is in force", (await tab.textContent("#command")).endsWith("--rbw 500"));
  await tab.locator("#settings").scrollIntoViewIfNeeded();
  await shot(tab, "settings");

  // How it was read, and a correction.
  await lane(tab, "Load on").locator(".name").first().click();
  await idle(tab);
  await tab.locator("#capture summary", { hasText: "How it was read" }).click();
  check("how it was read", /Wire \(mV\).*its unit "mV"/.test(await tab.textContent("#capture")));
  await tab.locator("#capture summary", { hasText: "Correct" }).click();
  await tab.getByRole("textbox", { name: "Wire", exact: true }).fill("2");
  await tab.keyboard.press("Enter");
  await tab.waitForFunction(() => document.getElementById("capture").textContent.includes("wire from led-panel-on-1.csv.toml"), null, { timeout: 60_000 });
  check("a correction is in force", true);
  await tab.locator("#capture").scrollIntoViewIfNeeded();
  await shot(tab, "capture");
  // Roles by dragging.
  await tab.evaluate(() => document.getElementById("captures").scrollIntoView());
  await lane(tab, "Background").locator(".item").first().dragTo(lane(tab, "Load off"));
  await idle(tab);
  const dragged = await lane(tab, "Load off").locator(".name").allTextContents();
  check("a capture is dragged to another role", dragged.length === 1 && await lane(tab, "Background").locator(".name").count() === 1, dragged.join());
  check("quiet at work", quiet(seen), told(seen));
  const frozen = await tab.evaluate(() => frozen);
  check("never frozen longer than 100 ms", frozen.every((ms) => ms <= 100), `longest of ${frozen.length} long tasks ${Math.max(0, ...frozen)} ms`);
  await tab.close();
}

await browser.close();
rmSync(folder, { recursive: true, force: true });
console.log(failed ? `${failed} checks failed` : "all checks hold");
process.exit(failed ? 1 : 0);
