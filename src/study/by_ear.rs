//! What is heard beside what is read: first tries at single notes by eye and by ear.
//! In: answers with their practice days, in the order of recording. Out: tries note by note, and those by ear.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::{Answer, Item, Outcome, PromptKind};

/// First tries that are looked at, the newest; and how many of them there must be, and may be wrong, to count as known.
/// Ours, no source.
const LOOKED_AT: usize = 5;
const LEAST: usize = 3;
const MAY_BE_WRONG: usize = 1;

/// First tries at one note, by eye or by ear.
#[derive(Debug, Clone, Default)]
pub struct Tries {
    /// Right or not, the newest last.
    right: Vec<bool>,
}

impl Tries {
    /// How many there were, and how many of them right.
    pub fn tally(&self) -> (usize, usize) {
        (
            self.right.len(),
            self.right.iter().filter(|right| **right).count(),
        )
    }

    /// Known well enough: the newest few are right but for one.
    pub fn known(&self) -> bool {
        let newest = &self.right[self.right.len().saturating_sub(LOOKED_AT)..];
        let wrong = newest.iter().filter(|right| !**right).count();
        newest.len() >= LEAST && wrong <= MAY_BE_WRONG
    }
}

/// One note by eye and by ear.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// Shown.
    pub eye: Tries,
    /// Only heard.
    pub ear: Tries,
}

impl Beside {
    /// Whether it was ever asked by ear.
    pub fn was_heard(&self) -> bool {
        self.ear.tally().0 > 0
    }

    /// What is known of it, in words; nothing where neither is.
    pub fn in_words(&self) -> &'static str {
        match (self.eye.known(), self.ear.known()) {
            (true, true) => "read and heard",
            (true, false) => "read, not heard yet",
            (false, true) => "heard, not read yet",
            (false, false) => "",
        }
    }
}

/// First tries at single notes, by eye and by ear, in the order of the staff.
pub fn beside(answers: &[(Date, Answer)]) -> BTreeMap<Item, Beside> {
    let mut notes: BTreeMap<Item, Beside> = BTreeMap::new();
    for (_, answer) in answers {
        if !answer.item.is_single_note() || !is_first_try(answer) {
            continue;
        }
        let note = notes.entry(answer.item).or_default();
        let right = answer.outcome == Outcome::Right;
        match answer.prompt {
            PromptKind::Ear => note.ear.right.push(right),
            // What was shown and sounded at once shows neither by itself; it was read at least.
            PromptKind::Eye | PromptKind::Both => note.eye.right.push(right),
        }
    }
    notes
}

/// First tries at all that was only heard, notes and tasks of the ear, and whether each was right.
pub fn tries_by_ear(answers: &[(Date, Answer)]) -> Vec<(Date, bool)> {
    answers
        .iter()
        .filter(|(_, answer)| answer.prompt == PromptKind::Ear && is_first_try(answer))
        .map(|(day, answer)| (*day, answer.outcome == Outcome::Right))
        .collect()
}

/// Judged, and the first at its prompt.
fn is_first_try(answer: &Answer) -> bool {
    answer.attempt == 1 && answer.outcome != Outcome::NotSure
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_is_known_when_its_newest_tries_are_right_but_for_one() {
        let known = |tries: &str| {
            let right = tries.chars().map(|c| c == '+').collect();
            Tries { right }.known()
        };
        for tries in ["+++", "-++", "------++++", "---+-+++"] {
            assert!(known(tries), "{tries}");
        }
        for tries in ["", "++", "+--+", "+++++--"] {
            assert!(!known(tries), "{tries}");
        }
    }
}
