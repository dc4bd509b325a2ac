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

// The same answer: what is shown is of these very captures and settings. That its digits are those of the command line to
// 1e-12 is for same_numbers.mjs to tell, over all commands.
function differing(a, b, place = "") {
  if (typeof a === "number" && typeof b === "number") return Math.abs(a - b) <= 1e-8 * Math.max(Math.abs(a), Math.abs(b)) ? [] : [`${place}: ${a} and ${b}`];
  if (a && b && typeof a === "object" && typeof b === "object") return [...new Set([...Object.keys(a), ...Object.keys(b)])].flatMap((key) => differing(a[key], b[key], `${place}.${key}`));
  return a === b ? [] : [`${place}: ${JSON.stringify(a)} and ${JSON.stringify(b)}`];
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
  console.log(`figure: two captures of 1e6 rows from dropped to comparison: ${((Date.now() - begun) / 1e3).toFixed(2)} s`);
  await idle(tab);
  await tab.click("#tab-waveform");
  await settle(tab);
  await tab.selectOption("#subject", { label: "lamp-on-1.csv" });
  await settle(tab);
  await idle(tab);
  const figure = tab.locator("#answer figure.plot").first();
  await figure.evaluate((element) => element.scrollIntoView());
  await figure.locator("canvas").first().waitFor();
  await tab.evaluate(() => { frozen.length = 0; });
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
  check("a plot of a million samples in motion: 60 frames a second", frames[Math.floor(0.5 * frames.length)] <= 17.5, `median ${frames[45].toFixed(1)} ms, nine of ten within ${frames[81].toFixed(1)} ms, longest ${frames.at(-1).toFixed(1)} ms`);
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
  check("a closer look runs the command for that stretch", /--from [\d.]+s --to [\d.]+s$/.test(await tab.textContent("#command")), await tab.textContent("#command"));
  const frozen = await tab.evaluate(() => frozen);
  check("never frozen longer than 100 ms with a million samples", frozen.every((ms) => ms <= 100), `longest ${Math.max(0, ...frozen)} ms`);
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
