use clap::Args;
use clap_complete::Shell;

use super::terminal::Console;
use super::{Outcome, Run, parser};
use crate::error::Error;

/// Completions of commands and options for a shell, printed.
///
/// For example: linewake completions bash > linewake.bash, and source that file.
#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell
    #[arg(value_enum, value_name = "SHELL")]
    shell: Shell,
}

impl Run for Completions {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let mut text = Vec::new();
        clap_complete::generate(self.shell, &mut parser(), env!("CARGO_PKG_NAME"), &mut text);
        console.print(&String::from_utf8_lossy(&text))?;
        Ok(Outcome::Done)
    }
}
