//! Chords by quality, and the cadence that settles a key.
//! In: a root, or a key. Out: spelled pitches. Source: standard theory (common practice); held against a music library in
//! `tests/theory.rs`.

use super::interval::Interval;
use super::key::{KeySignature, Mode};
use super::pitch::Pitch;

/// The quality of a triad or of a seventh chord.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Chord {
    Major,
    Minor,
    Diminished,
    Augmented,
    DominantSeventh,
    MajorSeventh,
    MinorSeventh,
    HalfDiminishedSeventh,
    DiminishedSeventh,
}

impl Chord {
    /// All qualities, triads first.
    pub const ALL: [Chord; 9] = [
        Chord::Major,
        Chord::Minor,
        Chord::Diminished,
        Chord::Augmented,
        Chord::DominantSeventh,
        Chord::MajorSeventh,
        Chord::MinorSeventh,
        Chord::HalfDiminishedSeventh,
        Chord::DiminishedSeventh,
    ];

    /// The word of course files and of the record.
    pub fn word(self) -> &'static str {
        match self {
            Chord::Major => "major",
            Chord::Minor => "minor",
            Chord::Diminished => "diminished",
            Chord::Augmented => "augmented",
            Chord::DominantSeventh => "dominant7",
            Chord::MajorSeventh => "major7",
            Chord::MinorSeventh => "minor7",
            Chord::HalfDiminishedSeventh => "half-diminished7",
            Chord::DiminishedSeventh => "diminished7",
        }
    }

    /// The chord of a [`Chord::word`].
    pub fn from_word(word: &str) -> Option<Chord> {
        Chord::ALL.into_iter().find(|chord| chord.word() == word)
    }

    /// As it is said: "half-diminished seventh".
    pub fn in_words(self) -> String {
        match self.word().strip_suffix('7') {
            Some(quality) => format!("{quality} seventh"),
            None => format!("{} triad", self.word()),
        }
    }

    /// The intervals from the root to its other notes.
    pub fn intervals(self) -> Vec<Interval> {
        let names: &[&str] = match self {
            Chord::Major => &["M3", "P5"],
            Chord::Minor => &["m3", "P5"],
            Chord::Diminished => &["m3", "d5"],
            Chord::Augmented => &["M3", "A5"],
            Chord::DominantSeventh => &["M3", "P5", "m7"],
            Chord::MajorSeventh => &["M3", "P5", "M7"],
            Chord::MinorSeventh => &["m3", "P5", "m7"],
            Chord::HalfDiminishedSeventh => &["m3", "d5", "m7"],
            Chord::DiminishedSeventh => &["m3", "d5", "d7"],
        };
        names.iter().filter_map(|name| name.parse().ok()).collect()
    }

    /// The chord over `root`, in root position; `None` where that takes more than double signs.
    pub fn over(self, root: Pitch) -> Option<Vec<Pitch>> {
        let upper = self.intervals().into_iter().map(|i| i.above(root));
        std::iter::once(Some(root)).chain(upper).collect()
    }
}

/// Tonic, subdominant, dominant, tonic in three voices that move as little as can be: 1 3 5, 1 4 6, 7 2 5 from below,
/// 1 3 5. The dominant is major in minor too. The tonic lies from G3 to F4.
pub fn cadence(key: KeySignature, mode: Mode) -> [[Pitch; 3]; 4] {
    let tonic = home(key, mode);
    // Degrees of the scale, from the tonic of the middle.
    let degree = |steps: i32| key.apply(Pitch::from_diatonic(tonic.diatonic() + steps));
    let leading = {
        let third: Interval = "M3".parse().expect("an interval");
        let dominant = degree(-3);
        third.above(dominant).unwrap_or_else(|| degree(-1))
    };
    let first = [degree(0), degree(2), degree(4)];
    [
        first,
        [degree(0), degree(3), degree(5)],
        [leading, degree(1), degree(4)],
        first,
    ]
}

/// The tonic of `key`, from G3 to F4: where most voices can sing it.
pub fn home(key: KeySignature, mode: Mode) -> Pitch {
    let spelling = key.tonic(mode);
    let octave = if spelling.letter.index() >= 4 { 3 } else { 4 };
    Pitch::new(spelling.letter, spelling.alteration, octave)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_read_back_and_chords_are_spelled_in_thirds() {
        for chord in Chord::ALL {
            assert_eq!(Chord::from_word(chord.word()), Some(chord));
            let root: Pitch = "D4".parse().unwrap();
            for (n, pitch) in (0..).zip(chord.over(root).unwrap()) {
                assert_eq!(pitch.diatonic(), root.diatonic() + 2 * n);
            }
        }
        assert_eq!(
            Chord::HalfDiminishedSeventh.in_words(),
            "half-diminished seventh"
        );
    }
}
