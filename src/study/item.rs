//! One thing to read. In: a spelled pitch and the staff it stands on. Out: a stable text id for the store.

use std::collections::{HashMap, HashSet};
use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;

use foldhash::fast::FixedState;

use super::task::Task;
use crate::theory::{Clef, KeySignature, Pitch};

/// An item: a written note on a staff, under a key signature, and what is asked of it by ear beyond its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Item {
    /// The pitch asked for, as it sounds under the signature.
    pub pitch: Pitch,
    /// The staff it stands on.
    pub clef: Clef,
    /// The key signature at the head of the staff.
    pub key: KeySignature,
    /// Its place in a group, if it is read in one.
    pub in_group: Option<InGroup>,
    /// What is asked of it by ear; `None` for the note itself.
    pub task: Option<Task>,
}

/// Values by item: looked up for every answer of a record and every open item of a prompt. The hash is the same on every
/// run.
pub type ItemMap<V> = HashMap<Item, V, FixedState>;
/// Items that were met.
pub type ItemSet = HashSet<Item, FixedState>;

/// All that tells written notes apart in one word: field by field it takes several times as long.
impl Hash for Item {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let (place, from_last) = self
            .in_group
            .map_or((0, 0), |within| (within.place, within.from_last));
        let bytes = [
            self.pitch.octave.cast_unsigned(),
            self.pitch.letter as u8,
            self.pitch.alteration as u8,
            self.clef as u8,
            self.key.fifths().cast_unsigned(),
            u8::from(self.in_group.is_some()),
            place,
            from_last.cast_unsigned(),
        ];
        state.write_u64(u64::from_le_bytes(bytes));
        if let Some(task) = self.task {
            task.hash(state);
        }
    }
}

/// Where a note stands in a group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct InGroup {
    /// 1 for the first.
    pub place: u8,
    /// Steps of the staff from the note before it; 0 for the first.
    pub from_last: i8,
}

impl Item {
    /// A note without key signature.
    pub fn note(pitch: Pitch, clef: Clef) -> Item {
        Item {
            pitch,
            clef,
            key: KeySignature::NONE,
            in_group: None,
            task: None,
        }
    }

    /// What stands for a task, whatever note it is asked of.
    pub fn of_task(task: Task) -> Item {
        Item {
            task: Some(task),
            ..Item::note(Pitch::from_diatonic(28), Clef::Treble)
        }
    }

    /// The note that answers it; `None` where a choice does.
    pub fn target(self) -> Option<Pitch> {
        match self.task {
            None => Some(self.pitch),
            Some(task) => task.target(self.pitch),
        }
    }

    /// The note by itself.
    pub fn alone(self) -> Item {
        Item {
            in_group: None,
            ..self
        }
    }

    /// The note by itself, and nothing asked of it but its name.
    pub fn bare(self) -> Item {
        Item {
            task: None,
            ..self.alone()
        }
    }

    /// A note read by itself: in no group, and no task of the ear.
    pub fn is_single_note(self) -> bool {
        self.in_group.is_none() && self.task.is_none()
    }

    /// What is learned by it: the note, in a group what it does from the last one, or the task.
    pub fn part(self) -> Item {
        if let Some(task) = self.task {
            return Item::of_task(task.part());
        }
        match self.in_group {
            None => self,
            Some(InGroup { place: 1, .. }) => Item::first_of_group(),
            Some(InGroup { from_last, .. }) => Item::interval(i32::from(from_last)),
        }
    }

    /// The part that stands for all first notes of groups.
    pub fn first_of_group() -> Item {
        Item::stand_in(1, 0)
    }

    /// The part that stands for an interval within groups, in steps of the staff.
    pub fn interval(steps: i32) -> Item {
        Item::stand_in(2, steps.clamp(-100, 100) as i8)
    }

    fn stand_in(place: u8, from_last: i8) -> Item {
        let middle_c = Pitch::from_diatonic(28);
        Item {
            in_group: Some(InGroup { place, from_last }),
            ..Item::note(middle_c, Clef::Treble)
        }
    }
}

impl fmt::Display for Item {
    /// `F#5@treble`, with the key's fifths behind it when there is a signature: `F#5@treble@2`; in a group with its place
    /// and the steps from the note before: `F#5@treble~3-2`; with a task, that too: `C4@treble!interval-M3-up`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}@{}", self.pitch, self.clef.name())?;
        if self.key != KeySignature::NONE {
            write!(f, "@{}", self.key.fifths())?;
        }
        if let Some(InGroup { place, from_last }) = self.in_group {
            write!(f, "~{place}{from_last:+}")?;
        }
        if let Some(task) = self.task {
            write!(f, "!{task}")?;
        }
        Ok(())
    }
}

/// Text that is no item's id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no item: write pitch@clef, as in F#5@treble")]
pub struct ParseItemError {
    /// What was given.
    pub text: String,
}

impl FromStr for Item {
    type Err = ParseItemError;

    fn from_str(text: &str) -> Result<Item, ParseItemError> {
        let err = || ParseItemError {
            text: text.to_owned(),
        };
        let (text, task) = match text.split_once('!') {
            None => (text, None),
            Some((text, task)) => (text, Some(task.parse().map_err(|_| err())?)),
        };
        let (text, group) = match text.split_once('~') {
            None => (text, None),
            Some((text, group)) => (text, Some(read_group(group).ok_or_else(err)?)),
        };
        let mut parts = text.split('@');
        let pitch = parts.next().and_then(|p| p.parse().ok()).ok_or_else(err)?;
        let clef = parts.next().and_then(Clef::from_name).ok_or_else(err)?;
        let key = match parts.next() {
            None => KeySignature::NONE,
            Some(fifths) => fifths
                .parse()
                .ok()
                .and_then(KeySignature::new)
                .ok_or_else(err)?,
        };
        if parts.next().is_some() {
            return Err(err());
        }
        Ok(Item {
            pitch,
            clef,
            key,
            in_group: group,
            task,
        })
    }
}

fn read_group(text: &str) -> Option<InGroup> {
    let sign = text.find(['+', '-'])?;
    Some(InGroup {
        place: text[..sign].parse().ok().filter(|place| *place > 0)?,
        from_last: text[sign..].parse().ok()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_read_back_and_nonsense_is_refused() {
        for id in [
            "F#5@treble",
            "Bb1@bass@-2",
            "C4@treble-8",
            "G4@treble~1+0",
            "G4@bass@2~3-2",
            "G4@bass@2!degree-4",
            "C4@treble!interval-m3-down",
        ] {
            assert_eq!(id.parse::<Item>().unwrap().to_string(), id);
        }
        for id in [
            "",
            "F#5",
            "F#5@violin",
            "F@bass",
            "C4@alto@9",
            "C4@alto@1@1",
            "C4@alto~",
            "C4@alto~2",
            "C4@alto~0+1",
            "C4@alto~2+999",
            "C4@alto!",
            "C4@alto!degree-9",
        ] {
            assert!(id.parse::<Item>().is_err(), "{id}");
        }
    }
}
