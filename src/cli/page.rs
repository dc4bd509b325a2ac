use std::path::{Path, PathBuf};

use clap::Args;

use super::files::{source, write_whole};
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::browser;
use crate::error::Error;

/// The largest module that is taken.
const LONGEST_MODULE: usize = 64 << 20;

/// The command line for WebAssembly, packed, that was put in when this program was built.
#[cfg(feature = "page")]
const MODULE: Option<&[u8]> = Some(include_bytes!(env!(
    "LINEWAKE_MODULE",
    "the feature page carries a packed module; src/browser/build makes it and names it"
)));
#[cfg(not(feature = "page"))]
const MODULE: Option<&[u8]> = None;

/// One page that does all this in a browser, with nothing installed.
///
/// Writes one HTML file that holds this very program, compiled for browsers. It opens from a disk or a stick, asks
/// nothing of any network, and what is dropped on it stays on the machine.
#[derive(Debug, Args)]
pub(super) struct Page {
    /// The file to write; it ends in .html
    #[arg(short, long, value_name = "FILE", default_value = "linewake.html")]
    output: PathBuf,
    /// Carry this module instead of the one built in: the program for wasm32-wasip1, packed by LZMA
    #[arg(long, value_name = "FILE.wasm.lzma")]
    module: Option<PathBuf>,
    /// Replace a file that is there already
    #[arg(long)]
    force: bool,
}

impl Run for Page {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "The page to be carried on a stick", line: "linewake page -o linewake.html" },
        Example {
            answers: "The same around another module",
            line: "linewake page --module target/page/linewake.wasm.lzma",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let name = || self.output.display().to_string();
        if self.output.extension().is_none_or(|ending| !ending.eq_ignore_ascii_case("html")) {
            let error = Error::usage("the page is an HTML file").in_file(name());
            return Err(error.expected("a name that ends in .html"));
        }
        let page = match &self.module {
            Some(path) => browser::page(&module(path)?),
            None => browser::page(MODULE.ok_or_else(|| {
                Error::usage("this program was built without the page inside")
                    .expected("a build with the page inside")
                    .remedy("run src/browser/build in the source, which writes the page and a program that carries it")
            })?),
        };
        if self.output.exists() && !self.force && !is_same(&self.output, page.as_bytes()) {
            return Err(Error::output("is there already")
                .in_file(name())
                .remedy("choose another name, or give --force to replace it"));
        }
        write_whole(&self.output, page.as_bytes())?;
        console.print(&format!(
            "The page is {}, {:.1} MB; open it in a browser. Nothing that is dropped on it leaves the machine.\n",
            name(),
            page.len() as f64 / 1e6
        ))?;
        Ok(Outcome::Done)
    }
}

fn is_same(path: &Path, bytes: &[u8]) -> bool {
    std::fs::read(path).is_ok_and(|found| found == bytes)
}

/// A packed module from a file.
fn module(path: &Path) -> Result<Vec<u8>, Error> {
    /// How such a file begins: lc, lp and pb in one byte below this, then the size of a dictionary of 64 kB or more.
    const PROPERTIES: u8 = 9 * 5 * 5;
    let bytes = source(path).bytes_at(0, LONGEST_MODULE + 1)?;
    let is_lzma = matches!(bytes.as_slice(), [properties, 0, 0, ..] if *properties < PROPERTIES);
    if is_lzma && bytes.len() <= LONGEST_MODULE {
        return Ok(bytes);
    }
    Err(Error::input("is no packed module")
        .in_file(path.display().to_string())
        .expected("a module packed by LZMA (\"xz --format=lzma\"), up to 64 MB")
        .remedy("src/browser/build makes one, linewake.wasm.lzma"))
}
