//! Damage to a file, decided by a seed: bytes, numbers of fixed width, words, rows, and pieces of other files.

/// A sequence of numbers that a seed decides: `SplitMix64`.
///
/// # Sources
/// Steele, Lea and Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014; constants from memory.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// The sequence of a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number.
    #[allow(clippy::should_implement_trait, reason = "numbers without end, and no adapters")]
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below a bound; 0 where the bound is 0.
    pub fn below(&mut self, bound: usize) -> usize {
        // The bias of a remainder does not matter here.
        (self.next() % bound.max(1) as u64) as usize
    }

    /// One of a slice.
    pub fn pick<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[self.below(all.len())]
    }
}

/// Numbers at which lengths, counts and codes break.
const EDGES: [u64; 24] = [
    0,
    1,
    2,
    3,
    7,
    8,
    15,
    16,
    26,
    64,
    65,
    127,
    128,
    255,
    256,
    0x7fff,
    0x8000,
    0xffff,
    0x10000,
    0x7fff_ffff,
    0x8000_0000,
    0xffff_ffff,
    0x7fff_ffff_ffff_ffff,
    u64::MAX,
];

/// Words that any text may meet in a cell.
const CELLS: &[&str] = &[
    "",
    "0",
    "1",
    "-1",
    "1.5",
    "-0",
    "1e308",
    "-1e308",
    "1e-400",
    "1e999",
    "9999999999999999999999",
    "nan",
    "-nan(ind)",
    "inf",
    "-inf",
    "∞",
    "0x10",
    "1,5",
    "1.2.3",
    "****",
    "--",
    "\"",
    "\"\"",
    "Null",
    "12.5 mV",
    "5V",
    "1e",
    "+-3",
    "00000",
    "4e-6",
    "0.000004",
    "4 us",
    "1:02:03.5",
    "2031-02-03 04:05:06.789",
    "2147483647",
    "4294967296",
    "18446744073709551615",
    "\u{feff}",
    "\u{202e}",
    "\0",
    "#",
    ";",
    "\t",
    " ",
    "µs",
    "99999",
];

/// Damages a file in one to eight places. `others` lends pieces, `words` are those of its format.
pub fn mutate(
    bytes: &mut Vec<u8>,
    others: &[Vec<u8>],
    words: &[&str],
    text: bool,
    longest: usize,
    random: &mut Random,
) {
    let mut changes = 1;
    while changes < 8 && random.next() & 1 == 0 {
        changes += 1;
    }
    for _ in 0..changes {
        let rows = text && random.next() & 1 == 0;
        if rows {
            of_rows(bytes, random)
        } else {
            of_bytes(bytes, others, words, random)
        }
        bytes.truncate(longest);
    }
}

/// A place within, or right behind.
fn place(bytes: &[u8], random: &mut Random) -> usize {
    // Headers decide most, so half of all damage is done to the beginning.
    let end = if random.next() & 1 == 0 { bytes.len().min(96) } else { bytes.len() };
    random.below(end + 1)
}

fn put(bytes: &mut Vec<u8>, at: usize, cut: usize, piece: &[u8]) {
    let end = (at + cut).min(bytes.len());
    bytes.splice(at..end, piece.iter().copied());
}

