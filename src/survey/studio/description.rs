//! The scene in words, and the table of what is built in.

use serde::Serialize;

use super::scene::{self, BITS, LOADS, Load, MAINS_HZ, RATE_HZ, RECORDER_NOISE_V, SAMPLES, SHUNT, STEPS_V, Shunt};
use super::{Emission, Studio, TELEGRAM_REPLICATE, air_gain, shunt_gain};
use crate::capture::Role;
use crate::synth::{Random, Source};
use crate::units::{Band, engineering};

/// One emission as it is built in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BuiltIn {
    /// Where it comes from.
    pub source: &'static str,
    /// Its frequency in hertz.
    pub frequency_hz: f64,
    /// Its RMS value on the wire without the filter, in volts; zero for what is in the air alone.
    pub wire_v: f64,
    /// Its RMS value at the antenna, in volts.
    pub air_v: f64,
    /// What the filter makes of it, in decibels; `None` for what is in the air alone.
    pub filter_db: Option<f64>,
    /// When it is there.
    pub when: &'static str,
}

impl Studio {
    /// The scene in plain sentences, a paragraph a line. The numbers are those the captures are made of.
    pub fn describe(&self) -> String {
        let loads: String = LOADS.iter().map(|Load { name, about, .. }| format!("The {name}: {about}.\n")).collect();
        let [wire_range, air_range] = STEPS_V.map(|step| engineering(step * f64::from(1 << (BITS - 1)), "V"));
        let [wire_noise, air_noise] = RECORDER_NOISE_V.map(|rms| engineering(rms, "V"));
        let Shunt { line_ohm, line_h, capacitance_f, series_ohm } = SHUNT;
        let resonance = 1.0 / (std::f64::consts::TAU * (line_h * capacitance_f).sqrt());
        format!(
            "A small community radio studio hums. Nothing of it exists: the room, the loads and every number are \
             invented, so that what is found can be set beside what is built in.\n\
             The captures: two channels of {BITS} bits, {} samples in {} s, mains at {MAINS_HZ} Hz, each capture at \
             a mains phase of its own. The wire is recorded behind a coupling network on a range of ±{wire_range}, \
             the air on ±{air_range}; the recorder adds {wire_noise} and {air_noise} of noise. The background, and \
             every load on and on with a shunt filter, three captures each.\n\
             {loads}\
             Always there: a neighbour's solar inverter at 17.5 kHz, and noise that falls from 2 to 0.3 µV/√Hz. \
             Now and then: the meters send at 59 and 63 kHz, through the whole of capture {TELEGRAM_REPLICATE} of \
             every case and in no other. In the air only: two long-wave stations at 120 and 138 kHz.\n\
             The filter: {} with {series_ohm} Ω in series, across a line of {line_ohm} Ω and {}. It resonates with \
             the line near {:.1} kHz and takes away what lies well above; near and below the resonance it adds.\n\
             The air follows the wire at {:.1} dB at 10 kHz, rising to {:.1} dB at 150 kHz, and has noise of its own.\n",
            SAMPLES,
            SAMPLES as f64 / RATE_HZ,
            engineering(capacitance_f, "F"),
            engineering(line_h, "H"),
            resonance / 1e3,
            20.0 * air_gain(10e3).log10(),
            20.0 * air_gain(150e3).log10(),
        )
    }

    /// Every emission that is built in, loads first.
    pub fn built_in(&self) -> Vec<BuiltIn> {
        let wire = |sound| Emission { sound, from_wire: true };
        let of_load =
            |load: &'static Load| load.sounds.iter().map(move |&sound| (load.name, wire(sound), "with the load on"));
        let stations =
            scene::STATIONS.map(|sound| ("long-wave station", Emission { sound, from_wire: false }, "always"));
        let rows = LOADS
            .iter()
            .flat_map(of_load)
            .chain([("solar inverter", wire(scene::SOLAR), "always")])
            .chain([("meter signalling", wire(scene::METER), "through capture 2 of every case")])
            .chain(stations);
        rows.flat_map(|(source, emission, when)| built_in_of(source, emission, when)).collect()
    }
}

fn built_in_of(source: &'static str, emission: Emission, when: &'static str) -> Vec<BuiltIn> {
    let row = |part: Box<dyn Source>| {
        let frequency_hz = part.frequency_hz();
        let rms = Band::new(0.0, f64::MAX).map_or(0.0, |everything| part.power_in(everything).sqrt());
        let gain = |role| emission.gain(frequency_hz, role, false);
        let filter_db = emission.from_wire.then(|| 20.0 * shunt_gain(frequency_hz).log10());
        BuiltIn { source, frequency_hz, wire_v: rms * gain(Role::Wire), air_v: rms * gain(Role::Air), filter_db, when }
    };
    // Levels do not depend on the phases.
    emission.sound.sources(0.0, &mut Random::new(0, 0)).into_iter().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_names_every_emission() {
        let table = Studio::new(1).built_in();
        assert_eq!(table.len(), 13);
        assert_eq!((table[0].source, table[0].frequency_hz), ("LED panel", 68e3));
        assert!((table[0].wire_v - 3e-3).abs() < 1e-12);
        let station = table.last().unwrap();
        assert_eq!((station.wire_v, station.filter_db), (0.0, None));
        // Meter signalling stays below a millivolt, the air at some hundred microvolts.
        let meter = table.iter().find(|row| row.source == "meter signalling").unwrap();
        assert!(meter.wire_v < 1e-3 && table.iter().all(|row| row.air_v < 500e-6));
    }

    #[test]
    fn the_description_tells_the_numbers_it_is_made_of() {
        let text = Studio::new(1).describe();
        for fact in ["12 bits", "0.2 s", "±41.0 mV", "±4.10 mV", "10.4 kHz", "4.70 µF", "50.0 µH", "-25.9 dB"] {
            assert!(text.contains(fact), "{fact}: {text}");
        }
        // The meters' two frequencies are named one by one; the rest by the frequency in the table.
        for row in Studio::new(1).built_in().iter().filter(|row| row.source != "meter signalling") {
            assert!(text.contains(&format!("{}", row.frequency_hz / 1e3)), "{} kHz: {text}", row.frequency_hz / 1e3);
        }
    }
}
