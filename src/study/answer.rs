//! What is kept of every answer: enough to fit any later model of the learner on it.

use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use jiff::Timestamp;

use super::item::Item;
use super::task::{ParseTaskError, Task};
use crate::theory::Pitch;

/// How an item is put to the learner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PromptKind {
    /// Shown.
    Eye,
    /// Sounded.
    Ear,
    /// Shown and sounded at once.
    Both,
}

/// What the answer is given with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AnswerWay {
    /// Names typed.
    Letters,
    /// Keys of a real piano, heard by the microphone or from a recording.
    Piano,
    /// A voice, heard by the microphone or from a recording.
    Voice,
}

/// What was answered, as it is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reply {
    /// A note.
    Note(Pitch),
    /// One of the tasks that might have been asked.
    Task(Task),
}

impl fmt::Display for Reply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reply::Note(pitch) => pitch.fmt(f),
            Reply::Task(task) => task.fmt(f),
        }
    }
}

impl FromStr for Reply {
    type Err = ParseTaskError;

    fn from_str(text: &str) -> Result<Reply, ParseTaskError> {
        match text.parse() {
            Ok(pitch) => Ok(Reply::Note(pitch)),
            Err(_) => text.parse().map(Reply::Task),
        }
    }
}

/// How an answer was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Outcome {
    /// What was asked.
    Right,
    /// Surely something else.
    Wrong,
    /// Heard, but not surely enough to judge: counts for nothing, asks again.
    NotSure,
}

/// One answer, as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// When it was given (UTC).
    pub at: Timestamp,
    /// The id of the stage; thousands of answers share one.
    pub stage: Arc<str>,
    /// What was asked.
    pub item: Item,
    /// How it was asked.
    pub prompt: PromptKind,
    /// How it was answered.
    pub way: AnswerWay,
    /// What was given; a note's octave is the asked one's where only a name is known. `None` when not sure.
    pub given: Option<Reply>,
    /// The verdict.
    pub outcome: Outcome,
    /// From the drawn prompt to the answer. `None` when untimed.
    pub response_ms: Option<u32>,
    /// 1 for the first try at a prompt; later tries never count as response times.
    pub attempt: u32,
    /// Active time this answer adds to the day's practice.
    pub active_ms: u32,
}

/// Small integers for the store; they never change their meaning.
macro_rules! stored {
    ($type:ty { $($variant:ident = $code:literal, $word:literal;)* }) => {
        impl $type {
            /// Every one.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];
            /// The number it is stored as.
            pub fn code(self) -> i64 {
                match self { $(Self::$variant => $code,)* }
            }
            /// What a stored number means; `None` for one of a newer version.
            pub fn from_code(code: i64) -> Option<Self> {
                match code { $($code => Some(Self::$variant),)* _ => None }
            }
            /// The word in events and exports.
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }
        }
    };
}

stored!(PromptKind { Eye = 0, "eye"; Ear = 1, "ear"; Both = 2, "both"; });
stored!(AnswerWay { Letters = 0, "letters"; Piano = 1, "piano"; Voice = 2, "voice"; });
stored!(Outcome { Right = 0, "right"; Wrong = 1, "wrong"; NotSure = 2, "not_sure"; });
