//! The file that a recorder leaves: text, written fast because a survey has millions of rows.
//!
//! ```text
//! Layout,two-channel waveform table
//! Record Length,100000,samples
//! Sample Interval,2.0000E-06,s
//! Trigger Position,50000,samples
//! (an empty line)
//! Time (s),Wire (mV),Air (mV)
//! -0.10000,-12.34,-1.234
//! ```

use crate::synth::Quantiser;

/// Writes the file of a capture from volts before the converter.
pub(super) fn write([wire, air]: &[Vec<f64>; 2], converters: [Quantiser; 2]) -> Vec<u8> {
    const BYTES_A_ROW: usize = 24;
    let (samples, mut out) = (wire.len(), Vec::with_capacity(200 + BYTES_A_ROW * wire.len()));
    // The trigger is time zero and lies in the middle; a sample takes 2 µs.
    let first_microsecond = -i32::try_from(samples).unwrap_or(i32::MAX);
    out.extend_from_slice(
        format!(
            "Layout,two-channel waveform table\nRecord Length,{samples},samples\nSample Interval,2.0000E-06,s\n\
             Trigger Position,{},samples\n\nTime (s),Wire (mV),Air (mV)\n",
            samples / 2
        )
        .as_bytes(),
    );
    for ((wire, air), microseconds) in wire.iter().zip(air).zip((first_microsecond..).step_by(2)) {
        push_decimal(&mut out, rounded_tenth(microseconds), 5);
        out.push(b',');
        // A step of the wire is 0.02 mV, of the air 0.002 mV: two units of the last digit.
        push_decimal(&mut out, 2 * converters[0].code(*wire), 2);
        out.push(b',');
        push_decimal(&mut out, 2 * converters[1].code(*air), 3);
        out.push(b'\n');
    }
    out
}

/// A tenth of a whole number, rounded, halves away from zero.
fn rounded_tenth(number: i32) -> i32 {
    (number.abs() + 5) / 10 * number.signum()
}

/// Writes a whole number with a decimal point so many digits from its end.
fn push_decimal(out: &mut Vec<u8>, number: i32, decimals: usize) {
    let mut digits = [b'0'; 12];
    let mut rest = number.unsigned_abs();
    let mut used = 0;
    while rest > 0 || used <= decimals {
        // The remainder is one digit.
        digits[used] = b'0' + u8::try_from(rest % 10).unwrap_or(0);
        rest /= 10;
        used += 1;
    }
    if number < 0 {
        out.push(b'-');
    }
    for (index, digit) in digits[..used].iter().enumerate().rev() {
        out.push(*digit);
        if index == decimals {
            out.push(b'.');
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_written_as_the_standard_library_writes_them() {
        for number in [0, 1, -1, 9, 10, -4096, 4094, 12_345, i32::MAX, i32::MIN] {
            let mut out = Vec::new();
            push_decimal(&mut out, number, 2);
            assert_eq!(String::from_utf8(out).unwrap(), format!("{:.2}", f64::from(number) / 100.0));
        }
    }

    #[test]
    fn times_are_rounded_to_the_nearest() {
        assert_eq!([-6, -5, -4, 0, 4, 5, 14].map(rounded_tenth), [-1, -1, 0, 0, 0, 1, 1]);
    }
}
