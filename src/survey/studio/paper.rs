//! The description that somebody would have written for the studio: its captures as cases. People, places and readings
//! are as invented as the rest.

use std::fmt::Write;

use super::scene::LOADS;
use super::{CaptureSpec, Load, State, Studio};

/// Where each load stands, in the order of [`LOADS`], and what an indicator in a socket beside it would have shown:
/// off, on, on with the filter.
const PLACES: [(&str, f64, [u32; 3]); 4] = [
    ("control room", 0.3, [38, 410, 52]),
    ("hallway", 0.3, [38, 395, 47]),
    ("control room", 0.3, [38, 160, 41]),
    ("roof terrace", 0.3, [38, 120, 88]),
];

const HEAD: &str = "\
# The survey of the invented studio: run it again with \"linewake survey\" and this file.
title = \"Hum in a small community radio studio\"
date = 2026-11-14
site = \"Quill Radio, second floor\"
remarks = \"Listeners hear a hum since the control room was rewired. Everything here is invented: the room, the people, the loads and every number.\"

[people]
measured = \"Ada Fennimore\"
commissioned = \"Jory Tamsin\"

[[instrument]]
name = \"recorder\"
about = \"two channels of 12 bits, the wire behind a coupling network, the air from a small antenna\"

[[location]]
name = \"control room\"
about = \"mixing desk, window to the studio\"

[[location]]
name = \"hallway\"

[[location]]
name = \"roof terrace\"

[analysis]
bands = \"wide\"
# The captures last 0.2 s, too short for a quasi-peak reading of the record by itself.
repeat = true

[levels]
draw = [\"lighting-mains\"]
";

impl Studio {
    /// The survey description of the studio's captures, which lie in the folder `captures` beside it.
    ///
    /// ```
    /// use linewake::read::{Bytes, Source};
    /// use linewake::survey::{description::read, studio::Studio};
    /// let text = Studio::new(1).survey_toml();
    /// let survey = read(&Source::new(Bytes::new("survey.toml", text.into_bytes())))?;
    /// assert_eq!((survey.cases.len(), survey.captures().len()), (4, 30));
    /// # Ok::<(), linewake::error::Error>(())
    /// ```
    pub fn survey_toml(&self) -> String {
        let mut text = HEAD.to_owned();
        for (load, (place, distance_m, [off, on, filtered])) in LOADS.iter().zip(PLACES) {
            let _ = write!(
                text,
                "\n[[case]]\nname = \"{}\"\nlocation = \"{place}\"\nremarks = \"{}.\"\n\
                 filter = \"a shunt capacitor with a resistor in series\"\n\
                 antenna_distance_m = {distance_m}\nantenna_orientation = \"upright\"\n",
                load.name, load.about
            );
            let sides = [
                ("background", None, State::Background),
                ("off_with_filter", None, State::OnWithFilter),
                ("on", Some(load), State::On),
                ("on_with_filter", Some(load), State::OnWithFilter),
            ];
            for (key, load, state) in sides {
                let _ = writeln!(text, "{key} = [{}]", self.named(load, state));
            }
            let _ = write!(
                text,
                "\n[case.indicator]\nabout = \"An indicator in the next socket\"\nunit = \"counts\"\n\
                 background = {off}\non = {on}\non_with_filter = {filtered}\n"
            );
        }
        text
    }

    fn named(&self, load: Option<&Load>, state: State) -> String {
        let is_wanted = |c: &CaptureSpec| c.load.map(|l| l.slug) == load.map(|l| l.slug) && c.state == state;
        let captures = self.captures().into_iter().filter(is_wanted);
        captures.map(|capture| format!("\"captures/{}\"", capture.file_name())).collect::<Vec<_>>().join(", ")
    }
}
