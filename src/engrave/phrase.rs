//! Music in time: notes with values, bars and changes of key. In: events from left to right. Out: which notes need an
//! accidental. Source: an accidental holds for its staff, letter and octave to the end of the bar (common practice).

use std::collections::BTreeMap;

use super::music::{Music, NoteMark, Role, Staves};
use crate::theory::{Alteration, Clef, KeySignature, Pitch};

/// How long a note is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum NoteValue {
    Whole,
    Half,
    Quarter,
    Eighth,
    Sixteenth,
}

/// What stands on the staff, one thing after the other.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Notes that stand above each other.
    Notes {
        /// In any order; a note [`Role::Given`] beside others stands to their right.
        notes: Vec<NoteMark>,
        /// With stem and flag; without a value a black head alone.
        value: Option<NoteValue>,
    },
    /// Another signature from here on; what it no longer has is cancelled by naturals.
    Key(KeySignature),
    /// A bar line.
    Bar,
    /// A pitch that sounds now, as a point.
    Sounding(Sounding),
}

/// A pitch that sounds now, heard and not read: a point on the staff, off its note's place in proportion to the cents.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sounding {
    /// The nearest note.
    pub pitch: Pitch,
    /// The staff it is shown on.
    pub clef: Clef,
    /// How much higher it sounds than that note.
    pub cents: f64,
}

impl Sounding {
    /// Staff steps above C0 of the point: 100 cents are one step, so that a quarter tone ends half way to the next.
    pub fn height(&self) -> f64 {
        f64::from(self.pitch.diatonic()) + self.cents / 100.0
    }

    /// The figure beside the point: `+12 cents`, `−7 cents`.
    pub fn figure(&self, ascii: bool) -> String {
        let cents = self.cents.round();
        let sign = match (cents < 0.0, ascii) {
            (true, false) => "−",
            (true, true) => "-",
            (false, _) => "+",
        };
        format!("{sign}{:.0} cents", cents.abs())
    }
}

/// Some music on a system.
#[derive(Debug, Clone, PartialEq)]
pub struct Phrase {
    /// The staves.
    pub staves: Staves,
    /// The signature at the head of each staff.
    pub key: KeySignature,
    /// From left to right.
    pub events: Vec<Event>,
}

impl From<&Music> for Phrase {
    fn from(music: &Music) -> Phrase {
        Phrase {
            staves: music.staves,
            key: music.key,
            events: music
                .columns
                .iter()
                .map(|column| Event::Notes {
                    notes: column.notes.clone(),
                    value: None,
                })
                .collect(),
        }
    }
}

impl Phrase {
    /// All notes.
    pub(super) fn notes(&self) -> impl Iterator<Item = &NoteMark> {
        self.events.iter().flat_map(|event| match event {
            Event::Notes { notes, .. } => notes.as_slice(),
            Event::Key(_) | Event::Bar | Event::Sounding(_) => &[],
        })
    }

    /// The pitches that sound now.
    pub(super) fn sounding(&self) -> impl Iterator<Item = &Sounding> {
        self.events.iter().filter_map(|event| match event {
            Event::Sounding(sounding) => Some(sounding),
            _ => None,
        })
    }

    /// For each event, whether each of its notes needs an accidental.
    pub(super) fn accidentals(&self) -> Vec<Vec<bool>> {
        let mut key = self.key;
        let mut bar: BTreeMap<(Clef, i32), Alteration> = BTreeMap::new();
        let mut needs = Vec::with_capacity(self.events.len());
        for event in &self.events {
            let notes = match event {
                Event::Notes { notes, .. } => notes.as_slice(),
                Event::Key(new) => {
                    key = *new;
                    bar.clear();
                    &[]
                }
                Event::Bar => {
                    bar.clear();
                    &[]
                }
                Event::Sounding(_) => &[],
            };
            let before = bar.clone();
            let mut signs = Vec::with_capacity(notes.len());
            for note in notes {
                let spelling = note.pitch.spelling();
                let place = (note.clef, note.pitch.diatonic());
                // What was given is no part of the music: the signature alone decides, and nothing follows from it.
                if note.role == Role::Given {
                    signs.push(key.needs_accidental(spelling));
                    continue;
                }
                let holds = before
                    .get(&place)
                    .copied()
                    .unwrap_or_else(|| key.alteration(spelling.letter));
                let twice = notes.iter().any(|other| {
                    other.role != Role::Given
                        && (other.clef, other.pitch.diatonic()) == place
                        && other.pitch != note.pitch
                });
                signs.push(twice || holds != spelling.alteration);
                bar.insert(place, spelling.alteration);
            }
            needs.push(signs);
        }
        needs
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signs(fifths: i8, bars: &str) -> Vec<bool> {
        let events = bars
            .split(' ')
            .map(|word| match word.parse::<Pitch>() {
                Err(_) => Event::Bar,
                Ok(pitch) => Event::Notes {
                    notes: vec![NoteMark {
                        pitch,
                        clef: Clef::Treble,
                        role: Role::Plain,
                    }],
                    value: None,
                },
            })
            .collect();
        let phrase = Phrase {
            staves: Staves::One(Clef::Treble),
            key: KeySignature::new(fifths).unwrap(),
            events,
        };
        phrase.accidentals().concat()
    }

    #[test]
    fn an_accidental_holds_to_the_end_of_the_bar_in_its_own_octave() {
        // Common practice.
        assert_eq!(signs(0, "F#4 F#4 F4"), [true, false, true]);
        assert_eq!(signs(0, "F#4 F#5"), [true, true]);
        assert_eq!(signs(0, "F#4 | F4"), [true, false]);
        assert_eq!(signs(1, "F#4 F4 F#4"), [false, true, true]);
        assert_eq!(signs(-2, "Bb4 Eb5 A4 Ab4"), [false, false, false, true]);
    }

    #[test]
    fn a_note_given_instead_changes_nothing_for_the_next() {
        let note = |pitch: &str, role| NoteMark {
            pitch: pitch.parse().unwrap(),
            clef: Clef::Treble,
            role,
        };
        let one = |note| Event::Notes {
            notes: vec![note],
            value: None,
        };
        let phrase = Phrase {
            staves: Staves::One(Clef::Treble),
            key: KeySignature::NONE,
            events: vec![
                one(note("F#5", Role::Asked)),
                one(note("F5", Role::Given)),
                one(note("F#5", Role::Plain)),
            ],
        };
        assert_eq!(phrase.accidentals(), [[true], [false], [false]]);
    }
}
