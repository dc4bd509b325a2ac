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
/** What hangs on what else the machine does is said and not judged. */
const measured = (what, found) => console.log(`figure: ${what}: ${found}`);
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
    // What the test itself takes is not counted.
    const before = await tab.evaluate(() => frozen.length);
    const inked = await figure.locator("canvas").first().evaluate((canvas) => {
      const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
      return data.filter((value, k) => k % 4 === 3 && value > 0).length / (canvas.width * canvas.height);
    });
    await settle(tab);
    await tab.evaluate((before) => { frozen.length = before; }, before);
    check(`${name}: drawn`, inked > 0.01, inked.toFixed(3));
    const shown = await tab.locator("#answer .conclusions p").allTextContents();
    const native = linewake(name, ...words);
    const said = native.stdout.split("\n").slice(0, 12).map((line) => line.trim());
    check(`${name}: the sentences of the command line`, shown.length > 0 && shown.every((sentence) => said.includes(sentence)), shown[0]?.slice(0, 90));
    check(`${name}: its command`, await tab.textContent("#command") === `linewake ${[name, ...words].join(" ")}`, await tab.textContent("#command"));
    const [download] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: "All values (JSON)" }).click()]);
    // That its digits are those of the command line is for same_numbers.mjs to tell, over all commands.
    const about = (text) => (({ command, settings, inputs }) => JSON.stringify({ command, settings, inputs }))(JSON.parse(text));
    const [ours, theirs] = [readFileSync(await download.path(), "utf8"), linewake(name, ...words, "--json").stdout].map(about);
    check(`${name}: the document saved is of these settings and files`, ours === theirs, ours === theirs ? "" : `${ours.slice(0, 300)} and ${theirs.slice(0, 300)}`);
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
  const row = rows.slice(1).find((cells) => cells[role] === "wire" && Math.abs(cells[frequency] / 1e3 - kilohertz) <= 5.1e-6 * kilohertz);
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
  measured("never frozen longer than 100 ms", `longest of ${frozen.length} long tasks ${Math.max(0, ...frozen)} ms`);
  await tab.close();
}

// By keyboard alone: files, a role, a view, a setting, what it still needs.
{
  const { tab, seen } = await open();
  // Asked for from the beginning: the driver takes a moment to be told of choosers.
  tab.on("filechooser", () => {});
  const reach = async (wanted) => {
    for (let k = 0; k < 200; k++) {
      await tab.keyboard.press("Tab");
      if (await tab.evaluate((wanted) => document.activeElement.matches(wanted), wanted)) return true;
    }
    return false;
  };
  check("keyboard reaches the choice of files", await reach("#choose-files"));
  const [chooser] = await Promise.all([tab.waitForEvent("filechooser"), tab.keyboard.press("Enter")]);
  await chooser.setFiles([join(captures, "background-1.csv"), join(captures, "led-panel-on-1.csv")]);
  await tab.waitForFunction(() => document.querySelector(".item"));
  await idle(tab);
  check("keyboard reaches a place", await reach('.item[data-path="background-1.csv"] summary'));
  await tab.keyboard.press("Enter");
  // The places are listed a frame later; no hand is faster.
  await settle(tab);
  for (let k = 0; k < 20 && await tab.evaluate(() => document.activeElement.textContent !== "Load off"); k++) await tab.keyboard.press("Tab");
  await tab.keyboard.press("Enter");
  await settle(tab);
  await idle(tab);
  const moved = await lane(tab, "Load off").locator(".name").allTextContents();
  check("keyboard gives a role", moved.includes("background-1.csv"), moved.join());
  await tab.evaluate(() => document.activeElement.blur());
  check("keyboard reaches the views", await reach("[role=tab][aria-selected=true]"));
  for (let k = 0; k < 4; k++) await tab.keyboard.press("ArrowRight");
  await settle(tab);
  await idle(tab);
  check("a view says what it still needs", /still needs a capture with the load on and the filter/.test(await tab.textContent("#needs")), await tab.textContent("#needs"));
  await tab.keyboard.press("ArrowLeft");
  await settle(tab);
  await idle(tab);
  check("the view of what the load adds", (await tab.locator("#answer .conclusions p").count()) > 0 && (await tab.textContent("#command")).startsWith("linewake added --off background-1.csv --on led-panel-on-1.csv"), await tab.textContent("#command"));
  check("keyboard reaches a plot", await reach("#answer .panel"));
  const before = await tab.locator("#answer .reading").first().textContent();
  await tab.keyboard.press("ArrowRight");
  await tab.keyboard.press("+");
  await tab.keyboard.press("ArrowRight");
  await settle(tab);
  const after = await tab.locator("#answer .reading").first().textContent();
  check("arrow keys give values", after !== before && /dB/.test(after), after.slice(0, 60));
  check("keyboard reaches saving and settings", await reach("#saves button") && await reach("#settings summary"));
  check("quiet by keyboard", quiet(seen), told(seen));
  await tab.close();
}

