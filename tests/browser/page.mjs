// The report page in headless Chromium: `node page.mjs PAGE HOSTILE [SCREENSHOTS]`. PAGE is a page of the example `page`,
// HOSTILE its page of hostile strings. Ends with status 1 where a check fails.
import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, statSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [page_file, hostile_file, shots] = process.argv.slice(2).map((path) => resolve(path));
const strings = JSON.parse(readFileSync(new URL("../../fixtures/page/hostile.json", import.meta.url), "utf8"));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const profile = mkdtempSync(join(tmpdir(), "linewake-browser-"));
const browser = await chromium.launchPersistentContext(profile, {
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  viewport: { width: 1400, height: 900 },
  acceptDownloads: true,
  // The rule engine is put in by the test; what the page's policy forbids is checked without it.
  bypassCSP: false,
  args: ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-quic", "--no-first-run"],
});

let failed = 0;
const check = (what, holds, found = "") => {
  if (!holds) failed++;
  console.log(`${holds ? "ok  " : "FAIL"} ${what}${found === "" ? "" : `: ${found}`}`);
};

// A fresh tab that notes whatever must not happen.
async function open(file, options = {}) {
  const tab = await browser.newPage();
  const seen = { errors: [], requests: [], dialogs: [] };
  tab.on("console", (message) => ["error", "warning"].includes(message.type()) && seen.errors.push(message.text()));
  tab.on("pageerror", (error) => seen.errors.push(String(error)));
  tab.on("request", (request) => /^(data|blob):/.test(request.url()) || seen.requests.push(request.url()));
  tab.on("dialog", (dialog) => { seen.dialogs.push(dialog.message()); dialog.dismiss(); });
  await tab.emulateMedia({ colorScheme: "light", ...options });
  await tab.goto(pathToFileURL(file).href, { waitUntil: "load" });
  return { tab, seen };
}

const settle = (tab) => tab.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
const shot = async (tab, name) => shots && tab.screenshot({ path: join(shots, `${name}.png`) });

// The first plot of a kind, drawn, in the middle of the window.
async function plot(tab, kind) {
  const figure = tab.locator(`figure.plot[id$="-${kind}"]`).first();
  await figure.evaluate((element) => element.scrollIntoView());
  await figure.locator("canvas").first().waitFor();
  await figure.evaluate((element) => element.scrollIntoView());
  await settle(tab);
  return figure;
}

// The rows of the CSV that the page hands out.
async function csv(tab, figure) {
  const [download] = await Promise.all([tab.waitForEvent("download"), figure.getByRole("button", { name: "Data (CSV)" }).click()]);
  const lines = readFileSync(await download.path(), "utf8").trim().split("\n");
  const cells = (line) => [...line.matchAll(/(?:^|,)(?:"((?:[^"]|"")*)"|([^,]*))/g)].map((m) => m[1]?.replaceAll('""', '"') ?? m[2]);
  const names = cells(lines[0]);
  return lines.slice(1).map((line) => Object.fromEntries(cells(line).map((cell, k) => [names[k], cell])));
}

// Opening, drawing, time.
{
  const { tab, seen } = await open(page_file);
  const times = [];
  for (let k = 0; k < 5; k++) {
    await tab.reload({ waitUntil: "load" });
    await settle(tab);
    times.push(await tab.evaluate(() => performance.now()));
  }
  times.sort((a, b) => a - b);
  const megabytes = statSync(page_file).size / 1e6;
  check("at most 8 MB", megabytes <= 8, `${megabytes.toFixed(2)} MB`);
  check("opens in under 2 s", times[2] < 2000, `${Math.round(times[2])} ms, median of 5 (${times.map(Math.round)})`);
  await shot(tab, "first-screen");
  const kinds = await tab.$$eval('figure.plot[id^="case-1-"]', (all) => all.map((figure) => figure.id.slice(7)));
  check("kinds of plot", kinds.length > 5, kinds.join(" "));
  for (const kind of kinds) {
    const figure = await plot(tab, kind);
    const inked = await figure.locator("canvas").evaluateAll((all) => all.map((canvas) => {
      const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
      return data.filter((value, k) => k % 4 === 3 && value > 0).length / (canvas.width * canvas.height);
    }));
    check(`${kind} is drawn`, inked.length > 0 && inked.every((share) => share > 0.01), inked.map((share) => share.toFixed(3)).join(" "));
    await shot(tab, kind);
  }
  check("no errors on the console", seen.errors.length === 0, seen.errors.slice(0, 3).join(" | "));
  check("no requests but for the page", seen.requests.every((url) => url === pathToFileURL(page_file).href), seen.requests.slice(0, 3).join(" "));
  const held = await tab.locator("canvas").count();
  check("canvases far away are given back", held < 60, held);
  await tab.close();
}

