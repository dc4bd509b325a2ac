//! Text from outside, made safe to show.

use crate::error::steers;

/// The text on one line: control characters, direction marks and what XML forbids become a blank, blanks in a row
/// become one. Texts longer than any picture or table can show are cut before work is spent on them.
pub(super) fn plain(text: &str) -> String {
    const LONGEST: usize = 4000;
    let is_hidden = |c: char| steers(c) || matches!(c, '\u{fffe}' | '\u{ffff}');
    let mut out = String::new();
    for c in text.chars().take(LONGEST) {
        let c = if is_hidden(c) || c.is_whitespace() && c != '\u{a0}' { ' ' } else { c };
        if c != ' ' || !out.ends_with(' ') {
            out.push(c);
        }
    }
    if text.chars().nth(LONGEST).is_some() {
        out.push('…');
    }
    out.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_steers_a_terminal_or_breaks_a_document() {
        assert_eq!(plain(" a\n\tb\u{202e}c\u{0}\u{ffff}\u{1b}[31m "), "a b c [31m");
        assert_eq!(plain(&"x".repeat(5000)).chars().count(), 4001);
    }
}