fn of_bytes(bytes: &mut Vec<u8>, others: &[Vec<u8>], words: &[&str], random: &mut Random) {
    let at = place(bytes, random);
    match random.below(14) {
        0 => {
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << random.below(8);
            }
        }
        1 => {
            let value = *random.pick(&[0, 1, 0x0a, 0x0d, b',', b'"', b'0', b'9', 0x7f, 0x80, 0xa0, 0xff]);
            if let Some(byte) = bytes.get_mut(at) {
                *byte = value;
            }
        }
        2 => {
            if let Some(byte) = bytes.get_mut(at) {
                *byte = byte.wrapping_add(random.next() as u8 % 35).wrapping_sub(17);
            }
        }
        3 => {
            let piece: Vec<u8> = (0..=random.below(8)).map(|_| random.next() as u8).collect();
            put(bytes, at, 0, &piece);
        }
        4 => {
            let most = *random.pick(&[8, 8, 8, 200]);
            put(bytes, at, 1 + random.below(most), &[]);
        }
        5 => bytes.truncate(at),
        // A number of fixed width, near an edge or near the file's own length.
        6..=8 => {
            let near = if random.next() & 3 == 0 { bytes.len() as u64 } else { *random.pick(&EDGES) };
            let value = near.wrapping_add(random.below(5) as u64).wrapping_sub(2);
            let width = *random.pick(&[1, 2, 2, 4, 4, 4, 8]);
            let mut piece = value.to_le_bytes()[..width].to_vec();
            if random.next() & 3 == 0 {
                piece.reverse();
            }
            let at = if random.next() & 1 == 0 { at & !1 } else { at };
            put(bytes, at, width, &piece);
        }
        9 => {
            let from = place(bytes, random);
            let length = 1 + random.below(64);
            let piece = bytes[from..(from + length).min(bytes.len())].to_vec();
            let cut = if random.next() & 1 == 0 { piece.len() } else { 0 };
            put(bytes, at, cut, &piece);
        }
        10 => {
            let other = random.pick(others);
            let from = random.below(other.len());
            let length = random.below(other.len() - from + 1);
            let cut = random.below(bytes.len() + 1);
            put(bytes, at, cut, &other[from..from + length]);
        }
        11 => {
            let piece = [random.next() as u8].repeat(1 + random.below(300));
            put(bytes, at, 0, &piece);
        }
        _ => {
            let word = if words.is_empty() { "" } else { *random.pick(words) };
            let cut = if random.next() & 1 == 0 { word.len() } else { 0 };
            put(bytes, at, cut, word.as_bytes());
        }
    }
}

/// Where the rows begin and end, with their ends.
fn row_at(bytes: &[u8], at: usize) -> (usize, usize) {
    let is_end = |byte: &u8| matches!(byte, b'\n' | b'\r');
    let from = bytes[..at].iter().rposition(is_end).map_or(0, |end| end + 1);
    let to = bytes[at..].iter().position(is_end).map_or(bytes.len(), |end| at + end + 1);
    (from, to)
}

/// Where a cell begins and ends.
fn cell_at(bytes: &[u8], at: usize) -> (usize, usize) {
    let is_end = |byte: &u8| matches!(byte, b'\n' | b'\r' | b',' | b';' | b'\t' | b'=' | b'[' | b']');
    let from = bytes[..at].iter().rposition(is_end).map_or(0, |end| end + 1);
    let to = bytes[at..].iter().position(is_end).map_or(bytes.len(), |end| at + end);
    (from, to)
}

fn of_rows(bytes: &mut Vec<u8>, random: &mut Random) {
    let at = place(bytes, random);
    let (from, to) = row_at(bytes, at);
    let row = bytes[from..to].to_vec();
    match random.below(12) {
        0 => put(bytes, from, 0, &row.repeat(1 + random.below(3))),
        1 => put(bytes, from, 0, &row.repeat(1 + random.below(60))),
        2 => put(bytes, from, row.len(), &[]),
        3 => {
            put(bytes, from, row.len(), &[]);
            let other = place(bytes, random);
            let (from, _) = row_at(bytes, other);
            put(bytes, from, 0, &row);
        }
        4..=7 => {
            let (from, to) = cell_at(bytes, at);
            let cell = random.pick(CELLS);
            put(bytes, from, to - from, cell.as_bytes());
        }
        8 => {
            if let Some(digit) = bytes[at..].iter().position(u8::is_ascii_digit) {
                bytes[at + digit] = b'0' + (random.next() % 10) as u8;
            }
        }
        9 => {
            // One separator, mark or line end for another, everywhere.
            let marks = b",;\t .|\n\r:";
            let (old, new) = (*random.pick(marks), *random.pick(marks));
            bytes.iter_mut().filter(|byte| **byte == old).for_each(|byte| *byte = new);
        }
        10 => {
            let (_, to) = cell_at(bytes, at);
            let cell = [&b","[..], random.pick(CELLS).as_bytes()].concat();
            put(bytes, to, 0, &cell.repeat(1 + random.below(3)));
        }
        _ => {
            // Rows from here on lose or gain a cell.
            let tail = bytes[from..].to_vec();
            let changed: Vec<u8> = tail
                .split_inclusive(|byte| *byte == b'\n')
                .flat_map(|row| {
                    let comma = row.iter().position(|byte| *byte == b',').map_or(0, |comma| comma + 1);
                    row[comma..].to_vec()
                })
                .collect();
            bytes.truncate(from);
            bytes.extend(changed);
        }
    }
}