// The reading under the pointer is what the data say there; zoom, traces, axes.
{
  const { tab, seen } = await open(page_file);
  const figure = await plot(tab, "spectrum");
  const rows = await csv(tab, figure);
  const panel = figure.locator(".panel").first();
  const over = panel.locator(".u-over");
  const box = await over.boundingBox();
  const reading = figure.locator(".reading").first();
  const of = (text, name) => text.split("; ").map((part) => part.match(/^([\d.]+) kHz, (.*): ([−\d.]+) (.*)$/)).find((m) => m?.[2] === name);
  for (const share of [0.2, 0.5, 0.81]) {
    await tab.mouse.move(box.x + share * box.width, box.y + box.height / 2);
    await settle(tab);
    const said = of(await reading.textContent(), "mean");
    const at = 2e3 * (150 / 2) ** share;
    const wanted = rows.filter((row) => row.panel.startsWith("Wire") && row.series === "mean")
      .reduce((best, row) => Math.abs(row.x - at) < Math.abs(best.x - at) ? row : best);
    const near = said && Math.abs(said[1] * 1e3 - wanted.x) <= 400 * share && rows.some((row) => row.panel.startsWith("Wire") && row.series === "mean" && Math.abs(row.x / 1e3 - said[1]) <= 5.1e-6 * said[1] && Number(row.value) === Number(said[3].replace("−", "-")));
    check(`hover at ${Math.round(at)} Hz`, near, `said ${said?.[1]} kHz ${said?.[3]}, data ${wanted.x / 1e3} ${wanted.value}`);
  }
  const before = (await csv(tab, figure)).length;
  await tab.mouse.move(box.x + 0.3 * box.width, box.y + 0.2 * box.height);
  await tab.mouse.down();
  await tab.mouse.move(box.x + 0.5 * box.width, box.y + 0.8 * box.height, { steps: 5 });
  await tab.mouse.up();
  await tab.mouse.move(box.x + 1, box.y + 0.5 * box.height);
  await settle(tab);
  const left = of(await reading.textContent(), "mean");
  check("drag zooms", left && Math.abs(left[1] - 2 * 75 ** 0.3) < 0.4, left?.[1]);
  const second = of(await figure.locator(".reading").nth(1).textContent(), "mean");
  check("the panel with the same axis goes along", second?.[1] === left?.[1], second?.[1]);
  await shot(tab, "zoomed");
  await tab.mouse.dblclick(box.x + 0.5 * box.width, box.y + 0.5 * box.height);
  await tab.mouse.move(box.x + 1, box.y + 0.5 * box.height);
  await settle(tab);
  check("double click shows all", Number(of(await reading.textContent(), "mean")?.[1]) < 2.3, await reading.textContent());
  check("data are all, zoomed or not", before === rows.length && before > 1000, before);
  const trace = figure.locator(".legend button").first();
  await trace.focus();
  await tab.keyboard.press("Enter");
  await tab.mouse.move(box.x + 0.4 * box.width, box.y + 0.5 * box.height);
  await settle(tab);
  check("a trace goes off by keyboard", await trace.getAttribute("aria-pressed") === "false" && !(await reading.textContent()).includes(await trace.textContent()));
  await figure.getByRole("button", { name: "Logarithmic axis" }).click();
  const again = await figure.locator(".u-over").first().boundingBox();
  await tab.mouse.move(again.x + 0.5 * again.width, again.y + 0.5 * again.height);
  await settle(tab);
  const half = of(await figure.locator(".reading").first().textContent(), "mean");
  check("linear axis", Math.abs(half?.[1] - 76) < 1, half?.[1]);
  await shot(tab, "linear");
  await figure.locator(".panel").first().focus();
  await tab.keyboard.press("+");
  await tab.keyboard.press("ArrowRight");
  await settle(tab);
  const moved = of(await figure.locator(".reading").first().textContent(), "mean");
  check("keys zoom and move the reading", moved && moved[1] !== half[1], moved?.[1]);

  const map = await plot(tab, "phase-map");
  const cells = (await csv(tab, map)).filter((row) => row.x_end !== "" && row.y_end !== "");
  const area = await map.locator(".u-over").first().boundingBox();
  await tab.mouse.move(area.x + 0.25 * area.width, area.y + 0.5 * area.height);
  await settle(tab);
  const said = await map.locator(".reading").first().textContent();
  const parts = said.match(/([\d.]+) to ([\d.]+) ?°?, ([\d.]+) to ([\d.]+) kHz: ([−\d.]+)/);
  const cell = parts && cells.find((row) => Math.abs(row.x - parts[1]) < 1e-6 && Math.abs(row.y / 1e3 - parts[3]) <= 5.1e-6 * parts[3]);
  check("hover over the map", cell && Number(cell.value) === Number(parts[5].replace("−", "-")), said.slice(0, 100));
  check("no errors while at work", seen.errors.length === 0 && seen.requests.length <= 1, seen.errors.slice(0, 3).join(" | "));

  await tab.evaluate(() => scrollTo(0, 0));
  const number = () => tab.$$eval("table.sortable tbody tr td:nth-child(2)", (all) => all.map((cell) => Number(cell.textContent)));
  const head = tab.locator("table.sortable thead th").nth(1);
  await head.getByRole("button").click();
  await head.getByRole("button").click();
  const falling = await number();
  check("a click sorts the table", falling.every((v, k) => k === 0 || v <= falling[k - 1]) && falling.length > 1 && await head.getAttribute("aria-sort") === "descending");
  await head.getByRole("button").focus();
  await tab.keyboard.press("Space");
  const rising = await number();
  check("a key sorts it the other way", rising.every((v, k) => k === 0 || v >= rising[k - 1]) && await head.getAttribute("aria-sort") === "ascending");
  await tab.close();
}

