//! What is to be engraved: a few notes on one staff or two, each with its part in the exercise.
//! Also the reach of a whole stage, from which sizes are chosen so that staves stand still from prompt to prompt.

use super::font::music_font;
use super::metrics::Glyph;
use crate::theory::{Alteration, Clef, KeySignature, Pitch, StaffStep, ledger_lines};

/// The staves of a system.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Staves {
    /// A single staff.
    One(Clef),
    /// Treble and bass, two spaces apart: middle C is one ledger line from both.
    Grand,
}

impl Staves {
    /// The clefs from the top.
    pub fn clefs(self) -> Vec<Clef> {
        match self {
            Staves::One(clef) => vec![clef],
            Staves::Grand => vec![Clef::Treble, Clef::Bass],
        }
    }
}

/// Some notes to read.
#[derive(Debug, Clone, PartialEq)]
pub struct Music {
    /// The staves.
    pub staves: Staves,
    /// The signature at the head of each staff.
    pub key: KeySignature,
    /// From left to right.
    pub columns: Vec<Column>,
}

/// Notes that stand above each other.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Column {
    /// In any order; a note [`Role::Given`] beside others stands to their right.
    pub notes: Vec<NoteMark>,
}

/// A note head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NoteMark {
    /// What is written.
    pub pitch: Pitch,
    /// On which staff.
    pub clef: Clef,
    /// Its part in the exercise.
    pub role: Role,
}

/// A note's part in the exercise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Role {
    /// A note to read.
    #[default]
    Plain,
    /// The note asked for, after a miss.
    Asked,
    /// The note given instead: an ✗-shaped head.
    Given,
    /// A note of a group that was read rightly.
    Right,
    /// The note of a group that is to be read now.
    Now,
    /// A note of a group that comes later.
    Later,
}

/// The glyph of a clef.
pub(super) fn clef_glyph(clef: Clef) -> Glyph {
    match clef {
        Clef::Treble => Glyph::GClef,
        Clef::Treble8Below => Glyph::GClef8Below,
        Clef::Bass => Glyph::FClef,
        Clef::Alto | Clef::Tenor => Glyph::CClef,
    }
}

/// The step a clef's origin lies on. Source: SMuFL (G on line 2, F on 4), MusicXML 4.0 (C on 3, or 4 for tenor).
pub(super) fn clef_step(clef: Clef) -> StaffStep {
    StaffStep(match clef {
        Clef::Treble | Clef::Treble8Below => 2,
        Clef::Bass | Clef::Tenor => 6,
        Clef::Alto => 4,
    })
}

/// The glyph of an accidental.
pub(super) fn accidental_glyph(alteration: Alteration) -> Glyph {
    match alteration {
        Alteration::DoubleFlat => Glyph::DoubleFlat,
        Alteration::Flat => Glyph::Flat,
        Alteration::Natural => Glyph::Natural,
        Alteration::Sharp => Glyph::Sharp,
        Alteration::DoubleSharp => Glyph::DoubleSharp,
    }
}

/// How far ink reaches, as staff steps above C0 (middle C is 28; a head reaches one step up and down).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// The lowest ink.
    pub low: f64,
    /// The highest ink.
    pub high: f64,
}

impl Reach {
    /// The smallest reach that holds both.
    pub fn with(self, other: Reach) -> Reach {
        Reach {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }
}

/// What the notes of a whole stage need, so that the staff does not jump from prompt to prompt.
#[derive(Debug, Clone, PartialEq)]
pub struct StageRange {
    staves: Staves,
    /// Reach of the notes' ink, and of their rows alone, under each clef.
    notes: Vec<(Clef, Reach, Reach)>,
    columns: usize,
    accidental_room: f64,
    signature: KeySignature,
    stems: bool,
}

/// Clear space between an accidental and its head (ours).
pub(super) const ACCIDENTAL_GAP: f64 = 0.2;

/// Room an accidental takes before the head of `pitch`: wider where ledger lines reach out of the head.
pub(super) fn accidental_room(pitch: Pitch, clef: Clef) -> f64 {
    let metrics = &music_font().metrics;
    let ledger = if ledger_lines(StaffStep::of(pitch, clef)) > 0 {
        metrics.defaults.ledger_line_extension
    } else {
        0.0
    };
    metrics.width(accidental_glyph(pitch.alteration)) + ACCIDENTAL_GAP + ledger
}

impl StageRange {
    /// The bare staves, with room for a note asked for and one given.
    pub fn new(staves: Staves) -> StageRange {
        StageRange {
            staves,
            notes: Vec::new(),
            columns: 2,
            accidental_room: 0.0,
            signature: KeySignature::NONE,
            stems: false,
        }
    }

