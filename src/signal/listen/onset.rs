//! When something was struck: growth of the spectrum over semitone bands, each measured against its own noise floor.
//! In: samples at the working rate, a hop at a time. Out: onsets, 15–25 ms after they happened.
//! Source: spectral flux with a maximum filter, Böck & Widmer 2013, DAFx; the running floor makes it blind to level.

use std::collections::VecDeque;

use super::super::spectrum::{Spectrum, dot, hann, quick_size};

/// Frames over which growth is measured.
const LAG: usize = 3;
/// A peak is the largest of this many frames back …
const BACK: usize = 6;
/// … and ahead.
const AHEAD: usize = 2;
/// Frames between two onsets, at least.
const APART: usize = 9;
/// Least growth of an onset in octaves of power, mean over bands.
const LEAST: f32 = 0.224;
/// Frames whose levels are remembered: 0.35 s.
const REMEMBERED: usize = 70;
/// Length of a frame; two of these make the 15–25 ms it takes.
const FRAME_S: f64 = 0.0232;
/// The true onset lies this long before the end of the frame that peaks.
const LEAD_S: f64 = 0.017;
/// Power of the floor before anything was heard (−85 dBFS).
const FIRST_FLOOR: f32 = 3.2e-9;
/// The floor never falls below −100 dBFS: in digital silence the last bit would seem an event.
const LEAST_FLOOR: f32 = 1e-10;

/// A moment at which something was struck.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Onset {
    /// Index of its first sample at the working rate.
    pub(super) sample: usize,
    /// Growth of the spectrum: octaves of power, mean over bands.
    pub(super) growth: f32,
    /// Number of the frame that grew most.
    frame: usize,
}

#[derive(Debug)]
struct Band {
    first_bin: usize,
    weights: Vec<f32>,
}

/// Finds onsets in a stream.
#[derive(Debug)]
pub(super) struct OnsetDetector {
    spectrum: Spectrum,
    window: Vec<f32>,
    power: Vec<f32>,
    bands: Vec<Band>,
    smooth: Vec<f32>,
    floor: Vec<f32>,
    /// Levels of the last frames, newest first.
    levels: VecDeque<Vec<f32>>,
    /// Growth of every frame so far, trimmed to what is looked at; the newest last.
    growth: Vec<f32>,
    frames: usize,
    last: Option<usize>,
    hop: usize,
    rate: f64,
    /// Share of the mean growth of the last 0.3 s that is added to the threshold.
    share: f32,
}

impl OnsetDetector {
    /// A detector for `rate` samples a second that is fed every `hop` samples.
    pub(super) fn new(rate: f64, hop: usize) -> OnsetDetector {
        let length = 2 * (FRAME_S * rate / 2.0).round() as usize;
        let spectrum = Spectrum::new(quick_size(length));
        let bands = bands(rate, spectrum.size());
        let count = bands.len();
        OnsetDetector {
            window: hann(length),
            power: vec![0.0; spectrum.bins()],
            spectrum,
            smooth: vec![FIRST_FLOOR; count],
            floor: vec![FIRST_FLOOR; count],
            levels: vec![vec![0.0; count]; REMEMBERED].into(),
            bands,
            growth: Vec::new(),
            frames: 0,
            last: None,
            hop,
            rate,
            share: 1.0,
        }
    }

    /// Samples a frame needs.
    pub(super) fn frame(&self) -> usize {
        self.window.len()
    }

    /// Takes the newest frame, which ends at sample `end`; gives the onset that it completes.
    pub(super) fn push(&mut self, frame: &[f32], end: usize) -> Option<Onset> {
        self.spectrum.power(frame, &self.window, &mut self.power);
        self.levels.rotate_right(1);
        let mut newest = std::mem::take(&mut self.levels[0]);
        for (index, band) in self.bands.iter().enumerate() {
            let power = dot(&band.weights, &self.power[band.first_bin..]);
            let smooth = &mut self.smooth[index];
            let floor = &mut self.floor[index];
            *smooth += 0.15 * (power - *smooth);
            // Down to the sound's level quickly, up by 3 dB a second.
            *floor = if *smooth < *floor {
                *floor + 0.1 * (*smooth - *floor)
            } else {
                (*floor * 1.00346).min(*smooth)
            }
            .max(LEAST_FLOOR);
            newest[index] = (1.0 + 0.1 * power / *floor).log2();
        }
        self.levels[0] = newest;
        let (now, before) = (&self.levels[0], &self.levels[LAG]);
        let last = before.len() - 1;
        let growth = (0..=last)
            .map(|i| {
                let around = &before[i.saturating_sub(1)..=(i + 1).min(last)];
                let most = around.iter().copied().fold(0.0, f32::max);
                (now[i] - most).max(0.0)
            })
            .sum::<f32>()
            / now.len() as f32;
        self.growth.push(growth);
        self.frames += 1;
        let found = self.peak(end);
        if self.growth.len() > 400 {
            self.growth.drain(..200);
        }
        found
    }

