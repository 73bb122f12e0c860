//! The strings beside a recorded grand, by octaves, and where they must hold: no aliasing, no clicks, small speakers.
//! The recordings and their licence are in `samples/grand/README.md`.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod measure;

use std::f64::consts::TAU;

use measure::{key, peak_near};
use pitch_detection::detector::PitchDetector;
use pitch_detection::detector::mcleod::McLeodDetector;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use realfft::RealFftPlanner;
use stavelark::score::{Phrase, SoundingNote, Tone};
use stavelark::signal::synth::{RenderOptions, SampleRate, inharmonicity, render};

const NAMES: [(&str, i16); 4] = [("C", 0), ("Ds", 3), ("Fs", 6), ("A", 9)];

/// One channel and its rate.
struct Sound {
    samples: Vec<f64>,
    rate: f64,
}

impl Sound {
    fn between(&self, from_s: f64, to_s: f64) -> &[f64] {
        let at = |s: f64| ((s * self.rate) as usize).min(self.samples.len());
        &self.samples[at(from_s)..at(to_s)]
    }

    /// Root mean square of a stretch, dB.
    fn level(&self, from_s: f64, to_s: f64) -> f64 {
        let part = self.between(from_s, to_s);
        10.0 * (part.iter().map(|x| x * x).sum::<f64>() / part.len() as f64).log10()
    }

    /// Highest amplitude, dB, of a Hann-windowed Fourier sum within `width` of `hz`, 30 to 180 ms after the onset.
    fn partial(&self, hz: f64, width: f64) -> f64 {
        self.partial_between(hz, width, 0.03, 0.18)
    }

    /// The same over another stretch.
    fn partial_between(&self, hz: f64, width: f64, from_s: f64, to_s: f64) -> f64 {
        let part = self.between(from_s, to_s);
        let length = part.len() as f64;
        let size = |hz: f64| {
            let (mut re, mut im) = (0.0, 0.0);
            for (i, sample) in part.iter().enumerate() {
                let at = i as f64;
                let (sin, cos) = (TAU * (hz * at / self.rate).fract()).sin_cos();
                let weight = 0.5 - 0.5 * (TAU * at / length).cos();
                re += weight * sample * cos;
                im += weight * sample * sin;
            }
            4.0 * re.hypot(im) / length
        };
        let steps = 8;
        let best = (-steps..=steps)
            .map(|k| size(hz + width * f64::from(k) / f64::from(steps)))
            .fold(0.0, f64::max);
        20.0 * best.max(1e-9).log10()
    }
}

fn recorded(name: &str) -> Sound {
    let path = format!("{}/samples/grand/{name}.wav", env!("CARGO_MANIFEST_DIR"));
    let mut reader = hound::WavReader::open(path).unwrap();
    let rate = f64::from(reader.spec().sample_rate);
    let all: Vec<f64> = reader
        .samples::<i16>()
        .map(|x| f64::from(x.unwrap()) / 32_768.0)
        .collect();
    // The onset: where the sound first comes within 30 dB of its peak.
    let peak = all.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
    let onset = all.iter().position(|x| x.abs() > 0.03 * peak).unwrap();
    Sound {
        samples: all[onset..].to_vec(),
        rate,
    }
}

fn rendered(tone: Tone, midi: i16, length_ms: u32) -> Sound {
    let phrase = Phrase::one_after_another(tone, [key(midi)], length_ms);
    let samples = render(&phrase, SampleRate::STUDIO, RenderOptions::default());
    Sound {
        samples: samples.iter().map(|x| f64::from(*x)).collect(),
        rate: 48_000.0,
    }
}

/// What one key shows: levels of its first eight partials under the loudest, and its decay time for 60 dB.
struct Shown {
    levels: Vec<f64>,
    decay_s: f64,
}

fn shown(sound: &Sound, midi: i16) -> Shown {
    let first = key(midi).0;
    let b = inharmonicity(key(midi));
    let levels: Vec<f64> = (1..=8)
        .map(|n| f64::from(n) * first * ((1.0 + b * f64::from(n * n)) / (1.0 + b)).sqrt())
        .filter(|hz| *hz < 11_000.0)
        .map(|hz| sound.partial(hz, (0.02 * hz).min(0.3 * first)))
        .collect();
    let top = levels.iter().copied().fold(f64::MIN, f64::max);
    // The early decay: what a listener hears of a note's length. High notes are gone before a second is over.
    let (late, span) = if midi < 84 { (1.1, 0.2) } else { (0.35, 0.1) };
    let fall = sound.level(0.05, 0.05 + span) - sound.level(late, late + span);
    Shown {
        levels: levels.iter().map(|level| level - top).collect(),
        decay_s: 60.0 * (late - 0.05) / fall,
    }
}

