//! Results made visible: tables, figures, JSON. Computes nothing that a user could mistake for a measurement.

pub mod figure;
mod plain;
pub mod table;
