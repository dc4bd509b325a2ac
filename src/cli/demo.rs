use clap::Args;

use super::terminal::Console;
use super::{Outcome, Run};
use crate::error::Error;

/// The invented example survey, made and run from nothing
#[derive(Debug, Args)]
pub(super) struct Demo {}

impl Run for Demo {
    fn run(self, _console: &mut Console) -> Result<Outcome, Error> {
        Ok(Outcome::Done)
    }
}
