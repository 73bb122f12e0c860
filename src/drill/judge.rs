//! Answer against item: letters judge the name, a piano also the octave, a choice the task. A miss is said in words.

use std::fmt;

use crate::study::{Item, Outcome, Reply, Task, interval_in_words};
use crate::theory::{Alteration, Chord, KeySignature, MidiNote, Pitch, Spelling};

/// What was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Given {
    /// A name; its octave is not known.
    Name(Spelling),
    /// A key of the piano.
    Key(MidiNote),
    /// A note chosen on the staff.
    Placed(Pitch),
    /// A sung note.
    Sung {
        /// The key nearest to it.
        key: MidiNote,
        /// How far it is above that, in whole cents.
        cents: i16,
        /// Whether its octave counts.
        octave: bool,
    },
    /// One of the tasks that might have been asked.
    Chosen(Task),
}

/// A wrong answer beside what was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Miss {
    /// What was asked.
    pub item: Item,
    /// What was given.
    pub given: Given,
    /// Where the given note stands: the place nearest to the asked note where only a name is known, and the note of a degree.
    /// The asked note where no note was given.
    pub drawn: Pitch,
}

/// Whether `given` can be an answer to `item` at all: a choice where one is asked, a note where one answers.
pub fn answers(item: Item, given: Given) -> bool {
    match given {
        Given::Chosen(_) => item
            .task
            .is_some_and(|task| !matches!(task, Task::Reach(..))),
        _ => item.target().is_some(),
    }
}

/// Judges `given` against `item`.
pub fn judge(item: Item, given: Given) -> Result<(), Miss> {
    let asked = item.target().unwrap_or(item.pitch);
    let right = match given {
        Given::Name(name) => name == asked.spelling(),
        Given::Key(key) => key == asked.midi(),
        Given::Placed(pitch) => pitch == asked,
        Given::Sung { key, octave, .. } => {
            let same = key.pitch_class() == asked.midi().pitch_class();
            same && (!octave || key == asked.midi())
        }
        Given::Chosen(task) => item.task.is_some_and(|asked| same(asked, task)),
    };
    if right {
        return Ok(());
    }
    let drawn = match given {
        Given::Name(name) => nearest(name, asked),
        Given::Key(key)
        | Given::Sung {
            key, octave: true, ..
        } => spell(key, item),
        Given::Placed(pitch) => pitch,
        Given::Sung { key, .. } => {
            let octaves = (asked.midi().0 - key.0 + 6).div_euclid(12);
            spell(MidiNote(key.0 + 12 * octaves), item)
        }
        Given::Chosen(task) => degree(task, item, asked),
    };
    Err(Miss { item, given, drawn })
}

/// The note of the degree that was chosen, as near to the asked one as its number; for what is no degree the asked note.
fn degree(chosen: Task, item: Item, asked: Pitch) -> Pitch {
    match (chosen, item.task) {
        (Task::Degree(chosen, _), Some(Task::Degree(degree, _))) => {
            let off = i32::from(chosen) - i32::from(degree);
            item.key.apply(Pitch::from_diatonic(asked.diatonic() + off))
        }
        _ => asked,
    }
}

/// Whether a choice names the task: of two notes apart only the way counts.
fn same(asked: Task, chosen: Task) -> bool {
    match (asked, chosen) {
        (Task::InTune(asked), Task::InTune(chosen)) => (asked < 0) == (chosen < 0),
        (asked, chosen) => asked == chosen,
    }
}

impl Given {
    /// The answer as it is stored for `item`.
    pub fn reply(self, item: Item) -> Reply {
        match self {
            Given::Chosen(task) => Reply::Task(task),
            _ => Reply::Note(self.pitch(item)),
        }
    }

    /// The note as it is drawn for `item`.
    pub fn pitch(self, item: Item) -> Pitch {
        match judge(item, self) {
            Ok(()) => item.target().unwrap_or(item.pitch),
            Err(miss) => miss.drawn,
        }
    }
}

impl fmt::Display for Given {
    /// Scientific notation, with no octave where only a name is known; the task of a choice.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Given::Name(name) => name.fmt(f),
            Given::Key(key) | Given::Sung { key, .. } => key.spelled_with_sharps().fmt(f),
            Given::Placed(pitch) => pitch.fmt(f),
            Given::Chosen(task) => task.fmt(f),
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
    let asked = item.target().unwrap_or(item.pitch);
    let flats = item.key < KeySignature::NONE || asked.alteration < Alteration::Natural;
    if flats {
        Pitch::from_diatonic(sharp.diatonic() + 1).with(Alteration::Flat)
    } else {
        sharp
    }
}

impl Miss {
    /// The note that was asked; the one the task was asked of, where a choice answers.
    pub fn asked(self) -> Pitch {
        self.item.target().unwrap_or(self.item.pitch)
    }

