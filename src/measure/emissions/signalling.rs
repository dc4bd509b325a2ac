//! Frequency ranges of mains signalling, as names only: that a frequency lies in one says nothing of who sends.

/// A range of mains signalling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignallingBand {
    /// The letter of the band.
    pub name: &'static str,
    /// The lower edge in hertz.
    pub low_hz: f64,
    /// The upper edge in hertz, not included.
    pub high_hz: f64,
    /// Who may use it.
    pub users: &'static str,
    /// Where the edges come from.
    pub source: &'static str,
}

/// The ranges of EN 50065-1.
pub const SIGNALLING: &[SignallingBand] = &[
    SignallingBand {
        name: "A",
        low_hz: 3e3,
        high_hz: 95e3,
        users: "electricity suppliers and their licensees",
        source: "EN 50065-1, clause 6 (3 to 9 kHz from memory)",
    },
    SignallingBand {
        name: "B",
        low_hz: 95e3,
        high_hz: 125e3,
        users: "consumers",
        source: "EN 50065-1, clause 6 (from memory)",
    },
    SignallingBand {
        name: "C",
        low_hz: 125e3,
        high_hz: 140e3,
        users: "consumers, with an access protocol",
        source: "EN 50065-1, clauses 5 and 6 (from memory)",
    },
    SignallingBand {
        name: "D",
        low_hz: 140e3,
        high_hz: 148.5e3,
        users: "consumers",
        source: "EN 50065-1, clause 6 (from memory)",
    },
];

/// The range that holds a frequency in hertz.
///
/// ```
/// use linewake::measure::emissions::signalling_band;
/// assert_eq!(signalling_band(63e3).map(|band| band.name), Some("A"));
/// assert_eq!(signalling_band(149e3), None);
/// ```
pub fn signalling_band(frequency_hz: f64) -> Option<&'static SignallingBand> {
    SIGNALLING.iter().find(|band| (band.low_hz..band.high_hz).contains(&frequency_hz))
}