#[test]
fn every_octave_of_the_strings_has_the_partials_and_decays_of_a_recorded_grand() {
    println!("octave    | mean difference of partials 1 to 8, dB | decay time, ours over recorded");
    let mut missed = Vec::new();
    for octave in 0..8_i16 {
        let mut differences = vec![Vec::new(); 8];
        let mut ratios = Vec::new();
        for (name, class) in NAMES {
            let midi = 12 * (octave + 1) + class;
            if !(21..=105).contains(&midi) {
                continue;
            }
            let theirs = shown(&recorded(&format!("{name}{octave}")), midi);
            let ours = shown(&rendered(Tone::Strings, midi, 1_500), midi);
            for (n, (our, their)) in ours.levels.iter().zip(&theirs.levels).enumerate() {
                // Deeper the recording's noise decides.
                if *their > -55.0 {
                    differences[n].push(our - their);
                }
            }
            ratios.push((ours.decay_s / theirs.decay_s).ln());
        }
        let means: Vec<f64> = differences
            .iter()
            .filter(|all| !all.is_empty())
            .map(|all| all.iter().sum::<f64>() / all.len() as f64)
            .collect();
        let ratio = (ratios.iter().sum::<f64>() / ratios.len() as f64).exp();
        let row: Vec<String> = means.iter().map(|mean| format!("{mean:+.1}")).collect();
        println!("C{octave} to B{octave}  | {} | {ratio:.2}", row.join(" "));
        if means.iter().any(|mean| mean.abs() >= 6.0) || !(0.75..4.0 / 3.0).contains(&ratio) {
            missed.push(octave);
        }
    }
    assert!(missed.is_empty(), "octaves {missed:?}");
    println!("first partial's decay for 60 dB, s: published loss model | recorded | ours");
    // T60 by the loss values of Bensa et al. 2003 (JASA 114:1095), recalled: printed beside, and decides nothing.
    for (name, midi, published) in [("C2", 36, 28.0), ("C4", 60, 6.0), ("C7", 96, 0.6)] {
        let late = if midi < 84 { 1.2 } else { 0.35 };
        let decay = |sound: &Sound| {
            let hz = key(midi).0;
            let at = |from: f64| sound.partial_between(hz, 0.02 * hz, from, from + 0.15);
            60.0 * (late - 0.1) / (at(0.1) - at(late))
        };
        let (theirs, ours) = (
            decay(&recorded(name)),
            decay(&rendered(Tone::Strings, midi, 1_500)),
        );
        println!("{name}: {published} | {theirs:.1} | {ours:.1}");
    }
}

/// Power of a Blackman–Harris-windowed spectrum (Harris 1978: side lobes below −92 dB), a full-scale sine being 1.
fn spectrum(samples: &[f64]) -> Vec<f64> {
    let length = samples.len() as f64;
    let mut input: Vec<f64> = (0..)
        .zip(samples)
        .map(|(i, sample)| {
            let x = TAU * f64::from(i) / length;
            let window = 0.358_75 - 0.488_29 * x.cos() + 0.141_28 * (2.0 * x).cos()
                - 0.011_68 * (3.0 * x).cos();
            window * sample
        })
        .collect();
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(input.len());
    let mut output = plan.make_output_vec();
    plan.process(&mut input, &mut output).unwrap();
    let scale = 2.0 / (0.358_75 * length);
    output
        .iter()
        .map(|x| x.norm_sqr() * scale * scale)
        .collect()
}

#[test]
fn nothing_sounds_between_the_partials_so_nothing_is_aliased() {
    for tone in [Tone::Strings, Tone::Vowel, Tone::Pure] {
        let mut worst = f64::MIN;
        for midi in (36..=108).step_by(6) {
            let sound = rendered(tone, midi, 1_000);
            // The knock, which is noise, is over after a quarter of a second.
            let power = spectrum(&sound.samples[14_400..14_400 + 24_000]);
            let bin = sound.rate / 24_000.0;
            let first = key(midi).0;
            let b = match tone {
                Tone::Strings => inharmonicity(key(midi)),
                _ => 0.0,
            };
            // The window's main lobe is four bins to each side; a decay of 300 dB a second lifts its skirts.
            let wide = (0.02 * first / bin).max(9.0);
            let mut is_partial = vec![false; power.len()];
            for n in 0..=80 {
                let n = f64::from(n);
                let at = n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt() / bin;
                for slot in (at - wide).max(0.0) as usize..(at + wide + 1.0) as usize {
                    if let Some(is) = is_partial.get_mut(slot) {
                        *is = true;
                    }
                }
            }
            let top = power.iter().copied().fold(0.0, f64::max);
            let between = (0..power.len()).filter(|k| !is_partial[*k]);
            let rest = between.map(|k| power[k]).fold(0.0, f64::max);
            let rest = 10.0 * (rest / top).log10();
            println!("{} {midi}: {rest:.1}", tone.name());
            worst = worst.max(rest);
        }
        println!(
            "{}: highest line that is no partial {worst:.1} dB",
            tone.name()
        );
        assert!(worst < -80.0, "{tone:?}: {worst:.1} dB");
    }
}

