"use strict";
/*
 * The page's side of the boundary to the worker (see worker.js): unpacks the module once, keeps what was dropped, runs
 * command lines one after the other, and begins anew when one is cancelled.
 */

class Computing {
    #worker;
    #module;
    #files = new Map();
    #waiting = new Map();
    #count = 0;

    /** `packed` is the module as gzip in base64, `worker` the text of the worker. */
    constructor(packed, worker) {
        this.#module = Computing.#unpacked(packed);
        this.address = URL.createObjectURL(new Blob([worker], { type: "text/javascript" }));
        // What fails here is told by the first run.
        this.#module.catch(() => {});
        this.#begin();
    }

    /** From the elements of this page. */
    static ofPage() {
        const text = id => document.getElementById(id).textContent;
        return new Computing(text("module"), text("worker"));
    }

    static async #unpacked(packed) {
        const bytes = Uint8Array.from(atob(packed), letter => letter.charCodeAt(0));
        const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
        return WebAssembly.compile(await new Response(stream).arrayBuffer());
    }

    #begin() {
        const worker = this.#worker = new Worker(this.address);
        worker.onmessage = ({ data }) => {
            const waiting = this.#waiting.get(data.run);
            if (data.progress !== undefined) return waiting?.progress?.(data.progress);
            this.#waiting.delete(data.run);
            waiting?.done(data);
        };
        worker.onerror = event => this.#fail(new Error(event.message || "the worker could not be started"));
        if (this.#files.size > 0) worker.postMessage({ files: this.#list() });
        this.ready = this.#module.then(module => worker.postMessage({ module }));
        this.ready.catch(() => {});
    }

    #list() {
        return [...this.#files].map(([path, blob]) => ({ path, blob }));
    }

    #fail(error) {
        const waiting = [...this.#waiting.values()];
        this.#waiting.clear();
        for (const { failed } of waiting) failed(error);
    }

    /** Lays files into the folder that every run sees: [{path, blob}]. One of the same path is replaced. */
    add(files) {
        for (const { path, blob } of files) this.#files.set(path, blob);
        this.#worker.postMessage({ files });
    }

    /**
     * Runs a command line; `words` come without the program's name. Gives {status, standard_output, standard_error,
     * outputs, memory}; `progress` hears how far it has come. Is refused with an error when it is cancelled.
     */
    async run(words, progress) {
        await this.ready;
        const run = this.#count += 1;
        return new Promise((done, failed) => {
            this.#waiting.set(run, { done, failed, progress });
            this.#worker.postMessage({ run, arguments: words });
        });
    }

    /** Ends whatever is running and waiting. */
    cancel() {
        this.#worker.terminate();
        this.#fail(new DOMException("cancelled", "AbortError"));
        this.#begin();
    }
}
