//! Intervals: number by letters counted inclusively, quality from semitones (standard theory).

use std::fmt;
use std::str::FromStr;

use super::pitch::{Alteration, Pitch};

/// The quality of an interval. `Augmented(1)` is augmented, `Augmented(2)` doubly so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Quality {
    Diminished(u8),
    Minor,
    Perfect,
    Major,
    Augmented(u8),
}

/// The distance of two written pitches, sized upward.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Interval {
    /// Letters counted inclusively: 1 a unison, 8 an octave.
    pub number: i32,
    /// Its quality.
    pub quality: Quality,
}

/// An interval's number in words, "third"; `None` beyond two octaves.
pub fn number_in_words(number: i32) -> Option<&'static str> {
    const NUMBERS: [&str; 15] = [
        "unison",
        "second",
        "third",
        "fourth",
        "fifth",
        "sixth",
        "seventh",
        "octave",
        "ninth",
        "tenth",
        "eleventh",
        "twelfth",
        "thirteenth",
        "fourteenth",
        "fifteenth",
    ];
    NUMBERS.get(usize::try_from(number - 1).ok()?).copied()
}

impl Interval {
    /// The interval from the lower written note to the higher (by staff place; at one place, by sound).
    pub fn between(a: Pitch, b: Pitch) -> Interval {
        let order = |p: Pitch| (p.diatonic(), p.midi());
        let (low, high) = if order(a) <= order(b) { (a, b) } else { (b, a) };
        let steps = high.diatonic() - low.diatonic();
        let semitones = i32::from(high.midi().0 - low.midi().0);
        let off = semitones - natural(steps);
        let perfect = matches!(steps % 7, 0 | 3 | 4);
        let quality = match (perfect, off) {
            (true, 0) => Quality::Perfect,
            (false, 0) => Quality::Major,
            (false, -1) => Quality::Minor,
            (_, off) if off > 0 => Quality::Augmented(off as u8),
            (true, off) => Quality::Diminished(-off as u8),
            (false, off) => Quality::Diminished((-off - 1) as u8),
        };
        Interval {
            number: steps + 1,
            quality,
        }
    }

    /// Semitones from its lower to its higher note.
    pub fn semitones(self) -> i32 {
        let steps = self.number - 1;
        let perfect = matches!(steps.rem_euclid(7), 0 | 3 | 4);
        natural(steps)
            + match (self.quality, perfect) {
                (Quality::Perfect | Quality::Major, _) => 0,
                (Quality::Minor, _) => -1,
                (Quality::Augmented(times), _) => i32::from(times),
                (Quality::Diminished(times), true) => -i32::from(times),
                (Quality::Diminished(times), false) => -i32::from(times) - 1,
            }
    }

    /// The pitch that lies this far above `from`; `None` where that takes more than a double sign.
    pub fn above(self, from: Pitch) -> Option<Pitch> {
        spelled(from, self.number - 1, self.semitones())
    }

    /// The pitch that lies this far below `from`; `None` where that takes more than a double sign.
    pub fn below(self, from: Pitch) -> Option<Pitch> {
        spelled(from, 1 - self.number, -self.semitones())
    }

    /// Its name as it is said: "minor third".
    pub fn in_words(self) -> String {
        let number = match number_in_words(self.number) {
            Some(word) => word.to_owned(),
            None => self.number.to_string(),
        };
        let quality = match self.quality {
            // A perfect octave is said without its quality (common practice).
            Quality::Perfect if matches!(self.number, 1 | 8 | 15) => return number,
            Quality::Perfect => "perfect",
            Quality::Major => "major",
            Quality::Minor => "minor",
            Quality::Augmented(1) => "augmented",
            Quality::Augmented(_) => "doubly augmented",
            Quality::Diminished(1) => "diminished",
            Quality::Diminished(_) => "doubly diminished",
        };
        format!("{quality} {number}")
    }
}

/// Semitones of `steps` letters up within a major scale from its first note.
fn natural(steps: i32) -> i32 {
    12 * steps.div_euclid(7) + [0, 2, 4, 5, 7, 9, 11][steps.rem_euclid(7) as usize]
}

fn spelled(from: Pitch, steps: i32, semitones: i32) -> Option<Pitch> {
    let plain = Pitch::from_diatonic(from.diatonic() + steps);
    let off = i32::from(from.midi().0) + semitones - i32::from(plain.midi().0);
    Some(plain.with(Alteration::from_semitones(off)?))
}

