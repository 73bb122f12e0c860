//! How long our sound takes from the order to play it, through the air, to its arrival by the microphone.
//!
//! Short tones are sounded at known moments. In: what the microphone heard of them. Out: the delay, or that no loop can be
//! heard. Kept per pair of devices in one file of the machine.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use crate::score::{Phrase, Tone};
use crate::shell::paths::{Paths, make_private};
use crate::signal::synth::{RenderOptions, SampleRate, render};
use crate::theory::Hz;

/// The tone: small speakers sound it well, and rooms are seldom loud there.
const TONE_HZ: f64 = 1_000.0;

/// Long enough to stand out of a room, short enough to be over before the next.
const TONE_MS: u32 = 80;

/// From one tone to the next: the longest delay, the tone and its release, and a tenth of a second of what was there before.
pub(super) const PERIOD: Duration = Duration::from_millis(700);

/// Tones sounded.
pub(super) const TONES: usize = 8;

/// Tones that must be heard.
const LEAST: usize = 5;

/// The longest delay that is looked for.
const LONGEST_S: f64 = 0.4;

/// The envelope is the tone's strength over so long.
const WINDOW_S: f64 = 0.01;

/// A tone is heard when it stands out of what was there before by this factor (15 dB).
const CLEAR: f32 = 5.6;

/// A measured loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopDelay {
    /// Median of the tones, ms.
    pub ms: f64,
    /// Half the distance between the quickest and the slowest, ms.
    pub spread_ms: f64,
    /// Tones heard.
    pub heard: usize,
}

/// The tone that is sounded.
pub(super) fn tone() -> Phrase {
    Phrase::one_after_another(Tone::Pure, [Hz(TONE_HZ)], TONE_MS)
}

/// The delay, from `sound` of `rate` samples a second in which the tones were ordered at the seconds `ordered`.
/// `None` when too few tones can be heard.
pub fn measure(sound: &[f32], rate: u32, ordered: &[f64]) -> Option<LoopDelay> {
    let envelope = strength(sound, rate);
    let rendered_rate = SampleRate::STUDIO;
    let rendered = render(&tone(), rendered_rate, RenderOptions::default());
    let reference = strength(&rendered, rendered_rate.per_second());
    let lead = f64::from(RenderOptions::default().lead_in_ms) / 1000.0;
    let own_rise = rise(&reference)? / f64::from(rendered_rate.per_second()) - lead;
    let per_second = f64::from(rate);
    let mut delays: Vec<f64> = ordered
        .iter()
        .filter_map(|second| {
            let at = (second.max(0.0) * per_second) as usize;
            let before = envelope.get(at.saturating_sub(rate as usize / 10)..at)?;
            let floor = before.iter().copied().fold(0.0, f32::max);
            let reach = ((LONGEST_S * per_second) as usize).min(envelope.len().checked_sub(at)?);
            let window = &envelope[at..at + reach];
            let peak = window.iter().copied().fold(0.0, f32::max);
            if peak < 1e-5 || peak < CLEAR * floor {
                return None;
            }
            Some((rise(window)? / per_second - own_rise) * 1000.0)
        })
        .collect();
    if delays.len() < LEAST {
        return None;
    }
    delays.sort_by(f64::total_cmp);
    Some(LoopDelay {
        ms: delays[delays.len() / 2],
        spread_ms: (delays[delays.len() - 1] - delays[0]) / 2.0,
        heard: delays.len(),
    })
}

/// Where the envelope first reaches half of its highest value, in samples.
fn rise(envelope: &[f32]) -> Option<f64> {
    let half = 0.5 * envelope.iter().copied().fold(0.0, f32::max);
    let at = envelope.iter().position(|value| *value >= half)?;
    let before = envelope[at.checked_sub(1)?];
    let between = (half - before) / (envelope[at] - before).max(f32::MIN_POSITIVE);
    Some(at as f64 - 1.0 + f64::from(between))
}

/// Amplitude at the tone's frequency over the last [`WINDOW_S`], at every sample.
fn strength(sound: &[f32], rate: u32) -> Vec<f32> {
    let length = (WINDOW_S * f64::from(rate)) as usize;
    let turn = std::f64::consts::TAU * TONE_HZ / f64::from(rate);
    let parts: Vec<(f64, f64)> = sound
        .iter()
        .enumerate()
        .map(|(i, sample)| {
            let (sin, cos) = (turn * i as f64).sin_cos();
            (f64::from(*sample) * cos, f64::from(*sample) * sin)
        })
        .collect();
    let (mut re, mut im) = (0.0, 0.0);
    (0..parts.len())
        .map(|i| {
            re += parts[i].0;
            im += parts[i].1;
            if let Some(old) = i.checked_sub(length) {
                re -= parts[old].0;
                im -= parts[old].1;
            }
            (2.0 * re.hypot(im) / length as f64) as f32
        })
        .collect()
}

