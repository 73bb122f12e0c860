//! What notes are called: English letters, German letters, solfège fixed or movable.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::key::{KeySignature, Mode};
use super::pitch::{Alteration, Letter, ParsePitchError, Pitch, Spelling};

/// A way of naming notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoteNames {
    /// C D E F G A B with ♯ and ♭.
    #[default]
    English,
    /// C D E F G A H, B for B♭, -is and -es.
    German,
    /// do re mi fa sol la si with ♯ and ♭.
    FixedSolfege,
    /// do re mi fa so la ti from the key's tonic (la from a minor key's tonic).
    MovableSolfege,
}

/// A naming nobody knows.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no way of naming notes: english, german, fixed-solfege or movable-solfege")]
pub struct ParseNamesError {
    /// What was given.
    pub text: String,
}

impl FromStr for NoteNames {
    type Err = ParseNamesError;

    fn from_str(text: &str) -> Result<Self, ParseNamesError> {
        NoteNames::ALL
            .into_iter()
            .find(|names| names.id() == text)
            .ok_or_else(|| ParseNamesError {
                text: text.to_owned(),
            })
    }
}

impl NoteNames {
    /// All ways of naming.
    pub const ALL: [NoteNames; 4] = [
        NoteNames::English,
        NoteNames::German,
        NoteNames::FixedSolfege,
        NoteNames::MovableSolfege,
    ];

    /// The word a setting uses.
    pub fn id(self) -> &'static str {
        match self {
            NoteNames::English => "english",
            NoteNames::German => "german",
            NoteNames::FixedSolfege => "fixed-solfege",
            NoteNames::MovableSolfege => "movable-solfege",
        }
    }

    /// What most people of a locale such as `de_DE` call notes (common practice).
    pub fn for_locale(locale: &str) -> NoteNames {
        let language = locale.split(['_', '-', '.']).next().unwrap_or("");
        match language.to_ascii_lowercase().as_str() {
            "de" | "da" | "sv" | "nb" | "nn" | "no" | "fi" | "is" | "pl" | "cs" | "sk" | "hu"
            | "sl" | "hr" | "sr" | "et" | "lv" => NoteNames::German,
            "fr" | "it" | "es" | "pt" | "ca" | "ro" | "el" | "tr" => NoteNames::FixedSolfege,
            _ => NoteNames::English,
        }
    }

    /// Reads a note with its octave as this naming writes it, in any case and with `♯ ♭` or `#` and `b`, else in scientific
    /// notation: of German names `H4` and `Fis5`, and `B4` is B flat; of fixed solfège `sib3`. Movable do names no note
    /// without a key. Errors: [`ParsePitchError`].
    pub fn pitch(self, text: &str) -> Result<Pitch, ParsePitchError> {
        let text = text.trim();
        let octave = text.find(|c: char| c == '-' || c.is_ascii_digit());
        if matches!(self, NoteNames::German | NoteNames::FixedSolfege)
            && let Some((name, octave)) = octave.map(|at| text.split_at(at))
        {
            let name = name.to_lowercase().replace('♯', "#").replace('♭', "b");
            let of =
                |note: &Spelling| self.name(*note, KeySignature::NONE, true).to_lowercase() == name;
            if let Some(note) = Spelling::all().find(of)
                && let Ok(pitch) = format!("{note}{octave}").parse()
            {
                return Ok(pitch);
            }
        }
        text.parse()
    }

    /// A note as it is said aloud: `F sharp`, `Fis`, `fa sharp`, `mi`.
    pub fn spoken(self, note: Spelling, key: KeySignature) -> String {
        if matches!(self, NoteNames::German | NoteNames::MovableSolfege) {
            return self.name(note, key, true);
        }
        let natural = Spelling {
            alteration: Alteration::Natural,
            ..note
        };
        let sign = match note.alteration {
            Alteration::DoubleFlat => " double flat",
            Alteration::Flat => " flat",
            Alteration::Natural => "",
            Alteration::Sharp => " sharp",
            Alteration::DoubleSharp => " double sharp",
        };
        format!("{}{sign}", self.name(natural, key, true))
    }

    /// The note's name in `key`, with `♯` and `♭`, or `#` and `b` when `ascii`.
    pub fn name(self, note: Spelling, key: KeySignature, ascii: bool) -> String {
        let sign = |alteration: Alteration| {
            if ascii {
                alteration.ascii()
            } else {
                alteration.sign()
            }
        };
        match self {
            NoteNames::English => format!("{}{}", note.letter.as_char(), sign(note.alteration)),
            NoteNames::German => german(note),
            NoteNames::FixedSolfege => {
                let syllable =
                    ["do", "re", "mi", "fa", "sol", "la", "si"][note.letter.index() as usize];
                format!("{syllable}{}", sign(note.alteration))
            }
            NoteNames::MovableSolfege => movable(note, key),
        }
    }
}

