use std::path::PathBuf;

use clap::Args;

use super::files::{failed, write_whole};
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::error::Error;
use crate::guide::{TEXT, chapters};
use crate::report::document::made_by;
use crate::report::figure::png;
use crate::report::mistakes;
use crate::survey::studio::Studio;
use crate::survey::studio::mistakes::Mistake;

/// How does the job go, step by step, from arrival to report?
///
/// Ten steps, one job from end to end to be tried at home, the usual mistakes, how to read the plots, how sure a result
/// is, the words of the trade. A word of a heading shows that chapter alone: steps, job, mistakes, plots, sure, words.
#[derive(Debug, Args)]
pub(super) struct Guide {
    /// A word of a chapter's heading
    #[arg(value_name = "CHAPTER")]
    chapter: Option<String>,
    /// Write pictures of the usual mistakes into this folder, from invented captures
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
}

impl Run for Guide {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "How does the job go?", line: "linewake guide" },
        Example { answers: "What is typed, from the plan to the report?", line: "linewake guide job" },
        Example { answers: "What do the usual mistakes look like?", line: "linewake guide --pictures mistakes" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        if let Some(folder) = &self.pictures {
            return self.draw(console, folder);
        }
        match &self.chapter {
            None => console.print(TEXT)?,
            Some(word) => console.print(&format!("{}\n", of_heading(word)?))?,
        }
        Ok(Outcome::Done)
    }
}

fn of_heading(word: &str) -> Result<&'static str, Error> {
    let wanted = word.to_lowercase();
    let found = chapters().find(|chapter| chapter.heading.to_lowercase().contains(&wanted));
    found.map(|chapter| chapter.text).ok_or_else(|| {
        let headings: Vec<String> = chapters().map(|chapter| format!("\"{}\"", chapter.heading)).collect();
        Error::usage(format!("no chapter has \"{}\" in its heading", crate::error::printable(word)))
            .expected(format!("a word of {}", headings.join(", ")))
    })
}

impl Guide {
    fn draw(&self, console: &mut Console, folder: &PathBuf) -> Result<Outcome, Error> {
        std::fs::create_dir_all(folder).map_err(|error| failed(folder, &error))?;
        let studio = Studio::new(1);
        for mistake in Mistake::ALL {
            let path = folder.join(format!("mistake-{}.png", mistake.slug()));
            write_whole(&path, &png(&mistakes::picture(mistake, &studio)?, &made_by("guide"))?)?;
            console.print(&format!("{}: {}\n", path.display(), mistake.sentence()))?;
        }
        Ok(Outcome::Done)
    }
}