/// Text that names no interval.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no interval: write m3, M3, P4, A4, d5 and the like")]
pub struct ParseIntervalError {
    /// What was given.
    pub text: String,
}

impl FromStr for Interval {
    type Err = ParseIntervalError;

    /// Reads what [`Interval`] is displayed as.
    fn from_str(text: &str) -> Result<Interval, ParseIntervalError> {
        let err = || ParseIntervalError {
            text: text.to_owned(),
        };
        let digits = text.find(|c: char| c.is_ascii_digit()).ok_or_else(err)?;
        let number: i32 = text[digits..].parse().map_err(|_| err())?;
        if !(1..=15).contains(&number) {
            return Err(err());
        }
        let perfect = matches!((number - 1) % 7, 0 | 3 | 4);
        let quality = match (&text[..digits], perfect) {
            ("P", true) => Quality::Perfect,
            ("M", false) => Quality::Major,
            ("m", false) => Quality::Minor,
            ("A", _) => Quality::Augmented(1),
            ("AA", _) => Quality::Augmented(2),
            ("d", _) if number > 1 => Quality::Diminished(1),
            ("dd", _) if number > 1 => Quality::Diminished(2),
            _ => return Err(err()),
        };
        Ok(Interval { number, quality })
    }
}

impl fmt::Display for Interval {
    /// `M3`, `P5`, `A4`, `d7`; each further degree repeats its letter.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.quality {
            Quality::Perfect => f.write_str("P")?,
            Quality::Major => f.write_str("M")?,
            Quality::Minor => f.write_str("m")?,
            Quality::Augmented(times) => f.write_str(&"A".repeat(times.into()))?,
            Quality::Diminished(times) => f.write_str(&"d".repeat(times.into()))?,
        }
        write!(f, "{}", self.number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_are_named_by_letters_and_semitones() {
        // Standard theory (common practice).
        for (low, high, name) in [
            ("C4", "E4", "M3"),
            ("C4", "Fb4", "d4"),
            ("C4", "D#4", "A2"),
            ("C4", "Eb4", "m3"),
            ("F4", "B4", "A4"),
            ("B3", "F4", "d5"),
            ("C#4", "Bb4", "d7"),
            ("E4", "F#4", "M2"),
            ("C4", "C5", "P8"),
        ] {
            let interval = Interval::between(low.parse().unwrap(), high.parse().unwrap());
            assert_eq!(interval.to_string(), name, "{low} {high}");
            let back = Interval::between(high.parse().unwrap(), low.parse().unwrap());
            assert_eq!(back, interval);
            assert_eq!(name.parse(), Ok(interval));
            let (low, high): (Pitch, Pitch) = (low.parse().unwrap(), high.parse().unwrap());
            assert_eq!(interval.above(low), Some(high));
            assert_eq!(interval.below(high), Some(low));
        }
        for name in ["", "3", "M5", "P3", "m0", "P16", "d1", "x3", "M"] {
            assert!(name.parse::<Interval>().is_err(), "{name}");
        }
        let said = |name: &str| name.parse::<Interval>().unwrap().in_words();
        assert_eq!(said("m3"), "minor third");
        assert_eq!(said("P8"), "octave");
        assert_eq!(said("A4"), "augmented fourth");
    }

    #[test]
    fn an_inverted_interval_makes_nine_with_it_and_swaps_its_quality() {
        for number in 1..7 {
            for alteration in super::super::pitch::Alteration::ALL {
                let low: Pitch = "C4".parse().unwrap();
                let high = Pitch::from_diatonic(28 + number).with(alteration);
                let over = Interval::between(low, high);
                let under = Interval::between(high, Pitch { octave: 5, ..low });
                assert_eq!(over.number + under.number, 9);
                let swapped = match over.quality {
                    Quality::Major => Quality::Minor,
                    Quality::Minor => Quality::Major,
                    Quality::Perfect => Quality::Perfect,
                    Quality::Augmented(n) => Quality::Diminished(n),
                    Quality::Diminished(n) => Quality::Augmented(n),
                };
                assert_eq!(under.quality, swapped, "{over} {under}");
            }
        }
    }
}
