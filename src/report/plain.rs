//! Text and bytes from outside, made safe to show.

use crate::error::steers;

/// The text on one line: control characters, direction marks and what XML forbids become a blank, blanks in a row
/// become one. Texts longer than any picture or table can show are cut before work is spent on them.
pub(super) fn plain(text: &str) -> String {
    const LONGEST: usize = 4000;
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

/// The same for a text of lines, such as a command: line feeds and blanks stay.
pub(super) fn plain_lines(text: &str) -> String {
    const LONGEST: usize = 100_000;
    let text = text.replace("\r\n", "\n");
    let keep = |c: char| c == '\n' || !is_hidden(c) && (!c.is_whitespace() || c == '\u{a0}');
    let mut out: String = text.chars().take(LONGEST).map(|c| if keep(c) { c } else { ' ' }).collect();
    if text.chars().nth(LONGEST).is_some() {
        out.push('…');
    }
    out
}

/// Escapes a text for the place between elements of HTML or XML and for an attribute's value in quotes, double or single.
pub(super) fn escape(text: &str, out: &mut String) {
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
}

/// The letters of base 64 (RFC 4648, table 1).
pub(super) const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Bytes as text in base 64 (RFC 4648, section 4), padded.
pub(crate) fn base64(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let byte = |k: usize| u32::from(group.get(k).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for k in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * k) & 63) as usize];
            out.push(if k <= group.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

fn is_hidden(c: char) -> bool {
    steers(c) || matches!(c, '\u{fffe}' | '\u{ffff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_steers_a_terminal_or_breaks_a_document() {
        assert_eq!(plain(" a\n\tb\u{202e}c\u{0}\u{ffff}\u{1b}[31m "), "a b c [31m");
        assert_eq!(plain_lines("a  b\r\nc\td\u{2028}\u{1b}"), "a  b\nc d  ");
        assert_eq!(plain(&"x".repeat(5000)).chars().count(), 4001);
    }

    #[test]
    fn texts_and_values_are_escaped() {
        // HTML Living Standard, 13.3, "escaping a string": ampersand, less-than, greater-than and, in attributes, the
        // quotation mark. The apostrophe is ours as well: a value may stand in either quotes (13.1.2.3).
        let escaped = |text: &str| {
            let mut out = String::new();
            escape(text, &mut out);
            out
        };
        assert_eq!(escaped("a&b<c>\"d'"), "a&amp;b&lt;c&gt;&quot;d&#39;");
        // What is escaped once more is seen as it was.
        assert_eq!(escaped("&lt;"), "&amp;lt;");
        assert_eq!(escaped("ℓ é ☂"), "ℓ é ☂");
    }

    #[test]
    fn bytes_become_letters() {
        // RFC 4648, section 10, test vectors.
        let pairs =
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")];
        for (bytes, text) in pairs {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }
}
