//! What a listener is told, and what it says.

use crate::signal::tuning::PianoTuning;
use crate::theory::{Cents, Hz, MidiNote, Reference};

/// Why a listener could not be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ListenError {
    /// The stream is too slow or too fast.
    #[error(
        "sound of {given} samples a second cannot be listened to: choose a rate from 8,000 to 192,000"
    )]
    Rate {
        /// What was given.
        given: u32,
    },
}

/// What a listener may know beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// The frequency of A4 that cents are counted from.
    pub reference: Reference,
    /// Whether struck keys are heard.
    pub piano: bool,
    /// The range in which sung notes are heard, lowest and highest; none to hear no voice.
    pub voice: Option<(MidiNote, MidiNote)>,
    /// Where the keys of this piano lie, as far as that is known.
    pub instrument: Option<PianoTuning>,
    /// Whether the listener's own surest decisions teach it how the instrument is tuned; else [`Listener::teach`] does.
    ///
    /// [`Listener::teach`]: super::Listener::teach
    pub learns: bool,
}

impl Default for Options {
    /// Anything from a piano at A4 = 440 Hz or a voice from C2 to C6; learns by itself.
    fn default() -> Options {
        Options {
            reference: Reference::default(),
            piano: true,
            voice: Some((MidiNote(36), MidiNote(84))),
            instrument: None,
            learns: true,
        }
    }
}

impl Options {
    /// The same for a piano of which some keys are known: cents above equal temperament at the reference.
    pub fn with_keys(self, keys: &[Option<(MidiNote, Cents)>]) -> Options {
        let known: Vec<(MidiNote, Cents)> = keys.iter().flatten().copied().collect();
        let piano = PianoTuning::of_keys(&known, self.reference);
        Options {
            instrument: (!known.is_empty()).then_some(piano),
            ..self
        }
    }
}

/// What somebody who knows more tells a listener about the instrument.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lesson {
    /// The note was of the key it was taken for.
    Right(NoteEvent),
    /// Where keys lie, as in [`Options::instrument`]. What was learnt before is forgotten.
    Keys([Option<(MidiNote, Cents)>; 3]),
}

/// Whether an event names its key for certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Surety {
    /// It is this key.
    Sure,
    /// Something sounded, but which key cannot be told; the key given is only the likeliest.
    Unsure,
}

/// A note that was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteEvent {
    /// When it began, seconds from the start of the stream.
    pub onset_s: f64,
    /// The end of the sound that was needed to tell, seconds from the start of the stream.
    pub decided_s: f64,
    /// The key.
    pub key: MidiNote,
    /// Its first partial.
    pub frequency: Hz,
    /// First partial above the key's place in equal temperament at the reference.
    pub cents: Cents,
    /// How likely the key is, 0..=1.
    pub confidence: f32,
    /// Whether the key may be judged.
    pub surety: Surety,
}
