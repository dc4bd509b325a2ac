//! One test binary; the list of modules is the overview.

mod reading_hostile;
mod reading_layouts;
mod reading_outside;
mod reading_properties;