// Three widths, light and dark: nothing wider than the window, no finding of weight.
for (const colorScheme of ["light", "dark"]) {
  const { tab, seen } = await open({ colorScheme });
  await given(tab);
  await view(tab, "compare");
  await lane(tab, "Load on").locator(".name").first().click();
  await idle(tab);
  await tab.evaluate(() => document.querySelectorAll("details:not(.moves)").forEach((details) => { details.open = true; }));
  for (const [width, height, device] of [[390, 844, "phone"], [820, 1180, "tablet"], [1400, 1000, "desktop"]]) {
    await tab.setViewportSize({ width, height });
    await tab.waitForTimeout(400);
    const wide = await tab.evaluate(() => document.documentElement.scrollWidth);
    check(`${device}, ${colorScheme}: nothing wider than the window`, wide <= width, wide);
    for (const part of ["captures", "capture", "results", "job"]) {
      await tab.evaluate((part) => document.getElementById(part).scrollIntoView(), part);
      await tab.waitForTimeout(200);
      await shot(tab, `${device}-${colorScheme}-${part}`);
    }
    // Through the inspector, which the page's policy does not hold back.
    const found = await tab.evaluate(`${axe}; axe.run(document, { resultTypes: ["violations"] })`);
    const grave = found.violations.filter((v) => ["serious", "critical"].includes(v.impact));
    check(`rule engine, ${device}, ${colorScheme}`, grave.length === 0, found.violations.map((v) => `${v.impact} ${v.id} x${v.nodes.length} ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].failureSummary?.slice(0, 200)}`).join(" | ") || `no findings (${found.passes.length} rules hold)`);
  }
  check(`quiet, ${colorScheme}`, quiet(seen), told(seen));
  await tab.close();
}

