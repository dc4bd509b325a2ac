"use strict";
/*
 * Unpacks LZMA, which is a quarter smaller than the gzip that browsers unpack themselves. After the "LZMA specification"
 * (Igor Pavlov, 2015, public domain): a header of 13 bytes, then bits by a range coder, each with a probability that
 * follows what came before.
 */
function unpacked(packed) {
    const HALF = 1024, STATES = 12;
    const chances = count => new Uint16Array(count).fill(HALF);
    let properties = packed[0];
    const literalContext = properties % 9;
    properties = (properties - literalContext) / 9;
    const literalPosition = properties % 5, positionBits = (properties - literalPosition) / 5;
    const positionMask = (1 << positionBits) - 1, literalMask = (1 << literalPosition) - 1;

    const literals = chances(0x300 << literalContext + literalPosition);
    const isMatch = chances(STATES << 4), isRepeat = chances(STATES), isLater = chances(STATES), isThird = chances(STATES),
        isFourth = chances(STATES), isLong = chances(STATES << 4);
    const slots = [0, 1, 2, 3].map(() => chances(64)), places = chances(128), aligned = chances(16);
    const lengths = () => ({ choice: chances(2), low: chances(16 << 3), middle: chances(16 << 3), high: chances(256) });
    const matchLengths = lengths(), repeatLengths = lengths();

    let out = new Uint8Array(1 << 23), size = 0;
    let at = 18, range = 0xffffffff;
    let code = (packed[14] << 24 | packed[15] << 16 | packed[16] << 8 | packed[17]) >>> 0;

    function bit(table, index) {
        const chance = table[index];
        const bound = (range >>> 11) * chance;
        let found;
        if (code < bound) {
            range = bound;
            table[index] = chance + (2048 - chance >>> 5);
            found = 0;
        } else {
            range -= bound;
            code -= bound;
            table[index] = chance - (chance >>> 5);
            found = 1;
        }
        if (range < 0x1000000) {
            range = range << 8 >>> 0;
            code = (code << 8 | packed[at++]) >>> 0;
        }
        return found;
    }
    function tree(table, from, bits) {
        let symbol = 1;
        for (let k = 0; k < bits; k += 1) symbol = symbol << 1 | bit(table, from + symbol);
        return symbol - (1 << bits);
    }
    function backwards(table, from, bits) {
        let symbol = 1, value = 0;
        for (let k = 0; k < bits; k += 1) {
            const found = bit(table, from + symbol);
            symbol = symbol << 1 | found;
            value |= found << k;
        }
        return value;
    }
    function direct(bits) {
        let value = 0;
        for (let k = 0; k < bits; k += 1) {
            range >>>= 1;
            const found = code >= range ? 1 : 0;
            if (found) code -= range;
            value = value * 2 + found;
            if (range < 0x1000000) {
                range = range << 8 >>> 0;
                code = (code << 8 | packed[at++]) >>> 0;
            }
        }
        return value;
    }
    function length(table, position) {
        if (!bit(table.choice, 0)) return tree(table.low, position << 3, 3);
        if (!bit(table.choice, 1)) return 8 + tree(table.middle, position << 3, 3);
        return 16 + tree(table.high, 0, 8);
    }
    function room(more) {
        if (size + more <= out.length) return;
        const larger = new Uint8Array(2 * out.length);
        larger.set(out);
        out = larger;
    }

    let state = 0, first = 0, second = 0, third = 0, fourth = 0;
    for (;;) {
        if (at > packed.length + 8) throw new Error("the module ends too early");
        const position = size & positionMask;
        if (!bit(isMatch, (state << 4) + position)) {
            room(1);
            const before = size > 0 ? out[size - 1] : 0;
            const context = ((size & literalMask) << literalContext) + (before >> 8 - literalContext);
            const from = 0x300 * context;
            let symbol = 1;
            if (state >= 7) {
                let match = out[size - first - 1];
                while (symbol < 0x100) {
                    const expected = match >> 7 & 1;
                    match <<= 1;
                    const found = bit(literals, from + (1 + expected << 8) + symbol);
                    symbol = symbol << 1 | found;
                    if (expected !== found) break;
                }
            }
            while (symbol < 0x100) symbol = symbol << 1 | bit(literals, from + symbol);
            out[size++] = symbol;
            state = state < 4 ? 0 : state < 10 ? state - 3 : state - 6;
            continue;
        }
        let count;
        if (bit(isRepeat, state)) {
            if (size === 0) throw new Error("the module is damaged");
            if (!bit(isLater, state)) {
                if (!bit(isLong, (state << 4) + position)) {
                    room(1);
                    state = state < 7 ? 9 : 11;
                    out[size] = out[size - first - 1];
                    size += 1;
                    continue;
                }
            } else {
                let distance;
                if (!bit(isThird, state)) distance = second;
                else {
                    if (!bit(isFourth, state)) distance = third;
                    else [distance, fourth] = [fourth, third];
                    third = second;
                }
                second = first;
                first = distance;
            }
            count = length(repeatLengths, position);
            state = state < 7 ? 8 : 11;
        } else {
            [fourth, third, second] = [third, second, first];
            count = length(matchLengths, position);
            state = state < 7 ? 7 : 10;
            const slot = tree(slots[Math.min(count, 3)], 0, 6);
            first = slot;
            if (slot >= 4) {
                const bits = (slot >> 1) - 1;
                first = (2 | slot & 1) * 2 ** bits;
                if (slot < 14) first += backwards(places, first - slot, bits);
                else first += direct(bits - 4) * 16 + backwards(aligned, 0, 4);
            }
            if (first === 0xffffffff) return out.subarray(0, size);
        }
        if (first >= size) throw new Error("the module is damaged");
        count += 2;
        room(count);
        for (const end = size + count; size < end; size += 1) out[size] = out[size - first - 1];
    }
}
