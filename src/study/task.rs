//! What is asked of a note by ear, beyond its name: an interval from it, a chord over it, its degree, a beat.
//! In: course files and the record, as text. Out: tasks, what they sound, and what would be a right answer.
//! Source: the exercises are common practice of ear training.

use std::fmt;
use std::str::FromStr;

use crate::theory::{Chord, Interval, KeySignature, Mode, Pitch};

/// How the notes of an interval or a chord follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Along {
    /// From the given note upward.
    Up,
    /// From the given note downward.
    Down,
    /// All at once.
    Together,
}

impl Along {
    /// All ways.
    pub const ALL: [Along; 3] = [Along::Up, Along::Down, Along::Together];

    /// The word of course files and of the record.
    pub fn word(self) -> &'static str {
        ["up", "down", "together"][self as usize]
    }

    fn from_word(word: &str) -> Option<Along> {
        Along::ALL.into_iter().find(|along| along.word() == word)
    }
}

/// A task of the ear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Task {
    /// Name the interval that is heard.
    Interval(Interval, Along),
    /// Give the note that lies so far from the one that is heard.
    Reach(Interval, Along),
    /// Name the quality of the chord that is heard.
    Chord(Chord, Along),
    /// Name the degree of the major or minor scale that is heard after a cadence, 1 to 7.
    Degree(u8, Mode),
    /// Say whether the second of two notes is higher or lower: by so many tenths of a cent, up or (negative) down.
    InTune(i16),
    /// Count the beats of two strings, in ten seconds.
    Beats(u16),
}

/// Tasks whose answers are compared with each other: another family has another reaction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Family {
    Notes,
    Intervals,
    Reaching,
    Chords,
    Degrees,
    InTune,
    Beats,
}

impl Family {
    /// All families.
    pub const ALL: [Family; 7] = [
        Family::Notes,
        Family::Intervals,
        Family::Reaching,
        Family::Chords,
        Family::Degrees,
        Family::InTune,
        Family::Beats,
    ];

    /// The family of a task; of none, for a note.
    pub fn of(task: Option<Task>) -> Family {
        match task {
            None => Family::Notes,
            Some(Task::Interval(..)) => Family::Intervals,
            Some(Task::Reach(..)) => Family::Reaching,
            Some(Task::Chord(..)) => Family::Chords,
            Some(Task::Degree(..)) => Family::Degrees,
            Some(Task::InTune(_)) => Family::InTune,
            Some(Task::Beats(_)) => Family::Beats,
        }
    }
}

impl Task {
    /// What is learned by it: the task itself, but for a pair of notes whose distance changes with every answer.
    pub fn part(self) -> Task {
        match self {
            Task::InTune(_) => Task::InTune(0),
            other => other,
        }
    }

    /// Whether a note answers it, not a choice alone.
    pub fn answered_by_a_note(self) -> bool {
        matches!(self, Task::Reach(..) | Task::Degree(..))
    }

    /// The note that is the right answer, where one is: `root` is the note the task is asked of.
    pub fn target(self, root: Pitch) -> Option<Pitch> {
        match self {
            Task::Reach(interval, Along::Down) => interval.below(root),
            Task::Reach(interval, _) => interval.above(root),
            Task::Degree(..) => Some(root),
            _ => None,
        }
    }

    /// The notes that sound, in their order; `None` where they cannot be written.
    pub fn pitches(self, root: Pitch) -> Option<Vec<Pitch>> {
        match self {
            Task::Interval(interval, Along::Down) => Some(vec![root, interval.below(root)?]),
            Task::Interval(interval, _) => Some(vec![root, interval.above(root)?]),
            Task::Reach(..) => self.target(root).map(|_| vec![root]),
            Task::Chord(chord, along) => {
                let mut pitches = chord.over(root)?;
                if along == Along::Down {
                    pitches.reverse();
                }
                Some(pitches)
            }
            Task::Degree(..) => Some(vec![root]),
            Task::InTune(_) | Task::Beats(_) => Some(vec![root, root]),
        }
    }

    /// Whether it can be asked of `root` under `key`.
    pub fn fits(self, root: Pitch, key: KeySignature) -> bool {
        match self {
            Task::Degree(degree, mode) => degree_of(root, key, mode) == Some(degree),
            other => {
                let target = other.target(root);
                let on_piano = |pitch: &Pitch| pitch.midi().on_piano();
                (!other.answered_by_a_note() || target.as_ref().is_some_and(on_piano))
                    && other.pitches(root).is_some_and(|p| p.iter().all(on_piano))
            }
        }
    }
}

/// Answers that can be chosen by one key each.
pub const MOST_CHOICES: usize = 16;

