//! A recording of which only some channels are wanted.

use ndarray::Axis;

use super::ReadOptions;
use crate::capture::{Account, Block, Channel, Header, Recording, Role};
use crate::error::{Error, printable};

/// The channels that the options pick by name or number, in the order of the options; all where they name none.
///
/// # Errors
/// A channel that does not exist or is named twice.
pub(super) fn wanted<'n>(names: impl Iterator<Item = &'n str>, options: &ReadOptions) -> Result<Vec<usize>, Error> {
    let names: Vec<&str> = names.collect();
    if options.channels.is_empty() {
        return Ok((0..names.len()).collect());
    }
    let mut picked = Vec::new();
    for text in &options.channels {
        let by_name = names.iter().position(|name| name.trim().eq_ignore_ascii_case(text.trim()));
        let by_number = || text.trim().parse::<usize>().ok()?.checked_sub(1).filter(|at| *at < names.len());
        let wrong = |why: &str| {
            let known: Vec<String> = names.iter().map(|name| format!("\"{}\"", printable(name))).collect();
            Error::usage(format!("--channels {}: {why}", printable(text)))
                .expected(format!("some of: {}", known.join(", ")))
        };
        let at = by_name.or_else(by_number).ok_or_else(|| wrong("there is no such channel"))?;
        if picked.contains(&at) {
            return Err(wrong("this channel is named twice"));
        }
        picked.push(at);
    }
    Ok(picked)
}

/// Leaves out the channels that the options do not name.
///
/// # Errors
/// As [`wanted`].
pub(super) fn picked(recording: Box<dyn Recording>, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    if options.channels.is_empty() {
        return Ok(recording);
    }
    let mut header = recording.header().clone();
    let picked = wanted(header.channels.iter().map(|channel| channel.name.as_str()), options)?;
    let role = |at: usize| [Role::Wire, Role::Air].get(at).copied().unwrap_or(Role::Other);
    let channel = |(at, &from): (usize, &usize)| Channel { role: role(at), ..header.channels[from].clone() };
    let channels: Vec<Channel> = picked.iter().enumerate().map(channel).collect();
    header.reading.push(format!(
        "Of {} channels, the {} that the option names were read.",
        header.channels.len(),
        picked.len()
    ));
    header.channels = channels;
    Ok(Box::new(Picked { header, picked, inner: recording }))
}

struct Picked {
    header: Header,
    picked: Vec<usize>,
    inner: Box<dyn Recording>,
}

impl Recording for Picked {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let mut account = self.inner.account();
        for (at, column) in account.columns.iter_mut().enumerate() {
            if !self.picked.contains(&at) {
                column.role = "left out".to_owned();
                column.why.push_str("; not among the channels that --channels names");
            }
            if !column.option.contains("--channels") {
                column.option = format!("--channels, {}", column.option);
            }
        }
        account
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let block = self.inner.next_block()?;
        self.header.findings.clone_from(&self.inner.header().findings);
        Ok(block.map(|block| Block { first: block.first, samples: block.samples.select(Axis(0), &self.picked) }))
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.inner.seek(sample)
    }
}
