//! A recording whose numbers are worth something else: the volts of a code, as the user says.

use super::{ReadOptions, Scale};
use crate::capture::{Account, Block, Header, Quantity, Recording};
use crate::error::{Error, printable};

/// Puts the scales of the options behind a recording; without any it stays as it is.
///
/// Codes, fractions of full scale and numbers without a unit become volts, unless the options name another unit.
///
/// # Errors
/// A channel that does not exist.
pub(super) fn scaled(recording: Box<dyn Recording>, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    if options.scale.is_empty() {
        return Ok(recording);
    }
    let (unit, prefix) = match options.unit.as_deref() {
        None => (Quantity::Unit("V".to_owned()), 1.0),
        Some(text) => Quantity::parse(text).ok_or_else(|| {
            Error::usage(format!("--unit {}: no unit that is known here", printable(text)))
                .expected("V, mV, A, V/m, A/m, T or another unit of amplitude")
        })?,
    };
    let mut header = recording.header().clone();
    let mut factors = vec![1.0; header.channels.len()];
    for Scale { channel, factor } in &options.scale {
        let number = channel.as_deref().and_then(|name| name.parse::<usize>().ok());
        let meant = |at: usize| match channel {
            None => true,
            Some(name) => number == Some(at + 1) || header.channels[at].name.eq_ignore_ascii_case(name.trim()),
        };
        let which: Vec<usize> = (0..factors.len()).filter(|&at| meant(at)).collect();
        if which.is_empty() {
            let names: Vec<String> =
                header.channels.iter().map(|channel| format!("\"{}\"", printable(&channel.name))).collect();
            let wanted = printable(channel.as_deref().unwrap_or_default());
            return Err(Error::usage(format!("--scale {wanted}: there is no such channel"))
                .expected(format!("one of: {}", names.join(", "))));
        }
        for at in which {
            factors[at] = *factor;
            let channel = &mut header.channels[at];
            let before = &recording.header().channels[at].quantity;
            if matches!(before, Quantity::Codes | Quantity::FullScale | Quantity::Unknown) {
                channel.quantity = unit.clone();
                factors[at] *= prefix;
            }
            // Many digits are hard to count.
            let plain = (1e-6..1e9).contains(&factor.abs());
            let shown = if plain { factor.to_string() } else { format!("{factor:e}") };
            let name = printable(&channel.name);
            header.reading.push(format!("\"{name}\" is multiplied by {shown}, as the option says."));
        }
    }
    let mut scaled = Scaled { header, factors, inner: recording };
    scaled.take_findings();
    Ok(Box::new(scaled))
}

struct Scaled {
    header: Header,
    factors: Vec<f64>,
    inner: Box<dyn Recording>,
}

impl Scaled {
    fn take_findings(&mut self) {
        self.header.findings.clone_from(&self.inner.header().findings);
        retain_open(&mut self.header);
    }
}

/// Keeps the remarks that still hold once the numbers have a unit.
pub(super) fn retain_open(header: &mut Header) {
    let open = header.channels.iter().any(|channel| !matches!(channel.quantity, Quantity::Unit(_)));
    header.findings.retain(|finding| open || !matches!(finding.code, "codes_without_volts" | "unit_unknown"));
}

/// Drops the doubts that a recording had and has no more.
pub(super) fn settle(account: &mut Account, before: &Header, now: &Header) {
    let found = |header: &Header, what: &str| header.findings.iter().any(|finding| finding.message == what);
    account.doubts.retain(|doubt| found(now, &doubt.what) || !found(before, &doubt.what));
}

impl Recording for Scaled {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let mut account = self.inner.account();
        settle(&mut account, self.inner.header(), &self.header);
        let channels: Vec<usize> =
            (0..account.columns.len()).filter(|&at| account.columns[at].role.starts_with("channel")).collect();
        if channels.len() == self.factors.len() {
            for ((at, factor), channel) in channels.into_iter().zip(&self.factors).zip(&self.header.channels) {
                let column = &mut account.columns[at];
                column.scale *= factor;
                column.unit = channel.quantity.symbol().to_owned();
            }
        }
        account
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let mut block = self.inner.next_block()?;
        self.take_findings();
        if let Some(block) = &mut block {
            for (channel, (mut row, factor)) in block.samples.rows_mut().into_iter().zip(&self.factors).enumerate() {
                row *= *factor;
                if row.iter().any(|sample| !sample.is_finite()) {
                    let name = printable(&self.header.channels[channel].name);
                    return Err(Error::input(format!("samples of \"{name}\" times {factor:e} are beyond all numbers"))
                        .in_file(&self.header.path)
                        .expected("finite numbers")
                        .remedy("--scale gives what one of the file's numbers is worth"));
                }
            }
        }
        Ok(block)
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.inner.seek(sample)
    }
}