// The rule engine, light and dark, with plots drawn and folded parts open; phone width.
for (const colorScheme of ["light", "dark"]) {
  const { tab } = await open(page_file, { colorScheme, reducedMotion: "reduce" });
  for (const kind of ["added", "phase-map"]) await plot(tab, kind);
  await tab.evaluate(() => document.querySelectorAll("details").forEach((details) => { details.open = true; }));
  await shot(tab, `case-${colorScheme}`);
  // Through the inspector, which the page's policy does not hold back; frames of other sections are alike.
  const found = await tab.evaluate(`${axe}; axe.run({ include: [["header"], ["#summary"], ["nav"], ["#case-1"], ["#methods"], ["footer"]] }, { resultTypes: ["violations"] })`);
  const grave = found.violations.filter((v) => ["serious", "critical"].includes(v.impact));
  check(`rule engine, ${colorScheme}`, grave.length === 0, `${found.violations.map((v) => `${v.impact} ${v.id} x${v.nodes.length} ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].failureSummary?.slice(0, 200)}`).join(" | ") || "no findings"} (${found.passes.length} rules hold)`);
  await tab.evaluate(() => scrollTo(0, 0));
  await shot(tab, `first-${colorScheme}`);
  await tab.setViewportSize({ width: 390, height: 844 });
  await settle(tab);
  const wide = await tab.evaluate(() => document.documentElement.scrollWidth);
  check(`nothing wider than a phone, ${colorScheme}`, wide <= 390, wide);
  await shot(tab, `phone-${colorScheme}`);
  await plot(tab, "spectrum");
  await shot(tab, `phone-plot-${colorScheme}`);
  await tab.close();
}

// Print: every section, with the text of its pictures.
{
  const { tab } = await open(page_file);
  for (const format of ["A4", "Letter"]) {
    const path = join(shots ?? profile, `print-${format}.pdf`);
    await tab.pdf({ path, format, printBackground: false });
    const text = spawnSync("pdftotext", ["-layout", path, "-"], { encoding: "utf8", maxBuffer: 1e9 });
    if (text.error) {
      console.log("skipped: the text of the print; pdftotext is not here");
      break;
    }
    const flat = (words) => words.replaceAll(/\s+/g, "");
    const printed = flat(text.stdout);
    const headings = await tab.$$eval("h1, h2, h3", (all) => all.filter((h) => h.id !== "contents").map((h) => h.textContent));
    const missing = headings.filter((heading) => !printed.includes(flat(heading)));
    check(`${format} has all ${headings.length} headings`, missing.length === 0, missing.slice(0, 3).join(" | "));
    check(`${format} has pictures and what is folded`, printed.includes("Frequency,kHz") && printed.includes("Theinventedstudio,seed1"));
  }
  await tab.close();
}

