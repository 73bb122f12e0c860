//! Holes in the stream: where sound was lost on its way, what rings seems to be struck anew.
//! In: the samples, and where the device owned up to a loss. Out: whether a note began at a hole, or was told across one.
//!
//! A noise gate gives exact zeros as a hole does. What tells them apart is what follows: after a hole the sound goes on
//! no louder than it was, out of a gate a note comes that is louder than what the gate shut out.

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

/// A note was struck at or in a hole when the sound is so much louder after it than before, as power (6 dB): what rings on
/// has fallen, and where strings beat it rises by less within [`LONGEST_S`].
const STRUCK: f32 = 4.0;

/// An onset may seem to lie this long before or after the hole.
const BEFORE_S: f64 = 0.03;
const AFTER_S: f64 = 0.05;

/// The level after a hole is known after so long: over less, a low note's single swings are louder than their mean.
const SETTLED_S: f64 = 0.02;

/// Holes remembered: notes are decided within a second.
const REMEMBERED_S: f64 = 5.0;

/// Mean power of about the last so many seconds, the latest counting most.
#[derive(Debug)]
struct Level {
    keep: f32,
    sum: f32,
    weight: f32,
}

impl Level {
    /// Over `seconds`, of sound that follows silence.
    fn new(seconds: f64, rate: f64) -> Level {
        Level {
            keep: (1.0 - 1.0 / (seconds * rate)) as f32,
            sum: 0.0,
            weight: 1.0,
        }
    }

    fn push(&mut self, power: f32) {
        self.sum = self.keep * self.sum + (1.0 - self.keep) * power;
        self.weight = self.keep * self.weight + (1.0 - self.keep);
    }

    fn mean(&self) -> f32 {
        self.sum / self.weight.max(f32::MIN_POSITIVE)
    }

    /// What came before is unknown.
    fn forget(&mut self) {
        (self.sum, self.weight) = (0.0, 0.0);
    }

    /// It was silent.
    fn fall_silent(&mut self) {
        (self.sum, self.weight) = (0.0, 1.0);
    }
}

/// Where sound is missing: seconds, and its level on both sides.
#[derive(Debug)]
struct Hole {
    from: f64,
    to: f64,
    before: f32,
    /// The loudest soon after it, once that is known.
    after: f32,
}

/// Looks for holes in one stream.
#[derive(Debug)]
pub(super) struct Holes {
    rate: f64,
    samples: u64,
    zeros: u64,
    /// Of the sounding samples.
    level: Level,
    long_level: Level,
    holes: VecDeque<Hole>,
    /// The samples in which the level after the last hole is looked at.
    watched: std::ops::Range<u64>,
}

impl Holes {
    /// For a stream of `rate` samples a second.
    pub(super) fn new(rate: f64) -> Holes {
        Holes {
            rate,
            samples: 0,
            zeros: 0,
            level: Level::new(LEVEL_S, rate),
            long_level: Level::new(LONG_LEVEL_S, rate),
            holes: VecDeque::new(),
            watched: 0..0,
        }
    }

    /// Takes the next samples; `lost`: the device says that some were lost before them.
    pub(super) fn block(&mut self, samples: &[f32], lost: bool) {
        if lost {
            self.remember(0.0);
        }
        for sample in samples {
            self.samples += 1;
            if *sample == 0.0 {
                self.zeros += 1;
                continue;
            }
            let seconds = self.zeros as f64 / self.rate;
            if seconds >= SHORTEST_S {
                let level = self.level.mean();
                let cut = level >= LEAST && level >= CUT * self.long_level.mean();
                if seconds <= LONGEST_S && cut {
                    self.remember(seconds);
                } else {
                    self.level.fall_silent();
                    self.long_level.fall_silent();
                }
            }
            self.zeros = 0;
            let power = sample * sample;
            self.level.push(power);
            self.long_level.push(power);
            if self.watched.contains(&self.samples)
                && let Some(hole) = self.holes.back_mut()
            {
                hole.after = hole.after.max(self.long_level.mean());
            }
        }
    }

