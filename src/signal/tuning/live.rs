//! Struck keys one by one while they are played. In: sound as it comes. Out: each strike when enough of it was heard.

use super::strikes::{Rises, Strike, piece_length, power_of, strike};

/// So much of a key is waited for, seconds: two, and what the search for its beginning may look back on.
const WANTED_S: f64 = 2.2;

/// Sound kept while nothing is struck, seconds: what a strike's beginning is compared with.
const KEPT_S: f64 = 0.5;

/// A sound that has fallen so far under its loudest moment is over (as a share of power: 40 dB) …
const OVER: f64 = 1e-4;

/// … or into the room: so many times its power.
const ROOM: f64 = 3.0;

/// The shortest sound that is looked at, seconds.
const SHORTEST_S: f64 = 0.1;

/// The share of the idle moments whose power is the room's: the quieter ones, in which nothing rings on.
const QUIET: f64 = 0.1;

/// Idle moments remembered: a quarter of a minute.
const REMEMBERED: usize = 1_500;

/// One struck key, as it was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Samples a second.
    pub rate: u32,
    /// The sound from the strike on.
    pub samples: Vec<f32>,
    /// How it was struck; its range is of `samples`.
    pub strike: Strike,
    /// The room's own level, dB under full scale.
    pub room_db: f64,
}

impl Take {
    /// Its length, seconds.
    pub fn seconds(&self) -> f64 {
        self.samples.len() as f64 / f64::from(self.rate)
    }
}

/// Finds strikes in sound that comes bit by bit.
#[derive(Debug)]
pub struct LiveStrikes {
    rate: u32,
    piece: usize,
    rises: Rises,
    samples: Vec<f32>,
    /// Of every whole piece of `samples`.
    power: Vec<f64>,
    /// The piece in which the strike under way began.
    onset: Option<usize>,
    /// Power of moments in which nothing was under way.
    idle: Vec<f64>,
}

impl LiveStrikes {
    /// For sound of `rate` samples a second.
    pub fn new(rate: u32) -> LiveStrikes {
        LiveStrikes {
            rate,
            piece: piece_length(rate),
            rises: Rises::default(),
            samples: Vec::new(),
            power: Vec::new(),
            onset: None,
            idle: Vec::new(),
        }
    }

    /// Takes the next sound; gives the strikes that are complete.
    pub fn push(&mut self, sound: &[f32]) -> Vec<Take> {
        let mut takes = Vec::new();
        self.samples.extend_from_slice(sound);
        while self.samples.len() >= (self.power.len() + 1) * self.piece {
            let at = self.power.len();
            let power = power_of(&self.samples[at * self.piece..(at + 1) * self.piece]);
            self.power.push(power);
            let struck = self.rises.push(power);
            match self.onset {
                Some(onset) if struck => {
                    takes.extend(self.take(onset, at.saturating_sub(2)));
                    self.onset = Some(self.forget_before(at));
                }
                Some(onset) if self.is_complete(onset) => {
                    takes.extend(self.take(onset, at + 1));
                    self.onset = None;
                    self.forget_before(at);
                }
                Some(_) => {}
                // The very first piece of a stream rises out of nothing.
                None if struck && at > 0 => self.onset = Some(self.forget_before(at)),
                None => {
                    if self.idle.len() < REMEMBERED {
                        self.idle.push(power);
                    } else {
                        self.idle[at % REMEMBERED] = power;
                    }
                    self.forget_before(at);
                }
            }
        }
        takes
    }

    /// The sound of the strike under way, so far.
    pub fn under_way(&self) -> Option<&[f32]> {
        self.samples.get(self.onset? * self.piece..)
    }

    /// Power of the room.
    fn room(&self) -> f64 {
        let mut sorted = self.idle.clone();
        sorted.sort_by(f64::total_cmp);
        let at = (QUIET * sorted.len() as f64) as usize;
        sorted.get(at).copied().unwrap_or(0.0)
    }

