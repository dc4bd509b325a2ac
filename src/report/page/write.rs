//! A page written out: which element stands for which part.

use std::collections::BTreeSet;

use sha2::{Digest, Sha256};

use super::markup::Markup;
use super::{Align, Block, Cell, Notice, Page, Photograph, Picture, Plot, Section, Table};
use crate::error::Error;
use crate::report::figure;
use crate::report::plain::base64;

const STYLE: &str = include_str!("page.css");
/// The plotting library, then our own script. Each is an element of its own, so that a fault in one is told apart.
const SCRIPTS: [&str; 2] = [include_str!("vendor/uPlot.iife.min.js"), include_str!("page.js")];
/// How many times as many points a plot carries that is to be looked into closely.
const FINE: usize = 16;
/// Headings go down to this level.
const LOWEST_HEADING: usize = 6;

/// The whole document.
pub(super) fn page(page: &Page) -> Result<String, Error> {
    let mut writer = Writer { markup: Markup::default(), ids: ids(page)? };
    writer.document(page)?;
    Ok(writer.markup.finish())
}

/// The ids of all sections and plots.
fn ids(page: &Page) -> Result<BTreeSet<String>, Error> {
    let mut ids: BTreeSet<String> = OWN_IDS.iter().map(|id| (*id).to_owned()).collect();
    take_plots(&page.summary, &mut ids)?;
    page.sections.iter().try_for_each(|section| take(section, &mut ids))?;
    Ok(ids)
}

/// What the page itself calls its parts.
const OWN_IDS: [&str; 3] = ["content", "contents", "summary"];

fn take(section: &Section, ids: &mut BTreeSet<String>) -> Result<(), Error> {
    take_id(&section.id, ids)?;
    take_plots(&section.blocks, ids)?;
    section.subsections.iter().try_for_each(|section| take(section, ids))
}

fn take_plots(blocks: &[Block], ids: &mut BTreeSet<String>) -> Result<(), Error> {
    for block in blocks {
        if let Block::Plot(plot) = block {
            take_id(&plot.stem, ids)?;
        }
    }
    Ok(())
}

fn take_id(id: &str, ids: &mut BTreeSet<String>) -> Result<(), Error> {
    let usual = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if !(id.starts_with(|c: char| c.is_ascii_lowercase()) && id.chars().all(usual)) {
        return Err(Error::usage(format!("the id {id:?} of a section or plot"))
            .expected("small letters, digits and hyphens, the first one a letter"));
    }
    if !ids.insert(id.to_owned()) {
        return Err(Error::usage(format!("the id {id:?} stands for two parts of the page")).expected("one each"));
    }
    Ok(())
}

/// What the page may do: run its own scripts, named by their hashes, show its own style and pictures within the file,
/// hand files to the reader. It may ask nobody for anything.
///
/// # Sources
/// W3C Content Security Policy Level 3: 2.3.1 "Source Lists" (hash-source), 3.3 "The `<meta>` element", 6.1.3
/// "default-src", 6.3.1 "base-uri", 6.4.1 "form-action". That SHA-256 is over the exact text of the element: 8.3 (from
/// memory).
fn policy() -> String {
    let hash = |text: &str| format!("'sha256-{}'", base64(&Sha256::digest(text.as_bytes())));
    let scripts: Vec<String> = SCRIPTS.iter().map(|script| hash(script)).collect();
    format!(
        "default-src 'none'; script-src {}; style-src {}; img-src data:; base-uri 'none'; form-action 'none'",
        scripts.join(" "),
        hash(STYLE)
    )
}

struct Writer {
    markup: Markup,
    ids: BTreeSet<String>,
}