/// The measured loops of this machine.
#[derive(Debug, Clone)]
pub struct LoopStore {
    file: PathBuf,
}

impl LoopStore {
    /// The store of this machine.
    pub fn new(paths: &Paths) -> LoopStore {
        LoopStore {
            file: paths.config.join("loops.toml"),
        }
    }

    /// The delay of a pair of devices, if it was measured.
    pub fn get(&self, output: &str, input: &str) -> Option<Duration> {
        let ms = *self.read().get(&pair(output, input))?;
        (ms.is_finite() && ms > 0.0).then(|| Duration::from_secs_f64(ms / 1000.0))
    }

    /// Keeps the delay of a pair of devices.
    pub fn set(&self, output: &str, input: &str, delay: &LoopDelay) -> std::io::Result<()> {
        let mut all = self.read();
        all.insert(pair(output, input), (delay.ms * 10.0).round() / 10.0);
        let text = toml::to_string(&all).map_err(std::io::Error::other)?;
        if let Some(folder) = self.file.parent() {
            make_private(folder)?;
        }
        let beside = self.file.with_extension("toml.new");
        std::fs::write(
            &beside,
            format!("# From a loudspeaker to a microphone, in milliseconds.\n{text}"),
        )?;
        std::fs::rename(&beside, &self.file)
    }

    /// A file that cannot be read is no more than a loop that was not measured.
    fn read(&self) -> BTreeMap<String, f64> {
        std::fs::read_to_string(&self.file)
            .ok()
            .and_then(|text| toml::from_str(&text).ok())
            .unwrap_or_default()
    }
}

fn pair(output: &str, input: &str) -> String {
    format!("{output} -> {input}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tones that come `delay_s` late, in noise.
    fn heard(rate: u32, delay_s: f64, gain: f32) -> (Vec<f32>, Vec<f64>) {
        let mut seed = 1_u32;
        let mut sound: Vec<f32> = (0..rate * 7)
            .map(|_| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                0.002 * ((seed >> 8) as f32 / (1 << 24) as f32 - 0.5)
            })
            .collect();
        let options = RenderOptions {
            lead_in_ms: 0,
            tail_ms: 0,
        };
        let tone = render(&tone(), SampleRate::new(rate).unwrap(), options);
        let ordered: Vec<f64> = (0..TONES)
            .map(|i| 0.5 + PERIOD.as_secs_f64() * i as f64)
            .collect();
        for second in &ordered {
            let at = ((second + delay_s) * f64::from(rate)).round() as usize;
            for (target, sample) in sound[at..].iter_mut().zip(&tone) {
                *target += gain * sample;
            }
        }
        (sound, ordered)
    }

    #[test]
    fn a_delay_is_found_within_half_a_millisecond_at_any_rate() {
        for rate in [16_000, 44_100, 48_000] {
            for ms in [3.0, 47.3, 210.0] {
                let (sound, ordered) = heard(rate, ms / 1000.0, 0.1);
                let delay = measure(&sound, rate, &ordered).unwrap();
                assert!((delay.ms - ms).abs() < 0.5, "{rate} {ms}: {delay:?}");
                assert!(delay.spread_ms < 0.5 && delay.heard == TONES);
            }
        }
    }

    #[test]
    fn headphones_are_no_loop() {
        let (sound, ordered) = heard(48_000, 0.05, 0.0005);
        assert_eq!(measure(&sound, 48_000, &ordered), None);
    }

    #[test]
    fn a_delay_is_kept_per_pair_of_devices() {
        let folder = tempfile::tempdir().unwrap();
        let store = LoopStore::new(&Paths::in_folder(folder.path()));
        let delay = LoopDelay {
            ms: 61.234,
            spread_ms: 1.0,
            heard: 8,
        };
        store.set("Speaker \"A\"", "default", &delay).unwrap();
        store
            .set("default", "default", &LoopDelay { ms: 20.0, ..delay })
            .unwrap();
        let kept = store.get("Speaker \"A\"", "default").unwrap();
        assert_eq!(kept.as_micros(), 61_200);
        assert_eq!(store.get("default", "USB"), None);
    }
}
