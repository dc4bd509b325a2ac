//! The field guide: a text, and its chapters.
//!
#![doc = include_str!("guide.md")]

/// The whole guide in Markdown, which reads as plain text as well.
pub const TEXT: &str = include_str!("guide.md");

/// A chapter: its heading and its text, the heading included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Chapter {
    /// The heading.
    pub heading: &'static str,
    /// The text with the heading.
    pub text: &'static str,
}

/// The chapters in order. What stands before the first one belongs to none.
///
/// ```
/// let headings: Vec<&str> = linewake::guide::chapters().map(|chapter| chapter.heading).collect();
/// assert_eq!(headings[0], "Ten steps");
/// ```
pub fn chapters() -> impl Iterator<Item = Chapter> {
    let starts = TEXT.match_indices("\n## ").map(|(at, _)| at + 1);
    let ends = starts.clone().skip(1).chain([TEXT.len()]);
    starts.zip(ends).map(|(start, end)| {
        let text = TEXT[start..end].trim_end();
        Chapter { heading: text[3..].lines().next().unwrap_or(""), text }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_steps_in_order_and_every_chapter_has_text() {
        let steps: Vec<_> = TEXT.lines().filter_map(|line| line.strip_prefix("### ")?.split_once(". ")).collect();
        assert_eq!(steps.len(), 10);
        assert!(steps.iter().zip(1..).all(|((number, _), at)| *number == at.to_string()));
        assert_eq!(chapters().count(), 6);
        assert!(chapters().all(|chapter| chapter.text.lines().count() > 3));
    }
}