    /// The difference in words: "two steps lower", "the flat was missed", "right name, an octave up".
    pub fn in_words(self) -> String {
        if let (Given::Chosen(chosen), Some(task)) = (self.given, self.item.task) {
            return apart(task, chosen);
        }
        let (asked, given) = (self.asked(), self.drawn);
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
        if !matches!(self.given, Given::Name(_)) && steps % 7 == 0 {
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
        let (asked, given) = (self.asked(), self.drawn);
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

/// How a chosen task differs from the one that was asked.
fn apart(asked: Task, chosen: Task) -> String {
    match (asked, chosen) {
        (Task::Interval(asked, _), Task::Interval(chosen, _)) if asked != chosen => {
            let wider = chosen.semitones() - asked.semitones();
            let way = if wider > 0 { "wider" } else { "narrower" };
            match wider.abs() {
                0 => "the same size by another name".to_owned(),
                1 => format!("a semitone {way}"),
                n => format!("{} semitones {way}", count(n)),
            }
        }
        (Task::Interval(..), Task::Interval(..)) => "the size is right, the way is not".to_owned(),
        (Task::Chord(asked, _), Task::Chord(chosen, _)) => chords_apart(asked, chosen),
        (Task::Degree(asked, _), Task::Degree(chosen, _)) => {
            let steps = i32::from(chosen) - i32::from(asked);
            let way = if steps > 0 { "higher" } else { "lower" };
            match steps.abs() {
                1 => format!("a step {way}"),
                n => format!("{} steps {way}", count(n)),
            }
        }
        (Task::InTune(tenths), _) => format!(
            "the second note was {} by {:.1} cents",
            if tenths < 0 { "lower" } else { "higher" },
            f64::from(tenths).abs() / 10.0
        ),
        (Task::Beats(asked), Task::Beats(chosen)) if chosen > asked => "too many".to_owned(),
        (Task::Beats(_), _) => "too few".to_owned(),
        _ => "something else".to_owned(),
    }
}

/// The first interval above the root that sets two qualities apart.
fn chords_apart(asked: Chord, chosen: Chord) -> String {
    let (asked, chosen) = (asked.intervals(), chosen.intervals());
    let differs = asked.iter().zip(&chosen).find(|(a, b)| a != b);
    match differs {
        Some((asked, _)) => format!("there is a {} over the root", asked.in_words()),
        None if asked.len() > chosen.len() => "there is a seventh".to_owned(),
        None if asked.len() < chosen.len() => "there is no seventh".to_owned(),
        None => "the notes are right, the way is not".to_owned(),
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
    use crate::theory::{Clef, Mode};

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
    fn a_wrong_degree_is_drawn_as_its_own_note() {
        let degree = |degree| Task::Degree(degree, Mode::Major);
        let item = Item {
            task: Some(degree(5)),
            key: KeySignature::new(2).unwrap(),
            ..Item::note("A4".parse().unwrap(), Clef::Treble)
        };
        for (chosen, note) in [(1, "D4"), (7, "C#5"), (3, "F#4")] {
            let miss = judge(item, Given::Chosen(degree(chosen))).unwrap_err();
            assert_eq!(
                (miss.asked().to_string(), miss.drawn.to_string()),
                ("A4".into(), note.into())
            );
        }
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
    fn a_voice_may_be_forgiven_its_octave_and_a_place_on_the_staff_is_not() {
        let item = Item::note("E4".parse().unwrap(), Clef::Treble);
        let sung = |name: &str, octave| Given::Sung {
            key: name.parse::<Pitch>().unwrap().midi(),
            cents: 12,
            octave,
        };
        assert_eq!(judge(item, sung("E3", false)), Ok(()));
        assert_eq!(said("E4", sung("E3", true)), "right name, an octave down");
        assert_eq!(said("E4", sung("F2", false)), "a step higher");
        assert_eq!(judge(item, Given::Placed(item.pitch)), Ok(()));
        assert_eq!(
            said("E4", Given::Placed("E5".parse().unwrap())),
            "right name, an octave up"
        );
    }

    #[test]
    fn a_choice_is_told_by_what_sets_it_apart() {
        let miss = |item: &str, chosen: &str| {
            let item: Item = item.parse().unwrap();
            let given = Given::Chosen(chosen.parse().unwrap());
            assert!(answers(item, given) && judge(item, Given::Chosen(item.task.unwrap())).is_ok());
            judge(item, given).unwrap_err().in_words()
        };
        assert_eq!(
            miss("C4@treble!interval-m3-up", "interval-M3-up"),
            "a semitone wider"
        );
        assert_eq!(
            miss("C4@treble!interval-P5-up", "interval-M3-up"),
            "three semitones narrower"
        );
        assert_eq!(
            miss("C4@treble!interval-m3-up", "interval-m3-down"),
            "the size is right, the way is not"
        );
        assert_eq!(
            miss("C4@treble!chord-minor-together", "chord-major-together"),
            "there is a minor third over the root"
        );
        assert_eq!(
            miss("C4@treble!chord-dominant7-together", "chord-major-together"),
            "there is a seventh"
        );
        assert_eq!(miss("G4@treble!degree-5", "degree-3"), "two steps lower");
        assert_eq!(miss("A3@bass!beats-20", "beats-40"), "too many");
        assert_eq!(
            miss("A4@treble!tune+125", "tune-1"),
            "the second note was higher by 12.5 cents"
        );
        // What is answered by a note takes no choice, and the other way round.
        let reach: Item = "C4@treble!reach-M3-up".parse().unwrap();
        assert!(!answers(reach, Given::Chosen(reach.task.unwrap())));
        assert_eq!(judge(reach, key("E4")), Ok(()));
        assert_eq!(
            judge(reach, key("F4")).unwrap_err().in_words(),
            "a step higher"
        );
        assert!(!answers(
            "C4@treble!interval-m3-up".parse().unwrap(),
            key("C4")
        ));
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
