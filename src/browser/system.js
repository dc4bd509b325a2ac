"use strict";
/*
 * What the command line asks of a system, as WASI preview 1 states it (the standard's text: wasi_snapshot_preview1.witx),
 * answered from memory: a folder of files, arguments, a clock, random bytes. Nothing here knows what the command line
 * does. What is dropped on the page is read piece by piece where it lies and never held as a whole; what is written is
 * held in memory.
 */

/** Numbers of errors, kinds and flags of the standard. */
const OK = 0, BADF = 8, EXIST = 20, FBIG = 22, INVAL = 28, IO = 29, ISDIR = 31, NOENT = 44, NOSYS = 52, NOTDIR = 54,
    NOTEMPTY = 55, ROFS = 69, NOTCAPABLE = 76;
const CHARACTERS = 2, FOLDER = 3, REGULAR = 4;
const CREATE = 1, MUST_BE_FOLDER = 2, MUST_BE_NEW = 4, CUT = 8, APPEND = 1, MAY_WRITE = 64n;

/** An error of the system, on its way to the call that it ends. */
class Refused {
    constructor(number) { this.number = number; }
}
const refuse = number => { throw new Refused(number); };

/** The end of the program. */
class Ended {
    constructor(status) { this.status = status; }
}

let lastNumber = 0n;

/** A file in memory. Room grows by doubling. */
class Kept {
    kind = REGULAR;
    number = ++lastNumber;
    modified = Date.now();
    size = 0;
    room = new Uint8Array(0);

    resize(size) {
        if (size > this.room.length) {
            const room = new Uint8Array(Math.max(size, 2 * this.room.length));
            room.set(this.room.subarray(0, this.size));
            this.room = room;
        } else {
            this.room.fill(0, size, this.size);
        }
        this.size = size;
    }

    write(bytes, position) {
        if (position + bytes.length > this.size) this.resize(position + bytes.length);
        this.room.set(bytes, position);
        this.modified = Date.now();
    }

    opened() {
        return (position, length) => this.room.subarray(position, Math.min(this.size, position + length));
    }

    bytes() {
        return this.room.slice(0, this.size);
    }
}

/** A file that stays where it is; what is read in order is fetched in pieces of a megabyte. */
class Dropped {
    static PIECE = 1 << 20;
    static FIRST = 1 << 16;
    kind = REGULAR;
    number = ++lastNumber;

    /** `whole` holds all of it, where it has been read already. */
    constructor(blob, largest, whole) {
        this.blob = blob;
        this.whole = whole;
        this.size = blob.size;
        this.modified = blob.lastModified ?? 0;
        this.largest = largest;
        this.refused = false;
    }

    write() { refuse(ROFS); }
    resize() { refuse(ROFS); }

    /** Each opening has a piece of its own, because several places may be read in turn. */
    opened() {
        if (this.size > this.largest) {
            this.refused = true;
            refuse(FBIG);
        }
        if (this.whole) return (position, length) => this.whole.subarray(position, position + length);
        let from = 0, piece = new Uint8Array(0);
        return (position, length) => {
            const end = from + piece.length;
            if (position < from || position >= end) {
                const least = position === end && end > 0 ? Dropped.PIECE : Dropped.FIRST;
                const upTo = Math.min(this.size, position + Math.max(least, length));
                from = position;
                piece = new Uint8Array(0);
                if (position >= this.size) return piece;
                try {
                    piece = new Uint8Array(new FileReaderSync().readAsArrayBuffer(this.blob.slice(position, upTo)));
                } catch {
                    // The file was changed or moved since it was dropped.
                    refuse(IO);
                }
            }
            return piece.subarray(position - from, position - from + length);
        };
    }
}

/** A folder. */
class Folder {
    kind = FOLDER;
    number = ++lastNumber;
    modified = Date.now();
    size = 0;
    entries = new Map();

    /** The folder that a path leads to, and the last name in it; the name is empty for the folder itself. */
    place(path) {
        if (path.startsWith("/") || path.includes("\0")) refuse(NOTCAPABLE);
        const way = [this];
        const parts = path.split("/").filter(part => part !== "" && part !== ".");
        const last = parts.length > 0 && parts[parts.length - 1] !== ".." ? parts.pop() : "";
        for (const part of parts) {
            if (part === "..") {
                if (way.length === 1) refuse(NOTCAPABLE);
                way.pop();
                continue;
            }
            const next = way[way.length - 1].entries.get(part);
            if (next === undefined) refuse(NOENT);
            if (next.kind !== FOLDER) refuse(NOTDIR);
            way.push(next);
        }
        return [way[way.length - 1], last];
    }

