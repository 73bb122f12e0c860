//! Sound from notes: a bank of partials per voice, mixed, limited, to samples.
//!
//! [`fn@render`] turns a whole [`crate::score::Phrase`] into samples; [`Engine`] does the same piece by piece for an
//! audio callback, where it never allocates, frees or locks. Both run the same code: the same notes give the
//! same samples, bit for bit, however the output is cut into blocks.

mod bank;
mod engine;
mod grand;
mod knock;
mod limiter;
mod rate;
mod render;
mod timbre;
mod voice;

pub use engine::{Engine, NoteOn, VOICES};
pub use limiter::{CEILING, LOOK_AHEAD_S};
pub use rate::{SampleRate, SampleRateError};
pub use render::{RenderOptions, render};
pub use timbre::{inharmonicity, partial_frequency};
pub use voice::{ATTACK_S, RELEASE_S};
