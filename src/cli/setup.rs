use std::path::PathBuf;

use clap::Args;

use super::files::{source, write_example};
use super::options::OutputOptions;
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::analysis::setup::{ChannelChain, chains};
use crate::error::Error;
use crate::read::setup::{EXAMPLE, setup};
use crate::report::{columns, pictures, sentences};

/// Is this measuring chain sound, and what does it correct?
///
/// Checks a setup file with its tables, lists the parts, and shows the total correction from volts at the recorder to
/// the quantity on the line or in the air. Write the curve with -o chain.png. With --new it writes a commented example.
#[derive(Debug, Args)]
pub(super) struct Setup {
    /// The setup file
    #[arg(value_name = "FILE.toml", required_unless_present = "new", conflicts_with = "new")]
    file: Option<PathBuf>,
    /// Print a commented example, or write it with -o FILE.toml
    #[arg(long, conflicts_with = "json")]
    new: bool,
    #[command(flatten)]
    output: OutputOptions,
}

/// The chains as a document holds them.
#[derive(serde::Serialize)]
struct Chains<'a> {
    channels: &'a [ChannelChain],
}

impl Run for Setup {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How is a measuring chain described? (an example, to be edited)",
            line: "linewake setup --new -o chain.toml",
        },
        Example {
            answers: "Is this chain sound, and what does it correct?",
            line: "linewake setup chain.toml -o chain.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let Some(file) = &self.file else {
            match &self.output.output {
                None => console.print(EXAMPLE)?,
                Some(path) => {
                    write_example(path, "a setup", "toml", EXAMPLE, self.output.force)?;
                    console.print(&format!("A commented example, ready to be changed: {}\n", path.display()))?;
                }
            }
            return Ok(Outcome::Done);
        };
        let delivery = Delivery::prepare("setup", &self.output, true)?;
        let source = source(file);
        let read = setup(&source)?;
        let channels = chains(&read, Settings::default().range);
        let inputs = [Input::of(&source)?];
        let forms = Forms {
            settings: serde_json::json!({ "setup": read.files }),
            inputs: &inputs,
            body: Chains { channels: &channels },
            figure: Some(&|| pictures::chains(&channels, source.name())),
            columns: &|| columns::chains(&channels),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_chains(&channels))?;
            for channel in &channels {
                console.table(&tables::parts(channel))?;
                console.table(&tables::corrections(channel))?;
            }
            Ok(())
        })?;
        Ok(Outcome::Done)
    }
}
