//! Where keys are struck in a recording, and which ones.
//! In: samples of one channel. Out: [`Strike`]s: the stretch of sound each key has, its key and its faults.
//!
//! The key is found from the partials alone: of all 88 keys, each within ±60 cents and with stiffer or softer strings, the
//! one whose partials meet the most peaks and miss the fewest.

use std::collections::VecDeque;
use std::ops::Range;

use super::string::expected_b;
use crate::signal::spectrum::{Spectrum, hann};
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Length of the pieces whose energy is compared, seconds.
const PIECE_S: f64 = 0.01;

/// A strike lifts the energy this far above the last pieces', as a factor (8 dB).
const LIFT: f64 = 6.3;

/// Pieces looked back at.
const BACK: usize = 6;

/// A noise gate holds on for some 50 ms before it shuts: so many pieces.
const HOLD: usize = 6;

/// A noise gate shuts on a sound that has fallen to this share of its loudest moment (12 dB): where more is cut off, a
/// recording was cut, and the next strike may be no louder.
const QUIETER: f64 = 0.063;

/// Strikes are at least so far apart, seconds.
const APART_S: f64 = 0.2;

/// Below this level no strike is looked for, as mean power (−62 dBFS).
const SILENCE: f64 = 6.0e-7;

/// What still sounds with this share of the strike's power is another string (25 dB under it).
const OVER: f64 = 3e-3;

/// A strike begins where this share of the energy has come that comes within so many pieces.
const SET_IN: f64 = 0.02;
const ATTACK: usize = 3;

/// Rounds in which that is sought.
const START_ROUNDS: usize = 20;

/// Sound looked at to name the key, seconds: from after the hammer's noise on.
const NAMED_FROM_S: f64 = 0.02;
const NAMED_S: f64 = 0.9;

/// How far a key may be out of tune and still be named, cents, and the steps in which that is tried.
const OFF_TUNE: i32 = 60;
const TUNE_STEP: usize = 5;

/// Stiffness tried, as factors of the usual.
const STIFFNESS: [f64; 5] = [0.6, 1.0, 1.7, 3.0, 5.0];

/// The key found, and those whose even or third partials it would be (semitones), are tried again in finer steps of
/// stiffness: between two of [`STIFFNESS`] a key's own high partials are missed, and an octave's stiffer comb meets them.
const AGAIN: [i16; 3] = [0, -12, -19];
const FINER_FROM: f64 = 0.5;
const FINER_STEP: f64 = 1.12;
const FINER_STEPS: i32 = 22;

/// A peak counts from so many dB above its surroundings on, up to as many more.
const CLEAR_DB: f32 = 10.0;
const MOST_DB: f32 = 40.0;

/// What a partial that is expected and not there costs, dB.
const MISSED_DB: f32 = 12.0;

/// What a missing first partial costs, dB, where the soundboard would radiate it, from this frequency on.
const FIRST_MISSED_DB: f32 = 25.0;
const RADIATED_HZ: f64 = 200.0;

/// Partials whose place is known although the stiffness is tried in coarse steps; the ones above count for less.
const SURE_PARTIALS: i32 = 12;
const UNSURE_SHARE: f32 = 0.25;

/// Partials that are asked at most, and where the highest that is asked may lie, hertz.
const NAMED_PARTIALS: i32 = 40;
const HEARD_HZ: f64 = 11_000.0;

/// The least sum over partials, dB, that names a key.
const NAMED_DB: f32 = 12.0;

/// One struck key in a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Strike {
    /// Its samples, from the onset to the next or to the end of the sound.
    pub samples: Range<usize>,
    /// Something else was still sounding when it was struck.
    pub over_another: bool,
    /// Samples are cut off at full scale.
    pub clipped: bool,
    /// Loudest moment, dB under full scale (mean over 10 ms).
    pub level_db: f64,
    /// Loudest moment just before it, dB under full scale.
    pub before_db: f64,
}

/// Where the energy rises as a struck key's does, piece by piece.
#[derive(Debug, Clone, Default)]
pub(super) struct Rises {
    /// Power of the last pieces.
    last: VecDeque<f64>,
    /// Pieces since the last strike.
    since: Option<usize>,
    /// The loudest piece since then.
    peak: f64,
    /// Pieces for which the ones before a noise gate shut stay what is compared with.
    gated: usize,
}

impl Rises {
    /// Takes the mean power of the next piece; whether a key was struck in it.
    pub(super) fn push(&mut self, now: f64) -> bool {
        let back = || self.last.iter().rev().take(BACK).copied();
        let loudest = back().fold(SILENCE / LIFT, f64::max);
        // The lift is judged by the least of the pieces just before, so that a strike's own rise is met once.
        let quiet = back().fold(f64::MAX, f64::min);
        let far = self
            .since
            .is_none_or(|since| since >= (APART_S / PIECE_S) as usize);
        let rises = self.last.is_empty() || now > LIFT * loudest.min(quiet * LIFT);
        let struck = now > SILENCE && far && rises;
        self.remember(now);
        if struck {
            (self.since, self.peak, self.gated) = (Some(1), now, 0);
        } else {
            self.since = self.since.map(|since| since + 1);
            self.peak = self.peak.max(now);
        }
        struck
    }

