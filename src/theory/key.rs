//! Key signatures, counted as MusicXML's `fifths`: −7 flats to 7 sharps.

use serde::{Deserialize, Serialize};

use super::clef::Clef;
use super::pitch::{Alteration, Letter, Pitch, Spelling};
use super::staff::StaffStep;

/// Major or minor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[allow(missing_docs)]
pub enum Mode {
    Major,
    Minor,
}

/// The sharps or flats at the head of a staff, −7..=7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize)]
pub struct KeySignature(i8);

impl KeySignature {
    /// No sharps or flats.
    pub const NONE: KeySignature = KeySignature(0);

    /// A signature of `fifths` sharps (negative: flats); `None` outside −7..=7.
    pub fn new(fifths: i8) -> Option<KeySignature> {
        (-7..=7).contains(&fifths).then_some(KeySignature(fifths))
    }

    /// Sharps, or minus flats.
    pub fn fifths(self) -> i8 {
        self.0
    }

    /// The letters it alters, in the order they are written.
    pub fn letters(self) -> Vec<Letter> {
        use Letter::{A, B, C, D, E, F, G};
        let sharps = [F, C, G, D, A, E, B];
        let count = usize::from(self.0.unsigned_abs());
        if self.0 >= 0 {
            sharps[..count].to_vec()
        } else {
            sharps.iter().rev().take(count).copied().collect()
        }
    }

    /// What it does to `letter`.
    pub fn alteration(self, letter: Letter) -> Alteration {
        match (self.letters().contains(&letter), self.0 > 0) {
            (false, _) => Alteration::Natural,
            (true, true) => Alteration::Sharp,
            (true, false) => Alteration::Flat,
        }
    }

    /// Whether a note so spelled needs an accidental of its own in this key.
    pub fn needs_accidental(self, spelling: Spelling) -> bool {
        self.alteration(spelling.letter) != spelling.alteration
    }

    /// The tonic of the key.
    pub fn tonic(self, mode: Mode) -> Spelling {
        let fifths = i32::from(self.0) + if mode == Mode::Major { 0 } else { 3 };
        // Along the line of fifths F C G D A E B, C = 0: letters every four steps, an alteration each full round.
        let letter = Letter::from_index(fifths * 4);
        let alteration = Alteration::from_semitones((fifths + 1).div_euclid(7))
            .expect("signatures and modes stay within double signs");
        Spelling { letter, alteration }
    }

    /// Where its signs stand under `clef`, in order.
    ///
    /// Common practice: the treble pattern, moved with the clef, but the tenor clef's sharps begin low.
    pub fn steps(self, clef: Clef) -> Vec<StaffStep> {
        const SHARPS: [i32; 7] = [8, 5, 9, 6, 3, 7, 4];
        const FLATS: [i32; 7] = [4, 7, 3, 6, 2, 5, 1];
        const TENOR_SHARPS: [i32; 7] = [2, 6, 3, 7, 4, 8, 5];
        let count = usize::from(self.0.unsigned_abs());
        let (pattern, shift) = match (clef, self.0 > 0) {
            (Clef::Tenor, true) => (TENOR_SHARPS, 0),
            (_, sharp) => (
                if sharp { SHARPS } else { FLATS },
                match clef {
                    Clef::Treble | Clef::Treble8Below => 0,
                    Clef::Bass => -2,
                    Clef::Alto => -1,
                    Clef::Tenor => 1,
                },
            ),
        };
        pattern[..count]
            .iter()
            .map(|p| StaffStep(p + shift))
            .collect()
    }

    /// `pitch` with the alteration the signature gives its letter.
    pub fn apply(self, pitch: Pitch) -> Pitch {
        pitch.with(self.alteration(pitch.letter))
    }
}

impl<'de> Deserialize<'de> for KeySignature {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let fifths = i8::deserialize(deserializer)?;
        KeySignature::new(fifths).ok_or_else(|| {
            serde::de::Error::custom(format!(
                "a key signature has −7 (flats) to 7 (sharps), not {fifths}"
            ))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_stands_on_its_own_letter_in_every_clef() {
        for fifths in -7..=7 {
            let key = KeySignature::new(fifths).unwrap();
            for clef in Clef::ALL {
                let letters: Vec<_> = key
                    .steps(clef)
                    .iter()
                    .map(|step| step.pitch(clef).letter)
                    .collect();
                assert_eq!(letters, key.letters(), "{fifths} {clef:?}");
                assert!(key.steps(clef).iter().all(|s| (-1..=9).contains(&s.0)));
            }
        }
        assert_eq!(KeySignature::new(8), None);
    }

    #[test]
    fn tonics_follow_the_circle_of_fifths() {
        // Common practice.
        for (fifths, major, minor) in [
            (0, "C", "A"),
            (1, "G", "E"),
            (-1, "F", "D"),
            (6, "F#", "D#"),
            (7, "C#", "A#"),
            (-2, "Bb", "G"),
            (-7, "Cb", "Ab"),
        ] {
            let key = KeySignature::new(fifths).unwrap();
            assert_eq!(key.tonic(Mode::Major).to_string(), major);
            assert_eq!(key.tonic(Mode::Minor).to_string(), minor);
        }
    }
}
