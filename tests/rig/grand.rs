//! The recorded grand of `samples/grand`, each key of it.

use std::collections::HashMap;

use stavelark::theory::{MidiNote, Pitch};

use super::{recording, sample};

/// Samples a second of the recorded grand.
pub const RATE: u32 = 44_100;

/// The recorded grand of `samples/grand`.
pub struct Grand {
    keys: HashMap<i16, Vec<f32>>,
}

impl Grand {
    /// Reads the recordings.
    pub fn load() -> Grand {
        let mut keys = HashMap::new();
        for entry in std::fs::read_dir(sample("grand")).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "wav") {
                let name = path.file_stem().unwrap().to_str().unwrap();
                let key = name.replace('s', "#").parse::<Pitch>().unwrap().midi();
                let (mut sound, rate) = recording(&path);
                assert_eq!(rate, RATE);
                // A recording that stops short in the midst of its sound would be a hole in a stream.
                let fade = RATE as usize / 2;
                let from = sound.len().saturating_sub(fade);
                for (i, sample) in sound[from..].iter_mut().enumerate() {
                    *sample *= 1.0 - i as f32 / fade as f32;
                }
                keys.insert(key.0, sound);
            }
        }
        Grand { keys }
    }

    /// The key's sound: its recording, or the nearest one at another speed.
    pub fn strike(&self, key: MidiNote) -> Vec<f32> {
        self.strike_off(key, 0.0)
    }

    /// The same on a piano that lies `cents` off as a whole.
    pub fn strike_off(&self, key: MidiNote, cents: f64) -> Vec<f32> {
        let (nearest, sound) = self
            .keys
            .iter()
            .min_by_key(|(recorded, _)| (**recorded - key.0).abs())
            .unwrap();
        let speed = ((f64::from(key.0 - nearest) + cents / 100.0) / 12.0).exp2();
        let length = (sound.len() as f64 / speed) as usize - 1;
        (0..length)
            .map(|i| {
                let at = i as f64 * speed;
                let (whole, part) = (at as usize, at.fract() as f32);
                0.5 * (sound[whole] * (1.0 - part) + sound[whole + 1] * part)
            })
            .collect()
    }

    /// Several keys at once.
    pub fn together(&self, keys: &[MidiNote]) -> Vec<f32> {
        let sounds: Vec<Vec<f32>> = keys.iter().map(|key| self.strike(*key)).collect();
        let length = sounds.iter().map(Vec::len).max().unwrap_or(0);
        (0..length)
            .map(|i| sounds.iter().filter_map(|s| s.get(i)).sum())
            .collect()
    }
}