    /// Keeps what the next pieces are compared with. Exact zeros after a sound that had grown quiet are a noise gate's: they
    /// tell nothing of what goes on behind it, and a beat that swells opens it again without any key being struck. What was
    /// loudest before it shut is what counts, until as many pieces came through as are looked back at: a beat swells no
    /// faster than it sank.
    fn remember(&mut self, now: f64) {
        let loudest = self.last.iter().copied().fold(SILENCE / LIFT, f64::max);
        if now == 0.0 && (self.gated > 0 || loudest < QUIETER * self.peak) {
            self.last.iter_mut().for_each(|power| *power = loudest);
            self.gated = BACK;
        } else if self.gated > 0 {
            self.gated -= 1;
        } else {
            if self.last.len() == BACK + HOLD {
                self.last.pop_front();
            }
            self.last.push_back(now);
        }
    }
}

/// Samples in the pieces whose energy is compared.
pub(super) fn piece_length(rate: u32) -> usize {
    ((PIECE_S * f64::from(rate)) as usize).max(1)
}

/// Mean power of a piece.
pub(super) fn power_of(piece: &[f32]) -> f64 {
    piece.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / piece.len().max(1) as f64
}

/// Every strike in `samples`, in order.
pub fn find_strikes(samples: &[f32], rate: u32) -> Vec<Strike> {
    let piece = piece_length(rate);
    let power: Vec<f64> = samples.chunks(piece).map(power_of).collect();
    let mut rises = Rises::default();
    let onsets: Vec<usize> = power
        .iter()
        .enumerate()
        .filter_map(|(at, now)| rises.push(*now).then_some(at))
        .collect();
    onsets
        .iter()
        .enumerate()
        .map(|(k, onset)| {
            let next = onsets.get(k + 1).copied().unwrap_or(power.len());
            // A little before the next strike, whose rise begins inside a piece.
            let end = if next < power.len() {
                next.saturating_sub(2)
            } else {
                next
            };
            strike(samples, &power, piece, *onset..end)
        })
        .collect()
}

/// The strike whose pieces are `own`, of sound whose pieces have the mean `power`.
pub(super) fn strike(samples: &[f32], power: &[f64], piece: usize, own: Range<usize>) -> Strike {
    let onset = own.start;
    let sound = &power[onset..own.end.max(onset + 1)];
    let peak = sound.iter().copied().fold(0.0, f64::max);
    let before =
        &power[onset.saturating_sub(5)..onset.saturating_sub(1).max(onset.saturating_sub(5))];
    let ringing = before.iter().copied().fold(0.0, f64::max);
    // The sound ends where it has fallen into what was there before or 70 dB under its peak.
    let floor = (peak * 1e-7).max(SILENCE * 0.01);
    let last = sound.iter().rposition(|p| *p > floor).unwrap_or(0) + 1;
    let range = onset * piece..((onset + last) * piece).min(samples.len());
    let start = sharpen(samples, range.start, piece);
    Strike {
        over_another: ringing > peak * OVER,
        clipped: is_clipped(&samples[range.clone()]),
        level_db: 10.0 * peak.max(1e-12).log10(),
        before_db: 10.0 * ringing.max(1e-12).log10(),
        samples: start..range.end,
    }
}

/// The sample near the piece at `from` at which the attack's energy sets in. Where the pieces happen to begin does not
/// count: from each sample so found, the attack is looked at again.
fn sharpen(samples: &[f32], from: usize, piece: usize) -> usize {
    let mut start = from;
    for _ in 0..START_ROUNDS {
        let early = start.saturating_sub(piece);
        let around = &samples[early..(start + ATTACK * piece).min(samples.len())];
        let energy = |x: &f32| f64::from(*x) * f64::from(*x);
        let enough = SET_IN * around.iter().map(energy).sum::<f64>();
        let mut sum = 0.0;
        let found = around.iter().position(|x| {
            sum += energy(x);
            sum > enough
        });
        let last = start;
        start = early + found.unwrap_or(0);
        if start == last {
            break;
        }
    }
    start
}

fn is_clipped(samples: &[f32]) -> bool {
    samples
        .windows(3)
        .filter(|three| three.iter().all(|x| x.abs() >= 0.998))
        .count()
        > 2
}

/// A key that was recognised, and roughly its string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Named {
    /// The key.
    pub key: MidiNote,
    /// About its first partial.
    pub first: Hz,
    /// About its inharmonicity.
    pub inharmonicity: f64,
}

impl Named {
    /// A key whose first partial lies near `first` and whose stiffness is the usual.
    pub fn usual(key: MidiNote, first: Hz) -> Named {
        Named {
            key,
            first,
            inharmonicity: expected_b(first.0),
        }
    }
}

