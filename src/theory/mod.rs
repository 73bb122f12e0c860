//! The vocabulary of written and sounding music. Imports nothing of ours.
//!
//! Spelling and sound are kept apart: C♯ and D♭ are two [`Pitch`]es and one [`MidiNote`].

mod chord;
mod clef;
mod interval;
mod key;
mod names;
mod pitch;
mod scala;
mod staff;
mod temperament;

pub use chord::{Chord, cadence, home};
pub use clef::Clef;
pub use interval::{Interval, ParseIntervalError, Quality, number_in_words};
pub use key::{KeySignature, Mode};
pub use names::{NoteNames, ParseNamesError};
pub use pitch::{Alteration, Letter, MidiNote, ParsePitchError, Pitch, Spelling};
pub use scala::ScalaError;
pub use staff::{StaffStep, ledger_lines};
pub use temperament::{Cents, Hz, Reference, ReferenceError, Temperament};
