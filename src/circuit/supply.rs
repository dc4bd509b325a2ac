//! A supply, a line, a load, and what is plugged in to keep noise down.
//!
//! The source impedance stands at the outlet; from there a line leads to the load. Filters sit anywhere along that line.
//! Noise arrives from the source or comes from the load as a current. The insertion loss is the voltage without the
//! filters over that with them, at the load or at the outlet; below zero it is an amplification.

use rustfft::num_complex::Complex;
use serde::Serialize;

use super::{Impedance, Network, REFERENCE, Unsolved};
use crate::spread;
use crate::synth::Random;

/// A capacitor across the line with what comes with it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Capacitor {
    /// Its capacitance, above zero.
    pub farad: f64,
    /// Its series resistance, not below zero.
    pub esr_ohm: f64,
    /// The inductance of its leads.
    pub esl_henry: f64,
    /// The resistor that discharges it, where there is one.
    pub discharge_ohm: Option<f64>,
    /// How far from the load it sits, in metres along the line; no farther than the line is long.
    pub at_m: f64,
}

/// An element of a network of the user's own.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// The node that it begins at.
    pub from: Node,
    /// The node that it ends at.
    pub to: Node,
    /// What it is.
    pub impedance: Impedance,
}

/// A node that elements can name.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Node {
    /// The reference.
    Neutral,
    /// The line at the load.
    Load,
    /// The line before an element in series with the load; once one names it, nothing else joins it to the load.
    Line,
    /// One of the network's own.
    Own(String),
}

/// Where the noise comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// From elsewhere, behind the source impedance.
    Line,
    /// From the load, as a current.
    Load,
}

/// Where the voltage is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// At the load.
    Load,
    /// At the outlet, where the line to the load begins.
    Outlet,
}

/// The whole circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// The impedance of the mains at the outlet.
    pub source: Impedance,
    /// The impedance of the load; `None` where it draws nothing.
    pub load: Option<Impedance>,
    /// The length of the line from the outlet to the load in metres.
    pub line_m: f64,
    /// Ohms of a metre of line, there and back.
    pub line_ohm_per_m: f64,
    /// Henries of a metre of line, there and back.
    pub line_henry_per_m: f64,
    /// Capacitors across the line.
    pub capacitors: Vec<Capacitor>,
    /// A network of the user's own at the load.
    pub elements: Vec<Element>,
    /// Where the noise comes from.
    pub origin: Origin,
    /// Where it is looked at.
    pub place: Place,
}

/// How far parts may be from what is stated on them, as fractions either way; any value between is as likely.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tolerances {
    /// Of capacitances and of the elements of a network.
    pub capacitor: f64,
    /// Of series resistances and lead inductances.
    pub parasitic: f64,
    /// Of the source's resistance and inductance.
    pub source: f64,
    /// Of the load's impedance.
    pub load: f64,
    /// Of the line's resistance and inductance.
    pub line: f64,
}

/// The two circuits that an insertion loss compares, node by node.
struct Built {
    network: Network,
    load: usize,
    outlet: usize,
}

impl Supply {
    /// The insertion loss at a frequency in decibels: positive where the filters lower the voltage.
    ///
    /// ```
    /// use linewake::circuit::Impedance;
    /// use linewake::circuit::supply::{Capacitor, Origin, Place, Supply};
    /// let supply = Supply {
    ///     source: Impedance::series(0.4, 50e-6, None).unwrap(),
    ///     load: Some(Impedance::series(50.0, 0.0, None).unwrap()),
    ///     line_m: 0.0,
    ///     line_ohm_per_m: 0.0,
    ///     line_henry_per_m: 0.0,
    ///     capacitors: vec![Capacitor { farad: 1e-6, esr_ohm: 0.0, esl_henry: 0.0, discharge_ohm: None, at_m: 0.0 }],
    ///     elements: Vec::new(),
    ///     origin: Origin::Line,
    ///     place: Place::Load,
    /// };
    /// // 20 log10 |1 + jωC Zs ZL/(Zs + ZL)|: below the resonance at 22.5 kHz the capacitor amplifies.
    /// assert!((supply.loss_db(20e3).unwrap() + 11.178).abs() < 0.001);
    /// ```
    ///
    /// # Errors
    /// A measured impedance that does not reach there, a node of the network that nothing ties to the rest.
    pub fn loss_db(&self, frequency_hz: f64) -> Result<f64, Unsolved> {
        let bare = self.built(false).voltage(self, frequency_hz)?;
        let filtered = self.built(true).voltage(self, frequency_hz)?;
        Ok(20.0 * (bare.norm() / filtered.norm()).log10())
    }

    /// The insertion losses at many frequencies.
    ///
    /// # Errors
    /// As [`Supply::loss_db`].
    pub fn losses_db(&self, frequencies: &[f64]) -> Result<Vec<f64>, Unsolved> {
        let (bare, filtered) = (self.built(false), self.built(true));
        let loss = |&frequency: &f64| {
            let ratio = bare.voltage(self, frequency)?.norm() / filtered.voltage(self, frequency)?.norm();
            Ok(20.0 * ratio.log10())
        };
        frequencies.iter().map(loss).collect()
    }