fn german(note: Spelling) -> String {
    let letter = match note.letter {
        Letter::B => 'H',
        other => other.as_char(),
    };
    match (note.letter, note.alteration) {
        (Letter::B, Alteration::Flat) => "B".to_owned(),
        (Letter::B, Alteration::DoubleFlat) => "Heses".to_owned(),
        (_, Alteration::Natural) => letter.to_string(),
        (_, Alteration::Sharp) => format!("{letter}is"),
        (_, Alteration::DoubleSharp) => format!("{letter}isis"),
        // E and A drop the e of -es.
        (Letter::E | Letter::A, Alteration::Flat) => format!("{letter}s"),
        (Letter::A, Alteration::DoubleFlat) => "Asas".to_owned(),
        (Letter::E, Alteration::DoubleFlat) => "Eses".to_owned(),
        (_, Alteration::Flat) => format!("{letter}es"),
        (_, Alteration::DoubleFlat) => format!("{letter}eses"),
    }
}

fn movable(note: Spelling, key: KeySignature) -> String {
    let tonic = key.tonic(Mode::Major);
    let degree = (note.letter.index() - tonic.letter.index()).rem_euclid(7) as usize;
    let natural = key.alteration(note.letter).semitones();
    let off = (note.alteration.semitones() - natural).signum();
    let row = match off {
        1 => ["di", "ri", "mis", "fi", "si", "li", "tis"],
        -1 => ["de", "ra", "me", "fe", "se", "le", "te"],
        _ => ["do", "re", "mi", "fa", "so", "la", "ti"],
    };
    row[degree].to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_called_as_each_tradition_calls_them() {
        // Common practice.
        let name = |text: &str, names: NoteNames| {
            names.name(text.parse().unwrap(), KeySignature::NONE, true)
        };
        for (note, german, fixed) in [
            ("B", "H", "si"),
            ("Bb", "B", "sib"),
            ("Eb", "Es", "mib"),
            ("Ab", "As", "lab"),
            ("Gb", "Ges", "solb"),
            ("F#", "Fis", "fa#"),
            ("C", "C", "do"),
        ] {
            assert_eq!(name(note, NoteNames::German), german);
            assert_eq!(name(note, NoteNames::FixedSolfege), fixed);
            assert_eq!(name(note, NoteNames::English), note);
        }
    }

    #[test]
    fn notes_are_read_as_they_are_called_and_scientific_names_always() {
        // Common practice; each is read in its own naming as this one writes it.
        for names in [
            NoteNames::English,
            NoteNames::German,
            NoteNames::FixedSolfege,
        ] {
            for note in Spelling::all() {
                for ascii in [true, false] {
                    let written = format!("{}4", names.name(note, KeySignature::NONE, ascii));
                    let read = names.pitch(&written).unwrap();
                    assert_eq!((read.spelling(), read.octave), (note, 4), "{written}");
                }
            }
        }
        let read = |text: &str, names: NoteNames| names.pitch(text).map(|pitch| pitch.to_string());
        for (text, names, note) in [
            ("H4", NoteNames::German, "B4"),
            ("B4", NoteNames::German, "Bb4"),
            ("b3", NoteNames::German, "Bb3"),
            ("Bb4", NoteNames::German, "Bb4"),
            ("F#5", NoteNames::German, "F#5"),
            ("fis5", NoteNames::German, "F#5"),
            ("B4", NoteNames::FixedSolfege, "B4"),
            ("Si4", NoteNames::FixedSolfege, "B4"),
            ("do4", NoteNames::FixedSolfege, "C4"),
            ("B4", NoteNames::MovableSolfege, "B4"),
        ] {
            assert_eq!(read(text, names).as_deref(), Ok(note), "{text}");
        }
        for (text, names) in [
            ("H4", NoteNames::English),
            ("do4", NoteNames::MovableSolfege),
            ("H", NoteNames::German),
            ("H99", NoteNames::German),
        ] {
            assert!(names.pitch(text).is_err(), "{text}");
        }
    }

    #[test]
    fn notes_are_said_as_they_are_called() {
        let said =
            |text: &str, names: NoteNames| names.spoken(text.parse().unwrap(), KeySignature::NONE);
        assert_eq!(said("F#", NoteNames::English), "F sharp");
        assert_eq!(said("Bb", NoteNames::English), "B flat");
        assert_eq!(said("Bb", NoteNames::German), "B");
        assert_eq!(said("B", NoteNames::German), "H");
        assert_eq!(said("Bb", NoteNames::FixedSolfege), "si flat");
        assert_eq!(said("E", NoteNames::MovableSolfege), "mi");
    }

    #[test]
    fn movable_do_follows_the_key() {
        let d_major = KeySignature::new(2).unwrap();
        let name =
            |text: &str| NoteNames::MovableSolfege.name(text.parse().unwrap(), d_major, true);
        assert_eq!(name("D"), "do");
        assert_eq!(name("F#"), "mi");
        assert_eq!(name("C#"), "ti");
        assert_eq!(name("G#"), "fi");
        assert_eq!(name("C"), "te");
    }

    #[test]
    fn locales_choose_a_naming_and_unknown_namings_are_refused() {
        assert_eq!(NoteNames::for_locale("de_AT.UTF-8"), NoteNames::German);
        assert_eq!(NoteNames::for_locale("fr-CA"), NoteNames::FixedSolfege);
        assert_eq!(NoteNames::for_locale("C"), NoteNames::English);
        for names in NoteNames::ALL {
            assert_eq!(names.id().parse(), Ok(names));
        }
        assert!("latin".parse::<NoteNames>().is_err());
    }
}