// Without scripts the stills are there.
{
  const other = mkdtempSync(join(tmpdir(), "linewake-browser-"));
  const still = await chromium.launchPersistentContext(other, { executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", javaScriptEnabled: false, viewport: { width: 1400, height: 900 }, args: ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"] });
  const tab = await still.newPage();
  await tab.goto(`${pathToFileURL(page_file).href}#case-1-spectrum`);
  const box = await tab.locator("#case-1-spectrum .still svg").boundingBox();
  check("stills without scripts", box && box.width > 700 && box.height > 200, JSON.stringify(box));
  if (shots) await tab.screenshot({ path: join(shots, "no-script.png") });
  await still.close();
  rmSync(other, { recursive: true, force: true });
}

// Hostile strings: shown as they are, nothing runs, nothing is asked for.
{
  const { tab, seen } = await open(hostile_file);
  const title = await tab.title();
  // What is left of a text by the page's rule, told anew: what steers becomes a blank, blanks in a row become one.
  const steers = /[\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ufffe\uffff]|(?!\u00a0)[\s\u0085]/gu;
  const shown = (text) => {
    const kept = [...text.replaceAll("\ufeff", "\ue000")].slice(0, 4000).join("").replaceAll(steers, " ").replaceAll(/ +/g, " ").replace(/^[\s]+|[\s]+$/g, "");
    return (kept + ([...text].length > 4000 ? "…" : "")).replaceAll("\ue000", "\ufeff");
  };
  const texts = await tab.evaluate((count) => Array.from({ length: count }, (_, number) => {
    const section = document.getElementById(`string-${number}`);
    const of = (selector) => section.querySelector(`:scope > ${selector}`)?.textContent;
    return {
      heading: of("h2"), paragraph: of("p"), conclusion: of(".conclusions p"), item: of("ul li"), term: of("dl dt"), meaning: of("dl dd"),
      cell: of(".wide tbody tr:nth-child(2) td"), name: of(".wide tbody tr:nth-child(2) th"), caption: of(".wide caption"), note: of(".table-note"),
      picture: of(".pictures li span"), photograph: of(".photograph figcaption"), alternative: section.querySelector(".photograph img").alt,
      plot: of(".plot .plot-title"), region: section.querySelector(".wide").getAttribute("aria-label"), code: of("pre"),
      data: JSON.parse(section.querySelector(".plot script").textContent).title,
      elements: [...new Set([...section.querySelectorAll("*")].map((e) => e.localName))].sort().join(" "),
      handlers: [...section.querySelectorAll("*")].filter((e) => [...e.attributes].some((a) => a.name.startsWith("on") || /^\s*javascript:/i.test(a.value) && ["href", "src", "action"].includes(a.name))).length,
    };
  }), strings.length);
  const wrong = [];
  texts.forEach((found, number) => {
    const wanted = shown(strings[number]);
    for (const [place, text] of Object.entries(found)) {
      if (["elements", "handlers", "code"].includes(place)) continue;
      if (text !== wanted) wrong.push(`${number} ${place}: ${JSON.stringify(text)?.slice(0, 80)} for ${JSON.stringify(wanted).slice(0, 80)}`);
    }
  });
  check(`${strings.length} hostile strings are shown as they are, in 16 places each`, strings.length >= 100 && wrong.length === 0, wrong.slice(0, 5).join(" | "));
  // But for the buttons that sort: a column whose name shows as nothing has none.
  const elements = new Set(texts.map((found, number) => (shown(strings[number]) ? found.elements : found.elements.replace("a caption", "a button caption"))));
  check("every section holds the same elements", elements.size === 1, [...elements].slice(0, 2).join(" || ").slice(0, 400));
  const nameless = texts.filter((found, number) => !shown(strings[number]));
  check("no button without a name", nameless.length > 0 && nameless.every((found) => !/\bbutton\b/.test(found.elements)), nameless.length);
  check("no handlers, no links that run", texts.every((found) => found.handlers === 0));
  const plots = tab.locator("figure.plot");
  for (let k = 0; k < strings.length; k++) {
    await plots.nth(k).evaluate((element) => element.scrollIntoView());
    await plots.nth(k).locator("canvas").nth(2).waitFor();
    if (k === 3) await shot(tab, "hostile");
  }
  const over = plots.nth(strings.length - 1).locator(".u-over").first();
  const box = await over.boundingBox();
  await tab.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  check("nothing ran", await tab.title() === title && seen.dialogs.length === 0, seen.dialogs.join());
  check("nothing was asked for or refused", seen.requests.length === 1 && seen.errors.length === 0, [...seen.requests.slice(1), ...seen.errors].slice(0, 3).join(" | "));
  await tab.close();
}

await browser.close();
rmSync(profile, { recursive: true, force: true });
console.log(failed ? `${failed} checks failed` : "all checks hold");
process.exit(failed ? 1 : 0);
