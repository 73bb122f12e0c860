//! One thing to read. In: a spelled pitch and the staff it stands on. Out: a stable text id for the store.

use std::fmt;
use std::str::FromStr;

use crate::theory::{Clef, KeySignature, Pitch};

/// An item: a written note on a staff, under a key signature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Item {
    /// The pitch asked for, as it sounds under the signature.
    pub pitch: Pitch,
    /// The staff it stands on.
    pub clef: Clef,
    /// The key signature at the head of the staff.
    pub key: KeySignature,
}

impl Item {
    /// A note without key signature.
    pub fn note(pitch: Pitch, clef: Clef) -> Item {
        Item {
            pitch,
            clef,
            key: KeySignature::NONE,
        }
    }
}

impl fmt::Display for Item {
    /// `F#5@treble`, with the key's fifths behind it when there is a signature: `F#5@treble@2`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}@{}", self.pitch, self.clef.name())?;
        if self.key != KeySignature::NONE {
            write!(f, "@{}", self.key.fifths())?;
        }
        Ok(())
    }
}

/// Text that is no item's id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no item: write pitch@clef, as in F#5@treble")]
pub struct ParseItemError {
    /// What was given.
    pub text: String,
}

impl FromStr for Item {
    type Err = ParseItemError;

    fn from_str(text: &str) -> Result<Item, ParseItemError> {
        let err = || ParseItemError {
            text: text.to_owned(),
        };
        let mut parts = text.split('@');
        let pitch = parts.next().and_then(|p| p.parse().ok()).ok_or_else(err)?;
        let clef = parts.next().and_then(Clef::from_name).ok_or_else(err)?;
        let key = match parts.next() {
            None => KeySignature::NONE,
            Some(fifths) => fifths
                .parse()
                .ok()
                .and_then(KeySignature::new)
                .ok_or_else(err)?,
        };
        if parts.next().is_some() {
            return Err(err());
        }
        Ok(Item { pitch, clef, key })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_read_back_and_nonsense_is_refused() {
        for id in ["F#5@treble", "Bb1@bass@-2", "C4@treble-8"] {
            assert_eq!(id.parse::<Item>().unwrap().to_string(), id);
        }
        for id in [
            "",
            "F#5",
            "F#5@violin",
            "F@bass",
            "C4@alto@9",
            "C4@alto@1@1",
        ] {
            assert!(id.parse::<Item>().is_err(), "{id}");
        }
    }
}
