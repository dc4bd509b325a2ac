//! Texts on their way into HTML: the only places where a text from outside meets markup.
//!
//! Markup itself is written by this program only: names of elements and attributes are constants of the code, which
//! their types say. What comes from outside is an attribute's value, a text or data, and each of these is escaped for
//! its place.
//!
//! # Sources
//! HTML Living Standard, 13.3 "Serializing HTML fragments" (escaping a string), 13.1.2 "Elements" and 13.1.2.3
//! "Attributes" (what may stand in double quotes), 4.12.1.3 "Restrictions for contents of script elements".

use serde::Serialize;

use crate::error::Error;
use crate::report::plain::{escape, plain, plain_lines};

/// A document on its way.
#[derive(Debug, Default)]
pub(super) struct Markup {
    out: String,
}

/// Names and values of attributes.
pub(super) type Attributes<'a> = &'a [(&'static str, &'a str)];

impl Markup {
    /// What this program wrote itself, as it is.
    pub(super) fn raw(&mut self, markup: &'static str) {
        self.out.push_str(markup);
    }

    /// A drawing or an encoded file, made by this program, whose texts are escaped already.
    pub(super) fn drawn(&mut self, markup: &str) {
        self.out.push_str(markup);
    }

    /// The start of an element.
    pub(super) fn open(&mut self, name: &'static str, attributes: Attributes<'_>) {
        self.out.push('<');
        self.out.push_str(name);
        for (name, value) in attributes {
            self.out.push(' ');
            self.out.push_str(name);
            self.out.push_str("=\"");
            escape(&plain(value), &mut self.out);
            self.out.push('"');
        }
        self.out.push('>');
    }

    /// The attribute for those who cannot see a picture.
    pub(super) fn alternative(&mut self, text: &str) {
        self.out.push_str("alt=\"");
        escape(&plain(text), &mut self.out);
        self.out.push('"');
    }

    /// The end of an element.
    pub(super) fn close(&mut self, name: &'static str) {
        self.out.push_str("</");
        self.out.push_str(name);
        self.out.push('>');
    }

    /// A text on one line.
    pub(super) fn text(&mut self, text: &str) {
        escape(&plain(text), &mut self.out);
    }

    /// A text whose lines and blanks stay.
    pub(super) fn lines(&mut self, text: &str) {
        escape(&plain_lines(text), &mut self.out);
    }

    /// An element with a text on one line, and the line's end.
    pub(super) fn element(&mut self, name: &'static str, attributes: Attributes<'_>, text: &str) {
        self.open(name, attributes);
        self.text(text);
        self.close(name);
        self.out.push('\n');
    }

    /// Data for the page's script.
    ///
    /// # Errors
    /// Values that JSON cannot hold; there are none in this crate.
    pub(super) fn data(&mut self, value: &impl Serialize) -> Result<(), Error> {
        let json = serde_json::to_string(value)
            .map_err(|error| Error::output(format!("the data of a plot could not be written: {error}")))?;
        self.raw("<script type=\"application/json\">");
        self.out.push_str(&in_script(&json));
        self.raw("</script>\n");
        Ok(())
    }

    pub(super) fn finish(self) -> String {
        self.out
    }
}

/// JSON that may stand within a script element: without the characters that could end the element or begin a comment.
///
/// These stand within strings of JSON only, where `\u` means the same character.
fn in_script(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        match c {
            '<' => out.push_str("\\u003c"),
            '>' => out.push_str("\\u003e"),
            '&' => out.push_str("\\u0026"),
            '\u{2028}' => out.push_str("\\u2028"),
            '\u{2029}' => out.push_str("\\u2029"),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn data_cannot_end_its_element() {
        // HTML Living Standard, 4.12.1.3: `<!--`, `<script` and `</script` must not stand in a script element; the
        // simplest way is to write the less-than sign as \x3C or, in JSON, as \u003C. ECMA-404 lets any character of a
        // string stand as \u and four digits.
        let mut markup = Markup::default();
        let hostile = "</script><script>alert(1)</script><!-- <script \u{2028}\u{2029} & ]]>";
        markup.data(&hostile).unwrap();
        let text = markup.finish();
        let inner = text.strip_prefix("<script type=\"application/json\">").unwrap();
        let inner = inner.strip_suffix("</script>\n").unwrap();
        assert!(!inner.contains(['<', '>', '&', '\u{2028}', '\u{2029}']));
        assert_eq!(serde_json::from_str::<String>(inner).unwrap(), hostile);
    }

    #[test]
    fn what_steers_is_gone_in_every_place() {
        let mut markup = Markup::default();
        markup.open("a", &[("title", "x\u{202e}\u{0}\"y\u{1b}")]);
        markup.text("1\u{2066}2\n3");
        markup.lines("1\u{202e}  2\r\n3\u{7}");
        markup.close("a");
        assert_eq!(markup.finish(), "<a title=\"x &quot;y\">1 2 31   2\n3 </a>");
    }
}
