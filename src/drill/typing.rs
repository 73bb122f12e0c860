//! Names from single keys: a natural is one key; the accidental's key comes first, so nothing waits and the letter b is never a flat.

use crate::theory::{Alteration, Letter, Spelling};

/// One key that means something to a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Typed {
    /// A letter.
    Letter(Letter),
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

    /// Takes one key; gives the name when it is complete.
    pub fn key(&mut self, typed: Typed) -> Option<Spelling> {
        use Alteration::{DoubleFlat, DoubleSharp, Flat, Natural, Sharp};
        match typed {
            Typed::Letter(letter) => {
                let alteration = std::mem::take(&mut self.accidental);
                return Some(Spelling { letter, alteration });
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_accidental_comes_first_and_the_letter_ends_the_name() {
        let mut typing = Typing::default();
        let b = Typed::Letter(Letter::B);
        assert_eq!(typing.key(b).unwrap().to_string(), "B");
        assert_eq!(typing.key(Typed::Flat), None);
        assert_eq!(typing.key(b).unwrap().to_string(), "Bb");
        assert_eq!(typing.key(b).unwrap().to_string(), "B");
        typing.key(Typed::Sharp);
        typing.key(Typed::Sharp);
        let f = Typed::Letter(Letter::F);
        assert_eq!(typing.key(f).unwrap().to_string(), "F##");
        typing.key(Typed::Sharp);
        typing.key(Typed::Flat);
        assert_eq!(typing.key(f).unwrap().to_string(), "F");
    }
}
