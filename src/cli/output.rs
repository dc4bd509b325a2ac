//! What every analysing command does at its end: say what to know, write the artefact, print table or JSON.

use serde::Serialize;

use super::files::{Kind, Output};
use super::options::OutputOptions;
use super::terminal::{Console, Remarks};
use crate::analysis::observe::Input;
use crate::error::Error;
use crate::report::answer::{Answer, page};
use crate::report::document::{Document, made_by};
use crate::report::figure::{Figure, png, svg};
use crate::report::page::html;

/// The end of a command: its name, where its result goes.
pub(super) struct Delivery {
    command: &'static str,
    json: bool,
    output: Option<Output>,
}

/// The forms that a result can take; each is made only when it is asked for.
pub(super) struct Forms<'a, S: Serialize, B: Serialize> {
    /// The settings in force.
    pub(super) settings: S,
    /// The inputs with their fingerprints.
    pub(super) inputs: &'a [Input],
    /// The values themselves.
    pub(super) body: B,
    /// The picture.
    pub(super) figure: Option<&'a dyn Fn() -> Figure>,
    /// The rows of a CSV file.
    pub(super) columns: &'a dyn Fn() -> Result<Vec<u8>, Error>,
}

impl Delivery {
    /// Checks where the result goes before the work starts.
    pub(super) fn prepare(command: &'static str, options: &OutputOptions, has_figure: bool) -> Result<Self, Error> {
        let output = options.output.as_deref().map(|path| Output::prepare(path, command, options.force)).transpose()?;
        if let Some(output) = &output
            && matches!(output.kind, Kind::Png | Kind::Svg)
            && !has_figure
        {
            return Err(Error::usage(format!("\"{command}\" makes no picture"))
                .remedy("name an output that ends in .csv, .json or .html"));
        }
        Ok(Self { command, json: options.json, output })
    }

    /// Whether a document or a page is written, which state the fingerprints of the inputs.
    pub(super) fn has_document(&self) -> bool {
        self.json || self.output.as_ref().is_some_and(|output| matches!(output.kind, Kind::Json | Kind::Html))
    }

    /// Writes the artefact and prints: the JSON document, or whatever `print` prints.
    pub(super) fn deliver<S: Serialize, B: Serialize>(
        self,
        console: &mut Console,
        forms: Forms<'_, S, B>,
        print: impl Fn(&mut Console) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let Forms { settings, inputs, body, figure, columns } = forms;
        let in_force = match &self.output {
            Some(output) if output.kind == Kind::Html => super::json_object(&settings)?,
            _ => serde_json::Map::new(),
        };
        let document = Document::new(self.command, settings, inputs, body);
        if let Some(output) = self.output {
            let maker = made_by(self.command);
            let drawn = |figure: Option<&dyn Fn() -> Figure>| {
                figure.map(|figure| figure()).ok_or_else(|| Error::usage("this command makes no picture"))
            };
            let bytes = match output.kind {
                Kind::Png => png(&drawn(figure)?, &maker)?,
                Kind::Svg => svg(&drawn(figure)?, &maker)?.into_bytes(),
                Kind::Csv => columns()?,
                Kind::Json => document.to_text()?.into_bytes(),
                Kind::Html => {
                    let said = console.kept(&print)?;
                    let Remarks { failed, limits } = console.remarks().clone();
                    let figure = figure.map(|figure| figure());
                    let command = self.command;
                    html(&page(Answer { command, figure, said, failed, limits, settings: in_force, inputs }))?
                }
            };
            output.write(&bytes)?;
        }
        if self.json { console.print(&document.to_text()?) } else { print(console) }
    }
}