    find(path) {
        const [folder, name] = this.place(path);
        const found = name === "" ? folder : folder.entries.get(name);
        if (found !== undefined && found.kind !== FOLDER && path.endsWith("/")) refuse(NOTDIR);
        return found;
    }

    /** Lays a file into its place; folders on the way are made. */
    lay(path, file) {
        const parts = path.split("/").filter(part => part !== "" && part !== "." && part !== "..");
        const name = parts.pop();
        let folder = this;
        for (const part of parts) {
            let next = folder.entries.get(part);
            if (next?.kind !== FOLDER) folder.entries.set(part, next = new Folder());
            folder = next;
        }
        folder.entries.set(name, file);
    }

    /** Every file in it and below, with its path. */
    *files(before = "") {
        for (const [name, entry] of this.entries) {
            if (entry.kind === FOLDER) yield* entry.files(`${before}${name}/`);
            else yield [before + name, entry];
        }
    }
}

/** What a program has opened. */
class Opened {
    position = 0;
    constructor(node, appends) {
        this.node = node;
        this.appends = appends;
        this.read = node.opened?.();
    }
}

/** Standard input has nothing; the two outputs hand on what comes. */
class Stream {
    constructor(kind, take) {
        this.kind = kind;
        this.take = take;
    }
}

/**
 * Runs a module as a command.
 *
 * `files` is the folder that it works in; `out` and `err` get what it writes, as bytes; `environment` is a list of
 * "NAME=VALUE". Gives the exit status and the
 * bytes of memory it had. What ends it by force (a trap) is thrown.
 */
