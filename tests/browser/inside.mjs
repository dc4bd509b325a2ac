// The worker of the page, run by node: the very files that stand in the page, with what node lacks of a worker.
import fs from "node:fs";
import vm from "node:vm";
import path from "node:path";
import { pathToFileURL } from "node:url";

const source = new URL("../../src/browser/", import.meta.url);

/** A file on disk that looks like one that was dropped. */
class OnDisk {
    constructor(file, from = 0, to = fs.statSync(file).size) {
        Object.assign(this, { file, from, size: to - from, lastModified: fs.statSync(file).mtimeMs });
    }
    async arrayBuffer() { return new FileReaderSync().readAsArrayBuffer(this); }
    slice(from, to) { return new OnDisk(this.file, this.from + from, this.from + to); }
}

class FileReaderSync {
    readAsArrayBuffer(part) {
        const bytes = new Uint8Array(part.size);
        const descriptor = fs.openSync(part.file);
        fs.readSync(descriptor, bytes, 0, part.size, part.from);
        fs.closeSync(descriptor);
        return bytes.buffer;
    }
}

/** The worker with its module in node; `run` gives the answer of a command line. */
export async function inNode(wasm) {
    const waiting = new Map();
    const self = {
        crypto,
        postMessage(answer) {
            if (answer.progress !== undefined) waiting.get(answer.run).lines.push(answer.progress);
            else waiting.get(answer.run).done(answer);
        },
    };
    const world = { self, WebAssembly, TextEncoder, TextDecoder, Blob, FileReaderSync, crypto, performance, Date, console, Uint8Array, DataView, BigInt };
    vm.createContext(world);
    for (const name of ["unpack.js", "system.js", "worker.js"]) {
        vm.runInContext(fs.readFileSync(new URL(name, source), "utf8"), world, { filename: name });
    }
    self.onmessage({ data: { module: await WebAssembly.compile(fs.readFileSync(wasm)) } });
    let count = 0;
    return {
        add(files) { self.onmessage({ data: { files: files.map(([name, file]) => ({ path: name, blob: new OnDisk(file) })) } }); },
        run(words) {
            const name = ++count;
            return new Promise(done => {
                const lines = [];
                waiting.set(name, { lines, done: answer => done({ ...answer, lines }) });
                self.onmessage({ data: { run: name, arguments: words } });
            });
        },
        end() {},
    };
}

/** The same in the page, in headless Chromium or Firefox: whose program CHROMIUM or FIREFOX names. */
export async function inBrowser(page) {
    const { tab, upload, end } = await (process.env.FIREFOX ? firefox : chromium)();
    tab.setDefaultTimeout(600_000);
    tab.on("request", request => {
        if (!/^(file|data|blob):/.test(request.url())) throw new Error(`asks for ${request.url()}`);
    });
    await tab.goto(pathToFileURL(page).href);
    await tab.evaluate(() => {
        const text = id => document.getElementById(id).textContent;
        const worker = new Worker(URL.createObjectURL(new Blob([text("worker")], { type: "text/javascript" })));
        const waiting = new Map();
        worker.onmessage = ({ data }) => {
            const { lines, done } = waiting.get(data.run);
            if (data.progress === undefined) done({ ...data, lines });
            else lines.push(data.progress);
        };
        window.begun = new Promise((done, failed) => {
            waiting.set(undefined, { done: ({ module, failed: why }) => module ? done() : failed(new Error(why)) });
        });
        worker.postMessage({ packed: text("module") });
        window.worker = worker;
        window.run = words => new Promise(done => {
            const run = waiting.size;
            waiting.set(run, { lines: [], done });
            worker.postMessage({ run, arguments: words });
        });
    });
    return {
        tab,
        async add(files) {
            if (files.length === 0) return;
            // A new field each time: a driver may be done before the browser has changed the files of an old one.
            await tab.evaluate(() => {
                window.chosen?.remove();
                window.chosen = document.body.appendChild(Object.assign(document.createElement("input"), { type: "file", multiple: true, id: "chosen" }));
            });
            await upload("#chosen", files.map(([, file]) => file));
            await tab.evaluate(async names => {
                while (window.chosen.files.length < names.length) await new Promise(done => setTimeout(done, 1));
                window.worker.postMessage({ files: names.map((path, at) => ({ path, blob: window.chosen.files[at] })) });
            }, files.map(([name]) => name));
        },
        async run(words) {
            const answer = await tab.evaluate(async words => {
                await window.begun;
                const answer = await window.run(words);
                const text = bytes => new Promise(done => {
                    const reader = new FileReader();
                    reader.onload = () => done(reader.result.slice(reader.result.indexOf(",") + 1));
                    reader.readAsDataURL(new Blob([bytes]));
                });
                const outputs = {};
                for (const [name, bytes] of Object.entries(answer.outputs)) outputs[name] = await text(bytes);
                return { ...answer, outputs };
            }, words);
            for (const name in answer.outputs) answer.outputs[name] = Buffer.from(answer.outputs[name], "base64");
            return answer;
        },
        end,
    };
}

async function chromium() {
    const { chromium } = await import("playwright-core");
    const browser = await chromium.launch({
        executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
        args: ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"],
    });
    const tab = await browser.newPage();
    return { tab, upload: (field, files) => tab.setInputFiles(field, files), end: () => browser.close() };
}

/** By the open protocol for drivers, WebDriver BiDi, which Firefox speaks by itself. */
async function firefox() {
    const { default: puppeteer } = await import("puppeteer-core");
    const browser = await puppeteer.launch({ browser: "firefox", executablePath: process.env.FIREFOX, protocolTimeout: 600_000 });
    const tab = await browser.newPage();
    const upload = async (field, files) => (await tab.$(field)).uploadFile(...files);
    return { tab, upload, end: () => browser.close() };
}

/** All files in a folder and below, as [path, file]. */
export function filesIn(folder, before = "") {
    return fs.readdirSync(folder, { withFileTypes: true }).flatMap(entry => {
        const name = before + entry.name;
        const file = path.join(folder, entry.name);
        return entry.isDirectory() ? filesIn(file, `${name}/`) : [[name, file]];
    });
}
