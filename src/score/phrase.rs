//! What is to be sounded: notes with their start, length, frequency and loudness, in one tone.
//! In: frequencies of first partials. Out: a list in milliseconds from the phrase's start, for any synthesiser.

use crate::theory::Hz;

/// The sound of a phrase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Tone {
    /// Struck strings: partials stretched by stiffness, dying away.
    #[default]
    Strings,
    /// A sung "ah" with exact integer partials, held.
    Vowel,
    /// A few exact integer partials, held.
    Pure,
    /// A short knock of a wooden bar, for the beat.
    Click,
}

impl Tone {
    /// All tones.
    pub const ALL: [Tone; 4] = [Tone::Strings, Tone::Vowel, Tone::Pure, Tone::Click];

    /// The word in options and settings.
    pub fn name(self) -> &'static str {
        ["strings", "vowel", "pure", "click"][self as usize]
    }

    /// The tone of a [`Tone::name`].
    pub fn from_name(name: &str) -> Option<Tone> {
        Tone::ALL.into_iter().find(|tone| tone.name() == name)
    }
}

/// One note of a phrase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundingNote {
    /// Its onset, from the phrase's start.
    pub start_ms: u32,
    /// From its onset to the moment it is let go; it fades a little beyond that.
    pub length_ms: u32,
    /// Its first partial.
    pub frequency: Hz,
    /// Inharmonicity of its string, where it is to sound as on a certain piano; only struck strings have one.
    pub inharmonicity: Option<f64>,
    velocity: f32,
}

impl SoundingNote {
    /// How hard a note is played unless somebody asks for something else.
    pub const MEDIUM: f32 = 0.6;

    /// A note of medium loudness.
    pub fn new(start_ms: u32, length_ms: u32, frequency: Hz) -> SoundingNote {
        SoundingNote {
            start_ms,
            length_ms,
            frequency,
            inharmonicity: None,
            velocity: SoundingNote::MEDIUM,
        }
    }

    /// The same note played with `velocity`, taken into 0..=1 (0 is silent, 1 as hard as can be).
    pub fn with_velocity(self, velocity: f32) -> SoundingNote {
        let velocity = if velocity.is_nan() {
            0.0
        } else {
            velocity.clamp(0.0, 1.0)
        };
        SoundingNote { velocity, ..self }
    }

    /// The same note on a string of inharmonicity `b`; a `b` that is none leaves it to the tone.
    pub fn on_string(self, b: Option<f64>) -> SoundingNote {
        SoundingNote {
            inharmonicity: b.filter(|b| b.is_finite() && *b >= 0.0),
            ..self
        }
    }

    /// How hard it is played, 0..=1.
    pub fn velocity(self) -> f32 {
        self.velocity
    }

    /// When it is let go, from the phrase's start.
    pub fn end_ms(self) -> u32 {
        self.start_ms.saturating_add(self.length_ms)
    }
}

/// Notes that sound one after another, together, or both, in one tone.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Phrase {
    /// The sound of every note.
    pub tone: Tone,
    /// The notes, in any order.
    pub notes: Vec<SoundingNote>,
}

impl Phrase {
    /// A phrase without notes.
    pub fn new(tone: Tone) -> Phrase {
        Phrase {
            tone,
            notes: Vec::new(),
        }
    }

    /// Every note `length_ms` long, each beginning when the one before it ends.
    pub fn one_after_another(
        tone: Tone,
        frequencies: impl IntoIterator<Item = Hz>,
        length_ms: u32,
    ) -> Phrase {
        let mut phrase = Phrase::new(tone);
        for frequency in frequencies {
            phrase.push_after(frequency, length_ms);
        }
        phrase
    }

    /// All notes at once, for `length_ms`.
    pub fn together(
        tone: Tone,
        frequencies: impl IntoIterator<Item = Hz>,
        length_ms: u32,
    ) -> Phrase {
        let notes = frequencies
            .into_iter()
            .map(|frequency| SoundingNote::new(0, length_ms, frequency))
            .collect();
        Phrase { tone, notes }
    }

    /// Adds a note that begins when the last one is let go.
    pub fn push_after(&mut self, frequency: Hz, length_ms: u32) {
        self.notes
            .push(SoundingNote::new(self.end_ms(), length_ms, frequency));
    }

    /// This phrase and then, after `gap_ms` of silence, `next`, in this phrase's tone.
    pub fn then(mut self, gap_ms: u32, next: &Phrase) -> Phrase {
        let offset = self.end_ms().saturating_add(gap_ms);
        self.notes
            .extend(next.notes.iter().map(|note| SoundingNote {
                start_ms: note.start_ms.saturating_add(offset),
                ..*note
            }));
        self
    }

    /// Every note played with `velocity`, 0..=1.
    pub fn with_velocity(mut self, velocity: f32) -> Phrase {
        for note in &mut self.notes {
            *note = note.with_velocity(velocity);
        }
        self
    }

    /// When the last note is let go; 0 without notes.
    pub fn end_ms(&self) -> u32 {
        self.notes
            .iter()
            .map(|note| note.end_ms())
            .max()
            .unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const THREE: [Hz; 3] = [Hz(261.6), Hz(329.6), Hz(392.0)];

    #[test]
    fn notes_follow_each_other_without_gap_or_overlap() {
        let phrase = Phrase::one_after_another(Tone::Pure, THREE, 400);
        let starts: Vec<u32> = phrase.notes.iter().map(|note| note.start_ms).collect();
        assert_eq!(starts, [0, 400, 800]);
        assert_eq!(phrase.end_ms(), 1200);
    }

    #[test]
    fn a_chord_starts_at_once_and_can_follow_a_melody() {
        let chord = Phrase::together(Tone::Strings, THREE, 1000);
        assert!(chord.notes.iter().all(|note| note.start_ms == 0));
        let both = Phrase::one_after_another(Tone::Pure, THREE, 400).then(250, &chord);
        assert_eq!(both.tone, Tone::Pure);
        assert_eq!(both.notes.len(), 6);
        assert_eq!(both.notes[5].start_ms, 1450);
        assert_eq!(both.end_ms(), 2450);
    }

    #[test]
    fn loudness_stays_in_its_range() {
        let note = SoundingNote::new(0, 1, Hz(440.0));
        assert_eq!(note.with_velocity(7.0).velocity(), 1.0);
        assert_eq!(note.with_velocity(-1.0).velocity(), 0.0);
        assert_eq!(note.with_velocity(f32::NAN).velocity(), 0.0);
    }

    #[test]
    fn tones_read_back_by_name() {
        for tone in Tone::ALL {
            assert_eq!(Tone::from_name(tone.name()), Some(tone));
        }
        assert_eq!(Tone::from_name("organ"), None);
    }
}
