//! The lines at the beginning of a text, and which of them are written alike.
//!
//! The one idea: rows differ in their digits, and what a row is does not depend on them. Lines that are the same but
//! for the digits have one form, and thousands of rows have some dozens of forms. So whether a cell holds a number, a
//! word or nothing is asked once for each form.

use std::collections::HashMap;

/// Lines with their forms.
#[derive(Debug)]
pub(super) struct Beginning<'a> {
    pub(super) lines: Vec<&'a [u8]>,
    /// The form of each line.
    forms: Vec<usize>,
    /// The first line of each form.
    examples: Vec<&'a [u8]>,
}

impl<'a> Beginning<'a> {
    /// Sorts lines by their forms.
    pub(super) fn of(lines: Vec<&'a [u8]>) -> Self {
        let mut known: HashMap<Vec<u8>, Option<usize>> = HashMap::new();
        let (mut forms, mut examples) = (Vec::with_capacity(lines.len()), Vec::new());
        let mut blotted = Vec::new();
        for line in &lines {
            blotted.clear();
            blotted.extend(line.iter().map(|&byte| if byte.is_ascii_digit() { b'0' } else { byte }));
            let form = match known.get(&blotted) {
                Some(&Some(form)) => form,
                Some(None) => examples.len(),
                None => {
                    known.insert(blotted.clone(), are_digits_alike(&blotted).then_some(examples.len()));
                    examples.len()
                }
            };
            if form == examples.len() {
                examples.push(*line);
            }
            forms.push(form);
        }
        Self { lines, forms, examples }
    }

    /// Asks each form what does not depend on the digits of a line.
    pub(super) fn ask<T>(&self, question: impl Fn(&'a [u8]) -> T) -> Answers<'_, T> {
        Answers { forms: &self.forms, answers: self.examples.iter().map(|line| question(line)).collect() }
    }

    /// Whether a byte other than a digit stands in any line.
    pub(super) fn holds(&self, byte: u8) -> bool {
        self.examples.iter().any(|line| memchr::memchr(byte, line).is_some())
    }
}

/// What was answered for each line.
#[derive(Debug)]
pub(super) struct Answers<'a, T> {
    forms: &'a [usize],
    answers: Vec<T>,
}

impl<T> Answers<'_, T> {
    /// The answer for a line.
    pub(super) fn of(&self, line: usize) -> &T {
        &self.answers[self.forms[line]]
    }

    /// The answers, each with the number of lines from one on for which it was given.
    pub(super) fn counted(self, first: usize) -> impl Iterator<Item = (T, usize)> {
        let mut counts = vec![0; self.answers.len()];
        self.forms[first..].iter().for_each(|&form| counts[form] += 1);
        self.answers.into_iter().zip(counts).filter(|(_, count)| *count > 0)
    }
}

/// Whether it is all the same which digits stand in the places of a line, here all zeros.
///
/// Times of day have largest numbers, marks between thousands are none behind a zero, words may hold digits, and
/// numbers may be too large: such lines are looked at one by one.
fn are_digits_alike(line: &[u8]) -> bool {
    const LONGEST: usize = 64;
    let plain = |byte: &u8| byte.is_ascii_digit() || b"+-.,; \t|\"eE".contains(byte);
    let is_exponent = |at: usize| {
        let digits = line[at + 1..].strip_prefix(b"+").or(line[at + 1..].strip_prefix(b"-")).unwrap_or(&line[at + 1..]);
        at > 0 && (1..=2).contains(&digits.iter().take_while(|byte| byte.is_ascii_digit()).count())
    };
    line.iter().all(plain)
        && memchr::memchr2_iter(b'e', b'E', line).all(is_exponent)
        && line.split(|byte| !byte.is_ascii_digit()).all(|digits| digits.len() <= LONGEST)
}
