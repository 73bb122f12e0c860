//! Names from single keys: a natural is one key; the accidental's key comes first, so nothing waits and the letter b is never a flat.

use crate::theory::{Alteration, KeySignature, Letter, Mode, Spelling};

/// One key that means something to a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Typed {
    /// A letter.
    Letter(Letter),
    /// A letter that carries a flat by its name alone: the German B.
    FlatLetter(Letter),
    /// A note of the key's own scale, steps above its tonic: a syllable of movable do.
    Step(u8),
    /// The sharp's key; twice for a double sharp.
    Sharp,
    /// The flat's key; twice for a double flat.
    Flat,
}

/// The accidental typed so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Typing {
    accidental: Alteration,
}

impl Typing {
    /// The accidental that waits for its letter.
    pub fn accidental(self) -> Alteration {
        self.accidental
    }

    /// Takes one key; gives the name when it is complete. `key` is the signature that a syllable of movable do is counted in.
    pub fn key(&mut self, typed: Typed, key: KeySignature) -> Option<Spelling> {
        use Alteration::{DoubleFlat, DoubleSharp, Flat, Natural, Sharp};
        match typed {
            Typed::Letter(letter) => {
                let alteration = std::mem::take(&mut self.accidental);
                return Some(Spelling { letter, alteration });
            }
            Typed::FlatLetter(letter) => {
                let waiting = std::mem::take(&mut self.accidental);
                return altered(letter, waiting.semitones() - 1);
            }
            Typed::Step(steps) => {
                let waiting = std::mem::take(&mut self.accidental);
                let tonic = key.tonic(Mode::Major).letter.index();
                let letter = Letter::from_index(tonic + i32::from(steps));
                let own = key.alteration(letter).semitones();
                return altered(letter, own + waiting.semitones());
            }
            Typed::Sharp => {
                self.accidental = match self.accidental {
                    Sharp => DoubleSharp,
                    Flat | DoubleSharp => Natural,
                    _ => Sharp,
                }
            }
            Typed::Flat => {
                self.accidental = match self.accidental {
                    Flat => DoubleFlat,
                    Sharp | DoubleFlat => Natural,
                    _ => Flat,
                }
            }
        }
        None
    }

    /// Forgets a waiting accidental.
    pub fn clear(&mut self) {
        self.accidental = Alteration::Natural;
    }
}

/// `letter` altered by `semitones`; `None` beyond double signs.
fn altered(letter: Letter, semitones: i32) -> Option<Spelling> {
    let alteration = Alteration::from_semitones(semitones)?;
    Some(Spelling { letter, alteration })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_accidental_comes_first_and_the_letter_ends_the_name() {
        let mut typing = Typing::default();
        let b = Typed::Letter(Letter::B);
        assert_eq!(typing.key(b, KeySignature::NONE).unwrap().to_string(), "B");
        assert_eq!(typing.key(Typed::Flat, KeySignature::NONE), None);
        assert_eq!(typing.key(b, KeySignature::NONE).unwrap().to_string(), "Bb");
        assert_eq!(typing.key(b, KeySignature::NONE).unwrap().to_string(), "B");
        typing.key(Typed::Sharp, KeySignature::NONE);
        typing.key(Typed::Sharp, KeySignature::NONE);
        let f = Typed::Letter(Letter::F);
        assert_eq!(
            typing.key(f, KeySignature::NONE).unwrap().to_string(),
            "F##"
        );
        typing.key(Typed::Sharp, KeySignature::NONE);
        typing.key(Typed::Flat, KeySignature::NONE);
        assert_eq!(typing.key(f, KeySignature::NONE).unwrap().to_string(), "F");
    }

    #[test]
    fn a_german_b_and_a_syllable_carry_what_their_names_say() {
        let mut typing = Typing::default();
        let mut typed = |keys: &[Typed], fifths: i8| {
            let key = KeySignature::new(fifths).unwrap();
            let names = keys.iter().filter_map(|typed| typing.key(*typed, key));
            names.last().unwrap().to_string()
        };
        assert_eq!(typed(&[Typed::FlatLetter(Letter::B)], 0), "Bb");
        // Common practice: in D major (two sharps) mi is F sharp, and fi is G sharp.
        assert_eq!(typed(&[Typed::Step(0)], 2), "D");
        assert_eq!(typed(&[Typed::Step(2)], 2), "F#");
        assert_eq!(typed(&[Typed::Sharp, Typed::Step(3)], 2), "G#");
        // In E flat major (three flats) ti is D, and te is D flat.
        assert_eq!(typed(&[Typed::Flat, Typed::Step(6)], -3), "Db");
    }
}
