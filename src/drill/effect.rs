//! What a sitting asks the world to do.

use crate::study::{Answer, Item, Outcome};

use super::cue::Cue;
use super::held::HeldNote;
use super::judge::{Given, Miss};
use super::summary::Summary;

/// Something to be done outside, in this order.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// The group that the next prompts belong to, note by note.
    Group(Vec<Item>),
    /// Put a new prompt to the learner; answer with [`super::Event::Ready`] when it is there.
    Show {
        /// 1 for the first.
        number: u32,
        /// What is asked.
        item: Item,
    },
    /// Sound this.
    Sound {
        /// What.
        cue: Cue,
        /// It is what is asked, or leads to it: the prompt's clock starts when it has ended.
        prompt: bool,
    },
    /// Keep the answer before its verdict is drawn.
    Save {
        /// Counts the answers of this sitting, from 0.
        sequence: u32,
        /// The prompt it belongs to.
        number: u32,
        /// The answer.
        answer: Answer,
        /// What was given; a note with its octave only where that is known.
        given: Option<Given>,
    },
    /// Take the answer of that sequence number out of the record.
    Withdraw {
        /// The number it was saved under.
        sequence: u32,
    },
    /// Tell the learner.
    Tell(Feedback),
    /// A note that was sung right has ended; said beside the verdict on it.
    Held {
        /// The prompt it answered.
        number: u32,
        /// What was asked.
        item: Item,
        /// How far it was above its place, in cents.
        sung_cents: i16,
        /// How it was held.
        held: HeldNote,
    },
    /// The sitting is over.
    Finish(Summary),
}

/// What the feedback line says.
#[derive(Debug, Clone, PartialEq)]
pub enum Feedback {
    /// The answer was right.
    Right {
        /// The item that was asked.
        item: Item,
        /// Time from the prompt; `None` when untimed or not at the first try.
        response_ms: Option<u32>,
        /// Of a sung note, how far it was above its place, in cents.
        sung_cents: Option<i16>,
    },
    /// It was not; the prompt waits for the right answer.
    Wrong(Miss),
    /// Heard, but not surely enough.
    NotSure,
    /// The last note of a group was answered.
    Group {
        /// Its notes.
        notes: u32,
        /// Right at the first try.
        right: u32,
        /// From the prompt to the last note; `None` when untimed.
        whole_ms: Option<u32>,
    },
    /// A verdict was taken out of the record.
    TakenBack {
        /// What it was.
        outcome: Outcome,
        /// How many were taken back in this sitting.
        times: u32,
    },
    /// Nothing that could be taken back.
    NothingToTakeBack,
}

/// Why a sitting ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The time or the number of prompts asked for is done.
    Done,
    /// Stopped before.
    Stopped,
}

impl Effect {
    /// What was missed, if this effect tells of a miss.
    pub fn miss(&self) -> Option<&Miss> {
        match self {
            Effect::Tell(Feedback::Wrong(miss)) => Some(miss),
            _ => None,
        }
    }
}