/// The highest level above 16 kHz in any 1,024 samples, dB under full scale, and the largest step between two samples.
fn clicks(samples: &[f64]) -> (f64, f64) {
    let above = (16_000.0 / 48_000.0 * 1_024.0) as usize;
    let mut highest = 0.0_f64;
    for frame in samples.windows(1_024).step_by(512) {
        highest = highest.max(spectrum(frame)[above..].iter().sum());
    }
    let step = samples.windows(2).map(|two| (two[1] - two[0]).abs());
    (10.0 * highest.max(1e-30).log10(), step.fold(0.0, f64::max))
}

#[test]
fn random_notes_of_every_tone_leave_no_click() {
    for (seed, tone) in (0..).zip(Tone::ALL) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut phrase = Phrase::new(tone);
        // 200 notes in eight seconds: about 25 sound at once, and onsets and ends fall anywhere in others.
        for _ in 0..200 {
            let note = SoundingNote::new(
                random.random_range(0..7_000),
                random.random_range(1..2_000),
                key(random.random_range(21..=108)),
            );
            phrase
                .notes
                .push(note.with_velocity(random.random_range(0.1..0.7)));
        }
        let samples = render(&phrase, SampleRate::STUDIO, RenderOptions::default());
        let mut samples: Vec<f64> = samples.iter().map(|x| f64::from(*x)).collect();
        let (above, step) = clicks(&samples);
        println!(
            "{}: above 16 kHz {above:.1} dB, largest step {step:.4}",
            tone.name()
        );
        assert!(above < -100.0, "{tone:?}: {above:.1} dB");
        assert!(step < 0.25, "{tone:?}: {step}");
        // A step a thousandth of full scale high, planted in the middle, is seen: the measure can fail.
        let middle = samples.len() / 2;
        samples[middle..].iter_mut().for_each(|x| *x += 0.001);
        assert!(clicks(&samples).0 > -100.0, "{tone:?}");
    }
}

/// A Butterworth high-pass at 200 Hz of 12 dB an octave, which is how a small closed box falls off: one second-order
/// section by the bilinear transform (Bristow-Johnson, cookbook formulae for audio equalisers).
fn small_speaker(samples: &[f64], rate: f64) -> Vec<f64> {
    let w = TAU * 200.0 / rate;
    let alpha = w.sin() / 2.0_f64.sqrt();
    let (b, a0) = ((1.0 + w.cos()) / 2.0, 1.0 + alpha);
    let (a1, a2) = (-2.0 * w.cos(), 1.0 - alpha);
    let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
    samples
        .iter()
        .map(|x| {
            let y = (b * x - 2.0 * b * x1 + b * x2 - a1 * y1 - a2 * y2) / a0;
            (x2, x1, y2, y1) = (x1, *x, y1, y);
            y
        })
        .collect()
}

#[test]
fn the_lowest_keys_are_still_named_through_a_small_speaker() {
    // The crate pitch-detection, McLeod & Wyvill's method, is the general-purpose estimator.
    let size = 16_384;
    let mut missed = Vec::new();
    for midi in 21..=35 {
        let sound = rendered(Tone::Strings, midi, 1_500);
        let thin = small_speaker(&sound.samples, sound.rate);
        let all: Vec<f64> = (0..8)
            .map(|k| {
                let start = 4_800 + k * 4_800;
                let frame = &thin[start..start + size];
                // The method takes the first peak near the highest one; the crate asks for that height as a number.
                let pitch = (6..=19).rev().find_map(|twentieths| {
                    McLeodDetector::<f64>::new(size, size / 2).get_pitch(
                        frame,
                        48_000,
                        1e-9,
                        f64::from(twentieths) / 20.0,
                    )
                });
                pitch.map_or(f64::NAN, |pitch| {
                    69.0 + 12.0 * (pitch.frequency / 440.0).log2() - f64::from(midi)
                })
            })
            .collect();
        let named = all.iter().filter(|off| off.abs() < 0.5).count();
        println!("key {midi}: {named} of {} frames, {all:.2?}", all.len());
        if 2 * named <= all.len() {
            missed.push(midi);
        }
    }
    assert!(missed.is_empty(), "keys {missed:?}");
}

