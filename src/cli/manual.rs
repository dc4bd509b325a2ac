use std::path::PathBuf;

use clap::Args;
use clap_mangen::Man;

use super::files::{failed, write_whole};
use super::terminal::Console;
use super::{Outcome, Run, parser};
use crate::error::Error;

/// Manual pages of the program and of each command, written into a folder.
#[derive(Debug, Args)]
pub(super) struct Manual {
    /// The folder; pages that are there already are replaced
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

impl Run for Manual {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        std::fs::create_dir_all(&self.folder).map_err(|error| failed(&self.folder, &error))?;
        let program = parser();
        let name = env!("CARGO_PKG_NAME");
        let commands = program.get_subcommands().map(|command| {
            let full = format!("{name}-{}", command.get_name());
            (full.clone(), command.clone().name(full.clone()).display_name(full))
        });
        let pages: Vec<_> = [(name.to_owned(), program.clone())].into_iter().chain(commands).collect();
        for (page, command) in &pages {
            let path = self.folder.join(format!("{page}.1"));
            let mut text = Vec::new();
            Man::new(command.clone()).render(&mut text).map_err(|error| failed(&path, &error))?;
            write_whole(&path, &text)?;
        }
        console.print(&format!("{} pages are in {}.\n", pages.len(), self.folder.display()))?;
        Ok(Outcome::Done)
    }
}
