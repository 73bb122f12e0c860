//! Answer against item: letters judge the name, a piano also the octave. A miss is said in words.

use std::fmt;

use crate::study::{Item, Outcome, interval_in_words};
use crate::theory::{Alteration, KeySignature, MidiNote, Pitch, Spelling};

/// What was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Given {
    /// A name; its octave is not known.
    Name(Spelling),
    /// A key of the piano.
    Key(MidiNote),
}

/// A wrong answer beside what was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Miss {
    /// What was asked.
    pub item: Item,
    /// What was given.
    pub given: Given,
    /// Where the given note stands: the place nearest to the asked note where only a name is known.
    pub drawn: Pitch,
}

/// Judges `given` against `item`.
pub fn judge(item: Item, given: Given) -> Result<(), Miss> {
    let right = match given {
        Given::Name(name) => name == item.pitch.spelling(),
        Given::Key(key) => key == item.pitch.midi(),
    };
    if right {
        return Ok(());
    }
    let drawn = match given {
        Given::Name(name) => nearest(name, item.pitch),
        Given::Key(key) => spell(key, item),
    };
    Err(Miss { item, given, drawn })
}

impl Given {
    /// The note as it is stored and drawn for `item`.
    pub fn pitch(self, item: Item) -> Pitch {
        match judge(item, self) {
            Ok(()) => item.pitch,
            Err(miss) => miss.drawn,
        }
    }
}

impl fmt::Display for Given {
    /// Scientific notation, with no octave where only a name is known.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Given::Name(name) => name.fmt(f),
            Given::Key(key) => key.spelled_with_sharps().fmt(f),
        }
    }
}

/// The pitch of that name nearest to `asked` on the staff.
fn nearest(name: Spelling, asked: Pitch) -> Pitch {
    let mut off = (name.letter.index() - asked.letter.index()).rem_euclid(7);
    if off > 3 {
        off -= 7;
    }
    Pitch::from_diatonic(asked.diatonic() + off).with(name.alteration)
}

/// The key spelled as a reader of `item` would: by the key signature, else with the asked note's kind of accidental.
fn spell(key: MidiNote, item: Item) -> Pitch {
    let sharp = key.spelled_with_sharps();
    if sharp.alteration == Alteration::Natural {
        return sharp;
    }
    let flats = item.key < KeySignature::NONE || item.pitch.alteration < Alteration::Natural;
    if flats {
        Pitch::from_diatonic(sharp.diatonic() + 1).with(Alteration::Flat)
    } else {
        sharp
    }
}

impl Miss {
    /// The difference in words: "two steps lower", "the flat was missed", "right name, an octave up".
    pub fn in_words(self) -> String {
        let (asked, given) = (self.item.pitch, self.drawn);
        let steps = given.diatonic() - asked.diatonic();
        if let Some(within) = self.item.in_group.filter(|g| g.place > 1 && steps != 0) {
            let from_last = i32::from(within.from_last);
            return format!(
                "{} was read as {}",
                interval_in_words(from_last),
                interval_in_words(from_last + steps)
            );
        }
        if asked.midi() == given.midi() {
            return "the same key by another name".to_owned();
        }
        if steps == 0 {
            return self.accidental_in_words();
        }
        if matches!(self.given, Given::Key(_)) && steps % 7 == 0 {
            let octaves = steps / 7;
            let way = if octaves > 0 { "up" } else { "down" };
            let how_far = match octaves.abs() {
                1 => "an octave".to_owned(),
                n => format!("{} octaves", count(n)),
            };
            return if asked.alteration == given.alteration {
                format!("right name, {how_far} {way}")
            } else {
                format!("{how_far} {way}, and {}", self.accidental_in_words())
            };
        }
        let way = if steps > 0 { "higher" } else { "lower" };
        match steps.abs() {
            1 => format!("a step {way}"),
            n => format!("{} steps {way}", count(n)),
        }
    }

    fn accidental_in_words(self) -> String {
        let (asked, given) = (self.item.pitch, self.drawn);
        let word = |alteration: Alteration| match alteration {
            Alteration::DoubleFlat => "double flat",
            Alteration::Flat => "flat",
            Alteration::Natural => "natural",
            Alteration::Sharp => "sharp",
            Alteration::DoubleSharp => "double sharp",
        };
        if given.alteration == Alteration::Natural {
            let from_key = self.item.key.alteration(asked.letter) == asked.alteration;
            let place = if from_key && self.item.key != KeySignature::NONE {
                " of the key signature"
            } else {
                ""
            };
            return format!("the {}{place} was missed", word(asked.alteration));
        }
        if asked.alteration == Alteration::Natural {
            return format!("there is no {} here", word(given.alteration));
        }
        format!(
            "a {} was asked, not a {}",
            word(asked.alteration),
            word(given.alteration)
        )
    }
}

/// The verdict as it is stored.
impl From<&Result<(), Miss>> for Outcome {
    fn from(verdict: &Result<(), Miss>) -> Outcome {
        match verdict {
            Ok(()) => Outcome::Right,
            Err(_) => Outcome::Wrong,
        }
    }
}

fn count(n: i32) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    usize::try_from(n)
        .ok()
        .and_then(|n| WORDS.get(n))
        .map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::Clef;

    fn said(asked: &str, given: Given) -> String {
        let item = Item::note(asked.parse().unwrap(), Clef::Treble);
        judge(item, given).unwrap_err().in_words()
    }

    fn name(text: &str) -> Given {
        Given::Name(text.parse().unwrap())
    }

    fn key(text: &str) -> Given {
        Given::Key(text.parse::<Pitch>().unwrap().midi())
    }

    #[test]
    fn a_name_is_judged_without_octave_and_a_key_with_it() {
        let item = Item::note("F#5".parse().unwrap(), Clef::Treble);
        assert_eq!(judge(item, name("F#")), Ok(()));
        assert_eq!(judge(item, key("F#5")), Ok(()));
        assert_eq!(judge(item, key("Gb5")), Ok(()));
        assert!(judge(item, name("Gb")).is_err());
        assert!(judge(item, key("F#4")).is_err());
    }

    #[test]
    fn a_miss_is_said_in_words() {
        assert_eq!(said("E4", name("C")), "two steps lower");
        assert_eq!(said("E4", name("F")), "a step higher");
        assert_eq!(said("B4", name("C")), "a step higher");
        assert_eq!(said("Bb4", name("B")), "the flat was missed");
        assert_eq!(said("F#5", name("F")), "the sharp was missed");
        assert_eq!(said("F5", name("F#")), "there is no sharp here");
        assert_eq!(said("F#5", name("Gb")), "the same key by another name");
        assert_eq!(said("Bb4", name("B#")), "a flat was asked, not a sharp");
        assert_eq!(said("E4", key("E5")), "right name, an octave up");
        assert_eq!(said("E4", key("E2")), "right name, two octaves down");
        assert_eq!(said("Bb4", key("A4")), "a step lower");
        assert_eq!(
            said("E4", key("Eb5")),
            "five steps higher".replace("five", "six")
        );
    }

    #[test]
    fn a_sharp_of_the_key_signature_is_named_as_such() {
        let item = Item {
            key: KeySignature::new(2).unwrap(),
            ..Item::note("F#4".parse().unwrap(), Clef::Treble)
        };
        let miss = judge(item, name("F")).unwrap_err();
        assert_eq!(miss.in_words(), "the sharp of the key signature was missed");
    }
}
