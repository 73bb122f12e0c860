//! A synthetic singer of the tests' own: a sung "ah" with a slide into each note and vibrato, of three formants.
//! Formants of "ah": 700, 1100 and 2450 Hz (common practice of singing synthesis); nothing of the program's own tones.

use std::f64::consts::TAU;
use std::path::Path;

use stavelark::theory::MidiNote;

use super::grand::RATE;

/// From its beginning to its steady pitch a note takes so long, seconds.
pub const SLIDE_S: f64 = 0.1;

/// How a note is sung.
#[derive(Debug, Clone, Copy)]
pub struct Manner {
    /// From its beginning to its steady pitch it takes so long, seconds.
    pub slide_s: f64,
    /// Vibrato to either side, cents, and how often a second.
    pub vibrato: (f64, f64),
    /// What it rises in a second, cents.
    pub drift: f64,
    /// A slow wavering to either side, cents, and how often a second.
    pub waver: (f64, f64),
}

/// As most of the tests sing: 5.5 Hz vibrato of ±20 cents, and steady.
pub const USUAL: Manner = Manner {
    slide_s: SLIDE_S,
    vibrato: (20.0, 5.5),
    drift: 0.0,
    waver: (0.0, 1.0),
};

/// `key` sung for `seconds`, `cents` above its place: 5.5 Hz vibrato of ±20 cents, from 80 cents below.
pub fn sung(key: MidiNote, cents: f64, seconds: f64) -> Vec<f32> {
    sung_as(USUAL, key, cents, seconds)
}

/// The same in another manner.
pub fn sung_as(manner: Manner, key: MidiNote, cents: f64, seconds: f64) -> Vec<f32> {
    let rate = f64::from(RATE);
    let steady = 440.0 * ((f64::from(key.0) - 69.0 + cents / 100.0) / 12.0).exp2();
    let count = (seconds * rate) as usize;
    let mut phase = 0.0;
    (0..count)
        .map(|i| {
            let t = i as f64 / rate;
            let slide = 80.0 * (1.0 - t / manner.slide_s).max(0.0);
            let swing = |(cents, hz): (f64, f64)| cents * (TAU * hz * t).sin();
            let vibrato = swing(manner.vibrato) * (t / 0.5).min(1.0);
            let off = vibrato - slide + swing(manner.waver) + manner.drift * t;
            let hz = steady * (off / 1200.0).exp2();
            phase += hz / rate;
            let loud = (t / 0.06).min(1.0) * ((seconds - t) / 0.08).clamp(0.0, 1.0);
            let partials = (1..=30).filter(|n| f64::from(*n) * hz < 5_000.0);
            let sum: f64 = partials
                .map(|n| voiced(f64::from(n) * hz) * (TAU * f64::from(n) * phase).sin())
                .sum();
            (0.25 * loud * sum) as f32
        })
        .collect()
}

/// Strength of a partial at `hz`: the source falls by 12 dB an octave, the mouth lifts it at the formants.
fn voiced(hz: f64) -> f64 {
    let mouth: f64 = [(700.0, 1.0), (1100.0, 0.6), (2450.0, 0.3)]
        .iter()
        .map(|(formant, gain)| gain / (1.0 + ((hz - formant) / 120.0).powi(2)))
        .sum();
    (0.15 + mouth) * (200.0 / hz.max(100.0)).min(1.0)
}

/// Writes `sound` as a file of 16 bits.
pub fn write(path: &Path, sound: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for sample in sound {
        writer
            .write_sample((sample.clamp(-1.0, 1.0) * 32_767.0) as i16)
            .unwrap();
    }
    writer.finalize().unwrap();
}

/// So much silence, with the faint noise of a room.
pub fn silence(seconds: f64) -> Vec<f32> {
    let mut state = 1_u32;
    (0..(seconds * f64::from(RATE)) as usize)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (f64::from(state >> 8) / f64::from(1 << 24) - 0.5) as f32 * 2e-4
        })
        .collect()
}
