//! Synthetic strings whose tuning is known, and how well it could be known at best.
//!
//! A string's partials follow Fletcher's formula (JASA 36:203), die away exponentially, the higher the sooner, and lie in
//! white noise. The bound is Cramér and Rao's for first partial and inharmonicity together, over all partials: for one
//! real damped wave of amplitude a(t) in noise of variance s² the information about its angular frequency is
//! (Σ a²t² − (Σ a²t)² / Σ a²) / 2s², phase being unknown too (Kay, Fundamentals of Statistical Signal Processing, 1993).
#![allow(dead_code)] // each test file uses its own part

use std::f64::consts::{LN_2, PI, TAU};
use std::path::Path;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Samples a second of what is made.
pub const RATE: u32 = 48_000;

/// One string.
#[derive(Debug, Clone)]
pub struct Wire {
    pub first: f64,
    pub b: f64,
    pub partials: Vec<Decaying>,
}

/// A partial that dies away: amplitude, and seconds to 1/e of the prompt sound; the aftersound's share and seconds.
#[derive(Debug, Clone, Copy)]
pub struct Decaying {
    pub amplitude: f64,
    pub seconds: f64,
    pub after_share: f64,
    pub after_seconds: f64,
    pub phase: f64,
}

impl Decaying {
    fn at(self, t: f64) -> f64 {
        let prompt = (1.0 - self.after_share) * (-t / self.seconds).exp();
        self.amplitude * (prompt + self.after_share * (-t / self.after_seconds).exp())
    }
}

/// Young's rule for plain wire with a rise towards the bass.
pub fn usual_b(midi: f64) -> f64 {
    3.47e-4 * ((midi - 60.0) / 8.0).exp2() + 2.0e-4 * (-0.1 * (midi - 21.0)).exp()
}

/// The frequency of a key with fractions, A4 = 440 Hz.
pub fn equal(midi: f64) -> f64 {
    440.0 * ((midi - 69.0) / 12.0).exp2()
}

impl Wire {
    /// A string of key `midi`, `cents` off equal temperament, of inharmonicity `b`.
    pub fn new(midi: i16, cents: f64, b: f64, random: &mut ChaCha8Rng) -> Wire {
        let first = equal(f64::from(midi) + cents / 100.0);
        let longest = 2.8 - 0.0275 * (f64::from(midi) - 21.0);
        let partials = (1..=40)
            .map_while(|n| {
                let order = f64::from(n);
                let hz = order * first * ((1.0 + b * order * order) / (1.0 + b)).sqrt();
                (hz < 12_000.0).then(|| {
                    let seconds = longest / (1.0 + 0.13 * (order - 1.0));
                    Decaying {
                        amplitude: random.random_range(0.4..1.0) / order.powf(1.1),
                        seconds,
                        after_share: 0.0,
                        after_seconds: seconds,
                        phase: random.random_range(0.0..TAU),
                    }
                })
            })
            .collect();
        Wire { first, b, partials }
    }

    /// The same string with an aftersound a fifth as strong that lasts four times as long.
    pub fn with_aftersound(mut self) -> Wire {
        for partial in &mut self.partials {
            partial.after_share = 0.2;
            partial.after_seconds = 4.0 * partial.seconds;
            partial.seconds *= 0.6;
        }
        self
    }

    /// The same string `cents` higher, each partial a little stronger or weaker and in its own phase.
    pub fn beside(&self, cents: f64, random: &mut ChaCha8Rng) -> Wire {
        let mut other = self.clone();
        other.first *= (cents / 1200.0).exp2();
        for partial in &mut other.partials {
            partial.amplitude *= random.random_range(0.5..1.0);
            partial.phase = random.random_range(0.0..TAU);
        }
        other
    }

    /// Frequency of partial `n`.
    pub fn hz(&self, n: usize) -> f64 {
        let n = n as f64;
        n * self.first * ((1.0 + self.b * n * n) / (1.0 + self.b)).sqrt()
    }

    /// Adds the string's sound to `out`.
    pub fn add_to(&self, out: &mut [f64], rate: f64) {
        for (k, partial) in self.partials.iter().enumerate() {
            let (sin, cos) = (TAU * self.hz(k + 1) / rate).sin_cos();
            let fall = (-1.0 / (partial.seconds * rate)).exp();
            let after_fall = (-1.0 / (partial.after_seconds * rate)).exp();
            let mut prompt = partial.amplitude * (1.0 - partial.after_share);
            let mut after = partial.amplitude * partial.after_share;
            let (mut im, mut re) = partial.phase.sin_cos();
            for sample in out.iter_mut() {
                *sample += (prompt + after) * re;
                (re, im) = (re * cos - im * sin, re * sin + im * cos);
                prompt *= fall;
                after *= after_fall;
            }
        }
    }

