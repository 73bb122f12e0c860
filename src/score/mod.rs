//! Notes in time.

mod phrase;

pub use phrase::{Phrase, SoundingNote, Tone};