    /// Whether the newest frame looks like the beginning of something; an onset may follow or not.
    pub(super) fn rising(&self) -> bool {
        let now = self.growth.len().saturating_sub(1);
        self.growth
            .last()
            .is_some_and(|g| *g >= self.threshold(now))
    }

    /// Growth that an onset needs at frame `at`: more where much grew in the 0.3 s up to 30 ms before.
    fn threshold(&self, at: usize) -> f32 {
        let from = at.saturating_sub(BACK);
        let span = (0.3 * self.rate / self.hop as f64) as usize;
        let past = &self.growth[from.saturating_sub(span)..from];
        let mean = past.iter().sum::<f32>() / past.len().max(1) as f32;
        LEAST + self.share * mean
    }

    /// How much the bands that `onset` raised went on growing after its first 28 ms: octaves of power, mean over them.
    /// A struck string has its say at once; a syllable swells.
    pub(super) fn swell(&self, onset: &Onset) -> f32 {
        let age = self.frames - 1 - onset.frame;
        // The frame ends 17 ms after the onset as it is; two hops later its end is at 27 ms.
        let level = |back: usize| self.levels.get(back);
        let (Some(begun), Some(before)) = (level(age.saturating_sub(2)), level(age + LAG + 1))
        else {
            return 0.0;
        };
        let now = &self.levels[0];
        let (mut sum, mut count) = (0.0, 0);
        for band in 0..now.len() {
            if begun[band] > before[band] + 1.0 {
                sum += now[band] - begun[band];
                count += 1;
            }
        }
        sum / count.max(1) as f32
    }

    /// The onset at the frame `AHEAD` frames ago, if it was one.
    fn peak(&mut self, end: usize) -> Option<Onset> {
        let at = self.growth.len().checked_sub(1 + AHEAD)?;
        let frame = self.frames - 1 - AHEAD;
        let value = self.growth[at];
        let from = at.saturating_sub(BACK);
        if self.growth[from..].iter().any(|g| *g > value) || self.growth[from..at].contains(&value)
        {
            return None;
        }
        if value < self.threshold(at) || self.last.is_some_and(|l| frame - l < APART) {
            return None;
        }
        self.last = Some(frame);
        let end = end - AHEAD * self.hop;
        Some(Onset {
            sample: end.saturating_sub((LEAD_S * self.rate) as usize),
            growth: value,
            frame,
        })
    }
}

/// Triangles from 60 Hz to 12 kHz, a semitone or a bin apart, whichever is more.
fn bands(rate: f64, length: usize) -> Vec<Band> {
    let bin = rate / length as f64;
    let mut centres = vec![60.0_f64];
    while let Some(last) = centres.last()
        && *last < f64::min(12_000.0, 0.47 * rate)
    {
        centres.push((last * 2.0_f64.powf(1.0 / 12.0)).max(last + bin));
    }
    centres
        .windows(3)
        .map(|c| {
            let first_bin = (c[0] / bin).floor() as usize;
            let weights: Vec<f32> = (first_bin..=(c[2] / bin).ceil() as usize)
                .map(|b| {
                    let f = b as f64 * bin;
                    let side = if f < c[1] {
                        (f - c[0]) / (c[1] - c[0])
                    } else {
                        (c[2] - f) / (c[2] - c[1])
                    };
                    side.max(0.0) as f32
                })
                .collect();
            Band { first_bin, weights }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tones_in_noise_are_found_where_they_begin() {
        let rate = 22_050.0;
        let hop = 110;
        let mut detector = OnsetDetector::new(rate, hop);
        let mut seed = 1_u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / (1 << 24) as f32 - 0.5
        };
        let starts = [1.0, 1.4, 1.8, 2.5];
        let sound: Vec<f32> = (0..(3.0 * rate) as usize)
            .map(|i| {
                let t = i as f64 / rate;
                let tones: f64 = starts
                    .iter()
                    .enumerate()
                    .filter(|(_, s)| t >= **s)
                    .map(|(k, s)| {
                        let f = 220.0 * (1.0 + k as f64 * 0.5);
                        (1..8)
                            .map(|n| {
                                (std::f64::consts::TAU * f * n as f64 * (t - s)).sin() / n as f64
                            })
                            .sum::<f64>()
                            * (-(t - s) * 5.0).exp()
                    })
                    .sum();
                0.1 * tones as f32 + 0.001 * noise()
            })
            .collect();
        let mut found = Vec::new();
        let frame = detector.frame();
        for end in (frame..sound.len()).step_by(hop) {
            found.extend(detector.push(&sound[end - frame..end], end));
        }
        let later: Vec<f64> = found
            .iter()
            .map(|o| o.sample as f64 / rate)
            .filter(|t| *t > 0.1)
            .collect();
        assert_eq!(later.len(), starts.len(), "{later:?}");
        for (got, want) in later.iter().zip(starts) {
            assert!((got - want).abs() < 0.010, "{got} {want}");
        }
    }
}