    /// The least standard errors possible of the first partial, in cents, and of B, over `samples` in white noise of
    /// standard deviation `sigma`.
    pub fn bound(&self, samples: usize, rate: f64, sigma: f64) -> (f64, f64) {
        let (mut m11, mut m12, mut m22) = (0.0, 0.0, 0.0);
        for (k, partial) in self.partials.iter().enumerate() {
            let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
            // The amplitude changes by no more than two thousandths over so many samples: one of them speaks for all.
            const TOGETHER: usize = 32;
            for i in (0..samples).step_by(TOGETHER) {
                let t = (i as f64 + 0.5 * (TOGETHER - 1) as f64) / rate;
                let power = TOGETHER as f64 * partial.at(t).powi(2);
                s0 += power;
                s1 += power * t;
                s2 += power * t * t;
            }
            let n = (k + 1) as f64;
            let omega = TAU * self.hz(k + 1);
            let information = omega * omega * (s2 - s1 * s1 / s0) / (2.0 * sigma * sigma);
            let by_b = 0.5 * (n * n / (1.0 + self.b * n * n) - 1.0 / (1.0 + self.b));
            m11 += information;
            m12 += information * by_b;
            m22 += information * by_b * by_b;
        }
        let determinant = m11 * m22 - m12 * m12;
        (
            1200.0 / LN_2 * (m22 / determinant).sqrt(),
            (m11 / determinant).sqrt(),
        )
    }
}

/// Two uniform numbers to one of a normal distribution (Box and Muller).
pub fn normal(random: &mut ChaCha8Rng) -> f64 {
    let radius = (-2.0 * random.random_range(f64::MIN_POSITIVE..1.0_f64).ln()).sqrt();
    radius * random.random_range(0.0..TAU).cos()
}

/// The sound of `wires` together for `seconds`, in white noise `snr_db` under its mean power; with the noise's standard
/// deviation.
pub fn sound(
    wires: &[Wire],
    seconds: f64,
    rate: u32,
    snr_db: f64,
    random: &mut ChaCha8Rng,
) -> (Vec<f32>, f64) {
    let length = (seconds * f64::from(rate)) as usize;
    let mut clean = vec![0.0; length];
    for wire in wires {
        wire.add_to(&mut clean, f64::from(rate));
    }
    let power = clean.iter().map(|x| x * x).sum::<f64>() / length as f64;
    let peak = clean.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
    let sigma = power.sqrt() * 10.0_f64.powf(-snr_db / 20.0);
    // As loud as a recording: the peak at −6 dB.
    let gain = 0.5 / peak.max(1e-9);
    let noisy = clean
        .iter()
        .map(|x| (gain * (x + sigma * normal(random))) as f32)
        .collect();
    (noisy, sigma)
}

/// Cents from `asked` up to `found`.
pub fn cents(found: f64, asked: f64) -> f64 {
    1200.0 * (found / asked).log2()
}

/// The recorded key, and its rate.
pub fn recorded(name: &str) -> (Vec<f32>, u32) {
    let file = format!("{}/samples/grand/{name}.wav", env!("CARGO_MANIFEST_DIR"));
    let mut reader = hound::WavReader::open(file).unwrap();
    let rate = reader.spec().sample_rate;
    let samples = reader.samples::<i16>();
    (
        samples.map(|x| f32::from(x.unwrap()) / 32_768.0).collect(),
        rate,
    )
}

/// Writes a recording of one channel.
pub fn write(file: &Path, rate: u32, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(file, spec).unwrap();
    for sample in samples {
        writer.write_sample(*sample).unwrap();
    }
    writer.finalize().unwrap();
}

/// `samples` at a speed that raises them by `cents`: a sinc of 64 points under a Hann window.
pub fn at_speed(samples: &[f32], by: f64) -> Vec<f32> {
    let speed = (by / 1200.0).exp2();
    let length = (samples.len() as f64 / speed) as usize;
    (0..length)
        .map(|i| {
            let at = i as f64 * speed;
            let from = at.floor() as i64 - 31;
            (from..from + 64)
                .filter_map(|k| {
                    let sample = f64::from(*samples.get(usize::try_from(k).ok()?)?);
                    let x = at - k as f64;
                    let window = 0.5 + 0.5 * (PI * x / 32.5).cos();
                    let sinc = if x.abs() < 1e-9 {
                        1.0
                    } else {
                        (PI * x).sin() / (PI * x)
                    };
                    Some(sample * sinc * window)
                })
                .sum::<f64>() as f32
        })
        .collect()
}

/// Sixteen strings spread over the keyboard, `flat` cents off and of `b` times the usual stiffness, in a folder of files whose
/// rate is said to be `said`.
pub fn folder_of_keys(folder: &Path, flat: f64, b: f64, said: u32, random: &mut ChaCha8Rng) {
    std::fs::create_dir_all(folder).unwrap();
    for midi in (33..=93_i16).step_by(4) {
        let wire = Wire::new(midi, flat, b * usual_b(f64::from(midi)), random);
        let (samples, _) = sound(&[wire], 1.0, RATE, 50.0, random);
        write(&folder.join(format!("{midi}.wav")), said, &samples);
    }
}
