//! Sheets to pin up, cut out or read from. In: what a learner trains, a paper. Out: [`Document`]s.
//! Layouts are ours; staves are the display list's own.

mod cards;
mod days;
mod names;
mod rows;

pub use cards::cards;
pub use days::{StageDays, days};
pub use names::names;
pub use rows::rows;

use crate::engrave::{
    DisplayList, Document, Event, NoteMark, Page, Part, Phrase, PrintedMusic as Music, Role, Shape,
    Staves, Thing, Words, display_list,
};
use crate::study::Item;
use crate::theory::{Clef, KeySignature, NoteNames, Pitch};

/// Size of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// ISO 216 A4.
    #[default]
    A4,
    /// US Letter.
    Letter,
}

impl Paper {
    /// Width and height in millimetres. Source: ISO 216; ANSI/ASME Y14.1 (8½ by 11 inches).
    pub fn size(self) -> (f64, f64) {
        match self {
            Paper::A4 => (210.0, 297.0),
            Paper::Letter => (215.9, 279.4),
        }
    }
}

/// How sheets are made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Style {
    /// The paper.
    pub paper: Paper,
    /// Large print.
    pub large: bool,
    /// What notes are called.
    pub names: NoteNames,
}

/// Blank edge of a page: printers reach no nearer than a few millimetres.
pub(super) const MARGIN: f64 = 15.0;

impl Style {
    /// A staff space: what printed tutors for beginners have, and half as much again in large print.
    fn space(self) -> f64 {
        if self.large { 3.3 } else { 2.2 }
    }

    /// Height of words.
    fn words(self) -> f64 {
        if self.large { 6.3 } else { 4.2 }
    }

    pub(super) fn page(self) -> Page {
        let (width, height) = self.paper.size();
        Page {
            width,
            height,
            things: Vec::new(),
        }
    }

    fn name(self, pitch: Pitch, key: KeySignature) -> String {
        self.names.name(pitch.spelling(), key, false)
    }

    fn says(self, item: Item) -> String {
        spoken(item.pitch, item.key, self.names)
    }

    /// The heading of a page, and the name of whoever it is for at its right; what is left begins at the height given
    /// back.
    fn heading(self, page: &mut Page, title: &str, whose: &str) -> f64 {
        let size = self.words() * 1.6;
        let y = MARGIN + size * 0.8;
        page.things
            .push(Thing::Heading(1, Words::new(MARGIN, y, size, title)));
        if !whose.is_empty() {
            let words = Words::new(page.width - MARGIN, y, self.words(), whose).ending();
            page.things.push(Thing::Words(words));
        }
        y + size * 0.7
    }
}

/// A phrase on paper: its music, the heads' middles across the page, and the page's y of a height.
pub(super) struct Set {
    pub(super) music: Music,
    pub(super) heads: Vec<f64>,
}

/// Sets `events` on `staves` from `x` on, `width` wide; `middle_c` is where middle C's height (y = 14) stands.
pub(super) fn set(
    staves: Staves,
    key: KeySignature,
    events: Vec<Event>,
    (x, width): (f64, f64),
    middle_c: f64,
    space: f64,
    says: String,
) -> Set {
    let phrase = Phrase {
        staves,
        key,
        events,
    };
    let list = display_list(&phrase, width / space);
    let heads = heads(&list).map(|head| x + head * space).collect();
    Set {
        music: Music {
            list,
            x,
            zero: middle_c + 14.0 * space,
            space,
            says,
            heads: Vec::new(),
        },
        heads,
    }
}

/// The middles of heads across a list, from left to right, in staff spaces.
fn heads(list: &DisplayList) -> impl Iterator<Item = f64> {
    list.marks
        .iter()
        .filter(|mark| mark.part == Part::Head)
        .filter_map(|mark| match mark.shape {
            Shape::Glyph { at, .. } => Some(at.x + HALF_HEAD),
            _ => None,
        })
}

/// Half a head's width: Bravura's black head is 1.18 spaces wide.
const HALF_HEAD: f64 = 0.59;

/// A note to read.
pub(super) fn one(pitch: Pitch, clef: Clef) -> Event {
    Event::Notes {
        notes: vec![NoteMark {
            pitch,
            clef,
            role: Role::Plain,
        }],
        value: None,
    }
}

/// How a note is said to whoever cannot see the page, by the page's own naming: `F sharp 4`, `Fis 4`.
pub(super) fn spoken(pitch: Pitch, key: KeySignature, names: NoteNames) -> String {
    format!("{} {}", names.spoken(pitch.spelling(), key), pitch.octave)
}

fn document(title: &str, pages: Vec<Page>) -> Document {
    Document {
        title: title.to_owned(),
        language: "en".to_owned(),
        pages,
    }
}

#[cfg(test)]
mod tests;
