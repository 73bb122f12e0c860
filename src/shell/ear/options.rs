//! What a microphone listens for. In: what is answered with, and what is known of the piano. Out: the listener's options.

use crate::drill::KnownKeys;
use crate::signal::listen::Options;
use crate::signal::tuning::PianoTuning;
use crate::study::AnswerWay;

/// Strings that are struck or a voice that sings, never both. Where a piano's keys lie is taught by right answers alone, not
/// learnt from what was merely heard: `tuned` if it was measured, else from `known` keys on.
pub fn listening_for(way: AnswerWay, tuned: Option<PianoTuning>, known: &KnownKeys) -> Options {
    let usual = Options {
        learns: false,
        ..Options::default()
    };
    if way == AnswerWay::Voice {
        return Options {
            piano: false,
            ..usual
        };
    }
    let strings = Options {
        voice: None,
        ..usual
    };
    match tuned {
        Some(tuned) => Options {
            instrument: Some(tuned),
            ..strings
        },
        None => strings.with_keys(known),
    }
}
