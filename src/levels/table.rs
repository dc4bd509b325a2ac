//! The curves that come with the program, and those that the user adds.

use std::collections::BTreeSet;
use std::sync::OnceLock;

use super::Curve;
use super::file::{curves_in, read};
use crate::error::{Error, printable};
use crate::read::Source;
use crate::read::fields::nearest;

/// The files of curves, each reviewed as data beside its source.
const FILES: &[(&str, &str)] = &[
    ("compatibility.toml", include_str!("data/compatibility.toml")),
    ("lighting.toml", include_str!("data/lighting.toml")),
    ("induction-cooking.toml", include_str!("data/induction-cooking.toml")),
    ("signalling.toml", include_str!("data/signalling.toml")),
    ("exposure.toml", include_str!("data/exposure.toml")),
];

/// The curves that come with the program, in the order of their files.
///
/// # Panics
/// Never: the files are compiled in, and a test reads them all.
pub fn published() -> &'static [Curve] {
    static CURVES: OnceLock<Vec<Curve>> = OnceLock::new();
    CURVES.get_or_init(|| {
        let of_file = |(name, text): &(&str, &str)| curves_in(name, text).expect("compiled-in curves are sound");
        let without_file = |curve: Curve| Curve { file: None, ..curve };
        FILES.iter().flat_map(of_file).map(without_file).collect()
    })
}

/// All curves that a command knows: the published ones, then the user's own.
#[derive(Debug, Clone)]
pub struct Curves(Vec<Curve>);

impl Curves {
    /// The published curves and those in files of the user's.
    ///
    /// # Errors
    /// What is wrong with a file, with line and column; a name that is taken.
    pub fn with(files: &[Source]) -> Result<Self, Error> {
        let mut curves = published().to_vec();
        let mut names: BTreeSet<String> = curves.iter().map(|curve| curve.name.clone()).collect();
        for file in files {
            for curve in read(file)? {
                if !names.insert(curve.name.clone()) {
                    return Err(Error::input(format!("the name \"{}\" is taken already", printable(&curve.name)))
                        .in_file(file.name())
                        .expected("a name of its own for each level")
                        .remedy("call it by another name in its section [level.NAME]"));
                }
                curves.push(curve);
            }
        }
        Ok(Self(curves))
    }

    /// All of them.
    pub fn all(&self) -> &[Curve] {
        &self.0
    }

    /// The one of a name.
    ///
    /// # Errors
    /// No curve of this name; the nearest one is named.
    pub fn named(&self, name: &str) -> Result<&Curve, Error> {
        self.0.iter().find(|curve| curve.name == name).ok_or_else(|| {
            let names: Vec<&str> = self.0.iter().map(|curve| curve.name.as_str()).collect();
            let hint = nearest(name, &names).map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
            Error::usage(format!("no level is called \"{}\"{hint}", printable(name)))
                .expected(format!("one of: {}", names.join(", ")))
                .remedy("see \"levels\", or add your own with --levels FILE.toml")
        })
    }
}
