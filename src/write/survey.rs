//! What samples need: how many there are, how far they reach, how fine they are.
//!
//! The one idea: a double is a whole number times a power of two. The smallest such power of a channel says at once
//! which whole numbers can hold it, whatever they are worth: codes of a converter, fractions of full scale, volts.

use super::samples::{Samples, power_of_two};
use crate::capture::{Header, Recording};
use crate::error::{Error, printable};

/// What the samples of one channel need.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelSurvey {
    /// The smallest sample.
    pub least: f64,
    /// The largest sample.
    pub most: f64,
    /// Every sample is a whole number times two to this power; `None` where all are zero.
    lowest_bit: Option<i32>,
    /// Whether every sample is a number of 32 bits as well.
    single: bool,
    /// Whether a zero has a minus sign, which whole numbers have not.
    negative_zero: bool,
}

/// What the samples of a recording need.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// Samples of each channel.
    pub samples: u64,
    /// The channels.
    pub channels: Vec<ChannelSurvey>,
}

impl Survey {
    /// Passes over a recording. `progress` hears how many samples a channel are done.
    ///
    /// # Errors
    /// What the reader finds wrong, and a sample that is no finite number.
    pub fn of(recording: &mut dyn Recording, progress: &dyn Fn(u64)) -> Result<Self, Error> {
        let channels = vec![ChannelSurvey::default(); recording.header().channels.len()];
        let mut survey = Survey { samples: 0, channels };
        while let Some(block) = recording.next_block()? {
            for (at, channel) in survey.channels.iter_mut().enumerate() {
                let samples = block.channel(at);
                if let Some(row) = samples.iter().position(|sample| !sample.is_finite()) {
                    let number = block.first + row as u64;
                    return Err(not_finite(recording.header(), at, number, samples[row]));
                }
                samples.iter().for_each(|sample| channel.push(*sample));
            }
            survey.samples += block.len() as u64;
            progress(survey.samples);
        }
        Ok(survey)
    }
}

fn not_finite(header: &Header, channel: usize, number: u64, value: f64) -> Error {
    let name = printable(&header.channels[channel].name);
    Error::input(format!("sample {number} of \"{name}\" is {value}"))
        .in_file(header.path.clone())
        .expected("finite numbers")
        .remedy("a smaller --scale keeps them within the numbers that there are")
}

impl Default for ChannelSurvey {
    fn default() -> Self {
        Self { least: f64::INFINITY, most: f64::NEG_INFINITY, lowest_bit: None, single: true, negative_zero: false }
    }
}

impl ChannelSurvey {
    fn push(&mut self, sample: f64) {
        self.least = self.least.min(sample);
        self.most = self.most.max(sample);
        match lowest_bit(sample) {
            None => self.negative_zero |= sample.is_sign_negative(),
            Some(bit) => self.lowest_bit = Some(self.lowest_bit.map_or(bit, |lowest| lowest.min(bit))),
        }
        #[expect(clippy::cast_possible_truncation, reason = "whether anything is lost is the very question")]
        let single = f64::from(sample as f32).to_bits() == sample.to_bits();
        self.single &= single;
    }

    /// Whether a type keeps every bit; whole numbers count in steps of two to a power.
    pub(super) fn keeps(&self, samples: Samples, step: i32) -> bool {
        match samples {
            Samples::F64 | Samples::Text => true,
            // The most negative number of 32 bits marks a missing value in COMTRADE; doubles and text go beyond it.
            Samples::F32 => self.single && self.least > f64::from(f32::MIN),
            whole => {
                !self.negative_zero && self.lowest_bit.is_none_or(|lowest| lowest >= step) && self.reaches(whole, step)
            }
        }
    }

    /// Whether all samples lie within the range of a type, rounded or not.
    pub(super) fn reaches(&self, samples: Samples, step: i32) -> bool {
        match samples {
            Samples::F64 | Samples::Text => true,
            Samples::F32 => self.size() <= f64::from(f32::MAX),
            whole => {
                let (most, step) = (whole.largest(), power_of_two(step));
                self.least / step >= -most - 1.0 && self.most / step <= most
            }
        }
    }

    /// The step that keeps every bit of the channel in a whole number, where its range allows it; else the smallest
    /// one that reaches its extremes. The smallest whole number is not used.
    pub(super) fn step(&self, samples: Samples) -> i32 {
        let Some(lowest) = self.lowest_bit else { return 0 };
        let most = samples.largest();
        let reaches = |step: &i32| self.size() <= most * power_of_two(*step);
        (lowest..=1023).find(reaches).unwrap_or(1023)
    }

    /// The greatest amount.
    pub(super) fn size(&self) -> f64 {
        self.most.max(-self.least)
    }

    /// Whether a zero has a minus sign.
    pub(super) fn has_negative_zero(&self) -> bool {
        self.negative_zero
    }
}

/// The power of two that the lowest set bit of a number is worth; `None` for zero.
fn lowest_bit(value: f64) -> Option<i32> {
    const MANTISSA: u32 = 52;
    let bits = value.to_bits();
    let (exponent, fraction) = ((bits >> MANTISSA) & 0x7ff, bits & ((1 << MANTISSA) - 1));
    let exponent = i32::try_from(exponent).unwrap_or(0);
    let (mantissa, unit) = if exponent == 0 { (fraction, -1074) } else { (fraction | 1 << MANTISSA, exponent - 1075) };
    (mantissa != 0).then(|| unit + i32::try_from(mantissa.trailing_zeros()).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn surveyed(samples: &[f64]) -> ChannelSurvey {
        let mut survey = ChannelSurvey::default();
        samples.iter().for_each(|sample| survey.push(*sample));
        survey
    }

    #[test]
    fn the_lowest_bit_of_a_number() {
        for (value, bit) in
            [(1.0, 0), (3.0, 0), (-6.0, 1), (0.375, -3), (5e-324, -1074), (f64::MIN_POSITIVE, -1022), (0.1, -55)]
        {
            assert_eq!(lowest_bit(value), Some(bit), "{value}");
        }
        assert_eq!((lowest_bit(0.0), lowest_bit(-0.0)), (None, None));
    }

    #[test]
    fn codes_fit_their_own_type_and_no_smaller_one() {
        let codes = surveyed(&[-32768.0, 32767.0]);
        assert!(codes.keeps(Samples::I16, 0) && codes.keeps(Samples::F32, 0));
        assert!(!surveyed(&[32768.0]).keeps(Samples::I16, 0));
        assert!(!surveyed(&[0.5]).keeps(Samples::I16, 0));
        assert!(surveyed(&[0.5, -1.0]).keeps(Samples::I16, -15));
        assert!(!surveyed(&[-0.0]).keeps(Samples::I32, 0));
        assert!(!surveyed(&[0.1]).keeps(Samples::F32, 0));
        assert!(surveyed(&[0.1]).reaches(Samples::F32, 0) && !surveyed(&[1e300]).reaches(Samples::F32, 0));
    }

    #[test]
    fn the_step_is_the_channels_own() {
        let volts = surveyed(&[0.375, -2.5]);
        assert_eq!(volts.step(Samples::I16), -3);
        assert!(volts.keeps(Samples::I16, -3));
        // 0.1 needs 53 bits; in 16 bits the step is the smallest that reaches: 0.1 / 2^-18 = 26214.
        let tenth = surveyed(&[0.1]);
        assert_eq!(tenth.step(Samples::I16), -18);
        assert!(!tenth.keeps(Samples::I16, -18) && tenth.reaches(Samples::I16, -18));
        assert_eq!(surveyed(&[0.0]).step(Samples::I16), 0);
    }
}
