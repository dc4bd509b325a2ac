//! A result as one page: a plain description of what a reader sees, and one writing of it as HTML.
//!
//! A [`Page`] is data: texts, tables and [`Figure`]s in [`Section`]s. It holds no markup and no colours. [`html`] turns
//! it into one file that opens offline in any current browser, asks nothing of anyone, and prints. Every text is shown
//! as it is and never read as markup, whatever it holds.

mod markup;
mod table;
mod write;

use super::figure::Figure;
use super::table::{Align, Column};
use crate::error::Error;

/// A whole page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// What the page is about; its heading and the name of its window.
    pub title: String,
    /// The language of all texts as a tag of BCP 47, such as `en`.
    pub language: String,
    /// The date the page states, such as `2026-03-14`. Without one the page states none.
    pub date: Option<String>,
    /// The program with its version that made the page.
    pub made_by: String,
    /// The first screen: what is to be known, before anything else.
    pub summary: Vec<Block>,
    /// The parts, in order; the page begins with a list of them.
    pub sections: Vec<Section>,
}

impl Page {
    /// A page in English without content.
    pub fn new(title: impl Into<String>, made_by: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            language: "en".to_owned(),
            date: None,
            made_by: made_by.into(),
            summary: Vec::new(),
            sections: Vec::new(),
        }
    }
}

/// A part of a page with its heading.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Section {
    /// What links of this page call the section: small letters, digits and hyphens, the first one a letter; used once
    /// in a page. [`anchor`] makes one of any text.
    pub id: String,
    /// The heading.
    pub heading: String,
    /// Whether only the heading is seen until a reader opens it. Prints open.
    pub folded: bool,
    /// What stands below the heading.
    pub blocks: Vec<Block>,
    /// Smaller parts, after the blocks.
    pub subsections: Vec<Section>,
}

impl Section {
    /// A section without content.
    pub fn new(id: impl Into<String>, heading: impl Into<String>) -> Self {
        Self { id: id.into(), heading: heading.into(), ..Self::default() }
    }

    /// The same section, folded.
    #[must_use]
    pub fn folded(mut self) -> Self {
        self.folded = true;
        self
    }

    /// The same section with one more block.
    #[must_use]
    pub fn with(mut self, block: Block) -> Self {
        self.blocks.push(block);
        self
    }
}

/// A piece of content.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Sentences that belong together.
    Paragraph(String),
    /// What follows from the data, one sentence each; set larger than a paragraph.
    Conclusions(Vec<String>),
    /// Short texts, one below the other.
    List(Vec<String>),
    /// Words and what they stand for.
    Definitions(Vec<(String, String)>),
    /// Something that must not be overlooked.
    Notice(Notice),
    /// A command or another text whose characters count; line breaks stay.
    Code(String),
    /// A table.
    Table(Table),
    /// A figure, to be looked into.
    Plot(Box<Plot>),
    /// Small pictures side by side, each a way to a section.
    Pictures(Vec<Picture>),
    /// A photograph.
    Photograph(Photograph),
}

/// What must not be overlooked: what kind it is, and what is said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// What kind of notice; the page writes it out as a word.
    pub kind: NoticeKind,
    /// What it is about, in a few words.
    pub heading: String,
    /// What is said, one sentence or more each.
    pub lines: Vec<String>,
}

/// Kinds of notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticeKind {
    /// Good to know.
    Note,
    /// What limits the results, or what to beware of.
    Caution,
    /// What should be here and is not.
    Missing,
}

impl NoticeKind {
    /// The word that the page writes.
    pub fn word(self) -> &'static str {
        match self {
            NoticeKind::Note => "Note",
            NoticeKind::Caution => "Caution",
            NoticeKind::Missing => "Missing",
        }
    }

    fn class(self) -> &'static str {
        match self {
            NoticeKind::Note => "note",
            NoticeKind::Caution => "caution",
            NoticeKind::Missing => "missing",
        }
    }
}

/// A table; readers can sort it by any column, unless its order means something.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What the table shows; stands above it.
    pub caption: String,
    /// The columns from left to right. The first one names its row.
    pub columns: Vec<Column>,
    /// The rows from top to bottom, one cell per column.
    pub rows: Vec<Vec<Cell>>,
    /// Whether readers may sort it.
    pub sortable: bool,
    /// What a reader has to know; stands below the table, one line each.
    pub notes: Vec<String>,
}

