//! The live ear: from a microphone, whatever becomes of it, to notes with the instants at which they were struck.
//!
//! [`Ear`] runs one thread that opens the device, watches it, listens, and opens it again when it was lost. Only what a
//! sitting asks for opens a microphone, and it is closed with the sitting.

mod check;
mod clock;
mod gate;
mod guided;
mod hands;
mod holes;
mod listening;
mod loop_delay;
mod options;
mod own;
mod pace;
mod piano_store;
mod record;

pub use check::{Finding, Takes, study};
pub use guided::{MeasureError, SoundCheck, loop_delay, sound_check};
pub(super) use hands::Hands;
pub use listening::{Ear, EarNews, EarOptions, Heard, Patience, Tell};
pub use loop_delay::{LoopDelay, LoopStore, measure};
pub use options::listening_for;
pub use own::OwnSound;
pub use piano_store::PianoStore;
pub use record::Recorder;
