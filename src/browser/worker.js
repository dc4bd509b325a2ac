"use strict";
/*
 * The boundary between the page and what computes. What computes is the command line itself, compiled for WebAssembly;
 * it stands here, in a worker, with a folder of the files that were dropped (system.js). So there is one vocabulary on
 * both sides of it: the words of a command line in; its documents, tables, sentences and files out.
 *
 * The page posts
 *   {packed}                   the command line for WebAssembly, LZMA in base64; or
 *   {module}                   the same compiled, as another worker answered it; one of them first and once
 *   {files: [{path, blob}]}    files of the folder, added once; they stay, a later one of the same path replaces
 *   {run, arguments: [...]}    words of a command line without the program's name; run names the answer. May come with
 *                              files; one after the other is done
 * and gets
 *   {module} or {failed}       after {packed}: the compiled module for other workers, or why there is none
 *   {run, progress}            as it goes on: "DONE of WHOLE captures", "... cases", "... samples", "... bytes, pass N"
 *   {run, status, standard_output, standard_error, outputs, memory}
 *                              at the end: exit status, texts, {path: Uint8Array} of every file that was written
 *                              (transferred), bytes of memory that were used
 * Each run begins with the files dropped and nothing else; what an earlier one wrote is there again when the page adds
 * it as a file. To cancel, the page ends the worker and makes another of the same module and files.
 */

/** The largest file that is opened. Beyond it one reading takes minutes here, and the command line is the better way. */
const LARGEST = 2 * 2 ** 30;

let compiled;
const dropped = new Map();
let work = Promise.resolve();

self.onmessage = ({ data }) => {
    if (data.module) compiled = data.module;
    if (data.packed) work = work.then(() => unpack(data.packed));
    for (const { path, blob } of data.files ?? []) dropped.set(path, blob);
    if (data.run !== undefined) work = work.then(() => run(data.run, data.arguments));
};

/** Here and not in the page, which would stand still for as long as it takes. */
async function unpack(packed) {
    try {
        compiled = await WebAssembly.compile(unpacked(Uint8Array.from(atob(packed.trim()), letter => letter.charCodeAt(0))));
        self.postMessage({ module: compiled });
    } catch (error) {
        self.postMessage({ failed: error.message });
    }
}

/** Text from pieces of bytes. */
const joined = async pieces => new Blob(pieces).text();

/** A size as people say it. */
const inWords = bytes => bytes < 1e9 ? `${Math.round(bytes / 1e6)} MB` : `${(bytes / 1e9).toFixed(1)} GB`;

/** What a file is read whole up to, for its fingerprint and for all that reads it afterwards. */
const WHOLE = 64 * 2 ** 20;
/** Fingerprints of files that were read whole. */
const fingerprints = new WeakMap();

/**
 * A dropped file that a command line names, read whole. Its fingerprint is taken by the browser, which takes a tenth of the
 * time that WebAssembly does. Where that is not to be had the file is read in pieces, and the program takes it.
 */
async function readWhole(path, blob) {
    if (blob.size > WHOLE || path.includes("=") || !self.crypto?.subtle) return undefined;
    try {
        const bytes = await blob.arrayBuffer();
        if (!fingerprints.has(blob)) {
            const digest = new Uint8Array(await self.crypto.subtle.digest("SHA-256", bytes));
            fingerprints.set(blob, Array.from(digest, byte => byte.toString(16).padStart(2, "0")).join(""));
        }
        return new Uint8Array(bytes);
    } catch {
        return undefined;
    }
}

async function run(name, words) {
    const files = new Folder();
    const environment = [];
    for (const [path, blob] of [...dropped]) {
        const whole = words.includes(path) ? await readWhole(path, blob) : undefined;
        if (whole) environment.push(`sha256 ${path}=${fingerprints.get(blob)}`);
        files.lay(path, new Dropped(blob, LARGEST, whole));
    }
    const out = [];
    let err = "", line = "";
    const decoder = new TextDecoder();
    const heard = piece => {
        const lines = (line + decoder.decode(piece, { stream: true })).split("\n");
        line = lines.pop();
        for (const said of lines) {
            if (said.startsWith("progress: ")) self.postMessage({ run: name, progress: said.slice(10) });
            else err += `${said}\n`;
        }
    };
    let ended;
    try {
        ended = await command(compiled, ["linewake", ...words], files, piece => out.push(piece), heard, environment);
    } catch (error) {
        // Nothing of it is left but this worker, which goes on with the next run.
        ended = { status: 2, memory: error.memory ?? 0 };
        err += `${line}\nerror: the work was broken off (${error.message}) with ${inWords(ended.memory)} of memory in use\n`;
        err += "what to try: fewer or shorter captures, or the command line, which has all memory of the machine:\n";
        err += `  linewake ${words.map(quoted).join(" ")}\n`;
        line = "";
    }
    err += line;
    const outputs = {};
    for (const [path, file] of files.files()) {
        if (file instanceof Kept) outputs[path] = file.bytes();
        else if (file.refused) {
            err += `error: ${path}: is ${inWords(file.size)} long, and a page opens at most ${inWords(LARGEST)}\n`;
            err += `what to try: the command line, which takes files of any length: linewake ${words.map(quoted).join(" ")}\n`;
        }
    }
    const answer = { run: name, ...ended, standard_output: await joined(out), standard_error: err, outputs };
    self.postMessage(answer, Object.values(outputs).map(bytes => bytes.buffer));
}

/** A word as a shell takes it. */
function quoted(word) {
    return /^[\w@%+=:,./-]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`;
}