impl Task {
    /// As it is said: "minor third up", "major triad", "2 beats a second".
    pub fn in_words(self) -> String {
        match self {
            Task::Interval(interval, along) | Task::Reach(interval, along) => {
                format!("{} {}", interval.in_words(), along.word())
            }
            Task::Chord(chord, Along::Together) => chord.in_words(),
            Task::Chord(chord, along) => format!("{} {}", chord.in_words(), along.word()),
            Task::Degree(degree, Mode::Major) => format!("degree {degree}"),
            Task::Degree(degree, Mode::Minor) => format!("degree {degree} in minor"),
            Task::InTune(tenths) if tenths < 0 => "lower".to_owned(),
            Task::InTune(_) => "higher".to_owned(),
            Task::Beats(beats) => match (beats / 10, beats % 10) {
                (1, 0) => "1 beat a second".to_owned(),
                (whole, 0) => format!("{whole} beats a second"),
                (whole, part) => format!("{whole}.{part} beats a second"),
            },
        }
    }
}

/// The degree of `pitch` in the major or minor scale of `key`; `None` for a note outside it. The minor scale has the notes of
/// its signature, and beside its seventh the leading note a semitone higher, which its cadence has.
pub fn degree_of(pitch: Pitch, key: KeySignature, mode: Mode) -> Option<u8> {
    let tonic = key.tonic(mode);
    let steps = (pitch.letter.index() - tonic.letter.index()).rem_euclid(7);
    let raised = pitch.alteration.semitones() - key.alteration(pitch.letter).semitones();
    let leading = mode == Mode::Minor && steps == 6 && raised == 1;
    (raised == 0 || leading).then_some(steps as u8 + 1)
}

impl fmt::Display for Task {
    /// `interval-M3-up`, `reach-m3-down`, `chord-major-together`, `degree-5`, `degree-5-minor`, `tune+123`, `beats-20`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Task::Interval(interval, along) => write!(f, "interval-{interval}-{}", along.word()),
            Task::Reach(interval, along) => write!(f, "reach-{interval}-{}", along.word()),
            Task::Chord(chord, along) => write!(f, "chord-{}-{}", chord.word(), along.word()),
            Task::Degree(degree, Mode::Major) => write!(f, "degree-{degree}"),
            Task::Degree(degree, Mode::Minor) => write!(f, "degree-{degree}-minor"),
            Task::InTune(tenths) => write!(f, "tune{tenths:+}"),
            Task::Beats(beats) => write!(f, "beats-{beats}"),
        }
    }
}

/// Text that is no task.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no task of the ear")]
pub struct ParseTaskError {
    /// What was given.
    pub text: String,
}

impl FromStr for Task {
    type Err = ParseTaskError;

    fn from_str(text: &str) -> Result<Task, ParseTaskError> {
        read(text).ok_or_else(|| ParseTaskError {
            text: text.to_owned(),
        })
    }
}

fn read(text: &str) -> Option<Task> {
    if let Some(tenths) = text.strip_prefix("tune") {
        return tenths.parse().ok().map(Task::InTune);
    }
    let (kind, rest) = text.split_once('-')?;
    match kind {
        "degree" => {
            let (degree, mode) = match rest.strip_suffix("-minor") {
                Some(degree) => (degree, Mode::Minor),
                None => (rest, Mode::Major),
            };
            let degree = degree.parse().ok().filter(|n| (1..=7).contains(n))?;
            Some(Task::Degree(degree, mode))
        }
        "beats" => rest.parse().ok().map(Task::Beats),
        _ => {
            let (what, along) = rest.rsplit_once('-')?;
            let along = Along::from_word(along)?;
            match kind {
                "interval" => Some(Task::Interval(what.parse().ok()?, along)),
                "reach" => Some(Task::Reach(what.parse().ok()?, along)),
                "chord" => Some(Task::Chord(Chord::from_word(what)?, along)),
                _ => None,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tasks_read_back_and_nonsense_is_refused() {
        for text in [
            "interval-M3-up",
            "interval-P8-together",
            "reach-m3-down",
            "chord-half-diminished7-together",
            "chord-major-up",
            "degree-7",
            "degree-7-minor",
            "tune+123",
            "tune-5",
            "beats-20",
        ] {
            assert_eq!(text.parse::<Task>().unwrap().to_string(), text);
        }
        for text in [
            "",
            "interval",
            "interval-M3",
            "degree-8",
            "degree-8-minor",
            "degree-minor",
            "chord-red-up",
            "tune",
            "beats-x",
        ] {
            assert!(text.parse::<Task>().is_err(), "{text}");
        }
    }

    #[test]
    fn degrees_count_from_the_tonic_of_the_signature() {
        // Common practice: in D major (two sharps) F sharp is the third degree.
        let key = KeySignature::new(2).unwrap();
        let degree = |name: &str| degree_of(name.parse().unwrap(), key, Mode::Major);
        assert_eq!(degree("D4"), Some(1));
        assert_eq!(degree("F#5"), Some(3));
        assert_eq!(degree("C#4"), Some(7));
        assert_eq!(degree("F4"), None);
        // B minor has the same signature; A sharp leads to its tonic.
        let degree = |name: &str| degree_of(name.parse().unwrap(), key, Mode::Minor);
        assert_eq!(degree("B3"), Some(1));
        assert_eq!(degree("D4"), Some(3));
        assert_eq!(degree("A4"), Some(7));
        assert_eq!(degree("A#4"), Some(7));
        assert_eq!(degree("G#4"), None);
        assert_eq!(degree("A##4"), None);
    }
}
