//! Where a quantity is taken: a level for one port says nothing of a reading at another.

use serde::{Serialize, Serializer};

use super::Role;

/// The place and the terminations that a measured quantity, or a published level, is stated for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Port {
    /// Between line and neutral of the supply as it is: the differential-mode voltage.
    LineToNeutral,
    /// At the V-network 50 Ω ∥ (50 µH + 5 Ω), between a conductor and earth.
    VNetwork,
    /// At the V-network 50 Ω ∥ 50 µH, between a conductor and earth.
    VNetworkWithoutResistor,
    /// In the air: a field strength or flux density.
    Field,
    /// The current in a large loop antenna of 2 m about the appliance.
    LargeLoop2m,
    /// The current in a large loop antenna of 3 m about the appliance.
    LargeLoop3m,
    /// The current in a large loop antenna of 4 m about the appliance.
    LargeLoop4m,
    /// The current through a person who touches a conducting object.
    Contact,
}

/// Each port: the word of setup and level files, what it is, and the channel that could be there.
const PORTS: &[(Port, &str, &str, Role)] = &[
    (Port::LineToNeutral, "line-to-neutral", "the voltage between line and neutral of the supply", Role::Wire),
    (Port::VNetwork, "v-network", "a V-network 50 Ω ∥ (50 µH + 5 Ω)", Role::Wire),
    (Port::VNetworkWithoutResistor, "v-network-no-5-ohm", "a V-network 50 Ω ∥ 50 µH", Role::Wire),
    (Port::Field, "field", "the field in the air", Role::Air),
    (Port::LargeLoop2m, "large-loop-2m", "the current in a large loop antenna of 2 m", Role::Other),
    (Port::LargeLoop3m, "large-loop-3m", "the current in a large loop antenna of 3 m", Role::Other),
    (Port::LargeLoop4m, "large-loop-4m", "the current in a large loop antenna of 4 m", Role::Other),
    (Port::Contact, "contact", "the current through a person who touches an object", Role::Other),
];

impl Port {
    /// All ports.
    pub fn all() -> impl Iterator<Item = Port> {
        PORTS.iter().map(|row| row.0)
    }

    /// The port that files call by a word.
    pub fn named(word: &str) -> Option<Self> {
        PORTS.iter().find(|row| row.1 == word).map(|row| row.0)
    }

    fn row(self) -> &'static (Port, &'static str, &'static str, Role) {
        // Every port has its row; a test holds the table against the ports.
        PORTS.iter().find(|row| row.0 == self).unwrap_or(&PORTS[0])
    }

    /// The word of setup and level files.
    pub fn word(self) -> &'static str {
        self.row().1
    }

    /// What it is, for sentences.
    pub fn about(self) -> &'static str {
        self.row().2
    }

    /// The channel that can be there; `Other` where none of ours can.
    pub fn role(self) -> Role {
        self.row().3
    }
}

impl Serialize for Port {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_port_has_its_own_row() {
        // The match names every port, so that a new one without a row is noticed here.
        let word = |port| match port {
            Port::LineToNeutral => "line-to-neutral",
            Port::VNetwork => "v-network",
            Port::VNetworkWithoutResistor => "v-network-no-5-ohm",
            Port::Field => "field",
            Port::LargeLoop2m => "large-loop-2m",
            Port::LargeLoop3m => "large-loop-3m",
            Port::LargeLoop4m => "large-loop-4m",
            Port::Contact => "contact",
        };
        assert_eq!(Port::all().count(), 8);
        for port in Port::all() {
            assert_eq!((port.word(), Port::named(word(port))), (word(port), Some(port)));
        }
        assert_eq!(Port::named("wall"), None);
    }
}