    /// The same with room for the stems of notes included from here on.
    pub fn with_stems(mut self) -> StageRange {
        self.stems = true;
        self
    }

    /// The range of a stage's items.
    pub fn of(
        staves: Staves,
        items: impl IntoIterator<Item = (Pitch, Clef, KeySignature)>,
    ) -> StageRange {
        let mut range = StageRange::new(staves);
        for (pitch, clef, key) in items {
            range.include(pitch, clef, key);
        }
        range
    }

    /// Adds one item.
    pub fn include(&mut self, pitch: Pitch, clef: Clef, key: KeySignature) {
        let metrics = &music_font().metrics;
        let height = f64::from(pitch.diatonic());
        let mut reach = Reach {
            low: height - 1.0,
            high: height + 1.0,
        };
        if key.needs_accidental(pitch.spelling()) {
            let sign = metrics.bounds(accidental_glyph(pitch.alteration));
            reach = reach.with(Reach {
                low: height + 2.0 * sign.bottom,
                high: height + 2.0 * sign.top,
            });
            self.accidental_room = self.accidental_room.max(accidental_room(pitch, clef));
        }
        let mut row = Reach {
            low: height - 0.5,
            high: height + 0.5,
        };
        if self.stems {
            let bottom = f64::from(clef.bottom_line().diatonic());
            let stem = super::block::stem_reach(StaffStep::of(pitch, clef));
            let tip = bottom + stem;
            let tip = Reach {
                low: tip,
                high: tip,
            };
            (reach, row) = (reach.with(tip), row.with(tip));
        }
        match self.notes.iter_mut().find(|(have, ..)| *have == clef) {
            Some((_, ink, rows)) => (*ink, *rows) = (ink.with(reach), rows.with(row)),
            None => self.notes.push((clef, reach, row)),
        }
        if key.fifths().abs() > self.signature.fifths().abs() {
            self.signature = key;
        }
    }

    /// The same with room for `columns` columns at once (two unless said: the note asked for and the one given).
    pub fn with_columns(mut self, columns: usize) -> StageRange {
        self.columns = columns.max(1);
        self
    }

    /// The staves.
    pub fn staves(&self) -> Staves {
        self.staves
    }

    /// Columns at once.
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// The widest accidental with its gap, in staff spaces; 0 when no item needs one.
    pub(super) fn accidental_room(&self) -> f64 {
        self.accidental_room
    }

    /// The signature with most signs.
    pub(super) fn signature(&self) -> KeySignature {
        self.signature
    }

    /// Reach of the notes written under `clef`; of their rows alone for a painter of one row a step.
    pub(super) fn notes(&self, clef: Clef, rows_only: bool) -> Option<Reach> {
        self.notes
            .iter()
            .find(|(have, ..)| *have == clef)
            .map(|(_, ink, rows)| if rows_only { *rows } else { *ink })
    }

    /// Reach of staff lines and clef; of the lines' rows alone where a clef may be cut.
    pub(super) fn staff(clef: Clef, rows_only: bool) -> Reach {
        let bottom = f64::from(clef.bottom_line().diatonic());
        if rows_only {
            return Reach {
                low: bottom - 0.5,
                high: bottom + 8.5,
            };
        }
        let sign = music_font().metrics.bounds(clef_glyph(clef));
        let origin = bottom + f64::from(clef_step(clef).0);
        Reach {
            low: bottom,
            high: bottom + 8.0,
        }
        .with(Reach {
            low: origin + 2.0 * sign.bottom,
            high: origin + 2.0 * sign.top,
        })
    }

    /// Reach of everything.
    pub(super) fn whole(&self, rows_only: bool) -> Reach {
        self.staves
            .clefs()
            .into_iter()
            .flat_map(|clef| {
                [
                    Some(StageRange::staff(clef, rows_only)),
                    self.notes(clef, rows_only),
                ]
            })
            .flatten()
            .reduce(Reach::with)
            .expect("a system has a staff")
    }
}