#[test]
fn a_tempered_third_beats_as_the_tables_say() {
    // Beat rates of equal temperament without inharmonicity: F3 to A3 beats 6.93 times a second (5 · F3 against 4 · A3;
    // Capleton 2007 prints 6.9). Rendered by the program itself, into a file of 16 bits.
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("x.wav");
    let status = std::process::Command::new(env!("CARGO_BIN_EXE_stavelark"))
        .args([
            "play",
            "F3",
            "A3",
            "--together",
            "--tone",
            "pure",
            "--for",
            "6",
            "--wav",
        ])
        .arg(&file)
        .status()
        .unwrap();
    assert!(status.success());
    let samples: Vec<f64> = hound::WavReader::open(&file)
        .unwrap()
        .samples::<i16>()
        .map(|x| f64::from(x.unwrap()) / 32_768.0)
        .collect();
    // Loudness of what lies around 876.5 Hz: brought to 0 Hz and averaged over a Hann window of 60 ms.
    let centre = 876.5;
    let hop = 480;
    let envelope: Vec<f64> = (0..540)
        .map(|k| {
            let from = 9_600 + k * hop;
            let (mut re, mut im) = (0.0, 0.0);
            for i in 0..2_880 {
                let (sin, cos) = (TAU * centre * (from + i) as f64 / 48_000.0).sin_cos();
                let weight = 1.0 - (TAU * i as f64 / 2_880.0).cos();
                re += weight * samples[from + i] * cos;
                im += weight * samples[from + i] * sin;
            }
            re.powi(2) + im.powi(2)
        })
        .collect();
    let mean = envelope.iter().sum::<f64>() / envelope.len() as f64;
    let swing: Vec<f32> = envelope
        .iter()
        .map(|x| ((x - mean) / mean) as f32)
        .collect();
    // 100 values a second stand for 48,000: the same search at 480 times the frequency.
    let rate = peak_near(&swing, 7.0 * 480.0, 1.5 * 480.0) / 480.0;
    assert!((rate - 6.93).abs() < 0.05, "{rate:.3} beats a second");
}

#[test]
fn the_strings_thirds_beat_as_their_own_stiffness_says() {
    // The fifth partial of F3 and the fourth of A3, three strings each, are two groups of lines.
    let (low, high) = (key(53), key(57));
    let phrase = Phrase::together(Tone::Strings, [low, high], 2_500);
    let samples = render(&phrase, SampleRate::STUDIO, RenderOptions::default());
    let part = &samples[4_800..4_800 + 96_000];
    // B of each, from its own first and sixth partials in the sound of it alone (Fletcher's formula solved for B).
    let stretched = |midi: i16, first: f64, n: f64| {
        let alone = Phrase::one_after_another(Tone::Strings, [key(midi)], 1_500);
        let alone = render(&alone, SampleRate::STUDIO, RenderOptions::default());
        let alone = &alone[4_800..4_800 + 57_600];
        let rough = |n: f64| {
            let b = inharmonicity(key(midi));
            n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
        };
        let f1 = peak_near(alone, first, 0.02 * first);
        let f6 = peak_near(alone, rough(6.0), 0.02 * first);
        let r = (f6 / (6.0 * f1)).powi(2);
        let b = (r - 1.0) / (36.0 - r);
        n * f1 * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
    };
    let predicted = stretched(57, high.0, 4.0) - stretched(53, low.0, 5.0);
    let measured = peak_near(part, 881.0, 2.0) - peak_near(part, 874.3, 2.0);
    println!("groups {measured:.3} Hz apart, predicted {predicted:.3}");
    assert!(
        (measured - predicted).abs() < 0.05,
        "{measured} for {predicted}"
    );
    assert!(
        (measured - 6.93).abs() > 0.1,
        "stiffness moves it: {measured}"
    );
}

#[test]
fn a_click_is_over_before_the_fastest_beat_comes() {
    // 240 beats a minute leave 250 ms.
    let sound = rendered(Tone::Click, 96, 50);
    assert!(sound.level(0.0, 0.02) > -40.0);
    let long = rendered(Tone::Click, 96, 400);
    assert!(long.level(0.2, 0.25) < long.level(0.0, 0.02) - 60.0);
}
