use clap::Args;
use clap_complete::Shell;

use super::terminal::Console;
use super::{Example, Outcome, Run, parser};
use crate::error::Error;

/// Completions of commands and options for a shell, printed.
///
/// Send them into a file with > and source that, or put it where the shell looks for completions.
#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell
    #[arg(value_enum, value_name = "SHELL")]
    shell: Shell,
}

impl Run for Completions {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Completions for bash, to be kept in a file that the shell sources",
            line: "linewake completions bash",
        },
        Example { answers: "The same for fish, in its folder of completions", line: "linewake completions fish" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let mut text = Vec::new();
        clap_complete::generate(self.shell, &mut parser(), env!("CARGO_PKG_NAME"), &mut text);
        console.print(&String::from_utf8_lossy(&text))?;
        Ok(Outcome::Done)
    }
}
