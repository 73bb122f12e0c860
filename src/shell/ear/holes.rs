//! Holes in the stream: where sound was lost on its way, what rings seems to be struck anew.
//! In: the samples, and where the device owned up to a loss. Out: whether a note began at a hole.

use std::collections::VecDeque;

/// Digital silence of so long, in the midst of sound, is a hole …
const SHORTEST_S: f64 = 0.002;

/// … up to this length: whoever is silent for longer may have stopped and begun again.
const LONGEST_S: f64 = 1.0;

/// Sound before a hole is louder than this (−66 dBFS): a note that faded into silence leaves no hole.
const LEAST: f32 = 2.5e-7;

/// The level at a hole's edge is taken over the last of these spans, and compared with that over the longer: what fades into
/// silence by itself, as a note that was let go, is cut by nothing.
const LEVEL_S: f64 = 0.003;
const LONG_LEVEL_S: f64 = 0.06;

/// At a cut the level is no lower than this part of the longer one (−13 dB).
const CUT: f32 = 0.05;

/// An onset may seem to lie this long before or after the hole.
const BEFORE_S: f64 = 0.03;
const AFTER_S: f64 = 0.05;

/// Holes remembered: notes are decided within a second.
const REMEMBERED_S: f64 = 5.0;

/// Looks for holes in one stream.
#[derive(Debug)]
pub(super) struct Holes {
    rate: f64,
    samples: u64,
    zeros: u64,
    /// Power of the last sounding samples, running means over the short and the long span.
    level: f32,
    long_level: f32,
    keep: f32,
    keep_long: f32,
    holes: VecDeque<(f64, f64)>,
}

impl Holes {
    /// For a stream of `rate` samples a second.
    pub(super) fn new(rate: f64) -> Holes {
        Holes {
            rate,
            samples: 0,
            zeros: 0,
            level: 0.0,
            long_level: 0.0,
            keep: (1.0 - 1.0 / (LEVEL_S * rate)) as f32,
            keep_long: (1.0 - 1.0 / (LONG_LEVEL_S * rate)) as f32,
            holes: VecDeque::new(),
        }
    }

    /// Takes the next samples; `lost`: the device says that some were lost before them.
    pub(super) fn block(&mut self, samples: &[f32], lost: bool) {
        if lost {
            let now = self.samples as f64 / self.rate;
            self.remember(now, now);
        }
        for sample in samples {
            self.samples += 1;
            if *sample == 0.0 {
                self.zeros += 1;
                continue;
            }
            let seconds = self.zeros as f64 / self.rate;
            if seconds >= SHORTEST_S {
                let cut = self.level >= LEAST && self.level >= CUT * self.long_level;
                if seconds <= LONGEST_S && cut {
                    let end = self.samples as f64 / self.rate;
                    self.remember(end - seconds, end);
                }
                (self.level, self.long_level) = (0.0, 0.0);
            }
            self.zeros = 0;
            let power = sample * sample;
            self.level = self.keep * self.level + (1.0 - self.keep) * power;
            self.long_level = self.keep_long * self.long_level + (1.0 - self.keep_long) * power;
        }
    }

    fn remember(&mut self, from: f64, to: f64) {
        self.holes.push_back((from, to));
        while self
            .holes
            .front()
            .is_some_and(|(_, end)| *end < to - REMEMBERED_S)
        {
            self.holes.pop_front();
        }
    }

    /// Whether what began at `onset_s` began at a hole.
    pub(super) fn spoil(&self, onset_s: f64) -> bool {
        self.holes
            .iter()
            .any(|(from, to)| (from - BEFORE_S..to + AFTER_S).contains(&onset_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: usize = 48_000;

    /// A fading tone, as sound cards give it: in whole steps of 1/32768.
    fn tone(seconds: f64, fade: f64) -> Vec<f32> {
        (0..(seconds * RATE as f64) as usize)
            .map(|i| {
                let t = i as f64 / RATE as f64;
                let x = 0.3 * (-t * fade).exp() * (t * 1_500.0).sin();
                ((x * 32_768.0).round() / 32_768.0) as f32
            })
            .collect()
    }

    fn heard(sound: &[f32]) -> Holes {
        let mut holes = Holes::new(RATE as f64);
        for block in sound.chunks(1000) {
            holes.block(block, false);
        }
        holes
    }

    #[test]
    fn a_ringing_note_that_comes_back_after_a_hole_is_not_struck_again() {
        for ms in [3, 20, 300] {
            let mut sound = tone(2.0, 1.0);
            let hole = ms * RATE / 1000;
            sound[RATE..RATE + hole].fill(0.0);
            let holes = heard(&sound);
            assert!(
                holes.spoil(1.0 + ms as f64 / 1000.0) && holes.spoil(1.0),
                "{ms}"
            );
            assert!(
                !holes.spoil(0.9) && !holes.spoil(1.1 + ms as f64 / 1000.0),
                "{ms}"
            );
        }
    }

    #[test]
    fn a_note_struck_out_of_digital_silence_is_struck() {
        // The first one fades below the last bit; a second, and one after a long rest.
        let mut sound = tone(1.0, 14.0);
        let second = sound.len() as f64 / RATE as f64;
        sound.extend(tone(1.0, 14.0));
        sound.extend(vec![0.0; 2 * RATE]);
        let third = sound.len() as f64 / RATE as f64;
        sound.extend(tone(1.0, 1.0));
        let holes = heard(&sound);
        assert!(!holes.spoil(0.0) && !holes.spoil(second) && !holes.spoil(third));
    }

    #[test]
    fn a_note_after_one_that_was_let_go_is_struck() {
        let mut sound = tone(1.0, 1.0);
        let release = RATE * 8 / 100;
        let from = sound.len() - release;
        for (i, x) in sound[from..].iter_mut().enumerate() {
            *x *= 1.0 - i as f32 / release as f32;
        }
        sound.extend(vec![0.0; RATE * 3 / 10]);
        let second = sound.len() as f64 / RATE as f64;
        sound.extend(tone(1.0, 1.0));
        assert!(!heard(&sound).spoil(second));
    }

    #[test]
    fn a_loss_that_the_device_owns_up_to_is_a_hole() {
        let sound = tone(2.0, 1.0);
        let mut holes = Holes::new(RATE as f64);
        holes.block(&sound[..RATE], false);
        holes.block(&sound[RATE + 500..], true);
        assert!(holes.spoil(1.01) && !holes.spoil(1.2));
    }
}