impl Table {
    /// A table to sort, without rows.
    pub fn new(caption: impl Into<String>, columns: Vec<Column>) -> Self {
        Self { caption: caption.into(), columns, rows: Vec::new(), sortable: true, notes: Vec::new() }
    }
}

/// A cell of a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Cell {
    /// What is written.
    pub text: String,
    /// What the cell is sorted by; without it, by its text. Numbers come before texts. What is not finite comes last.
    pub sort: Option<f64>,
    /// The id of the section that the text leads to.
    pub target: Option<String>,
    /// A small picture above the text; the text says what it shows.
    pub picture: Option<Box<Figure>>,
}

impl Cell {
    /// A cell of words.
    pub fn text(text: impl Into<String>) -> Self {
        Self { text: text.into(), ..Self::default() }
    }

    /// A cell with a number: what it is sorted by, and how it is written.
    pub fn number(value: f64, text: impl Into<String>) -> Self {
        Self { text: text.into(), sort: Some(value), ..Self::default() }
    }

    /// The same cell as a way to a section.
    #[must_use]
    pub fn to(mut self, section: impl Into<String>) -> Self {
        self.target = Some(section.into());
        self
    }

    /// The same cell with a small picture above its text.
    #[must_use]
    pub fn showing(mut self, figure: Figure) -> Self {
        self.picture = Some(Box::new(figure));
        self
    }
}

/// A figure that readers can look into: with values where the pointer is, closer where they want, as numbers.
///
/// The figure's title, conclusion and caption are written as text beside the plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// What is to be seen. Its size counts for print and for readers without scripts.
    pub figure: Figure,
    /// The name of files made of it, without ending; used once in a page: small letters, digits and hyphens.
    pub stem: String,
    /// Whether it is to be looked into closely: the page then carries up to sixteen times as many points.
    pub fine: bool,
}

impl Plot {
    /// A plot of a figure.
    pub fn new(stem: impl Into<String>, figure: Figure) -> Self {
        Self { figure, stem: stem.into(), fine: false }
    }

    /// The same plot, to be looked into closely.
    #[must_use]
    pub fn fine(mut self) -> Self {
        self.fine = true;
        self
    }
}

/// A small picture that leads to a section.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// What is to be seen; of the texts nothing is drawn.
    pub figure: Figure,
    /// What stands below it.
    pub label: String,
    /// The id of the section that it leads to.
    pub target: String,
}

/// A photograph with its words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photograph {
    /// A PNG, JPEG or WebP file as it is.
    pub bytes: Vec<u8>,
    /// What is to be seen, for those who cannot see it.
    pub shows: String,
    /// What stands below it.
    pub caption: String,
}

/// An id for a text: its Latin letters and digits in small, all else as hyphens; never empty. Different texts may give
/// the same id.
///
/// ```
/// use linewake::report::page::anchor;
/// assert_eq!(anchor("LED panel, dimmer at 40 %"), "led-panel-dimmer-at-40");
/// assert_eq!(anchor("24 V supply"), "part-24-v-supply");
/// ```
pub fn anchor(text: &str) -> String {
    let words: Vec<String> = text
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_ascii_lowercase)
        .collect();
    let joined: String = words.join("-").chars().take(80).collect();
    match joined.chars().next() {
        Some(first) if first.is_ascii_alphabetic() => joined,
        Some(_) => format!("part-{joined}"),
        None => "part".to_owned(),
    }
}

/// The page as one HTML file in UTF-8.
///
/// The same page gives the same bytes.
///
/// ```
/// use linewake::report::page::{Block, Page, Section, html};
/// let mut page = Page::new("The studio's hum", "linewake 0.1.0");
/// page.sections.push(Section::new("led-panel", "LED panel").with(Block::Paragraph("1 < 2 & <b>".to_owned())));
/// let text = String::from_utf8(html(&page)?)?;
/// assert!(text.contains("<p>1 &lt; 2 &amp; &lt;b&gt;</p>") && text.contains("id=\"led-panel\""));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// An id that is not one or that is used twice, a link to a section that is not there, a row with more or fewer cells
/// than columns, a figure of a size that cannot be drawn, a photograph of another format.
pub fn html(page: &Page) -> Result<Vec<u8>, Error> {
    write::page(page).map(String::into_bytes)
}
