//! The page as a browser's tokenizer reads it: hostile texts stay texts, the policy names what the page runs, and what
//! is not a page is refused. What only a browser can tell is in `tests/browser`.

use html5gum::{DefaultEmitter, Token, Tokenizer};
use linewake::report::page::{Block, Cell, Page, Photograph, Picture, Plot, Section, Table, html};
use linewake::report::table::Column;
use sha2::{Digest, Sha256};

#[path = "../../examples/page/every_field.rs"]
mod every_field;

fn written(page: &Page) -> String {
    String::from_utf8(html(page).unwrap()).unwrap()
}

/// Tokens by the HTML Living Standard, 13.2.5 (tokenization), with the states that scripts, styles and titles need.
fn tokens(text: &str) -> Vec<Token> {
    let mut emitter = DefaultEmitter::default();
    emitter.naively_switch_states(true);
    Tokenizer::new_with_emitter(text, emitter).map(Result::unwrap).collect()
}

/// What decides the tree of elements: tags with the names of their attributes, in order.
fn structure(tokens: &[Token]) -> Vec<String> {
    let name = |text: &[u8]| String::from_utf8(text.to_vec()).unwrap();
    let line = |token: &Token| match token {
        Token::StartTag(tag) => {
            let attributes: Vec<String> = tag.attributes.keys().map(|key| name(key)).collect();
            Some(format!("<{} {}>", name(&tag.name), attributes.join(" ")))
        }
        Token::EndTag(tag) => Some(format!("</{}>", name(&tag.name))),
        Token::Comment(_) => Some("a comment".to_owned()),
        Token::Doctype(_) => Some("a doctype".to_owned()),
        Token::String(_) | Token::Error(_) => None,
    };
    tokens.iter().filter_map(line).collect()
}

/// All texts between tags, and all values of attributes.
fn texts(tokens: &[Token]) -> Vec<String> {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let mut all = Vec::new();
    for token in tokens {
        match token {
            Token::String(string) => all.push(text(string)),
            Token::StartTag(tag) => all.extend(tag.attributes.values().map(|value| text(value))),
            _ => {}
        }
    }
    all
}

/// Elements without those of drawings, whose shapes depend on how much room a text takes.
fn without_drawings(structure: Vec<String>) -> Vec<String> {
    let mut depth = 0_i32;
    let keep = |line: &String| {
        depth += i32::from(line.starts_with("<svg "));
        let kept = depth == 0;
        depth -= i32::from(line == "</svg>");
        kept
    };
    structure.into_iter().filter(keep).collect()
}

/// Elements that a drawing may hold; none of them runs, loads or leads anywhere.
const OF_DRAWINGS: [&str; 7] = ["svg", "path", "text", "image", "lineargradient", "stop", "rect"];

#[test]
fn a_hundred_hostile_strings_stay_texts() {
    let strings = every_field::strings();
    assert!(strings.len() >= 100);
    let harmless = without_drawings(structure(&tokens(&written(&every_field::page(&["harmless".to_owned()])))));
    for string in &strings {
        let page = written(&every_field::page(std::slice::from_ref(string)));
        let tokens = tokens(&page);
        let all = structure(&tokens);
        // The same tags with the same attributes in the same order make the same tree, whatever the texts are.
        assert_eq!(without_drawings(all.clone()), harmless, "{string:?}");
        let mut depth = 0;
        for line in &all {
            depth += i32::from(line.starts_with("<svg "));
            let name = line.trim_matches(['<', '>', '/']).split(' ').next().unwrap();
            assert!(depth == 0 || OF_DRAWINGS.contains(&name), "{line} in a drawing for {string:?}");
            depth -= i32::from(line == "</svg>");
        }
        let errors: Vec<_> = tokens.iter().filter(|token| matches!(token, Token::Error(_))).collect();
        assert!(errors.is_empty(), "{string:?}: {errors:?}");
    }
}

#[test]
fn a_text_is_read_as_it_was_given() {
    let plain = |text: &String| {
        let harmless = |c: char| !c.is_control() && (c == ' ' || !c.is_whitespace());
        let visible = text.chars().all(harmless) && text.trim() == text && !text.contains("  ") && !text.is_empty();
        visible && text.len() < 4000 && !text.chars().any(|c| "\u{61c}\u{200e}\u{200f}\u{202a}\u{202b}\u{202c}\u{202d}\u{202e}\u{2066}\u{2067}\u{2068}\u{2069}\u{fffe}\u{ffff}".contains(c))
    };
    let strings: Vec<String> = every_field::strings().into_iter().filter(plain).collect();
    assert!(strings.len() > 85, "{}", strings.len());
    for string in strings {
        let all = texts(&tokens(&written(&every_field::page(std::slice::from_ref(&string)))));
        let count = all.iter().filter(|text| text.trim() == string).count();
        // Every field of the page that is a text of its own; 24 of them are.
        assert!(count >= 24, "{string:?} stands {count} times");
    }
}