    /// A hole of `seconds` that ends here.
    fn remember(&mut self, seconds: f64) {
        let to = self.samples as f64 / self.rate;
        self.holes.push_back(Hole {
            from: to - seconds,
            to,
            before: self.long_level.mean(),
            after: 0.0,
        });
        self.level.forget();
        self.long_level.forget();
        let later = |seconds: f64| self.samples + (seconds * self.rate) as u64;
        self.watched = later(SETTLED_S)..later(AFTER_S + LONG_LEVEL_S);
        while self
            .holes
            .front()
            .is_some_and(|hole| hole.to < to - REMEMBERED_S)
        {
            self.holes.pop_front();
        }
    }

    /// Whether what began at `onset_s` began at a hole, and is no louder than what sounded before.
    pub(super) fn spoil(&self, onset_s: f64) -> bool {
        let near = || {
            self.holes
                .iter()
                .filter(|hole| (hole.from - BEFORE_S..hole.to + AFTER_S).contains(&onset_s))
        };
        let before = near().map(|hole| hole.before).reduce(f32::min);
        let after = near().map(|hole| hole.after).fold(0.0, f32::max);
        before.is_some_and(|before| after <= STRUCK * before)
    }

    /// Whether sound is missing between the beginning of a note and the moment it was told by: it may be another.
    pub(super) fn cut(&self, onset_s: f64, decided_s: f64) -> bool {
        self.holes
            .iter()
            .any(|hole| hole.from > onset_s && hole.from < decided_s)
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

    /// A noise gate: exact zeros from 50 ms after the sound was louder than `threshold` on, until it is again.
    fn gated(mut sound: Vec<f32>, threshold: f32) -> Vec<f32> {
        let hold = RATE / 20;
        let mut since = hold;
        for sample in &mut sound {
            since = if sample.abs() >= threshold {
                0
            } else {
                since + 1
            };
            if since >= hold {
                *sample = 0.0;
            }
        }
        sound
    }

    #[test]
    fn a_note_struck_out_of_a_noise_gate_is_struck_and_what_reopens_the_gate_is_not() {
        // −40 dBFS: the tones fall to it within 0.6 to 1.4 s, and are cut there while they go on.
        let threshold = 0.01;
        for (fade, level) in [(2.5, 1.0), (5.0, 1.0), (2.5, 0.2)] {
            let one: Vec<f32> = tone(1.7, fade).iter().map(|x| level * x).collect();
            let sound = gated([one.clone(), one].concat(), threshold);
            let second = sound.len() as f64 / 2.0 / RATE as f64;
            let shut = &sound[sound.len() / 2 - RATE / 10..sound.len() / 2];
            assert!(shut.iter().all(|x| *x == 0.0), "the gate never shuts");
            let holes = heard(&sound);
            for onset in [0.0, second - 0.01, second, second + 0.01] {
                assert!(!holes.spoil(onset), "{fade} {level}: {onset}");
            }
        }
        // Beats of 5 dB around the threshold: the gate opens and shuts, and nothing is struck.
        let beating: Vec<f32> = tone(3.0, 0.6)
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let t = i as f32 / RATE as f32;
                0.07 * x * (1.0 + 0.28 * (15.0 * t).cos())
            })
            .collect();
        let sound = gated(beating, threshold);
        let opened: Vec<usize> = (1..sound.len())
            .filter(|i| {
                sound[*i] != 0.0 && sound[i.saturating_sub(2_000)..*i].iter().all(|x| *x == 0.0)
            })
            .filter(|i| *i > RATE / 5)
            .collect();
        assert!(!opened.is_empty(), "the gate never opens anew");
        let holes = heard(&sound);
        for at in opened {
            let onset = at as f64 / RATE as f64;
            assert!(holes.spoil(onset), "{onset}");
        }
    }

    #[test]
    fn a_note_is_cut_by_a_hole_between_its_beginning_and_its_verdict() {
        let mut sound = vec![0.0; RATE];
        sound.extend(tone(1.0, 1.0));
        let hole = RATE + RATE * 4 / 100;
        sound[hole..hole + RATE / 100].fill(0.0);
        let holes = heard(&sound);
        assert!(holes.cut(1.0, 1.1));
        assert!(!holes.cut(1.0, 1.03) && !holes.cut(1.05, 1.2));
        // What the device lost before it is not missing in it.
        let mut holes = Holes::new(RATE as f64);
        holes.block(&sound[..RATE], false);
        holes.block(&sound[RATE + RATE / 10..], true);
        assert!(holes.cut(0.99, 1.1) && !holes.cut(1.0, 1.1));
    }

    #[test]
    fn a_note_struck_in_a_hole_is_struck() {
        let mut sound = tone(1.0, 2.0);
        sound.extend(tone(1.0, 2.0));
        sound[RATE - RATE / 10..RATE].fill(0.0);
        assert!(!heard(&sound).spoil(1.0));
        // The same where the device says so.
        let mut holes = Holes::new(RATE as f64);
        holes.block(&sound[..RATE - RATE / 10], false);
        holes.block(&sound[RATE..], true);
        assert!(!holes.spoil(0.9));
    }

    /// The notes that the listener gives of `sound`, with what is said of each: key, second, whether it is left out or cut.
    fn notes(sound: &[f32], rate: u32) -> Vec<(i16, f64, bool)> {
        use crate::signal::listen::{Listener, Options};
        let mut listener = Listener::new(rate, Options::default()).unwrap();
        let mut holes = Holes::new(f64::from(rate));
        let mut notes = Vec::new();
        for block in sound.chunks(1_024) {
            holes.block(block, false);
            for note in listener.push(block) {
                let onset = note.onset_s;
                let spoilt = holes.spoil(onset) || holes.cut(onset, note.decided_s);
                notes.push((note.key.0, onset, spoilt));
            }
        }
        notes
    }

    #[test]
    fn a_recorded_grand_behind_a_noise_gate_is_heard_note_by_note() {
        // Struck every 1.2 s and held; the gate at −30 dBFS shuts while the strings still sound.
        let rate = 44_100;
        let mut sound = vec![0.0; rate / 2];
        let mut struck = Vec::new();
        for (name, key) in [
            ("C4", 60),
            ("A4", 69),
            ("Fs3", 54),
            ("Ds5", 75),
            ("A4", 69),
            ("C3", 48),
        ] {
            let file = format!("{}/samples/grand/{name}.wav", env!("CARGO_MANIFEST_DIR"));
            let recording = crate::shell::wav::read(std::path::Path::new(&file)).unwrap();
            assert_eq!(recording.rate, rate as u32);
            struck.push((key, sound.len() as f64 / rate as f64));
            let held = recording.mono.iter().map(|x| 0.5 * x);
            sound.extend(held.chain(std::iter::repeat(0.0)).take(rate * 12 / 10));
        }
        let sound = gated(sound, 0.03);
        for (_, at) in &struck[1..] {
            let before = (at * rate as f64) as usize;
            let shut = sound[before - rate / 20..before].iter().all(|x| *x == 0.0);
            assert!(shut, "the gate is open before {at}");
        }
        let heard: Vec<(i16, f64)> = notes(&sound, rate as u32)
            .into_iter()
            .filter(|(.., left_out)| !left_out)
            .map(|(key, second, _)| (key, second))
            .collect();
        assert_eq!(heard.len(), struck.len(), "{heard:?}");
        for ((key, second), (asked, at)) in heard.iter().zip(&struck) {
            assert!(key == asked && (second - at).abs() < 0.1, "{heard:?}");
        }
    }
}
