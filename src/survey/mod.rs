//! A whole job as data: cases, roles, what is compared with what; and what came of it.

pub mod description;
pub mod fall_off;
pub mod names;
pub mod run;
pub mod studio;
