//! Memory phrases for the lines and the spaces of a staff: the words begin with the notes' letters, from below.
//! In: a clef, and what a course brings of its own. Out: words; those that are built in are ours. They stand on the first
//! stage's sheets only: later they keep counting alive.

use std::collections::BTreeMap;

use super::course_fields::{Fields, Found, Source};
use super::course_file::CourseError;
use crate::theory::{Clef, KeySignature, NoteNames, StaffStep};

/// Which part of a staff a phrase is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PhraseFor {
    /// Its five lines.
    Lines,
    /// The four spaces between them.
    Spaces,
}

impl PhraseFor {
    /// Both, in the order of a course file.
    pub const ALL: [PhraseFor; 2] = [PhraseFor::Lines, PhraseFor::Spaces];

    /// Its places on the staff, from below.
    pub fn steps(self) -> Vec<StaffStep> {
        let (first, count) = match self {
            PhraseFor::Lines => (0, 5),
            PhraseFor::Spaces => (1, 4),
        };
        (0..count).map(|n| StaffStep(first + 2 * n)).collect()
    }

    fn word(self) -> &'static str {
        match self {
            PhraseFor::Lines => "lines",
            PhraseFor::Spaces => "spaces",
        }
    }

    /// The letters of its notes in a naming by letters; `None` in one by syllables.
    pub fn letters(self, clef: Clef, names: NoteNames) -> Option<Vec<char>> {
        if !matches!(names, NoteNames::English | NoteNames::German) {
            return None;
        }
        let letter = |step: StaffStep| {
            let note = step.pitch(clef).spelling();
            names.name(note, KeySignature::NONE, true).chars().next()
        };
        self.steps().into_iter().map(letter).collect()
    }
}

/// The phrases of a course: its own, else ours.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Phrases {
    own: BTreeMap<Clef, [String; 2]>,
}

impl Phrases {
    /// The phrase for a part of a staff, if its words begin with the letters that `names` gives the notes.
    pub fn get(&self, clef: Clef, part: PhraseFor, names: NoteNames) -> Option<&str> {
        let place = part as usize;
        let phrase = match self.own.get(&clef) {
            Some(own) => own[place].as_str(),
            None => built_in(clef)[place],
        };
        (part.letters(clef, names)? == initials(phrase)).then_some(phrase)
    }

    /// Reads the table of a course file: a clef's name, and its phrases for lines and spaces. What is wrong is taken down.
    pub(super) fn read(source: &Source, table: &Fields) -> Phrases {
        let mut own = BTreeMap::new();
        for clef in Clef::ALL {
            let Some(found) = source.keep(table.strings(clef.name())).flatten() else {
                continue;
            };
            let [lines, spaces] = &found[..] else {
                source.keep::<()>(Err(source.error(
                    table.span_of(clef.name()),
                    format!("'{}' has {} phrases", clef.name(), found.len()),
                    "write two: one for the lines and one for the spaces".to_owned(),
                )));
                continue;
            };
            for (part, phrase) in PhraseFor::ALL.into_iter().zip([lines, spaces]) {
                source.keep(letters_fit(source, clef, part, phrase));
            }
            own.insert(clef, [lines.0.clone(), spaces.0.clone()]);
        }
        Phrases { own }
    }
}

/// Errors: the words of `phrase` do not begin with the letters of the notes they stand for.
fn letters_fit(
    source: &Source,
    clef: Clef,
    part: PhraseFor,
    (phrase, at): &Found<String>,
) -> Result<(), CourseError> {
    let letters = |names| part.letters(clef, names).unwrap_or_default();
    let (english, german) = (letters(NoteNames::English), letters(NoteNames::German));
    let is = initials(phrase);
    if is == english || is == german {
        return Ok(());
    }
    let list = |letters: &[char]| {
        let letters: Vec<String> = letters.iter().map(char::to_string).collect();
        letters.join(" ")
    };
    Err(source.error(
        at.clone(),
        format!(
            "the words of '{phrase}' begin with {}, the {} of this staff with {}",
            list(&is),
            part.word(),
            list(&english)
        ),
        "write a word for each note, from below, beginning with its letter".to_owned(),
    ))
}

/// What the words begin with, in capitals.
fn initials(phrase: &str) -> Vec<char> {
    phrase
        .split_whitespace()
        .filter_map(|word| word.chars().find(|letter| letter.is_alphabetic()))
        .flat_map(char::to_uppercase)
        .collect()
}

/// For the lines, then for the spaces.
fn built_in(clef: Clef) -> [&'static str; 2] {
    match clef {
        Clef::Treble | Clef::Treble8Below => [
            "Eager geese bring dry feathers",
            "Foxes admire chilly evenings",
        ],
        Clef::Bass => [
            "Gentle bears dance for apples",
            "Ants carry enormous grains",
        ],
        Clef::Alto => ["Four ants crossed every garden", "Grey birds dream first"],
        Clef::Tenor => ["Ducks follow a calm eel", "Every goat bakes dumplings"],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Course;

    #[test]
    fn every_word_begins_with_its_notes_letter() {
        // The bottom lines by MusicXML 4.0: G on line 2, F on 4, C on 3 and 4; from there on the alphabet, A after G.
        for (clef, lines, spaces) in [
            (Clef::Treble, "EGBDF", "FACE"),
            (Clef::Bass, "GBDFA", "ACEG"),
            (Clef::Alto, "FACEG", "GBDF"),
            (Clef::Tenor, "DFACE", "EGBD"),
            (Clef::Treble8Below, "EGBDF", "FACE"),
        ] {
            for (part, letters) in PhraseFor::ALL.into_iter().zip([lines, spaces]) {
                let phrase = Phrases::default();
                let phrase = phrase.get(clef, part, NoteNames::English).unwrap();
                assert_eq!(initials(phrase), letters.chars().collect::<Vec<_>>());
            }
        }
    }

    #[test]
    fn a_phrase_is_only_for_a_naming_whose_letters_it_has() {
        let ours = Phrases::default();
        let get = |clef, part, names| ours.get(clef, part, names);
        assert!(get(Clef::Treble, PhraseFor::Spaces, NoteNames::German).is_some());
        // The German name of B is H (common practice).
        assert!(get(Clef::Treble, PhraseFor::Lines, NoteNames::German).is_none());
        assert!(get(Clef::Treble, PhraseFor::Lines, NoteNames::FixedSolfege).is_none());
    }

    #[test]
    fn a_course_brings_its_own_and_wrong_letters_are_named() {
        let course = |lines: &str| {
            Course::parse(
                "own.toml",
                &format!(
                    "schema = 1\nid = \"own\"\n[phrases]\ntreble = [\"{lines}\", \"Fish and chips ease\"]\n[[stage]]\nid = \"a\"\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"E4\"\nto = \"F5\"\n"
                ),
            )
        };
        let own = course("Every Goose brings down fog").unwrap();
        let get = |names| own.phrases.get(Clef::Treble, PhraseFor::Lines, names);
        assert_eq!(get(NoteNames::English), Some("Every Goose brings down fog"));
        let german = course("Eine Gans holt das Futter").unwrap();
        let get = |names| german.phrases.get(Clef::Treble, PhraseFor::Lines, names);
        assert_eq!(get(NoteNames::English), None);
        assert_eq!(get(NoteNames::German), Some("Eine Gans holt das Futter"));
        let error = course("Every goose flies away").unwrap_err();
        assert_eq!(error.line, 4);
        assert!(
            error
                .problem
                .contains("begin with E G F A, the lines of this staff with E G B D F")
        );
    }
}
