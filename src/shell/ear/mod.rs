//! The live ear: from a microphone, whatever becomes of it, to notes with the instants at which they were struck.
//!
//! [`Ear`] runs one thread that opens the device, watches it, listens, and opens it again when it was lost. Only what a
//! sitting asks for opens a microphone, and it is closed with the sitting.

mod clock;
mod gate;
mod hands;
mod listening;
mod own;
mod pace;

pub(super) use hands::{Hands, rest_in_words};
pub use listening::{Ear, EarNews, EarOptions, Heard, Patience, Tell};
pub use own::OwnSound;
