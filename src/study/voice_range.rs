//! The range a voice sings in with ease: by its kind, as two notes, or found from what was sung.
//! In: text, or how long each key was sung. Out: lowest and highest note.
//! Source: choral ranges differ by up to a fifth from guide to guide; those here are narrower than what all of them allow,
//! and nobody is asked for the extremes.

use std::fmt;

use crate::theory::{MidiNote, Pitch};

/// Lowest and highest note of a voice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VoiceRange {
    low: MidiNote,
    high: MidiNote,
}

/// Semitones a range needs: a melody of a fifth.
const NARROWEST: i16 = 7;
/// A key belongs to the range when it was sung for so long in all.
const LEAST_MS: u32 = 300;
/// Left out at each end of what was sung: it may have been the end of the voice.
const SPARED: i16 = 1;
/// Sung keys further than this from all others are slips of the ear.
const APART: i16 = 5;

impl VoiceRange {
    /// The range from `low` to `high`; `None` for less than a fifth.
    pub fn new(low: MidiNote, high: MidiNote) -> Option<VoiceRange> {
        (high.0 - low.0 >= NARROWEST).then_some(VoiceRange { low, high })
    }

    /// Kinds of voices with their lowest and highest note.
    pub const KINDS: [(&'static str, &'static str, &'static str); 4] = [
        ("soprano", "D4", "E5"),
        ("alto", "A3", "B4"),
        ("tenor", "D3", "E4"),
        ("bass", "G2", "B3"),
    ];

    /// Reads a kind of voice, or two notes as in `C4-A4`.
    pub fn parse(text: &str) -> Option<VoiceRange> {
        let kind = VoiceRange::KINDS.iter().find(|(kind, ..)| *kind == text);
        let (low, high) = match kind {
            Some((_, low, high)) => (*low, *high),
            None => text.split_once('-')?,
        };
        let key = |text: &str| Some(text.trim().parse::<Pitch>().ok()?.midi());
        VoiceRange::new(key(low)?, key(high)?)
    }

    /// From what was sung: each key with how long, in ms. `None` while that is less than a fifth.
    pub fn found(sung: &[(MidiNote, u32)]) -> Option<VoiceRange> {
        let mut keys: Vec<i16> = sung
            .iter()
            .filter(|(_, ms)| *ms >= LEAST_MS)
            .map(|(key, _)| key.0)
            .collect();
        keys.sort_unstable();
        // The longest stretch without a hole: an octave misheard stands alone.
        let stretches = keys.chunk_by(|a, b| b - a <= APART);
        let stretch = stretches.max_by_key(|stretch| stretch.len())?;
        let (low, high) = (*stretch.first()?, *stretch.last()?);
        VoiceRange::new(MidiNote(low + SPARED), MidiNote(high - SPARED))
    }

    /// Lowest and highest key.
    pub fn keys(self) -> (MidiNote, MidiNote) {
        (self.low, self.high)
    }

    /// The kind of voice whose middle is nearest.
    pub fn nearest_kind(self) -> &'static str {
        let middle = |range: VoiceRange| range.low.0 + range.high.0;
        let off = |kind: &str| {
            VoiceRange::parse(kind).map_or(i16::MAX, |range| (middle(range) - middle(self)).abs())
        };
        let kinds = VoiceRange::KINDS.iter().map(|(kind, ..)| *kind);
        kinds.min_by_key(|kind| off(kind)).unwrap_or("alto")
    }
}

impl fmt::Display for VoiceRange {
    /// `C4-A4`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (low, high) = (
            self.low.spelled_with_sharps(),
            self.high.spelled_with_sharps(),
        );
        write!(f, "{low}-{high}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(name: &str) -> MidiNote {
        name.parse::<Pitch>().unwrap().midi()
    }

    #[test]
    fn ranges_are_read_as_kinds_and_as_two_notes() {
        for text in ["soprano", "bass", "C4-A4", "Bb2-C4"] {
            let range = VoiceRange::parse(text).unwrap();
            let again = VoiceRange::parse(&range.to_string());
            assert_eq!(again, Some(range));
        }
        for text in ["", "countertenor", "C4", "C4-E4", "A4-C4", "X-Y"] {
            assert_eq!(VoiceRange::parse(text), None, "{text}");
        }
    }

    #[test]
    fn kinds_of_voices_lie_within_what_choral_guides_allow() {
        // Averages of choral guides: soprano C4 to A5 (amateurs), alto F3 to D5, tenor C3 to G4, bass E2 to E4.
        for (kind, low, high) in [
            ("soprano", "C4", "A5"),
            ("alto", "F3", "D5"),
            ("tenor", "C3", "G4"),
            ("bass", "E2", "E4"),
        ] {
            let range = VoiceRange::parse(kind).unwrap();
            let (own_low, own_high) = range.keys();
            assert!(own_low > key(low) && own_high < key(high), "{kind}");
            assert_eq!(range.nearest_kind(), kind);
        }
    }

    #[test]
    fn a_range_is_found_from_what_was_sung_without_its_ends_and_slips() {
        let sung = |from: &str, to: &str| -> Vec<(MidiNote, u32)> {
            (key(from).0..=key(to).0)
                .map(|k| (MidiNote(k), 600))
                .collect()
        };
        let mut heard = sung("A2", "E4");
        // An octave misheard, and a slide through notes that were not held.
        heard.push((key("E6"), 500));
        heard.extend([(key("F4"), 100), (key("G4"), 80)]);
        let range = VoiceRange::found(&heard).unwrap();
        assert_eq!(range.to_string(), "A#2-D#4");
        // A major sixth, of which the ends are left out, is the least: what `voice` says.
        assert!(VoiceRange::found(&sung("C4", "A4")).is_some());
        assert_eq!(VoiceRange::found(&sung("C4", "G#4")), None);
        assert_eq!(VoiceRange::found(&sung("C4", "E4")), None);
        assert_eq!(VoiceRange::found(&[]), None);
    }
}
