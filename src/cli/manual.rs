use std::path::PathBuf;

use clap::Args;
use clap_mangen::Man;

use super::files::{failed, write_whole};
use super::terminal::Console;
use super::{COMMANDS, Example, Outcome, Run, parser};
use crate::error::Error;

/// Manual pages of the program and of each command, written into a folder.
#[derive(Debug, Args)]
pub(super) struct Manual {
    /// The folder; pages that are there already are replaced
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

impl Run for Manual {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "Pages beside the work; man man/linewake-compare.1 shows one", line: "linewake manual man" },
        Example { answers: "Pages in a folder of a MANPATH, found by name", line: "linewake manual share/man/man1" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        std::fs::create_dir_all(&self.folder).map_err(|error| failed(&self.folder, &error))?;
        let name = env!("CARGO_PKG_NAME");
        self.write(name, parser(), "")?;
        for command in COMMANDS {
            let page = format!("{name}-{}", command.name);
            let described = (command.arguments)(clap::Command::new(page.clone())).display_name(page.clone());
            self.write(&page, described, &examples(command.examples))?;
        }
        console.print(&format!("{} pages are in {}.\n", 1 + COMMANDS.len(), self.folder.display()))?;
        Ok(Outcome::Done)
    }
}

impl Manual {
    fn write(&self, page: &str, command: clap::Command, rest: &str) -> Result<(), Error> {
        let path = self.folder.join(format!("{page}.1"));
        let mut text = Vec::new();
        Man::new(command).render(&mut text).map_err(|error| failed(&path, &error))?;
        text.extend(rest.as_bytes());
        write_whole(&path, &text)
    }
}

/// The section of a page with the examples: the question, below it the line as it is typed.
fn examples(examples: &[Example]) -> String {
    // A hyphen of roff is a hyphen of print, which no shell takes.
    let typed = |text: &str| text.replace('-', "\\-");
    let shown = examples.iter().map(|Example { answers, line }| {
        format!(".PP\n{}\n.PP\n.RS 4\n.nf\n{}\n.fi\n.RE\n", typed(answers), typed(line))
    });
    format!(".SH EXAMPLES\n{}", shown.collect::<String>())
}
