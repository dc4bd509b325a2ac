//! Where separators, line ends and quotes stand in a stretch of text.

/// So many bytes are looked at before their rows are read: few enough to stay in the fastest memory.
pub(super) const STRETCH: usize = 1 << 13;

/// Bytes that are looked at together.
const TOGETHER: usize = 64;

/// The places of the marks in a stretch of text, in order.
#[derive(Debug, Default)]
pub(super) struct Marks {
    places: Vec<u32>,
    count: usize,
}

impl Marks {
    /// Finds the marks in a stretch of at most [`STRETCH`] bytes.
    pub(super) fn find(&mut self, text: &[u8], separator: u8) {
        // Eight places are written at a time, of which the last ones may be none.
        self.places.resize(STRETCH + TOGETHER, 0);
        let (whole, rest) = text.as_chunks::<TOGETHER>();
        let mut last = [0; TOGETHER];
        last[..rest.len()].copy_from_slice(rest);
        let (mut count, mut from) = (0, 0u32);
        for bytes in whole.iter().chain([&last]) {
            let mut marks = marks_in(bytes, separator);
            let mut next = count;
            count += marks.count_ones() as usize;
            while next < count {
                for place in &mut self.places[next..next + 8] {
                    *place = from + marks.trailing_zeros();
                    marks &= marks.wrapping_sub(1);
                }
                next += 8;
            }
            from += 64;
        }
        self.count = count;
    }

    /// The places found.
    pub(super) fn places(&self) -> &[u32] {
        &self.places[..self.count]
    }
}

/// A bit for each byte that is a mark.
#[inline]
fn marks_in(bytes: &[u8; TOGETHER], separator: u8) -> u64 {
    let mut bits = [0; TOGETHER];
    for (n, (bit, &byte)) in bits.iter_mut().zip(bytes).enumerate() {
        let is_mark = byte == separator || byte == b'\n' || byte == b'"';
        *bit = if is_mark { 1u8 << (n % 8) } else { 0 };
    }
    // Each eight bytes become one: their bits differ, so that the sum in the highest byte is all of them.
    let (eights, _) = bits.as_chunks::<8>();
    eights.iter().enumerate().fold(0, |marks, (n, eight)| {
        marks | u64::from_le_bytes(*eight).wrapping_mul(0x0101_0101_0101_0101) >> 56 << (8 * n)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mark_is_found() {
        let mut state = 7u64;
        let mut marks = Marks::default();
        for length in [0, 1, 63, 64, 65, 1000, STRETCH - 1, STRETCH] {
            let bytes = (0..length).map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                b"0123456789.-;\n\";,;;;;;"[usize::try_from(state >> 59).unwrap() % 22]
            });
            let text: Vec<u8> = bytes.collect();
            marks.find(&text, b';');
            let expected: Vec<u32> =
                (0..).zip(&text).filter(|(_, byte)| b";\n\"".contains(byte)).map(|(at, _)| at).collect();
            assert_eq!(marks.places(), expected, "{length}");
            let all = vec![b';'; length];
            marks.find(&all, b';');
            assert_eq!(marks.places().len(), length);
        }
    }
}
