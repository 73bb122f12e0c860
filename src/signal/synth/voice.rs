//! One note from its onset to its end: strings or held partials, the knock, and the ramps at both edges.

use fundsp::MAX_BUFFER_SIZE;
use fundsp::audionode::AudioNode;
use fundsp::buffer::{BufferArray, BufferRef};
use fundsp::typenum::U1;

use super::bank::PartialBank;
use super::engine::NoteOn;
use super::knock::Knock;
use super::rate::SampleRate;
use crate::score::Tone;

/// Ramp at the onset of every note.
pub const ATTACK_S: f64 = 0.005;

/// Ramp at the end of a note that is let go, as a damper takes it.
pub const RELEASE_S: f64 = 0.08;

/// Onset ramp of a held tone, which has no stroke.
const SWELL_S: f64 = 0.03;

/// Ramp of a note that must make room or stop at once.
const CUT_S: f64 = 0.01;

/// A fall of the ramp to silence.
#[derive(Debug, Clone, Copy)]
struct Fade {
    from: u64,
    length: u64,
}

impl Fade {
    fn end(self) -> u64 {
        self.from.saturating_add(self.length)
    }
}

pub(super) struct Voice {
    rate: SampleRate,
    bank: PartialBank,
    knock: Knock,
    buffer: BufferArray<U1>,
    taken: usize,
    /// Samples since the onset.
    age: u64,
    rise: u64,
    fade: Option<Fade>,
    sounding: bool,
}

impl Voice {
    pub(super) fn new(rate: SampleRate) -> Voice {
        Voice {
            rate,
            bank: PartialBank::new(rate),
            knock: Knock::new(rate),
            buffer: BufferArray::new(),
            taken: 0,
            age: 0,
            rise: 0,
            fade: None,
            sounding: false,
        }
    }

    /// Begins `note` now. Allocates nothing.
    pub(super) fn start(&mut self, note: NoteOn) {
        let velocity = f64::from(note.velocity);
        self.bank
            .start(note.tone, note.frequency, note.inharmonicity, velocity);
        self.knock.reset();
        if note.tone == Tone::Strings {
            self.knock.start(note.frequency, velocity);
        }
        self.taken = MAX_BUFFER_SIZE;
        self.age = 0;
        let rise = match note.tone {
            Tone::Strings | Tone::Click => ATTACK_S,
            Tone::Vowel | Tone::Pure => SWELL_S,
        };
        self.rise = self.rate.samples_in(rise);
        self.fade = Some(Fade {
            from: note.length,
            length: self.rate.samples_in(RELEASE_S),
        });
        self.sounding = !self.bank.is_silent();
    }

    pub(super) fn is_sounding(&self) -> bool {
        self.sounding
    }

    /// Already on its way out because somebody cut it.
    pub(super) fn is_cut(&self) -> bool {
        self.fade.is_some_and(|fade| fade.from <= self.age)
    }

    /// Samples since the onset.
    pub(super) fn age(&self) -> u64 {
        self.age
    }

    /// Fades out from now on, unless it is already doing so.
    pub(super) fn cut(&mut self) {
        if !self.is_cut() {
            self.fade = Some(Fade {
                from: self.age,
                length: self.rate.samples_in(CUT_S),
            });
        }
    }

    /// Adds the voice to `out`. Allocates nothing.
    pub(super) fn add_to(&mut self, out: &mut [f32]) {
        let mut rest = out;
        while self.sounding && !rest.is_empty() {
            if self.taken == MAX_BUFFER_SIZE {
                self.next_block();
            }
            let (size, ramped) = self.stretch();
            let size = size.min(rest.len()).min(MAX_BUFFER_SIZE - self.taken);
            let (part, later) = rest.split_at_mut(size);
            for (i, sample) in part.iter_mut().enumerate() {
                let gain = if ramped { self.ramp(i as u64) } else { 1.0 };
                *sample += self.buffer.at_f32(0, self.taken + i) * gain;
            }
            rest = later;
            self.taken += size;
            self.age += size as u64;
            let over = self.fade.is_some_and(|fade| self.age >= fade.end());
            if over || (self.taken == MAX_BUFFER_SIZE && self.bank.is_silent()) {
                self.sounding = false;
            }
        }
    }

    /// How many samples from now on are all ramped, or all not, and which.
    fn stretch(&self) -> (usize, bool) {
        let fade = self.fade.filter(|fade| fade.from <= self.age);
        let next = self.fade.map_or(u64::MAX, |fade| fade.from);
        let until = match fade {
            Some(fade) => fade.end(),
            None if self.age < self.rise => self.rise.min(next),
            None => next,
        };
        let ramped = fade.is_some() || self.age < self.rise;
        (
            usize::try_from(until - self.age).unwrap_or(usize::MAX),
            ramped,
        )
    }

    fn next_block(&mut self) {
        let none = BufferRef::empty();
        self.bank
            .process(MAX_BUFFER_SIZE, &none, &mut self.buffer.buffer_mut());
        for i in 0..MAX_BUFFER_SIZE {
            let knock = self.knock.tick(&fundsp::Frame::default())[0];
            let sum = self.buffer.at_f32(0, i) + knock;
            self.buffer.set_f32(0, i, sum);
        }
        self.taken = 0;
    }

    /// Both edges' ramps `ahead` samples from now: half a cosine each.
    fn ramp(&self, ahead: u64) -> f32 {
        let age = self.age + ahead;
        let mut gain = 1.0;
        if age < self.rise {
            gain *= half_cosine(age, self.rise);
        }
        if let Some(fade) = self.fade
            && age >= fade.from
        {
            gain *= 1.0 - half_cosine(age - fade.from, fade.length);
        }
        gain
    }
}

fn half_cosine(at: u64, length: u64) -> f32 {
    (0.5 - 0.5 * (std::f64::consts::PI * at as f64 / length as f64).cos()) as f32
}
