//! What was sung right in a sitting. In: notes and how they were held, and which answers were taken back. Out: what is told.

use super::effect::Effect;
use super::held::{HeldNote, HeldNotes};
use super::summary::SungNotes;
use crate::study::Item;

/// A note that was sung right.
#[derive(Debug, Clone)]
pub(super) struct Sung {
    /// Its answer's place among those kept.
    pub(super) sequence: usize,
    /// The number of its prompt.
    pub(super) number: u32,
    /// What was asked.
    pub(super) item: Item,
    /// From the note asked.
    pub(super) cents: i16,
    /// How it was held, once it has ended, if it was long enough.
    pub(super) held: Option<HeldNote>,
}

/// Notes that were sung right, those taken back among them.
#[derive(Debug, Clone, Default)]
pub(super) struct SungLog {
    notes: Vec<Sung>,
    /// Nothing was answered since the last of them.
    still: bool,
}

impl SungLog {
    /// Something was answered; `sung` if it was sung and right.
    pub(super) fn answered(&mut self, sung: Option<Sung>) {
        self.still = sung.is_some();
        self.notes.extend(sung);
    }

    /// What was sung last has ended; told if it was right and its answer `stands`.
    pub(super) fn ended(
        &mut self,
        held: HeldNote,
        stands: impl Fn(usize) -> bool,
    ) -> Option<Effect> {
        let still = std::mem::take(&mut self.still);
        let sung = self.notes.last_mut()?;
        if !still || !stands(sung.sequence) {
            return None;
        }
        sung.held = Some(held);
        Some(Effect::Held {
            number: sung.number,
            item: sung.item,
            sung_cents: sung.cents,
            held,
        })
    }

    /// Those whose answers stand, counted.
    pub(super) fn summary(
        &self,
        stands: impl Fn(usize) -> bool,
    ) -> (Option<SungNotes>, Option<HeldNotes>) {
        let sung = self.notes.iter().filter(|sung| stands(sung.sequence));
        let (cents, held): (Vec<i16>, Vec<_>) = sung.map(|sung| (sung.cents, sung.held)).unzip();
        let held: Vec<HeldNote> = held.into_iter().flatten().collect();
        (SungNotes::of(&cents), HeldNotes::of(&held))
    }
}
