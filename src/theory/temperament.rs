//! Frequencies: reference pitch, temperament, and their distance in cents.
//! Source: ISO 16:1975 (A4 = 440 Hz); MIDI Tuning Standard, f(m) = 440 · 2^((m−69)/12).

use std::fmt;
use std::ops::{Add, Neg, Sub};

use super::pitch::MidiNote;

/// A frequency in hertz.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Hz(pub f64);

/// A distance of two pitches in hundredths of an equal-tempered semitone.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Cents(pub f64);

impl Hz {
    /// Cents from `other` up to this frequency: 1200 · log2(self / other).
    pub fn cents_above(self, other: Hz) -> Cents {
        Cents(1200.0 * (self.0 / other.0).log2())
    }

    /// This frequency moved by `cents`.
    pub fn raised(self, cents: Cents) -> Hz {
        Hz(self.0 * (cents.0 / 1200.0).exp2())
    }
}

impl fmt::Display for Hz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2} Hz", self.0)
    }
}

impl Add for Cents {
    type Output = Cents;
    fn add(self, other: Cents) -> Cents {
        Cents(self.0 + other.0)
    }
}

impl Sub for Cents {
    type Output = Cents;
    fn sub(self, other: Cents) -> Cents {
        Cents(self.0 - other.0)
    }
}

impl Neg for Cents {
    type Output = Cents;
    fn neg(self) -> Cents {
        Cents(-self.0)
    }
}

/// The frequency of A4, 390..=470 Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference(f64);

/// A reference pitch out of range.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("the reference is the frequency of A4 in hertz, 390 to 470, not {given}")]
pub struct ReferenceError {
    /// What was given.
    pub given: f64,
}

impl Default for Reference {
    fn default() -> Self {
        Reference(440.0)
    }
}

impl Reference {
    /// A4 at `hz`. Errors outside 390..=470.
    pub fn new(hz: f64) -> Result<Reference, ReferenceError> {
        if (390.0..=470.0).contains(&hz) {
            Ok(Reference(hz))
        } else {
            Err(ReferenceError { given: hz })
        }
    }

    /// The frequency of A4.
    pub fn hz(self) -> Hz {
        Hz(self.0)
    }
}

/// How the twelve notes of an octave are sized.
#[derive(Debug, Clone, PartialEq)]
pub struct Temperament {
    /// Cents of each pitch class from C above equal temperament's, with A at 0.
    offsets: [f64; 12],
}

impl Default for Temperament {
    fn default() -> Self {
        Temperament::equal()
    }
}

impl Temperament {
    /// Twelve equal semitones.
    pub fn equal() -> Temperament {
        Temperament { offsets: [0.0; 12] }
    }

    /// A temperament from its twelve degrees in cents above C (the first is 0). A keeps the reference.
    pub fn from_degrees(degrees: [f64; 12]) -> Temperament {
        let mut offsets = [0.0; 12];
        for (class, degree) in degrees.iter().enumerate() {
            offsets[class] = (degree - degrees[9]) - 100.0 * (class as f64 - 9.0);
        }
        Temperament { offsets }
    }

    /// The same sizes of notes, built on the pitch class `tonic` (0 for C to 11 for B) instead of C. A keeps the
    /// reference.
    pub fn on_tonic(&self, tonic: i32) -> Temperament {
        let from = |class: usize| self.offsets[(class as i32 - tonic).rem_euclid(12) as usize];
        Temperament {
            offsets: std::array::from_fn(|class| from(class) - from(9)),
        }
    }

    /// The frequency of `key`.
    pub fn frequency(&self, key: MidiNote, reference: Reference) -> Hz {
        let equal = reference.0 * ((f64::from(key.0) - 69.0) / 12.0).exp2();
        Hz(equal).raised(Cents(self.offsets[key.pitch_class() as usize]))
    }

    /// The key nearest to `frequency`, and how far above it the frequency lies.
    pub fn nearest(&self, frequency: Hz, reference: Reference) -> (MidiNote, Cents) {
        let guess = 69.0 + frequency.cents_above(reference.hz()).0 / 100.0;
        let around = guess.round() as i16;
        (around - 1..=around + 1)
            .map(|key| {
                let key = MidiNote(key);
                (key, frequency.cents_above(self.frequency(key, reference)))
            })
            .min_by(|a, b| a.1.0.abs().total_cmp(&b.1.0.abs()))
            .expect("three keys are looked at")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cents_and_hertz_agree_with_closed_forms() {
        // Ellis's cent, 1200·log2: values computed from the formula by hand calculation.
        assert!((Hz(441.0).cents_above(Hz(440.0)).0 - 3.930).abs() < 5e-4);
        assert!((Hz(415.0).cents_above(Hz(440.0)).0 + 101.27).abs() < 5e-3);
        assert!((Hz(440.0).raised(Cents(5.0)).0 - 441.2726).abs() < 5e-5);
    }

    #[test]
    fn equal_temperament_is_the_midi_tuning_standards() {
        // MIDI Tuning Standard: key 0 is 8.175799 Hz, key 60 is 261.625565 Hz.
        let equal = Temperament::equal();
        let at = |key| equal.frequency(MidiNote(key), Reference::default()).0;
        assert!((at(60) - 261.625_565).abs() < 1e-6);
        assert!((at(108) - 4186.009).abs() < 5e-4);
        for key in 0..128 {
            let (nearest, off) = equal.nearest(Hz(at(key)), Reference::default());
            assert_eq!(nearest, MidiNote(key));
            assert!(off.0.abs() < 1e-9);
        }
    }

    #[test]
    fn just_intervals_stand_on_whatever_tonic_is_asked_for() {
        // Ratios of just intonation: third 5/4, fourth 4/3, fifth 3/2, sixth 5/3, above the tonic.
        let just = Temperament::named("just").unwrap();
        for tonic in 0..12_i32 {
            let on = just.on_tonic(tonic);
            let hz = |steps: i16| {
                on.frequency(MidiNote(48 + tonic as i16 + steps), Reference::default())
                    .0
            };
            for (steps, ratio) in [
                (4, 5.0 / 4.0),
                (5, 4.0 / 3.0),
                (7, 1.5),
                (9, 5.0 / 3.0),
                (12, 2.0),
            ] {
                assert!((hz(steps) / hz(0) - ratio).abs() < 1e-12, "{tonic} {steps}");
            }
            assert!((on.frequency(MidiNote(69), Reference::default()).0 - 440.0).abs() < 1e-9);
        }
        assert_eq!(just.on_tonic(0), just);
        assert_eq!(Temperament::equal().on_tonic(7), Temperament::equal());
    }

    #[test]
    fn a_temperament_keeps_a_at_the_reference() {
        // Pythagorean degrees from 3/2 fifths around D: E♭ to G♯.
        let degrees = [
            0.0, 113.685, 203.910, 294.135, 407.820, 498.045, 611.730, 701.955, 815.640, 905.865,
            996.090, 1109.775,
        ];
        let pythagorean = Temperament::from_degrees(degrees);
        let reference = Reference::new(415.0).unwrap();
        assert!((pythagorean.frequency(MidiNote(69), reference).0 - 415.0).abs() < 1e-12);
        let fifth = pythagorean
            .frequency(MidiNote(67), reference)
            .cents_above(pythagorean.frequency(MidiNote(60), reference));
        assert!((fifth.0 - 701.955).abs() < 1e-9);
        assert!(Reference::new(f64::NAN).is_err());
    }
}
