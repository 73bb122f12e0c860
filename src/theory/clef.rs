//! Clefs, by the pitch on the bottom line. Source: MusicXML 4.0 `<sign>`/`<line>`.

use serde::{Deserialize, Serialize};

use super::pitch::{Alteration, Letter, Pitch};

/// A clef at the head of a staff.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Clef {
    /// G4 on line 2.
    Treble,
    /// F3 on line 4.
    Bass,
    /// C4 on line 3.
    Alto,
    /// C4 on line 4.
    Tenor,
    /// G3 on line 2: sounds an octave below the treble clef.
    #[serde(rename = "treble-8")]
    Treble8Below,
}

impl Clef {
    /// All clefs.
    pub const ALL: [Clef; 5] = [
        Clef::Treble,
        Clef::Bass,
        Clef::Alto,
        Clef::Tenor,
        Clef::Treble8Below,
    ];

    /// The pitch on the bottom line.
    pub fn bottom_line(self) -> Pitch {
        let (letter, octave) = match self {
            Clef::Treble => (Letter::E, 4),
            Clef::Bass => (Letter::G, 2),
            Clef::Alto => (Letter::F, 3),
            Clef::Tenor => (Letter::D, 3),
            Clef::Treble8Below => (Letter::E, 3),
        };
        Pitch::new(letter, Alteration::Natural, octave)
    }

    /// The name of the open data forms: `treble`, `bass`, `alto`, `tenor`, `treble-8`.
    pub fn name(self) -> &'static str {
        match self {
            Clef::Treble => "treble",
            Clef::Bass => "bass",
            Clef::Alto => "alto",
            Clef::Tenor => "tenor",
            Clef::Treble8Below => "treble-8",
        }
    }

    /// The clef of that name.
    pub fn from_name(name: &str) -> Option<Clef> {
        Clef::ALL.into_iter().find(|clef| clef.name() == name)
    }

    /// How a person says it.
    pub fn spoken(self) -> &'static str {
        match self {
            Clef::Treble8Below => "treble clef with 8 below",
            other => other.name(),
        }
    }
}
