//! Results made visible: tables, figures, JSON. Computes nothing that a user could mistake for a measurement.

pub mod answer;
pub mod calibrate;
pub mod columns;
pub mod document;
pub mod figure;
pub mod mistakes;
pub mod mitigate;
pub mod page;
#[cfg(feature = "columnar")]
pub mod parquet;
pub mod pictures;
pub(crate) mod plain;
pub mod plan;
pub mod response;
pub mod rows;
pub mod sentences;
pub mod survey;
pub mod table;
pub mod tables;
pub mod watched;
