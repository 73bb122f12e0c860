//! What happens to a sitting. Every time is in ms from the sitting's start.

use super::held::HeldNote;
use crate::study::Task;
use crate::theory::{MidiNote, Pitch, Spelling};

/// Something that happened outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// The first prompt is wanted.
    Begin {
        /// Now.
        at_ms: u64,
    },
    /// The prompt is there: drawn (eye), or its sound has ended (ear). Response time counts from here.
    Ready {
        /// When it was drawn, or when its sound ended.
        at_ms: u64,
    },
    /// A name was typed.
    Named {
        /// When the key was pressed.
        at_ms: u64,
        /// The name.
        name: Spelling,
    },
    /// The very key was struck on a piano.
    Struck {
        /// When its sound began. A sound that began before the prompt was there is no answer to it.
        onset_ms: u64,
        /// When it was known which key it was.
        at_ms: u64,
        /// The key; `None` when something was heard, but not surely enough to judge.
        key: Option<MidiNote>,
    },
    /// A note was sung.
    Sung {
        /// When it began.
        onset_ms: u64,
        /// When it was known.
        at_ms: u64,
        /// The nearest key, and whole cents above it; `None` when something was heard, but not surely enough to judge.
        note: Option<(MidiNote, i16)>,
    },
    /// The note that was sung last has ended, and was long enough to tell how it was held.
    Held(HeldNote),
    /// A note was chosen on the staff.
    Placed {
        /// When the key was pressed.
        at_ms: u64,
        /// The note.
        pitch: Pitch,
    },
    /// One of the tasks that may be asked was chosen.
    Chosen {
        /// When the key was pressed.
        at_ms: u64,
        /// The task.
        task: Task,
    },
    /// Time passed while the piano could be heard; told now and then.
    Passed {
        /// Now.
        at_ms: u64,
    },
    /// What is asked is only heard, and cannot be heard now: nothing is judged until [`Event::Resume`].
    Unheard,
    /// Keys of the piano may be taken for their neighbours: three keys are asked for, and nothing is judged until
    /// [`Event::Resume`].
    Doubt,
    /// The answer saved under that sequence number was misheard: out of the record.
    Misheard {
        /// The number.
        sequence: u32,
    },
    /// The learner takes the last verdict out of the record.
    TakeBack,
    /// The learner wants a rest.
    Pause {
        /// Now.
        at_ms: u64,
    },
    /// Back from the rest.
    Resume {
        /// Now.
        at_ms: u64,
    },
    /// The learner, or the end of the recording, ends the sitting.
    Stop,
}
