//! Written pitch (letter, alteration, octave) and the piano key it sounds on.
//! Source: MIDI 1.0 key numbers (C4 = 60, A4 = 69); MusicXML 4.0 octave numbers (the octave belongs to the letter).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// One of the seven letters, from C.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[allow(missing_docs)]
pub enum Letter {
    C,
    D,
    E,
    F,
    G,
    A,
    B,
}

impl Letter {
    /// All letters, from C.
    pub const ALL: [Letter; 7] = [
        Letter::C,
        Letter::D,
        Letter::E,
        Letter::F,
        Letter::G,
        Letter::A,
        Letter::B,
    ];

    /// 0 for C to 6 for B.
    pub fn index(self) -> i32 {
        self as i32
    }

    /// The letter `index` steps above C, octaves left out.
    pub fn from_index(index: i32) -> Letter {
        Letter::ALL[index.rem_euclid(7) as usize]
    }

    /// Semitones above C of the natural note.
    pub fn semitones(self) -> i32 {
        [0, 2, 4, 5, 7, 9, 11][self as usize]
    }

    /// The English capital.
    pub fn as_char(self) -> char {
        ['C', 'D', 'E', 'F', 'G', 'A', 'B'][self as usize]
    }

    /// Reads an English letter of either case.
    pub fn from_char(c: char) -> Option<Letter> {
        Letter::ALL
            .into_iter()
            .find(|l| l.as_char() == c.to_ascii_uppercase())
    }
}

/// What a sharp, flat or natural does to a letter, −2..=2 semitones.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[allow(missing_docs)]
pub enum Alteration {
    DoubleFlat,
    Flat,
    #[default]
    Natural,
    Sharp,
    DoubleSharp,
}

impl Alteration {
    /// All alterations, from the lowest.
    pub const ALL: [Alteration; 5] = [
        Alteration::DoubleFlat,
        Alteration::Flat,
        Alteration::Natural,
        Alteration::Sharp,
        Alteration::DoubleSharp,
    ];

    /// Semitones added to the letter.
    pub fn semitones(self) -> i32 {
        self as i32 - 2
    }

    /// The alteration of `semitones`, if a single sign writes it.
    pub fn from_semitones(semitones: i32) -> Option<Alteration> {
        usize::try_from(semitones + 2)
            .ok()
            .and_then(|i| Alteration::ALL.get(i).copied())
    }

    /// ASCII sign: `bb`, `b`, nothing, `#`, `##`.
    pub fn ascii(self) -> &'static str {
        ["bb", "b", "", "#", "##"][self as usize]
    }

    /// Sign of music text: `♭♭`, `♭`, nothing, `♯`, `♯♯`.
    pub fn sign(self) -> &'static str {
        ["♭♭", "♭", "", "♯", "♯♯"][self as usize]
    }
}

/// A letter with its alteration: the name of a note without its octave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Spelling {
    /// The letter.
    pub letter: Letter,
    /// What its accidental does.
    pub alteration: Alteration,
}

impl Spelling {
    /// Every letter with every alteration.
    pub fn all() -> impl Iterator<Item = Spelling> {
        let each = |letter| Alteration::ALL.map(|alteration| Spelling { letter, alteration });
        Letter::ALL.into_iter().flat_map(each)
    }

    /// Pitch class 0..=11, C = 0.
    pub fn pitch_class(self) -> i32 {
        (self.letter.semitones() + self.alteration.semitones()).rem_euclid(12)
    }
}

impl fmt::Display for Spelling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.letter.as_char(), self.alteration.ascii())
    }
}

impl FromStr for Spelling {
    type Err = ParsePitchError;

    fn from_str(text: &str) -> Result<Self, ParsePitchError> {
        let err = || ParsePitchError {
            text: text.to_owned(),
            meant: None,
        };
        let mut chars = text.chars();
        let letter = chars.next().and_then(Letter::from_char).ok_or_else(err)?;
        let alteration = match chars.as_str() {
            "" | "n" | "♮" => Alteration::Natural,
            "#" | "♯" => Alteration::Sharp,
            "b" | "♭" => Alteration::Flat,
            "##" | "x" | "♯♯" => Alteration::DoubleSharp,
            "bb" | "♭♭" => Alteration::DoubleFlat,
            _ => return Err(err()),
        };
        Ok(Spelling { letter, alteration })
    }
}

/// A written pitch in scientific notation: `F#5` is the F sharp above C5.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Pitch {
    /// Octave of the letter; octave 4 begins at middle C.
    pub octave: i8,
    /// The letter.
    pub letter: Letter,
    /// What its accidental does.
    pub alteration: Alteration,
}

impl Pitch {
    /// A pitch of its parts.
    pub const fn new(letter: Letter, alteration: Alteration, octave: i8) -> Pitch {
        Pitch {
            octave,
            letter,
            alteration,
        }
    }

    /// Name without octave.
    pub fn spelling(self) -> Spelling {
        Spelling {
            letter: self.letter,
            alteration: self.alteration,
        }
    }

    /// Steps of the staff above C0, accidentals left out: C4 is 28.
    pub fn diatonic(self) -> i32 {
        7 * i32::from(self.octave) + self.letter.index()
    }

    /// The natural pitch `diatonic` steps above C0.
    pub fn from_diatonic(diatonic: i32) -> Pitch {
        Pitch::new(
            Letter::from_index(diatonic),
            Alteration::Natural,
            diatonic.div_euclid(7) as i8,
        )
    }

    /// The same letter and octave with another alteration.
    pub fn with(self, alteration: Alteration) -> Pitch {
        Pitch { alteration, ..self }
    }

