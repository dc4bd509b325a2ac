//! A whole job as data: cases, roles, what is compared with what.

pub mod studio;