/// The key that sounds in `samples`, which begin at its strike. `None` when no key's partials stand out.
pub fn name_key(samples: &[f32], rate: u32, reference: Reference) -> Option<Named> {
    let peaks = Peaks::new(samples, rate)?;
    let coarse = (21..=108)
        .filter_map(|key| peaks.best(MidiNote(key), reference, &STIFFNESS))
        .reduce(better)?;
    let finer: Vec<f64> = (0..FINER_STEPS)
        .map(|k| FINER_FROM * FINER_STEP.powi(k))
        .collect();
    let (score, named) = AGAIN
        .iter()
        .map(|lower| coarse.1.key.0 + lower)
        .filter(|key| *key >= 21)
        .filter_map(|key| peaks.best(MidiNote(key), reference, &finer))
        .chain([coarse])
        .reduce(better)?;
    (score > NAMED_DB).then_some(named)
}

/// The better of two; of two alike the first, which is the lower key.
fn better(one: (f32, Named), other: (f32, Named)) -> (f32, Named) {
    if other.0 > one.0 { other } else { one }
}

/// How far a spectrum stands above its surroundings.
struct Peaks {
    /// Bins a hertz.
    bins: f64,
    /// At each bin the most that stands within half a step of the tuning that is tried, dB.
    top: Vec<f32>,
}

impl Peaks {
    fn new(samples: &[f32], rate: u32) -> Option<Peaks> {
        let rate = f64::from(rate);
        let from = ((NAMED_FROM_S * rate) as usize).min(samples.len());
        let used = &samples[from..samples.len().min(from + (NAMED_S * rate) as usize)];
        if (used.len() as f64) < 0.05 * rate {
            return None;
        }
        let size = used.len().next_power_of_two().max(1 << 14);
        let mut spectrum = Spectrum::new(size);
        let bin_hz = rate / size as f64;
        let heard = spectrum.bins().min((HEARD_HZ / bin_hz) as usize);
        let level: Vec<f32> = spectrum.transform(used, &hann(used.len()))[..heard]
            .iter()
            .map(|bin| 10.0 * bin.norm_sqr().max(1e-14).log10())
            .collect();
        // Surroundings: the third of the levels from below in bands of 120 Hz.
        let band = ((120.0 / bin_hz) as usize).max(8);
        let mut clear = Vec::with_capacity(level.len());
        for part in level.chunks(band) {
            let mut sorted = part.to_vec();
            let third = sorted.len() / 3;
            let floor = *sorted.select_nth_unstable_by(third, f32::total_cmp).1;
            clear.extend(
                part.iter()
                    .map(|l| (l - floor - CLEAR_DB).clamp(0.0, MOST_DB)),
            );
        }
        let top = (0..clear.len())
            .map(|at| {
                let reach = (0.5 * TUNE_STEP as f64 / 1731.0 * at as f64).ceil() as usize;
                clear[at.saturating_sub(reach)..(at + reach + 1).min(clear.len())]
                    .iter()
                    .copied()
                    .fold(0.0, f32::max)
            })
            .collect();
        Some(Peaks {
            bins: 1.0 / bin_hz,
            top,
        })
    }

    /// How `key` fits best, at any tuning and each of `stiffness` (as factors of the usual); with its score.
    fn best(&self, key: MidiNote, reference: Reference, stiffness: &[f64]) -> Option<(f32, Named)> {
        let place = Temperament::equal().frequency(key, reference);
        (-OFF_TUNE..=OFF_TUNE)
            .step_by(TUNE_STEP)
            .flat_map(|cents| {
                let first = place.raised(Cents(f64::from(cents)));
                let usual = expected_b(first.0);
                stiffness.iter().map(move |factor| Named {
                    key,
                    first,
                    inharmonicity: factor * usual,
                })
            })
            .map(|named| (self.score(named.first.0, named.inharmonicity), named))
            .reduce(better)
    }

    fn score(&self, first: f64, b: f64) -> f32 {
        // Up to one frequency for all, or an octave below would meet as many; the highest keys' second partial is in.
        let highest = (25.0 * first).clamp(1_500.0, 6_000.0).max(2.2 * first);
        let end = (highest * self.bins).min(0.95 * self.top.len() as f64);
        let (mut sure, mut unsure) = (0.0, 0.0);
        let one = first * self.bins / (1.0 + b).sqrt();
        for n in 1..=NAMED_PARTIALS {
            let order = f64::from(n);
            let at = order * one * (1.0 + b * order * order).sqrt();
            if at >= end {
                break;
            }
            let top = self.top[(at + 0.5) as usize];
            if n == 1 && first > RADIATED_HZ && top == 0.0 {
                sure -= FIRST_MISSED_DB;
            } else if n <= SURE_PARTIALS {
                sure += top - MISSED_DB;
            } else {
                unsure += top - MISSED_DB;
            }
        }
        sure + UNSURE_SHARE * unsure
    }
}
