//! Which piano key was struck, or which note was sung, and when.
//!
//! [`Listener`] takes sound in pieces of any size and gives [`NoteEvent`]s. It is pure and live: what it says by a moment
//! depends on the sound up to that moment only, and a note once said never changes. Sound is thinned by a whole factor to
//! 22–44 kHz and analysed there; every other constant is in seconds or hertz.

mod comb;
mod company;
mod decide;
mod event;
mod evidence;
mod grid;
mod held;
mod listener;
mod measure;
mod note;
mod onset;
mod pitch;
mod ring;
mod rules;
mod thin;
mod track;
mod tuning;
mod voice;
mod window;

pub use event::{Lesson, ListenError, NoteEvent, Options, Surety};
pub use held::{Held, Holding};
pub use listener::Listener;
pub use track::{PitchFrame, PitchTrack};