async function command(module, words, files, out, err, environment = []) {
    const descriptors = [new Stream(CHARACTERS), new Stream(0, out), new Stream(0, err), new Opened(files)];
    let memory;
    const view = () => new DataView(memory.buffer);
    const bytes = (at, length) => new Uint8Array(memory.buffer, at, length);
    const text = (at, length) => new TextDecoder().decode(bytes(at, length));
    const [encoded, known] = [words, environment].map(list => list.map(word => new TextEncoder().encode(`${word}\0`)));

    const number = at => descriptors[at] ?? refuse(BADF);
    const opened = at => number(at) instanceof Opened ? number(at) : refuse(BADF);
    const file = at => opened(at).read ? opened(at) : refuse(BADF);
    const folder = at => opened(at).node.kind === FOLDER ? opened(at).node : refuse(NOTDIR);
    const existing = (at, path) => folder(at).find(path) ?? refuse(NOENT);
    const nanoseconds = milliseconds => BigInt(Math.round(milliseconds * 1e6));

    const state = (at, node) => {
        const to = view();
        bytes(at, 64).fill(0);
        to.setBigUint64(at + 8, node.number ?? 0n, true);
        to.setUint8(at + 16, node.kind);
        to.setBigUint64(at + 24, 1n, true);
        to.setBigUint64(at + 32, BigInt(node.size ?? 0), true);
        for (const time of [40, 48, 56]) to.setBigUint64(at + time, nanoseconds(node.modified ?? 0), true);
    };
    /** Every piece of a list of places and lengths, until one is not taken as a whole. */
    const pieces = (list, count, done, each) => {
        let sum = 0;
        for (let at = list; at < list + 8 * count; at += 8) {
            const length = view().getUint32(at + 4, true);
            const now = each(bytes(view().getUint32(at, true), length), sum);
            sum += now;
            if (now < length) break;
        }
        view().setUint32(done, sum, true);
    };
    const reading = (from, list, count, done, position) => pieces(list, count, done, (room, sum) => {
        const piece = from.read(position + sum, room.length);
        room.set(piece);
        return piece.length;
    });
    const writing = (to, list, count, done, position) => pieces(list, count, done, (piece, sum) => {
        to.node.write(piece, position + sum);
        return piece.length;
    });
    const take = (at, path, from) => {
        const [parent, name] = folder(at).place(path);
        const node = parent.entries.get(name) ?? refuse(NOENT);
        from?.(node);
        parent.entries.delete(name);
        return node;
    };
    const laidOut = (list, at, room) => {
        for (const word of list) {
            view().setUint32(at, room, true);
            bytes(room, word.length).set(word);
            at += 4;
            room += word.length;
        }
    };

    const calls = {
        args_sizes_get(count, size) {
            view().setUint32(count, encoded.length, true);
            view().setUint32(size, encoded.reduce((sum, word) => sum + word.length, 0), true);
        },
        args_get: (at, room) => laidOut(encoded, at, room),
        environ_sizes_get(count, size) {
            view().setUint32(count, known.length, true);
            view().setUint32(size, known.reduce((sum, word) => sum + word.length, 0), true);
        },
        environ_get: (at, room) => laidOut(known, at, room),
        clock_res_get: (_, at) => view().setBigUint64(at, 1000n, true),
        clock_time_get: (clock, _, at) =>
            view().setBigUint64(at, nanoseconds(clock === 0 ? Date.now() : performance.now()), true),
        random_get(at, length) {
            // No more than this is given at once.
            for (let done = 0; done < length; done += 65536) {
                crypto.getRandomValues(bytes(at + done, Math.min(65536, length - done)));
            }
        },
        proc_exit(status) { throw new Ended(status); },
        sched_yield() {},

        fd_prestat_get(at, to) {
            if (at !== 3) refuse(BADF);
            view().setUint32(to, 0, true);
            view().setUint32(to + 4, 1, true);
        },
        fd_prestat_dir_name: (_, at) => bytes(at, 1).set([0x2f]),
        fd_close(at) {
            number(at);
            descriptors[at] = undefined;
        },
        fd_renumber(from, to) {
            descriptors[to] = number(from);
            descriptors[from] = undefined;
        },
        fd_fdstat_get(at, to) {
            const it = number(at);
            bytes(to, 24).fill(0);
            view().setUint8(to, it instanceof Opened ? it.node.kind : it.kind);
            // All rights, but a stream cannot be moved in.
            const rights = it instanceof Opened ? 0x1fffffffn : 0x42n;
            view().setBigUint64(to + 8, rights, true);
            view().setBigUint64(to + 16, rights, true);
        },
        fd_fdstat_set_flags(at, flags) { file(at).appends = (flags & APPEND) !== 0; },
        fd_filestat_get(at, to) {
            const it = number(at);
            state(to, it instanceof Opened ? it.node : it);
        },
        fd_filestat_set_size: (at, size) => file(at).node.resize(Number(size)),
        fd_filestat_set_times(at) { opened(at); },
        fd_allocate(at, offset, length) {
            const end = Number(offset + length);
            if (end > file(at).node.size) file(at).node.resize(end);
        },
        fd_advise(at) { file(at); },
        fd_sync(at) { number(at); },
        fd_datasync(at) { number(at); },
        fd_tell: (at, to) => view().setBigUint64(to, BigInt(file(at).position), true),
        fd_seek(at, offset, whence, to) {
            const it = file(at);
            const position = Number(offset) + [0, it.position, it.node.size][whence];
            if (!(position >= 0)) refuse(INVAL);
            it.position = position;
            view().setBigUint64(to, BigInt(position), true);
        },
        fd_read(at, list, count, done) {
            const it = number(at);
            if (it instanceof Stream) return view().setUint32(done, 0, true);
            reading(file(at), list, count, done, it.position);
            it.position += view().getUint32(done, true);
        },
        fd_pread: (at, list, count, position, done) => reading(file(at), list, count, done, Number(position)),
        fd_write(at, list, count, done) {
            const it = number(at);
            if (it instanceof Stream) {
                return pieces(list, count, done, piece => {
                    it.take(piece.slice());
                    return piece.length;
                });
            }
            if (file(at).appends) it.position = it.node.size;
            writing(it, list, count, done, it.position);
            it.position += view().getUint32(done, true);
        },
        fd_pwrite: (at, list, count, position, done) => writing(file(at), list, count, done, Number(position)),
        fd_readdir(at, to, room, cookie, used) {
            const node = folder(at);
            const all = [[".", node], ["..", node], ...node.entries];
            let done = 0;
            for (let next = Number(cookie); next < all.length && done < room; next += 1) {
                const [name, entry] = all[next];
                const letters = new TextEncoder().encode(name);
                const row = new Uint8Array(24 + letters.length);
                const head = new DataView(row.buffer);
                head.setBigUint64(0, BigInt(next + 1), true);
                head.setBigUint64(8, entry.number, true);
                head.setUint32(16, letters.length, true);
                head.setUint8(20, entry.kind);
                row.set(letters, 24);
                // A row that does not fit is cut, and asked for again.
                const part = row.subarray(0, room - done);
                bytes(to + done, part.length).set(part);
                done += part.length;
            }
            view().setUint32(used, done, true);
        },

        path_open(at, _, path, length, how, rights, _inherited, flags, to) {
            const [parent, name] = folder(at).place(text(path, length));
            let node = name === "" ? parent : parent.entries.get(name);
            if (node === undefined) {
                if (!(how & CREATE)) refuse(NOENT);
                parent.entries.set(name, node = new Kept());
            } else if (how & MUST_BE_NEW) {
                refuse(EXIST);
            }
            if (how & MUST_BE_FOLDER && node.kind !== FOLDER) refuse(NOTDIR);
            if (rights & MAY_WRITE && node.kind === FOLDER) refuse(ISDIR);
            if (rights & MAY_WRITE && node instanceof Dropped) refuse(ROFS);
            if (how & CUT) node.resize(0);
            descriptors.push(new Opened(node, (flags & APPEND) !== 0));
            view().setUint32(to, descriptors.length - 1, true);
        },
        path_filestat_get: (at, _, path, length, to) => state(to, existing(at, text(path, length))),
        path_filestat_set_times(at, _, path, length) { existing(at, text(path, length)); },
        path_create_directory(at, path, length) {
            const [parent, name] = folder(at).place(text(path, length));
            if (name === "" || parent.entries.has(name)) refuse(EXIST);
            parent.entries.set(name, new Folder());
        },
        path_unlink_file(at, path, length) {
            take(at, text(path, length), node => node.kind === FOLDER && refuse(ISDIR));
        },
        path_remove_directory(at, path, length) {
            take(at, text(path, length), node => {
                if (node.kind !== FOLDER) refuse(NOTDIR);
                if (node.entries.size > 0) refuse(NOTEMPTY);
            });
        },
        path_rename(from, path, length, to, newPath, newLength) {
            const node = existing(from, text(path, length));
            const [parent, name] = folder(to).place(text(newPath, newLength));
            const old = parent.entries.get(name);
            if (name === "" || parent === node) refuse(INVAL);
            if (old !== undefined && old !== node) {
                if (node.kind === FOLDER && old.kind !== FOLDER) refuse(NOTDIR);
                if (node.kind !== FOLDER && old.kind === FOLDER) refuse(ISDIR);
                if (old.kind === FOLDER && old.entries.size > 0) refuse(NOTEMPTY);
            }
            take(from, text(path, length));
            parent.entries.set(name, node);
        },
        path_readlink: () => refuse(INVAL),
        poll_oneoff(from, to, count, done) {
            // Only waiting for a time; nothing else could come meanwhile.
            if (count !== 1 || view().getUint8(from + 8) !== 0) refuse(NOSYS);
            const until = view().getUint16(from + 40, true) & 1;
            const begun = view().getUint32(from + 16, true) === 0 ? Date.now() : performance.now();
            const wait = Number(view().getBigUint64(from + 24, true)) / 1e6 - (until ? begun : 0);
            const end = performance.now() + wait;
            while (performance.now() < end);
            bytes(to, 32).fill(0);
            bytes(to, 8).set(bytes(from, 8));
            view().setUint32(done, 1, true);
        },
    };
    /** Each call answers with the number of its error. */
    const answering = call => (...values) => {
        try {
            call(...values);
            return OK;
        } catch (error) {
            if (error instanceof Refused) return error.number;
            throw error;
        }
    };
    /** What an older C library lacks answers nothing: no pointer. */
    const missing = () => 0;
    const imports = {};
    for (const { module: from, name } of WebAssembly.Module.imports(module)) {
        const call = from === "wasi_snapshot_preview1" ? answering(calls[name] ?? (() => refuse(NOSYS))) : missing;
        (imports[from] ??= {})[name] = call;
    }
    const instance = await WebAssembly.instantiate(module, imports);
    memory = instance.exports.memory;
    let status = 0;
    try {
        instance.exports._start();
    } catch (error) {
        if (!(error instanceof Ended)) throw Object.assign(error, { memory: memory.buffer.byteLength });
        status = error.status;
    }
    return { status, memory: memory.buffer.byteLength };
}
