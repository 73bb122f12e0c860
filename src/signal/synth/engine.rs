//! All voices, mixed and limited.
//! In: notes with their onset. Out: mono samples, in blocks of any size, the same whatever the sizes.
//! Everything is sized at start: `schedule`, `release_all` and `render` never allocate, free or lock.

use super::limiter::Limiter;
use super::rate::SampleRate;
use super::voice::Voice;
use crate::score::{Phrase, Tone};
use crate::theory::Hz;

/// Notes that sound at once.
pub const VOICES: usize = 48;

/// Room beyond [`VOICES`] for notes that were cut to make room and are still fading.
const FADING: usize = 16;

/// Notes that may wait for their onset.
const WAITING: usize = 4096;

/// When no voice is free, a note tries again after so many samples.
const RETRY: u64 = 64;

/// A note to sound, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteOn {
    /// Samples from now to the onset.
    pub delay: u64,
    /// Samples from the onset to the release.
    pub length: u64,
    /// First partial.
    pub frequency: Hz,
    /// Inharmonicity of its string, where it is not the tone's own.
    pub inharmonicity: Option<f64>,
    /// How hard, 0..=1.
    pub velocity: f32,
    /// The sound.
    pub tone: Tone,
}

impl NoteOn {
    /// The notes of `phrase` at `rate`, from now on.
    pub fn of_phrase(phrase: &Phrase, rate: SampleRate) -> impl Iterator<Item = NoteOn> + '_ {
        phrase.notes.iter().map(move |note| NoteOn {
            delay: rate.samples_in_ms(note.start_ms),
            length: rate.samples_in_ms(note.length_ms),
            frequency: note.frequency,
            inharmonicity: note.inharmonicity,
            velocity: note.velocity(),
            tone: phrase.tone,
        })
    }
}

/// The synthesiser: [`VOICES`] voices and a limiter.
pub struct Engine {
    rate: SampleRate,
    voices: Vec<Voice>,
    /// Onset in samples since the engine's start, and the note.
    waiting: Vec<(u64, NoteOn)>,
    now: u64,
    limiter: Limiter,
}

impl Engine {
    /// A silent engine; the only place that allocates.
    pub fn new(rate: SampleRate) -> Engine {
        Engine {
            rate,
            voices: (0..VOICES + FADING).map(|_| Voice::new(rate)).collect(),
            waiting: Vec::with_capacity(WAITING),
            now: 0,
            limiter: Limiter::new(rate),
        }
    }

    /// Samples per second.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Samples by which everything comes late: the limiter looks ahead.
    pub fn delay(&self) -> usize {
        Limiter::delay(self.rate)
    }

    /// Takes a note; `false` if too many are waiting, and then it is not taken.
    pub fn schedule(&mut self, note: NoteOn) -> bool {
        if self.waiting.len() == WAITING {
            return false;
        }
        self.waiting
            .push((self.now.saturating_add(note.delay), note));
        true
    }

    /// Forgets what waits and fades out what sounds, within 10 ms.
    pub fn release_all(&mut self) {
        self.waiting.clear();
        for voice in &mut self.voices {
            voice.cut();
        }
    }

    /// Nothing sounds, waits, or is still inside the limiter.
    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty()
            && self.voices.iter().all(|voice| !voice.is_sounding())
            && self.limiter.is_at_rest()
    }

    /// Fills `out` with the next samples.
    pub fn render(&mut self, out: &mut [f32]) {
        out.fill(0.0);
        let mut rest = &mut out[..];
        while !rest.is_empty() {
            self.start_due();
            let until = self.waiting.iter().map(|(onset, _)| onset - self.now).min();
            let size = until.map_or(rest.len(), |until| {
                rest.len().min(usize::try_from(until).unwrap_or(usize::MAX))
            });
            let (part, later) = rest.split_at_mut(size);
            for voice in self.voices.iter_mut().filter(|voice| voice.is_sounding()) {
                voice.add_to(part);
            }
            for sample in part {
                *sample = self.limiter.tick(*sample);
            }
            self.now += size as u64;
            rest = later;
        }
    }

    /// Starts every note whose onset is now, in the order they came.
    fn start_due(&mut self) {
        let mut at = 0;
        while at < self.waiting.len() {
            let (onset, note) = self.waiting[at];
            if onset > self.now {
                at += 1;
                continue;
            }
            match self.free_voice() {
                Some(voice) => {
                    self.voices[voice].start(note);
                    self.waiting.remove(at);
                }
                None => {
                    self.waiting[at].0 = self.now + RETRY;
                    at += 1;
                }
            }
        }
    }

    /// A voice that is silent. When as many sound as may, the oldest is cut.
    fn free_voice(&mut self) -> Option<usize> {
        let free = self.voices.iter().position(|voice| !voice.is_sounding())?;
        let held = |voice: &&mut Voice| voice.is_sounding() && !voice.is_cut();
        if self.voices.iter_mut().filter(held).count() >= VOICES
            && let Some(oldest) = self
                .voices
                .iter_mut()
                .filter(held)
                .max_by_key(|voice| voice.age())
        {
            oldest.cut();
        }
        Some(free)
    }
}