    /// The key it sounds on; may lie outside the piano.
    pub fn midi(self) -> MidiNote {
        MidiNote(
            (12 * (i32::from(self.octave) + 1)
                + self.letter.semitones()
                + self.alteration.semitones()) as i16,
        )
    }
}

impl fmt::Display for Pitch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.spelling(), self.octave)
    }
}

impl FromStr for Pitch {
    type Err = ParsePitchError;

    fn from_str(text: &str) -> Result<Self, ParsePitchError> {
        let err = || ParsePitchError {
            text: text.to_owned(),
            meant: meant(text),
        };
        let split = text
            .find(|c: char| c == '-' || c.is_ascii_digit())
            .ok_or_else(err)?;
        let name: Spelling = text[..split].parse().map_err(|_| err())?;
        let octave: i8 = text[split..].parse().map_err(|_| err())?;
        if !(-1..=9).contains(&octave) {
            return Err(err());
        }
        Ok(Pitch::new(name.letter, name.alteration, octave))
    }
}

impl Serialize for Pitch {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Pitch {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Pitch, D::Error> {
        let text = std::borrow::Cow::<str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// Text that is no note.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "'{text}' is no note{}: write a letter A to G, # or b if it has one, and an octave 0 to 8, as in F#5 or Bb3",
    .meant.map(|pitch| format!(" (did you mean {pitch}?)")).unwrap_or_default()
)]
pub struct ParsePitchError {
    /// What was given.
    pub text: String,
    /// What may have been meant.
    pub meant: Option<Pitch>,
}

/// What a writer of German or solfège names, or one who left the octave out, may have meant.
fn meant(text: &str) -> Option<Pitch> {
    const OTHER_NAMES: [(&str, &str); 10] = [
        ("fis", "F#"),
        ("cis", "C#"),
        ("do", "C"),
        ("re", "D"),
        ("mi", "E"),
        ("fa", "F"),
        ("sol", "G"),
        ("la", "A"),
        ("si", "B"),
        ("h", "B"),
    ];
    let small = text.to_lowercase();
    let (before, after) = OTHER_NAMES
        .into_iter()
        .find_map(|(other, name)| small.strip_prefix(other).map(|rest| (name, rest)))
        .unwrap_or(("", text));
    let written = format!("{before}{after}");
    let pitch = |text: &str| {
        let split = text.find(|c: char| c.is_ascii_digit())?;
        let name: Spelling = text[..split].parse().ok()?;
        let octave = text[split..].parse().ok().filter(|o| (0..=8).contains(o))?;
        Some(Pitch::new(name.letter, name.alteration, octave))
    };
    pitch(&written).or_else(|| pitch(&format!("{written}4")))
}

/// A piano key by its MIDI number: A0 is 21, middle C 60, C8 108.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct MidiNote(pub i16);

impl MidiNote {
    /// Lowest key of a piano.
    pub const A0: MidiNote = MidiNote(21);
    /// Highest key of a piano.
    pub const C8: MidiNote = MidiNote(108);

    /// Whether a piano of 88 keys has it.
    pub fn on_piano(self) -> bool {
        (MidiNote::A0..=MidiNote::C8).contains(&self)
    }

    /// Pitch class 0..=11, C = 0.
    pub fn pitch_class(self) -> i32 {
        i32::from(self.0).rem_euclid(12)
    }

    /// A black key.
    pub fn is_black(self) -> bool {
        matches!(self.pitch_class(), 1 | 3 | 6 | 8 | 10)
    }

    /// The key's name with sharps, for a sound whose spelling nobody knows.
    pub fn spelled_with_sharps(self) -> Pitch {
        use Alteration::{Natural, Sharp};
        use Letter::{A, B, C, D, E, F, G};
        let (letter, alteration) = [
            (C, Natural),
            (C, Sharp),
            (D, Natural),
            (D, Sharp),
            (E, Natural),
            (F, Natural),
            (F, Sharp),
            (G, Natural),
            (G, Sharp),
            (A, Natural),
            (A, Sharp),
            (B, Natural),
        ][self.pitch_class() as usize];
        Pitch::new(letter, alteration, (self.0.div_euclid(12) - 1) as i8)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_octave_number_belongs_to_the_letter() {
        // MIDI 1.0 and MusicXML 4.0: B♯3 sounds on middle C, C♭4 a key below it.
        assert_eq!("B#3".parse::<Pitch>().unwrap().midi(), MidiNote(60));
        assert_eq!("Cb4".parse::<Pitch>().unwrap().midi(), MidiNote(59));
        assert_eq!("A0".parse::<Pitch>().unwrap().midi(), MidiNote::A0);
        assert_eq!("C8".parse::<Pitch>().unwrap().midi(), MidiNote::C8);
    }

    #[test]
    fn every_pitch_reads_back_as_it_was_written() {
        for diatonic in -7..70 {
            for alteration in Alteration::ALL {
                let pitch = Pitch::from_diatonic(diatonic).with(alteration);
                assert_eq!(pitch.to_string().parse::<Pitch>().unwrap(), pitch);
            }
        }
    }

    #[test]
    fn what_is_no_note_is_refused_with_the_remedy() {
        for text in ["", "H4", "C", "4", "C#", "Cb", "C44", "Ci4", "C4x", "♯4"] {
            let error = text.parse::<Pitch>().unwrap_err();
            assert!(error.to_string().contains("as in F#5"), "{text}");
        }
    }

    #[test]
    fn a_key_spelled_with_sharps_is_that_key() {
        for key in 0..=127 {
            assert_eq!(MidiNote(key).spelled_with_sharps().midi(), MidiNote(key));
        }
    }
}
