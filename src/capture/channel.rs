//! One channel of a capture: its name, what its numbers are, and the part it plays.

use serde::{Deserialize, Serialize};

/// The part that a channel plays in the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// On the line, behind the coupling network.
    Wire,
    /// The pickup antenna.
    Air,
    /// Read, but not analysed.
    Other,
}

impl Role {
    /// All of them.
    pub const ALL: [Role; 3] = [Role::Wire, Role::Air, Role::Other];

    /// The word that tables and JSON use.
    pub fn name(self) -> &'static str {
        match self {
            Role::Wire => "wire",
            Role::Air => "air",
            Role::Other => "other",
        }
    }
}

/// What the numbers of a channel are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Quantity {
    /// A physical unit without prefix: `V`, `A`, `V/m`. Numbers are in this unit.
    Unit(String),
    /// The file states no unit.
    Unknown,
    /// Codes of the converter; how many volts a code is, the file does not say.
    Codes,
    /// Fractions of full scale.
    FullScale,
}

impl Quantity {
    /// The unit as tables and JSON show it: `V`, or a word where there is no unit.
    pub fn symbol(&self) -> &str {
        match self {
            Quantity::Unit(symbol) => symbol,
            Quantity::Unknown => "unknown",
            Quantity::Codes => "codes",
            Quantity::FullScale => "full scale",
        }
    }

    /// The quantity that a symbol names, as [`Quantity::symbol`] writes it: a unit without prefix, or a word.
    ///
    /// ```
    /// use linewake::capture::Quantity;
    /// assert_eq!(Quantity::named("V/m"), Some(Quantity::Unit("V/m".into())));
    /// assert_eq!(Quantity::named("codes"), Some(Quantity::Codes));
    /// assert_eq!(Quantity::named("mV"), None);
    /// ```
    pub fn named(symbol: &str) -> Option<Quantity> {
        [Quantity::Unknown, Quantity::Codes, Quantity::FullScale]
            .into_iter()
            .find(|quantity| quantity.symbol() == symbol)
            .or_else(|| {
                Self::parse(symbol).map(|(quantity, _)| quantity).filter(|quantity| quantity.symbol() == symbol)
            })
    }

    /// The reference of a level in this unit: `dBµV`, `dBµV/m`, `dB re 1e-6 codes`.
    pub fn level_reference(&self) -> String {
        match self {
            Quantity::Unit(symbol) => format!("dBµ{symbol}"),
            other => format!("dB re 1e-6 {}", other.symbol()),
        }
    }

    /// Reads a unit as files write it, with its prefix: `mV`, `Volt`, `(V)`, `[mV]`, `µA`.
    ///
    /// Gives the unit without prefix and the factor that turns the file's numbers into it; `None` when the
    /// text is no unit of amplitude that this table knows.
    ///
    /// ```
    /// use linewake::capture::Quantity;
    /// assert_eq!(Quantity::parse("(mV)"), Some((Quantity::Unit("V".into()), 1e-3)));
    /// assert_eq!(Quantity::parse("Volts"), Some((Quantity::Unit("V".into()), 1.0)));
    /// assert_eq!(Quantity::parse("Hz"), None);
    /// ```
    pub fn parse(text: &str) -> Option<(Quantity, f64)> {
        const BASES: [(&str, &[&str]); 9] = [
            (
                "V",
                &[
                    "V", "Volt", "Volts", "volt", "volts", "VOLT", "VOLTS", "v", "VDC", "Vdc", "V DC", "Volt DC",
                    "Volts DC", "voltios", "voltio",
                ],
            ),
            ("A", &["A", "Amp", "Amps", "Ampere", "Amperes", "amp", "amps", "ampere", "AMP", "AMPS"]),
            ("V/m", &["V/m"]),
            ("A/m", &["A/m"]),
            ("T", &["T", "Tesla", "tesla"]),
            ("Pa", &["Pa", "Pascal"]),
            ("W", &["W", "Watt", "Watts", "watt"]),
            ("m/s", &["m/s"]),
            ("Ohm", &["Ohm", "ohm", "Ω"]),
        ];
        const PREFIXES: [(&str, f64); 10] = [
            ("", 1.0),
            ("m", 1e-3),
            ("milli", 1e-3),
            ("u", 1e-6),
            ("µ", 1e-6),
            ("μ", 1e-6),
            ("micro", 1e-6),
            // The micro sign of UTF-8, read as Latin-1.
            ("Âµ", 1e-6),
            ("n", 1e-9),
            ("k", 1e3),
        ];
        let bare =
            text.trim().trim_matches(|c| matches!(c, '(' | ')' | '[' | ']' | '{' | '}' | '<' | '>' | '"')).trim();
        PREFIXES.iter().find_map(|(prefix, factor)| {
            let rest = bare.strip_prefix(prefix)?;
            let (base, _) = BASES.iter().find(|(_, words)| words.contains(&rest))?;
            Some((Quantity::Unit((*base).to_owned()), *factor))
        })
    }
}

impl Serialize for Quantity {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.symbol())
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let symbol = String::deserialize(deserializer)?;
        let words = [Quantity::Unknown, Quantity::Codes, Quantity::FullScale];
        Ok(words.into_iter().find(|word| word.symbol() == symbol).unwrap_or(Quantity::Unit(symbol)))
    }
}

/// A channel: name, unit and role.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Channel {
    /// The name as the file gives it, or `channel 1` and so on where it gives none.
    pub name: String,
    /// What the numbers are.
    #[serde(rename = "unit")]
    pub quantity: Quantity,
    /// The part it plays.
    pub role: Role,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_read_with_brackets_and_prefixes() {
        let volt = |factor| Some((Quantity::Unit("V".into()), factor));
        for (text, expected) in
            [("V", volt(1.0)), ("[mV]", volt(1e-3)), ("(V)", volt(1.0)), ("uV", volt(1e-6)), ("kV", volt(1e3))]
        {
            assert_eq!(Quantity::parse(text), expected, "{text}");
        }
        assert_eq!(Quantity::parse("mA"), Some((Quantity::Unit("A".into()), 1e-3)));
        for text in ["", "dB", "Hz", "s", "Phase", "Sequence"] {
            assert_eq!(Quantity::parse(text), None, "{text}");
        }
    }
}