    /// The losses of circuits whose parts are drawn within their tolerances: a row for each draw.
    ///
    /// Each draw has its own stream of random numbers, so the rows do not depend on how the work is spread.
    ///
    /// # Errors
    /// As [`Supply::loss_db`].
    pub fn drawn_losses_db(
        &self,
        tolerances: &Tolerances,
        frequencies: &[f64],
        draws: u64,
        seed: u64,
    ) -> Result<Vec<Vec<f64>>, Unsolved> {
        let draws: Vec<u64> = (0..draws).collect();
        spread::map(draws, |draw| self.drawn(tolerances, &mut Random::new(seed, draw)).losses_db(frequencies))
            .into_iter()
            .collect()
    }

    /// The circuit with every part drawn within its tolerance.
    #[must_use]
    pub fn drawn(&self, tolerances: &Tolerances, random: &mut Random) -> Self {
        let mut within = |tolerance: f64| random.between(1.0 - tolerance, 1.0 + tolerance);
        let mut drawn = self.clone();
        drawn.source = self.source.times([within(tolerances.source), within(tolerances.source), 1.0]);
        let load = within(tolerances.load);
        drawn.load = self.load.as_ref().map(|impedance| impedance.times([load, load, 1.0 / load]));
        drawn.line_ohm_per_m *= within(tolerances.line);
        drawn.line_henry_per_m *= within(tolerances.line);
        for capacitor in &mut drawn.capacitors {
            capacitor.farad *= within(tolerances.capacitor);
            capacitor.esr_ohm *= within(tolerances.parasitic);
            capacitor.esl_henry *= within(tolerances.parasitic);
        }
        for element in &mut drawn.elements {
            let factor = within(tolerances.capacitor);
            element.impedance = element.impedance.times([factor; 3]);
        }
        drawn
    }

    /// The circuit with its filters or without.
    fn built(&self, filtered: bool) -> Built {
        let mut built = self.without_ends(filtered);
        built.network.connect(built.outlet, REFERENCE, self.source.clone());
        if let Some(impedance) = &self.load {
            built.network.connect(built.load, REFERENCE, impedance.clone());
        }
        built
    }

    /// The same without source and load.
    fn without_ends(&self, filtered: bool) -> Built {
        let mut network = Network::default();
        // Places along the line from the load on, each with its node.
        let mut places: Vec<f64> = self.capacitors.iter().map(|c| c.at_m).chain([0.0, self.line_m]).collect();
        places.sort_by(f64::total_cmp);
        places.dedup();
        let has_series = self.elements.iter().any(|element| element.from == Node::Line || element.to == Node::Line);
        let load = 1;
        // The line begins behind an element in series, where there is one.
        let first = if has_series && filtered { 2 } else { 1 };
        let outlet = first + places.len() - 1;
        for (number, pair) in places.windows(2).enumerate() {
            let length = pair[1] - pair[0];
            let (ohm, henry) = (length * self.line_ohm_per_m, length * self.line_henry_per_m);
            network.connect(first + number, first + number + 1, Impedance::Series { ohm, henry, farad: None });
        }
        if filtered {
            let place = |at: f64| first + places.iter().position(|place| *place >= at).unwrap_or(0);
            self.capacitors.iter().for_each(|capacitor| capacitor.plug_in(&mut network, place(capacitor.at_m)));
            let names = self.own_nodes();
            let number = |node: &Node| match node {
                Node::Neutral => REFERENCE,
                Node::Load => load,
                Node::Line => first,
                Node::Own(name) => outlet + 1 + names.iter().position(|other| other == name).unwrap_or(0),
            };
            for element in &self.elements {
                network.connect(number(&element.from), number(&element.to), element.impedance.clone());
            }
        }
        Built { network, load, outlet }
    }

    /// The names of the network's own nodes.
    fn own_nodes(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for node in self.elements.iter().flat_map(|element| [&element.from, &element.to]) {
            if let Node::Own(name) = node
                && !names.contains(&name.as_str())
            {
                names.push(name);
            }
        }
        names
    }

    /// The impedance of everything that is plugged in, as the mains see it at the outlet with no load.
    ///
    /// # Errors
    /// A network without a way to the neutral.
    pub fn plugged_in(&self, frequency_hz: f64) -> Result<Complex<f64>, Unsolved> {
        let Built { network, outlet, .. } = self.without_ends(true);
        Ok(network.voltages(frequency_hz, &[(outlet, Complex::new(1.0, 0.0))])?[outlet])
    }
}

impl Capacitor {
    /// The capacitor itself, its discharge resistor left aside.
    pub fn impedance(&self) -> Impedance {
        Impedance::Series { ohm: self.esr_ohm, henry: self.esl_henry, farad: Some(self.farad) }
    }

    fn plug_in(&self, network: &mut Network, node: usize) {
        network.connect(node, REFERENCE, self.impedance());
        if let Some(ohm) = self.discharge_ohm {
            network.connect(node, REFERENCE, Impedance::Series { ohm, henry: 0.0, farad: None });
        }
    }
}

impl Built {
    fn voltage(&self, supply: &Supply, frequency_hz: f64) -> Result<Complex<f64>, Unsolved> {
        // A source of one volt behind its impedance is a current beside it.
        let current = match supply.origin {
            Origin::Line => (self.outlet, supply.source.at(frequency_hz).ok_or(Unsolved::OutsideTable)?.inv()),
            Origin::Load => (self.load, Complex::new(1.0, 0.0)),
        };
        let volts = self.network.voltages(frequency_hz, &[current])?;
        Ok(volts[match supply.place {
            Place::Load => self.load,
            Place::Outlet => self.outlet,
        }])
    }
}
