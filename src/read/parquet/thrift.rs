//! As much of thrift's compact protocol as it takes to know how large things are before a decoder sees them.
//!
//! # Sources
//! Thrift compact protocol encoding, the protocol's own description (from memory).

/// A walk over encoded bytes; `None` everywhere stands for bytes that are no such encoding.
#[derive(Debug, Clone)]
pub(super) struct Thrift<'a> {
    bytes: &'a [u8],
    at: usize,
}

/// Types on the wire.
pub(super) const I32: u8 = 5;
pub(super) const LIST: u8 = 9;
pub(super) const STRUCT: u8 = 12;

/// Structures within structures deeper than this describe no table.
const DEEPEST: usize = 64;

/// What is still to be walked over: the rest of a structure, or so many elements, which for a map take turns.
enum Open {
    Struct,
    Elements { kinds: [u8; 2], left: u64 },
}

impl<'a> Thrift<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// How many bytes were walked over.
    pub(super) fn position(&self) -> usize {
        self.at
    }

    fn byte(&mut self) -> Option<u8> {
        let byte = *self.bytes.get(self.at)?;
        self.at += 1;
        Some(byte)
    }

    fn varint(&mut self) -> Option<u64> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(value);
            }
        }
        None
    }

    /// A whole number.
    pub(super) fn number(&mut self) -> Option<i64> {
        let word = self.varint()?;
        Some(i64::try_from(word >> 1).ok()? ^ -i64::from(word & 1 == 1))
    }

    /// The number and the type of the next field of a structure; none within at its end.
    pub(super) fn field(&mut self, last: &mut i64) -> Option<Option<(i64, u8)>> {
        let head = self.byte()?;
        if head == 0 {
            return Some(None);
        }
        *last = if head >> 4 == 0 { self.number()? } else { *last + i64::from(head >> 4) };
        Some(Some((*last, head & 0xf)))
    }

    /// The type and the number of the elements of a list.
    pub(super) fn list(&mut self) -> Option<(u8, u64)> {
        let head = self.byte()?;
        let count = if head >> 4 == 15 { self.varint()? } else { u64::from(head >> 4) };
        Some((head & 0xf, count))
    }

    /// Walks over a value.
    pub(super) fn skip(&mut self, kind: u8) -> Option<()> {
        let mut open = vec![];
        self.enter(kind, false, &mut open)?;
        while let Some(innermost) = open.last_mut() {
            let next = match innermost {
                Open::Struct => {
                    // The numbers of the fields do not matter here.
                    self.field(&mut 0)?.map(|(_, kind)| (kind, true))
                }
                Open::Elements { left: 0, .. } => None,
                Open::Elements { kinds, left } => {
                    *left -= 1;
                    kinds.swap(0, 1);
                    Some((kinds[1], false))
                }
            };
            match next {
                None => {
                    open.pop();
                }
                Some((kind, is_field)) => self.enter(kind, is_field, &mut open)?,
            }
        }
        Some(())
    }

    /// Walks over a plain value, or begins one that holds others.
    fn enter(&mut self, kind: u8, is_field: bool, open: &mut Vec<Open>) -> Option<()> {
        match kind {
            // As a field, a truth value is its type; in a list it is a byte.
            1 | 2 if is_field => {}
            1..=3 => self.at += 1,
            4..=6 => {
                self.varint()?;
            }
            7 => self.at += 8,
            8 => {
                let length = usize::try_from(self.varint()?).ok()?;
                self.at = self.at.checked_add(length)?;
            }
            LIST | 10 => {
                let (kind, left) = self.list()?;
                open.push(Open::Elements { kinds: [kind; 2], left });
            }
            11 => {
                let pairs = self.varint()?;
                let kinds = if pairs == 0 { 0 } else { self.byte()? };
                open.push(Open::Elements { kinds: [kinds >> 4, kinds & 0xf], left: pairs.checked_mul(2)? });
            }
            STRUCT => open.push(Open::Struct),
            _ => return None,
        }
        (self.at <= self.bytes.len() && open.len() <= DEEPEST).then_some(())
    }
}

/// Whether the description of a table has a tree of columns that a decoder can walk: not deep, not wide.
///
/// The description is a structure whose field 2 lists the nodes, parents first; field 5 of a node is the number of
/// its children.
pub(super) fn has_sound_tree(description: &[u8]) -> Option<()> {
    const MOST_NODES: u64 = 4096;
    let mut thrift = Thrift::new(description);
    let mut last = 0;
    while let Some((number, kind)) = thrift.field(&mut last)? {
        if (number, kind) != (2, LIST) {
            thrift.skip(kind)?;
            continue;
        }
        let (kind, nodes) = thrift.list()?;
        if kind != STRUCT || nodes > MOST_NODES {
            return None;
        }
        // How many children the nodes above still wait for.
        let mut above: Vec<i64> = Vec::new();
        for _ in 0..nodes {
            let (mut last, mut children) = (0, 0);
            while let Some((number, kind)) = thrift.field(&mut last)? {
                if (number, kind) == (5, I32) {
                    children = thrift.number()?;
                } else {
                    thrift.skip(kind)?;
                }
            }
            if let Some(waiting) = above.last_mut() {
                *waiting -= 1;
            }
            above.push(children);
            while above.last().is_some_and(|&waiting| waiting <= 0) {
                above.pop();
            }
            if above.len() > DEEPEST {
                return None;
            }
        }
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_walked_over_and_nesting_without_end_is_not() {
        // A structure with a number of 300, a list of two truth values, an empty map, an inner structure.
        let bytes = [0x15, 0xd8, 0x04, 0x19, 0x21, 1, 2, 0x1b, 0, 0x1c, 0x11, 0, 0];
        let mut thrift = Thrift::new(&bytes);
        assert_eq!(thrift.skip(STRUCT), Some(()));
        assert_eq!(thrift.position(), bytes.len());
        let mut thrift = Thrift::new(&bytes);
        assert_eq!(thrift.field(&mut 0), Some(Some((1, I32))));
        assert_eq!(thrift.number(), Some(300));
        assert_eq!(Thrift::new(&vec![0x1c; 1 << 20]).skip(STRUCT), None);
        assert_eq!(Thrift::new(&[0x18, 0xff, 0xff, 0xff, 0xff, 0x0f]).skip(STRUCT), None);
        assert_eq!(Thrift::new(&[3]).number(), Some(-2));
    }
}
