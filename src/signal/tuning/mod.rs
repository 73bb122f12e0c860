//! How a piano's strings are tuned: from recordings of struck keys to cents with their uncertainty.

mod band;
mod clock;
mod group;
mod guided;
mod instrument;
mod key;
mod line;
mod live;
mod piano;
mod said;
mod stretch;
mod strikes;
mod string;
mod unison;

pub use clock::{ClockError, ClockWatch};
pub use guided::{Guided, Listened};
pub use instrument::{
    BRIDGE_STEP, CLOCK, FAR_OFF, Findings, Instrument, KEY_OFF, Kept, LEAST, ON_PITCH, Reason,
    Remark, SOUR, SOUR_KEYS, Struck, UNEVEN, Verdict, WHOLE, judge,
};
pub use key::{KeyReading, NoReading, PartialReading, read_key};
pub use live::{LiveStrikes, Take};
pub use piano::PianoTuning;
pub use said::Said;
pub use stretch::{KEYS, Stiffness, octave_stretch};
pub use strikes::{Named, Strike, find_strikes, name_key};
pub use unison::Unison;
