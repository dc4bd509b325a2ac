use std::path::PathBuf;
use std::str::FromStr;

use clap::Args;

use super::files::{sources, write_example};
use super::options::{OutputOptions, inputs};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::levels::{Listed, listed};
use crate::error::Error;
use crate::levels::{Curve, Curves, EXAMPLE, to_toml};
use crate::report::{columns, pictures, sentences};
use crate::units::Hertz;

/// Which published reference levels are known, with source and edition?
///
/// Without a name: the list. With one: all that the level is stated for, and its figures. Draw them with -o levels.png.
/// "bands" and "spectrum" hold their results against a level with --against NAME. None of this is a verdict: a field
/// capture is an indication, not a conformity assessment.
#[derive(Debug, Args)]
pub(super) struct Levels {
    /// The level
    #[arg(value_name = "NAME")]
    name: Option<String>,
    /// Show the levels at these frequencies, such as 10k,20k,100k
    #[arg(long, value_name = "HZ,HZ,...", value_delimiter = ',', value_parser = Hertz::from_str)]
    at: Vec<Hertz>,
    /// Levels of your own, besides the published ones
    #[arg(long, value_name = "FILE.toml")]
    levels: Vec<PathBuf>,
    /// Print a commented example of a file of levels, or the level of that name in the same format; or write it with
    /// -o FILE.toml
    #[arg(long, conflicts_with_all = ["json", "at"])]
    new: bool,
    #[command(flatten)]
    output: OutputOptions,
}

/// The levels as a document holds them.
#[derive(serde::Serialize)]
struct Document<'a> {
    levels: &'a [Listed],
}

impl Run for Levels {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "Which published levels are known?", line: "linewake levels" },
        Example {
            answers: "What does one of them say, for what, at which frequencies?",
            line: "linewake levels lighting-mains --at 10k,50k,100k -o lighting.png",
        },
        Example { answers: "How are levels of my own written?", line: "linewake levels --new -o own.toml" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let known = Curves::with(&sources(&self.levels))?;
        let chosen = self.name.as_deref().map(|name| known.named(name)).transpose()?;
        if self.new {
            return self.start_a_file(console, chosen);
        }
        let delivery = Delivery::prepare("levels", &self.output, true)?;
        let levels = listed(chosen.map_or(known.all(), std::slice::from_ref), &self.at);
        let forms = Forms {
            settings: serde_json::json!({ "name": self.name, "at_hz": self.at }),
            inputs: &inputs(&self.levels)?,
            body: Document { levels: &levels },
            figure: Some(&|| pictures::levels(&levels)),
            columns: &|| columns::levels(&levels),
        };
        delivery.deliver(console, forms, |console| {
            match levels.as_slice() {
                [level] if chosen.is_some() => {
                    console.sentences(&sentences::of_level(&level.curve))?;
                    console.table(&tables::stretches(&level.curve))?;
                }
                _ => console.table(&tables::levels(&levels))?,
            }
            if self.at.is_empty() { Ok(()) } else { console.table(&tables::level_values(&levels)) }
        })?;
        Ok(Outcome::Done)
    }
}

impl Levels {
    /// Prints or writes what a file of levels may begin with.
    fn start_a_file(&self, console: &mut Console, chosen: Option<&Curve>) -> Result<Outcome, Error> {
        let text = chosen.map_or(EXAMPLE.to_owned(), |curve| to_toml(curve, &format!("my-{}", curve.name)));
        match &self.output.output {
            None => console.print(&text)?,
            Some(path) => {
                write_example(path, "a file of levels", "toml", &text, self.output.force)?;
                console.print(&format!("Levels, ready to be changed: {}\n", path.display()))?;
            }
        }
        Ok(Outcome::Done)
    }
}
