//! What is being asked: a prompt, the group that it belongs to, or why there is none.

use crate::study::Item;

/// A prompt being shown.
#[derive(Debug, Clone, Copy)]
pub(super) struct Open {
    pub(super) item: Item,
    /// When it was there; `None` until then.
    pub(super) ready_ms: Option<u64>,
    /// Tries so far.
    pub(super) tries: u32,
    /// Active time it has earned.
    pub(super) earned_ms: u64,
}

/// The group being answered; empty at a stage of single notes.
#[derive(Debug, Clone, Default)]
pub(super) struct Group {
    pub(super) notes: Vec<Item>,
    /// How many of its notes have been put.
    pub(super) put: usize,
    /// Right at the first try.
    pub(super) right: u32,
    /// When its first note was there.
    pub(super) ready_ms: Option<u64>,
}

/// Why no prompt runs at present.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// The learner asked for it; the learner ends it.
    Asked,
    /// Nothing was heard for 15 s; the next note ends it.
    Silence,
    /// The first note is awaited.
    BeforeFirst,
    /// What is asked is only heard, and nothing can be heard now.
    Unheard,
    /// Three keys of the piano are asked for, by their place.
    Places,
}
