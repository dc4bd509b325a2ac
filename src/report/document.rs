//! The JSON document: one frame for every command, around the very values that tables are drawn from.

use serde::Serialize;

use crate::analysis::observe::Input;
use crate::error::Error;

/// The name and version of the program with the command, as outputs carry it.
pub fn made_by(command: &str) -> String {
    format!("{} {} {command}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"))
}

/// A whole document.
#[derive(Debug, Clone, Serialize)]
pub struct Document<'a, Settings: Serialize, Body: Serialize> {
    tool: &'static str,
    version: &'static str,
    command: &'a str,
    settings: Settings,
    inputs: &'a [Input],
    #[serde(flatten)]
    body: Body,
}

impl<'a, Settings: Serialize, Body: Serialize> Document<'a, Settings, Body> {
    /// Frames a result: all settings in force, every input with its fingerprint.
    pub fn new(command: &'a str, settings: Settings, inputs: &'a [Input], body: Body) -> Self {
        Self { tool: env!("CARGO_PKG_NAME"), version: env!("CARGO_PKG_VERSION"), command, settings, inputs, body }
    }

    /// The text: one JSON value, numbers in full precision, null for what does not exist, a line break at the end.
    ///
    /// # Errors
    /// None for the types of this crate; a body with keys that are not text is refused.
    pub fn to_text(&self) -> Result<String, Error> {
        let mut text = serde_json::to_string_pretty(self)
            .map_err(|e| Error::output(format!("the result cannot be put into JSON: {e}")))?;
        text.push('\n');
        Ok(text)
    }
}

/// Captures as `captures`.
#[derive(Debug, Clone, Serialize)]
pub struct Captures<'a, T: Serialize> {
    /// One for each input that could be analysed.
    pub captures: &'a [T],
}
