//! What a recording is: channels on one clock, samples on their way as blocks, and how they were read.
//!
//! Nothing here knows a file format or a spectrum. A [`Recording`] is opened by `read` and consumed by
//! `measure`; a short capture is one block, an endless one is many, and nobody else knows the difference.

mod account;
mod block;
pub mod chain;
mod channel;
mod clock;
mod port;
mod section;

pub use account::{Account, ColumnAccount, DataBlock, Doubt, OptionBeside, RateCandidate};
pub use block::{Block, Header, Memory, Recording};
pub use channel::{Channel, Quantity, Role};
pub use clock::{Clock, RateSource};
pub use port::Port;
pub use section::{Reel, Section, between, sample_at};
