//! Intervals: number by letters counted inclusively, quality from semitones (standard theory).

use std::fmt;

use super::pitch::Pitch;

/// The quality of an interval. `Augmented(1)` is augmented, `Augmented(2)` doubly so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[allow(missing_docs)]
pub enum Quality {
    Diminished(u8),
    Minor,
    Perfect,
    Major,
    Augmented(u8),
}

/// The distance of two written pitches, sized upward.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Interval {
    /// Letters counted inclusively: 1 a unison, 8 an octave.
    pub number: i32,
    /// Its quality.
    pub quality: Quality,
}

impl Interval {
    /// The interval from the lower written note to the higher (by staff place; at one place, by sound).
    pub fn between(a: Pitch, b: Pitch) -> Interval {
        let order = |p: Pitch| (p.diatonic(), p.midi());
        let (low, high) = if order(a) <= order(b) { (a, b) } else { (b, a) };
        let steps = high.diatonic() - low.diatonic();
        let semitones = i32::from(high.midi().0 - low.midi().0);
        let natural = 12 * (steps / 7) + [0, 2, 4, 5, 7, 9, 11][(steps % 7) as usize];
        let off = semitones - natural;
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
        }
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