impl Writer {
    fn document(&mut self, page: &Page) -> Result<(), Error> {
        let m = &mut self.markup;
        m.raw("<!DOCTYPE html>\n");
        m.open("html", &[("lang", &page.language)]);
        m.raw("\n<head>\n<meta charset=\"utf-8\">\n");
        m.open("meta", &[("http-equiv", "Content-Security-Policy"), ("content", &policy())]);
        m.raw("\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
        m.raw(
            "<meta name=\"color-scheme\" content=\"light dark\">\n<meta name=\"referrer\" content=\"no-referrer\">\n",
        );
        m.open("meta", &[("name", "generator"), ("content", &page.made_by)]);
        m.raw("\n");
        m.element("title", &[], &page.title);
        m.raw("<style>");
        m.raw(STYLE);
        m.raw("</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#content\">Skip to the content</a>\n");
        m.drawn(&figure::stripes());
        m.raw("<header>\n");
        m.element("h1", &[], &page.title);
        if let Some(date) = &page.date {
            m.element("p", &[("class", "made")], date);
        }
        m.raw("</header>\n<main id=\"content\">\n");
        if !page.summary.is_empty() {
            m.raw("<section id=\"summary\" aria-label=\"Summary\">\n");
            self.blocks(&page.summary)?;
            self.markup.raw("</section>\n");
        }
        if page.sections.len() > 1 {
            self.contents(&page.sections);
        }
        for section in &page.sections {
            self.section(section, 2)?;
        }
        let m = &mut self.markup;
        m.raw("</main>\n<footer>\n");
        m.element("p", &[], &format!("Made by {}.", page.made_by));
        m.raw("</footer>\n");
        for script in SCRIPTS {
            m.raw("<script>");
            m.raw(script);
            m.raw("</script>\n");
        }
        m.raw("</body>\n</html>\n");
        Ok(())
    }

    fn contents(&mut self, sections: &[Section]) {
        let m = &mut self.markup;
        m.raw("<nav aria-labelledby=\"contents\">\n<h2 id=\"contents\">Contents</h2>\n<ol>\n");
        for section in sections {
            m.raw("<li>");
            m.open("a", &[("href", &format!("#{}", section.id))]);
            m.text(&section.heading);
            m.close("a");
            m.raw("</li>\n");
        }
        m.raw("</ol>\n</nav>\n");
    }

    fn section(&mut self, section: &Section, level: usize) -> Result<(), Error> {
        let heading = ["h1", "h2", "h3", "h4", "h5", "h6"][level.min(LOWEST_HEADING) - 1];
        let label = format!("{}-heading", section.id);
        let m = &mut self.markup;
        m.open("section", &[("id", &section.id), ("aria-labelledby", &label)]);
        m.raw("\n");
        if section.folded {
            m.raw("<details class=\"part\">\n<summary>");
        }
        m.element(heading, &[("id", &label)], &section.heading);
        if section.folded {
            m.raw("</summary>\n");
        }
        self.blocks(&section.blocks)?;
        for section in &section.subsections {
            self.section(section, level + 1)?;
        }
        self.markup.raw(if section.folded { "</details>\n</section>\n" } else { "</section>\n" });
        Ok(())
    }

    fn blocks(&mut self, blocks: &[Block]) -> Result<(), Error> {
        blocks.iter().try_for_each(|block| self.block(block))
    }

    fn block(&mut self, block: &Block) -> Result<(), Error> {
        let m = &mut self.markup;
        match block {
            Block::Paragraph(text) => m.element("p", &[], text),
            Block::Conclusions(texts) => {
                m.raw("<div class=\"conclusions\">\n");
                texts.iter().for_each(|text| m.element("p", &[], text));
                m.raw("</div>\n");
            }
            Block::List(texts) => self.list(texts),
            Block::Definitions(pairs) => {
                m.raw("<dl>\n");
                for (term, meaning) in pairs {
                    m.element("dt", &[], term);
                    m.element("dd", &[], meaning);
                }
                m.raw("</dl>\n");
            }
            Block::Notice(notice) => self.notice(notice),
            Block::Code(text) => {
                m.raw("<pre tabindex=\"0\"><code>");
                m.lines(text);
                m.raw("</code></pre>\n");
            }
            Block::Table(table) => self.table(table)?,
            Block::Plot(plot) => self.plot(plot)?,
            Block::Pictures(pictures) => self.pictures(pictures)?,
            Block::Photograph(photograph) => self.photograph(photograph)?,
        }
        Ok(())
    }

    fn list(&mut self, texts: &[String]) {
        self.markup.raw("<ul>\n");
        texts.iter().for_each(|text| self.markup.element("li", &[], text));
        self.markup.raw("</ul>\n");
    }

    fn notice(&mut self, notice: &Notice) {
        let m = &mut self.markup;
        m.open("div", &[("class", &format!("notice {}", notice.kind.class())), ("role", "note")]);
        m.raw("\n<p class=\"notice-heading\"><strong>");
        m.text(notice.kind.word());
        m.raw(":</strong> ");
        m.text(&notice.heading);
        m.raw("</p>\n");
        match notice.lines.as_slice() {
            [] => {}
            [line] => m.element("p", &[], line),
            lines => self.list(lines),
        }
        self.markup.raw("</div>\n");
    }

    fn table(&mut self, table: &Table) -> Result<(), Error> {
        if let Some(row) = table.rows.iter().find(|row| row.len() != table.columns.len()) {
            return Err(Error::usage(format!("a row of {} cells in the table {:?}", row.len(), table.caption))
                .expected(format!("{}, one per column", table.columns.len())));
        }
        let m = &mut self.markup;
        // A wide table scrolls on its own; what scrolls must be reached by keyboard and have a name.
        m.open("div", &[("class", "wide"), ("role", "region"), ("tabindex", "0"), ("aria-label", &table.caption)]);
        m.open("table", &[("class", if table.sortable && table.rows.len() > 1 { "sortable" } else { "fixed" })]);
        m.raw("\n");
        m.element("caption", &[], &table.caption);
        m.raw("<thead>\n<tr>\n");
        for column in &table.columns {
            m.open("th", &[("scope", "col"), ("class", side(column.align))]);
            m.text(&column.name);
            if !column.unit.is_empty() {
                m.raw(" <span class=\"unit\">");
                m.text(&column.unit);
                m.close("span");
            }
            m.raw("</th>\n");
        }
        m.raw("</tr>\n</thead>\n<tbody>\n");
        for row in &table.rows {
            self.markup.raw("<tr>\n");
            for (place, (cell, column)) in row.iter().zip(&table.columns).enumerate() {
                self.cell(cell, column.align, place == 0)?;
            }
            self.markup.raw("</tr>\n");
        }
        let m = &mut self.markup;
        m.raw("</tbody>\n</table>\n</div>\n");
        table.notes.iter().for_each(|note| m.element("p", &[("class", "table-note")], note));
        Ok(())
    }

    fn cell(&mut self, cell: &Cell, align: Align, names_row: bool) -> Result<(), Error> {
        let number = cell.sort.map(|value| value.to_string());
        let mut attributes = vec![("class", side(align))];
        if names_row {
            attributes.push(("scope", "row"));
        }
        if let Some(number) = &number {
            attributes.push(("data-sort", number));
        }
        let name = if names_row { "th" } else { "td" };
        self.markup.open(name, &attributes);
        if let Some(target) = &cell.target {
            self.link(target)?;
        }
        if let Some(picture) = &cell.picture {
            self.markup.drawn(&figure::small(picture)?);
        }
        self.markup.text(&cell.text);
        if cell.target.is_some() {
            self.markup.close("a");
        }
        self.markup.close(name);
        self.markup.raw("\n");
        Ok(())
    }

    /// The start of a link to a section.
    fn link(&mut self, target: &str) -> Result<(), Error> {
        if !self.ids.contains(target) {
            return Err(Error::usage(format!("a link to the section {target:?}")).expected("a section of the page"));
        }
        self.markup.open("a", &[("href", &format!("#{target}"))]);
        Ok(())
    }

    fn plot(&mut self, plot: &Plot) -> Result<(), Error> {
        let Plot { figure, stem, fine } = plot;
        let title = format!("{stem}-title");
        let m = &mut self.markup;
        let height = figure.rows.iter().map(|row| 90.0 + 0.45 * f64::from(figure.height) * row.share).sum::<f64>();
        let height = format!("{:.0}", height.clamp(100.0, 4000.0));
        m.open("figure", &[("class", "plot"), ("id", stem), ("aria-labelledby", &title), ("data-height", &height)]);
        m.raw("\n<figcaption>\n");
        m.element("p", &[("class", "plot-title"), ("id", &title)], &figure.title);
        figure.conclusion.iter().for_each(|sentence| m.element("p", &[], sentence));
        m.raw("</figcaption>\n<div class=\"still\">");
        m.drawn(&figure::still(figure)?);
        m.raw("</div>\n");
        m.data(&figure::data(figure, if *fine { FINE } else { 1 }))?;
        if !figure.caption.is_empty() {
            m.raw("<details class=\"how\">\n<summary>How it was made</summary>\n");
            figure.caption.iter().for_each(|line| m.element("p", &[], line));
            m.raw("</details>\n");
        }
        m.raw("</figure>\n");
        Ok(())
    }

    fn pictures(&mut self, pictures: &[Picture]) -> Result<(), Error> {
        self.markup.raw("<ul class=\"pictures\">\n");
        for Picture { figure, label, target } in pictures {
            self.markup.raw("<li>");
            self.link(target)?;
            self.markup.drawn(&figure::small(figure)?);
            self.markup.open("span", &[]);
            self.markup.text(label);
            self.markup.raw("</span></a></li>\n");
        }
        self.markup.raw("</ul>\n");
        Ok(())
    }

    fn photograph(&mut self, photograph: &Photograph) -> Result<(), Error> {
        let Photograph { bytes, shows, caption } = photograph;
        let kind = media_type(bytes).ok_or_else(|| {
            Error::input(format!("a photograph of {} bytes that is no picture known here", bytes.len()))
                .expected("PNG, JPEG or WebP")
        })?;
        let m = &mut self.markup;
        m.raw("<figure class=\"photograph\">\n<img src=\"data:");
        m.raw(kind);
        m.raw(";base64,");
        m.drawn(&base64(bytes));
        m.raw("\" ");
        m.alternative(shows);
        m.raw(">\n");
        m.element("figcaption", &[], caption);
        m.raw("</figure>\n");
        Ok(())
    }
}

fn side(align: Align) -> &'static str {
    match align {
        Align::Left => "left",
        Align::Right => "right",
    }
}

/// The media type of a picture, by how its file begins: PNG (W3C, third edition, 5.2), JPEG (ITU-T T.81, B.1.1.3, start of
/// image and a further marker), WebP (RFC 9649, 2.4 and 2.5).
fn media_type(bytes: &[u8]) -> Option<&'static str> {
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some("image/png")
    } else if bytes.starts_with(b"\xff\xd8\xff") {
        Some("image/jpeg")
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        Some("image/webp")
    } else {
        None
    }
}