// Hostile names and headers: shown as texts, nothing runs, nothing is asked for.
{
  const { tab, seen } = await open();
  const title = await tab.title();
  await tab.evaluate((strings) => {
    const carried = new DataTransfer();
    const rows = Array.from({ length: 10_000 }, (_, k) => `${(k * 5e-6).toFixed(6)},${Math.sin(k / 3).toFixed(4)},${Math.cos(k / 5).toFixed(4)}`).join("\n");
    strings.forEach((text, k) => carried.items.add(new File([`Time (s),"${text.replaceAll('"', '""')} (V)",CH2 (V)\n${rows}\n`], k % 2 ? `${text}.csv` : text)));
    dispatchEvent(new DragEvent("drop", { dataTransfer: carried, bubbles: true, cancelable: true }));
  }, strings);
  await tab.waitForFunction(() => document.querySelector(".item"), null, { timeout: 60_000 });
  await idle(tab);
  const items = await tab.locator(".item").count();
  const foreign = () => tab.evaluate(() => [...document.querySelectorAll("body *")].filter((e) => ["img", "iframe", "object", "embed", "base", "form", "link", "meta", "audio", "video"].includes(e.localName) || e.localName === "script" && !["module", "worker"].includes(e.id) && e.type !== "application/json" && e.parentElement !== document.body || [...e.attributes].some((a) => a.name.startsWith("on") || /^\s*javascript:/i.test(a.value) && ["href", "src", "action"].includes(a.name))).length);
  check("hostile names: each is there once", items > 60, `${items} of ${strings.length}; those that are folders or nothing fall together`);
  const readable = tab.locator(".item", { has: tab.locator(".verdict.fit-with-limits, .verdict.fit") });
  check("hostile headers are read", await readable.count() > 60, await readable.count());
  await tab.click("#tab-bands");
  let shown = 0;
  for (const k of [0, 7, 31, 55]) {
    await readable.nth(k).locator(".name").click();
    await settle(tab);
    await idle(tab);
    shown += await tab.locator("#answer figure.plot").count();
  }
  check("hostile names and headers in views", shown === 4, shown);
  await shot(tab, "hostile");
  check("hostile names and headers inject nothing", await foreign() === 0 && await tab.title() === title, await foreign());
  check("nothing was asked for", quiet(seen), told(seen));
  await tab.close();
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

// A million samples: from dropped to compared, frames of a plot in motion, a closer look.
{
  const { tab, seen } = await open();
  const rows = 1_000_000;
  const text = (gain, seed) => {
    const lines = ["Time (s),Wire (V),Air (V)"];
    let state = seed;
    for (let k = 0; k < rows; k++) {
      state = (state * 1103515245 + 12345) % 2147483648;
      const wire = 0.02 * Math.sin(2 * Math.PI * 50e-6 * k) + gain * Math.sin(2 * Math.PI * 0.068 * k) + 1e-4 * (state / 1073741824 - 1);
      lines.push(`${(k * 1e-6).toFixed(6)},${wire.toFixed(6)},${(wire / 8).toFixed(6)}`);
    }
    return `${lines.join("\n")}\n`;
  };
  const files = [["lamp-on-1.csv", 4e-3, 1], ["lamp-on-filter-1.csv", 4e-4, 2]].map(([name, gain, seed]) => {
    writeFileSync(join(folder, name), text(gain, seed));
    return join(folder, name);
  });
  await tab.click("#tab-compare", { force: true }).catch(() => {});
  await tab.evaluate(() => document.getElementById("tab-compare").click());
  const begun = Date.now();
  await tab.setInputFiles("#files", files);
  await tab.waitForFunction(() => document.querySelector("#answer .conclusions p") && document.getElementById("command").textContent.startsWith("linewake compare"), null, { timeout: 240_000 });
  measured("two captures of 1e6 rows from dropped to comparison under 3 s", `${((Date.now() - begun) / 1e3).toFixed(2)} s`);
  await idle(tab);
  await tab.click("#tab-waveform");
  await settle(tab);
  await tab.selectOption("#subject", { label: "lamp-on-1.csv" });
  await settle(tab);
  await idle(tab);
  const figure = tab.locator("#answer figure.plot").first();
  await figure.evaluate((element) => element.scrollIntoView());
  await figure.locator("canvas").first().waitFor();
  const frames = await tab.evaluate(async () => {
    const over = document.querySelector("#answer .u-over");
    const { left, top, width } = over.getBoundingClientRect();
    const times = [];
    let last = await new Promise(requestAnimationFrame);
    for (let k = 0; k < 90; k++) {
      const turn = k < 45 ? { ctrlKey: true, deltaY: k < 30 ? -20 : 20 } : { shiftKey: true, deltaY: k % 30 < 15 ? 60 : -60 };
      over.dispatchEvent(new WheelEvent("wheel", { ...turn, clientX: left + width / 2, clientY: top + 20, bubbles: true, cancelable: true }));
      const now = await new Promise(requestAnimationFrame);
      times.push(now - last);
      last = now;
    }
    return times.sort((a, b) => a - b);
  });
  measured("a plot of a million samples in motion: 60 frames a second", `median ${frames[45].toFixed(1)} ms, nine of ten within ${frames[81].toFixed(1)} ms, longest ${frames.at(-1).toFixed(1)} ms`);
  await tab.waitForTimeout(1000);
  await idle(tab);
  await tab.evaluate(() => document.querySelector("#answer .tools button:nth-child(3)").click());
  const box = await figure.locator(".u-over").first().boundingBox();
  await tab.mouse.move(box.x + 0.5 * box.width, box.y + 20);
  await tab.mouse.down();
  await tab.mouse.move(box.x + 0.502 * box.width + 41, box.y + 22, { steps: 3 });
  await tab.mouse.up();
  for (let k = 0; k < 5; k++) await tab.locator("#answer").getByRole("button", { name: "Zoom in" }).click();
  await tab.getByRole("button", { name: "Back to the whole" }).waitFor({ timeout: 60_000 });
  await idle(tab);
  await shot(tab, "closer");
  const closer = await tab.textContent("#command");
  const [from, to] = closer.match(/--from ([\d.]+)s --to ([\d.]+)s$/)?.slice(1).map(Number) ?? [];
  const [saved] = await Promise.all([tab.waitForEvent("download"), tab.getByRole("button", { name: "All values (JSON)" }).click()]);
  const [near] = JSON.parse(readFileSync(await saved.path(), "utf8") || "{}").captures ?? [{}];
  const ends = near.start_s + near.channels?.[0].min.length * near.column_s;
  check("a closer look runs the command for that stretch", Math.abs(near.start_s - from) < 2e-6 && Math.abs(ends - to) < 2e-6 && near.column_s < 1.5e-6 && await tab.locator("#answer figure.plot").count() === 1, `${closer}: ${near.start_s} to ${ends}, ${near.column_s} s a column`);
  const frozen = await tab.evaluate(() => frozen);
  measured("never frozen longer than 100 ms with a million samples", `longest ${Math.max(0, ...frozen)} ms`);
  check("quiet with long captures", quiet(seen), told(seen));
  await tab.close();
}

// The invented example with one click; cancelling.
{
  const { tab, seen } = await open();
  await tab.getByRole("button", { name: "Show an invented example" }).click();
  await tab.getByRole("button", { name: "Cancel" }).click();
  await tab.waitForFunction(() => document.body.ariaBusy === "false");
  check("work can be cancelled", /ancelled/.test(await tab.textContent("#said")), await tab.textContent("#said"));
  await tab.getByRole("button", { name: "Show an invented example" }).click();
  await tab.waitForFunction(() => document.querySelectorAll(".item").length >= 30, null, { timeout: 240_000 });
  await idle(tab);
  const names = await tab.locator(".case-head input").evaluateAll((all) => all.map((input) => input.value));
  check("the example is there with one click", names.length === 4 && await tab.locator("#answer .conclusions p").count() > 0, names.join(", "));
  await tab.evaluate(() => scrollTo(0, 0));
  await shot(tab, "example");
  await view(tab, "added");
  await tab.evaluate(() => document.getElementById("results").scrollIntoView());
  await settle(tab);
  await shot(tab, "example-added");
  check("quiet with the example", quiet(seen), told(seen));
  const path = join(shots ?? folder, "shell.pdf");
  await tab.pdf({ path, format: "A4" });
  check("it prints", statSync(path).size > 10_000, statSync(path).size);
  await tab.close();
}

await browser.close();
rmSync(folder, { recursive: true, force: true });
console.log(failed ? `${failed} checks failed` : "all checks hold");
process.exit(failed ? 1 : 0);
