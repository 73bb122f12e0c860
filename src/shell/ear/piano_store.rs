//! Where keys of this machine's piano lie, found by three keys that the learner struck: asked for once and kept.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::drill::{FURTHEST, KnownKeys, NEAR};
use crate::shell::paths::{Paths, make_private};
use crate::theory::{Cents, MidiNote};

/// What is kept of the piano by which this machine stands.
#[derive(Debug, Clone)]
pub struct PianoStore {
    file: PathBuf,
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct Kept {
    keys: Vec<KeptKey>,
}

#[derive(Debug, Serialize, Deserialize)]
struct KeptKey {
    midi: i16,
    cents: f64,
}

impl PianoStore {
    /// The store of this machine.
    pub fn new(paths: &Paths) -> PianoStore {
        PianoStore {
            file: paths.config.join("piano.toml"),
        }
    }

    /// Where keys lie. A file that cannot be read is no more than a piano that was not asked about.
    pub fn get(&self) -> KnownKeys {
        let text = std::fs::read_to_string(&self.file).unwrap_or_default();
        let kept: Kept = toml::from_str(&text).unwrap_or_default();
        let mut keys = kept
            .keys
            .into_iter()
            .filter(|key| key.cents.abs() <= 2.0 * FURTHEST && (21..=108).contains(&key.midi))
            .map(|key| (MidiNote(key.midi), Cents(key.cents)));
        std::array::from_fn(|_| keys.next())
    }

    /// Keeps where keys lie; nothing is kept of a piano near its usual pitch, which is learnt while playing.
    pub fn set(&self, keys: &KnownKeys) -> std::io::Result<()> {
        let keys = keys.iter().flatten();
        if keys.clone().all(|(_, cents)| cents.0.abs() <= NEAR) {
            return match std::fs::remove_file(&self.file) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
                _ => Ok(()),
            };
        }
        let keys = keys.map(|(key, cents)| KeptKey {
            midi: key.0,
            cents: (cents.0 * 10.0).round() / 10.0,
        });
        let text = toml::to_string(&Kept {
            keys: keys.collect(),
        })
        .map_err(std::io::Error::other)?;
        if let Some(folder) = self.file.parent() {
            make_private(folder)?;
        }
        let beside = self.file.with_extension("toml.new");
        std::fs::write(
            &beside,
            format!(
                "# Keys of the piano that is listened to, in cents above equal temperament at A4 = 440 Hz.\n{text}"
            ),
        )?;
        std::fs::rename(&beside, &self.file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_piano_is_kept_until_it_is_found_in_tune() {
        let folder = tempfile::tempdir().unwrap();
        let store = PianoStore::new(&Paths::in_folder(folder.path()));
        assert_eq!(store.get(), [None; 3]);
        let keys = [(60, -92.04), (48, -95.0), (72, -88.0)]
            .map(|(key, cents)| Some((MidiNote(key), Cents(cents))));
        store.set(&keys).unwrap();
        assert_eq!(store.get()[0], Some((MidiNote(60), Cents(-92.0))));
        let tuned = keys.map(|key| key.map(|(key, _)| (key, Cents(-3.0))));
        store.set(&tuned).unwrap();
        assert_eq!(store.get(), [None; 3]);
        store.set(&tuned).unwrap();
        std::fs::write(folder.path().join("piano.toml"), "keys = 3").unwrap();
        assert_eq!(store.get(), [None; 3]);
    }
}
