// The command line for browsers beside the one of this machine: `node same_numbers.mjs PROGRAM MODULE.wasm|PAGE.html`.
// MODULE runs in node through the page's own worker, PAGE in headless Chromium, or in the Firefox that FIREFOX names. Both
// get the README's commands and every fixture; exit status, messages and all that is written have to be the same, numbers to
// 1e-12 of their size. Ends with status 1 where something differs. Further words are a folder of hostile files that the
// suite left, and "few" for a short look.
import { spawnSync } from "node:child_process";
import { cpSync, mkdtempSync, readFileSync, readdirSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { filesIn, inBrowser, inNode } from "./inside.mjs";

const [program, carried] = process.argv.slice(2, 4).map(path => resolve(path));
const rest = process.argv.slice(4);
/** A look at every part of it instead of the whole; another word is a folder of hostile files. */
const few = rest.includes("few");
const hostile = rest.find(word => word !== "few");
const root = new URL("../../", import.meta.url).pathname;
const TOLERANCE = 1e-12;
/** What is a difference or a part of something larger, whose size counts. */
const OF_A_SIZE = [
    // A swing about the mean, whose parts of the cycle are nearly alike.
    [/^mains_modulation$/, 1],
    // Parts of a turn.
    [/deg$/, 360],
    // Differences of frequencies of emissions, and of the mains.
    [/^drift_hz$/, 2e3],
    [/^uncertainty_hz$/, 50],
];
/** What is worse by its nature, how far it may be apart, and why. */
const ALLOWED = [
    // What wire and air do not share, or share where that is next to nothing: what two large numbers leave.
    [/explained_level|noise_level|pairing_gain|random_error/, 1e-10],
    [/coheren/, 1e-11],
    // The tail of a distribution, by its logarithm.
    [/^p_value$/, 1e-11],
    // The smallest of an envelope stands where waves cancel.
    [/^min(_|$)|_min(_|$)/, 1e-10],
    // A phase at the start of a record counts the turns of half of it.
    [/phase_deg$/, 1e-11],
    // Onset, frequency and decay of a ring are fitted in turn, and samples of it near its zeros are small.
    [/^(ring|decay)/, 1e-9],
    // The scatter of sines without noise is that of rounding.
    [/standard_uncertainty|effective_degrees|above_floor/, 1e-9],
];
/** Of files whose numbers are looked at by themselves. */
const OF_FILES = ["bytes", "hash"];
/** What speaks of the machine it runs on, or is not in the page: campaigns, which write Parquet and go on where they ended. */
const ELSEWHERE = ["doctor", "watch", "completions", "manual", "page", "--help", "--into"];

const folder = mkdtempSync(join(tmpdir(), "linewake-same-"));
process.on("exit", () => rmSync(folder, { recursive: true, force: true }));
const native = words => spawnSync(program, words, { cwd: folder, maxBuffer: 1 << 30 });
const other = await (carried.endsWith(".html") ? inBrowser : inNode)(carried);

/** Numbers and what stands between them; systems number their errors differently. */
const tokens = text => text.replace(/ \(os error \d+\)/g, "").split(/(-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)/);

const seen = { documents: 0, same: 0, numbers: 0, beyond: 0, others: 0, others_same: 0, took: 0, memory: 0 };
/** The largest difference by the name of what differs. */
const largest = new Map();
let failed = 0;
const fault = sentence => {
    failed += 1;
    if (failed <= 40) console.log(`FAIL ${sentence}`);
};

/**
 * How far two numbers are apart, in parts of their size. A level in decibels is the logarithm of a size, and one near
 * zero is not a small one: its difference is taken back to the size, 20 log10(1 + d).
 */
function apart(name, x, y) {
    const size = OF_A_SIZE.find(([names]) => names.test(name))?.[1];
    if (size !== undefined) return Math.abs(x - y) / Math.max(size, Math.abs(x), Math.abs(y));
    if (name === "p_value" && x > 0 && y > 0) return Math.abs(Math.log(x / y)) / Math.max(1, Math.abs(Math.log(x)));
    if (/(^|[_ ])db(uv)?([_ ]|$)|decibel|level|_high$|_low$/i.test(name) && !/hz/i.test(name)) {
        return Math.min(Math.abs(x - y) * Math.LN10 / 20, Math.abs(x - y) / Math.max(Math.abs(x), Math.abs(y)));
    }
    return Math.abs(x - y) / Math.max(Math.abs(x), Math.abs(y));
}

/** Two numbers of a name. */
function numbers(what, name, x, y) {
    seen.numbers += 1;
    if (x === y) return;
    const found = apart(name, x, y);
    if (!(found <= TOLERANCE)) seen.beyond += 1;
    if (!(found <= (largest.get(name)?.found ?? 0))) largest.set(name, { found, what, x, y });
    const allowed = ALLOWED.find(([names]) => names.test(name))?.[1] ?? TOLERANCE;
    if (!(found <= allowed)) fault(`${what}: ${name}: ${x} there, ${y} here, ${found.toExponential(1)} apart`);
}

/** Two values of a document. */
function values(what, name, x, y) {
    if (typeof x === "number" && typeof y === "number") return numbers(what, name, x, y);
    if (x === null || y === null || typeof x !== "object" || typeof y !== "object") {
        if (typeof x === "string" && typeof y === "string") return texts(what, name, x, y);
        if (x !== y) fault(`${what}: ${name}: ${x} there, ${y} here`);
        return;
    }
    const keys = Object.keys(x);
    if (keys.join() !== Object.keys(y).join()) return fault(`${what}: ${name} has ${keys} there, ${Object.keys(y)} here`);
    for (const key of keys.filter(key => !(what.endsWith("datapackage.json") && OF_FILES.includes(key)))) values(what, Array.isArray(x) ? name : key, x[key], y[key]);
}

/** Two texts with numbers in them. */
function texts(what, name, x, y) {
    if (x === y) return;
    const [a, b] = [tokens(x), tokens(y)];
    for (let at = 0; at < Math.max(a.length, b.length); at += 1) {
        if (a[at] === b[at]) continue;
        if (at % 2 === 1 && at < Math.min(a.length, b.length)) numbers(what, name, Number(a[at]), Number(b[at]));
        else {
            const around = list => list.slice(Math.max(0, at - 4), at + 3).join("").slice(-160);
            return fault(`${what}: ${name}: "${around(a)}" there, "${around(b)}" here`);
        }
    }
}

/** Rows of cells under their header, where a text is a table of these. */
function table(text) {
    const rows = text.trimEnd().split("\n").map(line => [...`,${line}`.matchAll(/,(?:"((?:[^"]|"")*)"|([^,]*))/g)].map(([, quoted, plain]) => quoted ?? plain));
    return rows.every(row => row.length === rows[0].length) ? rows : undefined;
}

/** Holds two texts against each other; `what` is where they came from. */
function hold(what, ours, theirs) {
    seen.documents += 1;
    if (ours === theirs) return void (seen.same += 1);
    const [json, rows] = [/^\s*\{/.test(ours), what.endsWith(".csv") && [table(ours), table(theirs)]];
    if (json && !what.endsWith("jsonl")) return values(what, "", JSON.parse(ours), JSON.parse(theirs));
    if (!rows?.[0] || !rows[1] || rows[0].length !== rows[1].length) return texts(what, "text", ours, theirs);
    const [header] = rows[0];
    rows[0].forEach((row, at) => row.forEach((cell, column) => {
        const [x, y] = [cell, rows[1][at][column]];
        const both = [x, y].every(cell => cell !== "" && Number.isFinite(Number(cell)));
        if (both) numbers(what, header[column], Number(x), Number(y));
        else texts(what, header[column], x, y ?? "");
    }));
}

const stamps = () => new Map(filesIn(folder).map(([name, file]) => [name, statSync(file).mtimeMs]));
let known = new Map();
/** Hands over what is new or changed in the folder. */
async function share() {
    const now = stamps();
    const changed = filesIn(folder).filter(([name]) => known.get(name) !== now.get(name));
    known = now;
    await other.add(changed);
}

async function both(words) {
    const what = words.join(" ").slice(0, 100);
    await share();
    const before = stamps();
    const begun = performance.now();
    const there = await other.run(words);
    seen.took += performance.now() - begun;
    seen.memory = Math.max(seen.memory, there.memory);
    const here = native(words);
    if (there.status !== here.status) fault(`${what}: status ${there.status}, here ${here.status}: ${there.standard_error}`);
    hold(`${what}: standard output`, there.standard_output, here.stdout.toString());
    hold(`${what}: standard error`, there.standard_error, here.stderr.toString());
    const written = filesIn(folder).filter(([name, file]) => before.get(name) !== statSync(file).mtimeMs);
    const names = written.map(([name]) => name).sort().join(" ");
    const theirs = Object.keys(there.outputs).sort().join(" ");
    if (names !== theirs) fault(`${what}: wrote ${theirs.slice(0, 300)}, here ${names.slice(0, 300)}`);
    for (const [name, file] of written) {
        if (!(name in there.outputs)) continue;
        const [ours, bytes] = [Buffer.from(there.outputs[name]), readFileSync(file)];
        if (/\.(json|jsonl|csv|toml|md)$/.test(name)) hold(`${what}: ${name}`, ours.toString(), bytes.toString());
        else {
            // Pictures and pages: how many are the same, for the record. The numbers in them are in the documents.
            seen.others += 1;
            if (ours.equals(bytes)) seen.others_same += 1;
        }
    }
    return there;
}

/** A line of the README as words. */
const split = line => [...line.matchAll(/'([^']*)'|(\S+)/g)].map(([, quoted, plain]) => quoted ?? plain);
// The demo comes first, which the README runs by cargo.
const lines = ["linewake demo"].concat(readFileSync(join(root, "README.md"), "utf8").split("\n").filter(line => /^linewake [a-z]/.test(line))).map(split);
let commands = 0;
for (const [, ...words] of lines) {
    if (words.some(word => ELSEWHERE.includes(word))) continue;
    if (few && (words[0] === "demo" || words[0] === "survey")) {
        native(words);
        continue;
    }
    commands += 1;
    await both(words);
    // The document of a command that has printed its sentences.
    const spoken = native([words[0], "--help"]).stdout.toString().includes("--json");
    if (spoken && !words.includes("--json") && words[0] !== "demo" && words[0] !== "convert") {
        await both([...words.filter((word, at) => word !== "-o" && words[at - 1] !== "-o"), "--json"]);
    }
}
console.log(`${commands} commands of the README`);

cpSync(join(root, "fixtures"), join(folder, "fixtures"), { recursive: true });
let captures = 0;
for (const [name] of filesIn(join(folder, "fixtures"))) {
    if (/\.(py|md|toml|dat|hdr)$|parquet/.test(name) || few && captures > 20) continue;
    captures += 1;
    await both(["inspect", "--json", `fixtures/${name}`]);
    await both(["spectrum", "--json", `fixtures/${name}`]);
}
console.log(`${captures} fixtures`);

if (hostile !== undefined) {
    // Folders that the suite wrote: the file and what lies beside it, and the words.
    for (const each of readdirSync(hostile).sort()) {
        cpSync(join(hostile, each), join(folder, "hostile", each), { recursive: true });
        const [options, name] = JSON.parse(readFileSync(join(hostile, each, "words.json"), "utf8"));
        const there = await both(["inspect", ...split(options), `hostile/${each}/${name}`]);
        if (there.standard_error.includes("broken off")) fault(`${each}: the work was broken off`);
    }
    const after = await other.run(["--version"]);
    if (after.status !== 0) fault("the worker does not work any more");
    console.log(`${readdirSync(hostile).length} hostile files`);
}
await other.end();

console.log(`${seen.documents} texts, ${seen.same} the same to the last byte; of the others ${seen.numbers} numbers compared, ${seen.beyond} of them more than ${TOLERANCE} apart`);
const worst = [...largest].sort(([, a], [, b]) => b.found - a.found).filter(([, { found }], at) => at < 12 || found > TOLERANCE);
for (const [name, { found, what, x, y }] of worst) console.log(`  ${name}: at most ${found.toExponential(1)} apart (${x}, ${y}; ${what})`);
console.log(`${seen.others} pictures and pages, ${seen.others_same} the same to the last byte`);
console.log(`${(seen.took / 1000).toFixed(1)} s there; at most ${(seen.memory / 1e6).toFixed(1)} MB of memory`);
console.log(failed === 0 ? "ok: the same numbers" : `${failed} differ`);
process.exit(failed === 0 ? 0 : 1);