    fn is_complete(&self, onset: usize) -> bool {
        let length = (self.power.len() - onset) as f64 * self.piece as f64 / f64::from(self.rate);
        if length >= WANTED_S {
            return true;
        }
        let own = &self.power[onset..];
        let peak = own.iter().copied().fold(0.0, f64::max);
        let floor = (OVER * peak).max(ROOM * self.room());
        // A moment of beating is not its end.
        length >= SHORTEST_S && own.iter().rev().take(10).all(|power| *power < floor)
    }

    fn take(&self, onset: usize, end: usize) -> Option<Take> {
        let length = end.checked_sub(onset)? as f64 * self.piece as f64 / f64::from(self.rate);
        if length < SHORTEST_S {
            return None;
        }
        let mut found = strike(&self.samples, &self.power, self.piece, onset..end);
        let samples = self.samples[found.samples.clone()].to_vec();
        found.samples = 0..samples.len();
        Some(Take {
            rate: self.rate,
            samples,
            strike: found,
            room_db: 10.0 * self.room().max(1e-12).log10(),
        })
    }

    /// Drops what lies so long before the piece `at` that nothing looks back at it; gives the piece's new place.
    fn forget_before(&mut self, at: usize) -> usize {
        let kept = (KEPT_S * f64::from(self.rate)) as usize / self.piece;
        // Not at every piece: moving what is kept costs more than keeping it.
        let Some(drop) = at.checked_sub(kept).filter(|drop| *drop > kept) else {
            return at;
        };
        self.power.drain(..drop);
        self.samples.drain(..drop * self.piece);
        at - drop
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE: u32 = 48_000;

    /// A decaying tone of `level` for `seconds`, after `silence` of a faint room.
    fn tone(silence: f64, seconds: f64, level: f64, decay: f64) -> Vec<f32> {
        let mut seed = 7_u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            1e-4 * (f64::from(seed >> 8) / f64::from(1 << 24) - 0.5)
        };
        let before = (silence * f64::from(RATE)) as usize;
        let length = (seconds * f64::from(RATE)) as usize;
        (0..before + length)
            .map(|i| {
                let t = (i as f64 - before as f64) / f64::from(RATE);
                let sound = if t >= 0.0 {
                    level * (-decay * t).exp() * (TAU * 440.0 * t).sin()
                } else {
                    0.0
                };
                (sound + noise()) as f32
            })
            .collect()
    }

    #[test]
    fn strikes_are_given_when_two_seconds_were_heard_whatever_the_blocks() {
        let mut sound = tone(0.7, 3.0, 0.3, 1.0);
        sound.extend(tone(1.0, 0.6, 0.2, 14.0));
        sound.extend(tone(1.0, 2.5, 0.004, 1.0));
        for block in [100, 1_024, 40_000] {
            let mut live = LiveStrikes::new(RATE);
            let takes: Vec<Take> = sound
                .chunks(block)
                .flat_map(|part| live.push(part))
                .collect();
            assert_eq!(takes.len(), 3, "{block}");
            assert!(
                (takes[0].seconds() - 2.2).abs() < 0.03,
                "{}",
                takes[0].seconds()
            );
            assert!(takes[1].seconds() < 0.7, "{}", takes[1].seconds());
            assert!(
                (takes[2].strike.level_db - -51.0).abs() < 1.5,
                "{:?}",
                takes[2].strike
            );
            assert!(
                (-93.0..-88.0).contains(&takes[2].room_db),
                "{}",
                takes[2].room_db
            );
        }
    }

    #[test]
    fn a_key_struck_over_another_ends_it() {
        let mut sound = tone(0.7, 1.0, 0.1, 1.0);
        let next = tone(0.0, 2.5, 0.6, 1.0);
        sound.extend(next);
        let mut live = LiveStrikes::new(RATE);
        let takes = live.push(&sound);
        assert_eq!(takes.len(), 2);
        assert!((takes[0].seconds() - 0.98).abs() < 0.03 && takes[1].strike.over_another);
        assert!(live.under_way().is_none());
    }
}
