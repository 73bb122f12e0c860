//! What is said of a strike in a guided tuning check. In: what was found. Out: words.

use crate::theory::{Cents, MidiNote};

/// What is to be said of a strike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Said {
    /// It is kept.
    Kept {
        /// The key.
        key: MidiNote,
        /// Cents from equal temperament.
        cents: Cents,
        /// Standard error.
        se: Cents,
        /// It was not good, but the best that came.
        faulty: bool,
    },
    /// Another key than the one asked.
    WrongKey {
        /// The one asked.
        asked: MidiNote,
        /// The one it sounds like.
        heard: MidiNote,
    },
    /// Too soft.
    Soft,
    /// Samples at full scale.
    Clipped,
    /// Another string rang on.
    OverAnother,
    /// Let go too soon.
    Brief,
    /// No string stands out.
    NoString,
    /// It was struck several times, and no string was to be heard: passed over.
    HardlySounds {
        /// The key.
        key: MidiNote,
    },
    /// Every key sounds so many semitones off where it stands: from now on keys are taken by where they stand.
    Shifted {
        /// Semitones.
        by: i16,
    },
    /// The sound had a hole.
    Lost,
}

impl Said {
    /// In words; `name` names keys.
    pub fn words(self, name: impl Fn(MidiNote) -> String) -> String {
        match self {
            Said::Kept {
                key,
                cents,
                se,
                faulty,
            } => format!(
                "{}: {:+.1} ± {:.1} cents.{}",
                name(key),
                cents.0,
                se.0.max(0.05),
                if faulty {
                    " Not a good strike, but kept."
                } else {
                    ""
                }
            ),
            Said::WrongKey { asked, heard } => format!(
                "That sounds like {}; {} is asked.",
                name(heard),
                name(asked)
            ),
            Said::Soft => "Too soft to measure: once more, a little louder.".to_owned(),
            Said::Clipped => {
                "Too loud, the sound is cut off: once more, softer, or the microphone further away."
                    .to_owned()
            }
            Said::OverAnother => {
                "Another string was still ringing: let it die away, then once more.".to_owned()
            }
            Said::Brief => "Let go too soon: once more, and hold the key down.".to_owned(),
            Said::NoString => "No string stands out of that: once more, please.".to_owned(),
            Said::HardlySounds { key } => {
                format!(
                    "{} hardly sounds: it is passed over, and said in the report.",
                    name(key)
                )
            }
            Said::Shifted { by } => format!(
                "Key after key sounds {} {}: the piano as a whole stands there. Keys are now taken by where they are.",
                match by.abs() {
                    1 => "a semitone".to_owned(),
                    more => format!("{more} semitones"),
                },
                if by < 0 { "lower" } else { "higher" }
            ),
            Said::Lost => "Sound was lost on its way: once more, please.".to_owned(),
        }
    }

    /// The key is asked for once more.
    pub fn asks_again(self) -> bool {
        !matches!(
            self,
            Said::Kept { .. } | Said::HardlySounds { .. } | Said::Shifted { .. }
        )
    }
}