#[test]
fn nothing_that_steers_is_left() {
    let page = written(&every_field::page(&every_field::strings()));
    let steers = |c: char| {
        c.is_control() && c != '\n'
            || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert_eq!(page.chars().find(|c| steers(*c)), None);
}

/// The value of an attribute of the first element that has another attribute with a value.
fn attribute(tokens: &[Token], element: &str, key: &str, value: &str, wanted: &str) -> String {
    let found = tokens.iter().find_map(|token| match token {
        Token::StartTag(tag) if &**tag.name == element.as_bytes() => {
            let of = |name: &str| tag.attributes.iter().find(|(key, _)| &***key == name.as_bytes()).map(|(_, v)| v);
            (of(key).is_some_and(|found| &***found == value.as_bytes())).then(|| of(wanted)).flatten()
        }
        _ => None,
    });
    String::from_utf8(found.unwrap().to_vec()).unwrap()
}

#[test]
fn the_policy_names_what_the_page_holds_and_nothing_else() {
    // W3C Content Security Policy Level 3, 2.3.1 (hash-source) and 6.7.3.3 "Does element match source list": SHA-256 over
    // the text of the element, in base 64. An element of data is not run, so that the policy need not name it (HTML Living
    // Standard, 4.12.1.1 "Processing model": data block).
    let tokens = tokens(&written(&every_field::page(&["x".to_owned()])));
    let policy = attribute(&tokens, "meta", "http-equiv", "Content-Security-Policy", "content");
    assert!(policy.starts_with("default-src 'none'; "), "{policy}");
    assert!(!policy.contains("unsafe") && !policy.contains("http") && !policy.contains('*'), "{policy}");
    let mut named = Vec::new();
    for (k, token) in tokens.iter().enumerate() {
        let Token::StartTag(tag) = token else { continue };
        let is_code = matches!(&**tag.name, b"script" | b"style") && tag.attributes.is_empty();
        if is_code {
            let mut text = Vec::new();
            for token in &tokens[k + 1..] {
                let Token::String(string) = token else { break };
                text.extend_from_slice(string);
            }
            let hash = Sha256::digest(&text);
            let mut bits: String = hash.iter().map(|byte| format!("{byte:08b}")).collect();
            bits.push_str("00");
            let letters = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
            let letter = |k: usize| char::from(letters[usize::from_str_radix(&bits[6 * k..6 * k + 6], 2).unwrap()]);
            let source = format!("'sha256-{}='", (0..43).map(letter).collect::<String>());
            assert!(policy.contains(&source), "{source} is not in {policy}");
            named.push(source);
        }
        for (key, value) in &tag.attributes {
            let value = String::from_utf8(value.to_vec()).unwrap();
            assert!(!key.starts_with(b"on") && **key != b"style".to_vec(), "{key:?} {value}");
            if matches!(&***key, b"src" | b"href" | b"action" | b"data") {
                assert!(value.starts_with('#') || value.starts_with("data:image/"), "{value}");
            }
        }
    }
    assert_eq!(named.len(), 3);
    assert_eq!(policy.matches("sha256-").count(), 3);
}

#[test]
fn what_others_wrote_is_what_is_said() {
    let script = include_bytes!("../../src/report/page/vendor/uPlot.iife.min.js");
    let origin = include_str!("../../src/report/page/vendor/README.md");
    let hash: String = Sha256::digest(script).iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(origin.contains(&hash), "{hash}");
    let script = String::from_utf8_lossy(script);
    assert!(!script.contains("</script") && !script.contains("<!--"));
    for forbidden in ["eval(", "new Function", "XMLHttpRequest", "fetch(", "importScripts", "WebSocket"] {
        assert!(!script.contains(forbidden), "{forbidden}");
    }
}

#[test]
fn the_same_page_gives_the_same_bytes() {
    let page = every_field::page(&["x".to_owned(), "y".to_owned()]);
    assert_eq!(html(&page).unwrap(), html(&page).unwrap());
}

#[test]
fn headings_go_down_step_by_step() {
    let mut page = Page::new("Headings", "test");
    let inner = (0..7).fold(Section::new("deepest", "deepest"), |inner, k| Section {
        subsections: vec![inner],
        ..Section::new(format!("level-{k}"), "level")
    });
    page.sections = vec![inner, Section::new("another", "another")];
    let lines = structure(&tokens(&written(&page)));
    let is_heading = |line: &&String| line.starts_with("<h") && line.as_bytes()[2].is_ascii_digit();
    let levels: Vec<u8> = lines.iter().filter(is_heading).map(|line| line.as_bytes()[2] - b'0').collect();
    assert_eq!(levels[0], 1);
    assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{levels:?}");
    assert!(levels.iter().all(|level| *level <= 6));
}

#[test]
fn what_is_no_page_is_refused() {
    let with = |sections: Vec<Section>| Page { sections, ..Page::new("Refused", "test") };
    let of = |block: Block| with(vec![Section::new("here", "Here").with(block)]);
    let figure = || linewake::report::figure::Figure::new("empty");
    let table = |row: Vec<Cell>| {
        Block::Table(Table { rows: vec![row], ..Table::new("one column", vec![Column::text("name")]) })
    };
    let cases = [
        (with(vec![Section::new("a", "a"), Section::new("a", "b")]), "stands for two parts"),
        (with(vec![Section::new("A b", "a")]), "small letters"),
        (with(vec![Section::new("", "a")]), "small letters"),
        (with(vec![Section::new("content", "a")]), "stands for two parts"),
        (of(table(vec![Cell::text("x").to("nowhere")])), "a section of the page"),
        (of(table(Vec::new())), "one per column"),
        (of(Block::Plot(Box::new(Plot::new("here", figure())))), "stands for two parts"),
        (
            of(Block::Plot(Box::new(Plot::new(
                "wide",
                linewake::report::figure::Figure { width: 20_000, ..figure() },
            )))),
            "200 to 10000",
        ),
        (of(Block::Pictures(vec![Picture { figure: figure(), label: String::new(), target: "gone".into() }])), "gone"),
        (
            of(Block::Photograph(Photograph {
                bytes: b"<svg/>".to_vec(),
                shows: String::new(),
                caption: String::new(),
            })),
            "PNG, JPEG or WebP",
        ),
    ];
    for (page, said) in cases {
        let error = html(&page).unwrap_err().to_string();
        assert!(error.contains(said), "{error}");
    }
}
