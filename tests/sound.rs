//! What the synthesiser sounds, measured from its samples.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod measure;

use measure::{key, peak_near, spectrum_at, windowed};
use stavelark::score::{Phrase, SoundingNote, Tone};
use stavelark::signal::synth::{
    CEILING, Engine, NoteOn, RenderOptions, SampleRate, inharmonicity, render,
};
use stavelark::theory::Hz;

const RATE: SampleRate = SampleRate::STUDIO;

fn one(tone: Tone, first: Hz, length_ms: u32) -> Vec<f32> {
    let phrase = Phrase::one_after_another(tone, [first], length_ms);
    render(&phrase, RATE, RenderOptions::default())
}

/// Long enough a frame for its bins to keep neighbouring partials apart: at least 12 periods.
fn frame(midi: i16) -> usize {
    if midi < 45 { 36_000 } else { 14_400 }
}

/// The rows of a table below its comment and its head; an empty field is `None`.
fn rows(table: &str) -> Vec<Vec<Option<f64>>> {
    table
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|field| field.parse().ok()).collect())
        .collect()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn every_key_sounds_its_first_partial_within_a_twentieth_of_a_cent() {
    let by_scipy = rows(include_str!("data/first_partials.csv"));
    assert_eq!(by_scipy.len(), 88);
    for (midi, row) in (21..=108).zip(by_scipy) {
        // MIDI Tuning Standard: 440 · 2^((m−69)/12), written out so that the program is not its own judge.
        let asked = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
        let samples = one(Tone::Strings, key(midi), 900);
        let found = peak_near(&samples[..frame(midi)], asked, asked * 0.02);
        let cents = |from: f64| 1200.0 * (found / from).log2();
        assert!(cents(asked).abs() < 0.05, "key {midi}: {found:.4} Hz");
        // The same sound measured by a library, so that the measurement is not its own judge either.
        assert_eq!(row[0], Some(f64::from(midi)));
        let scipy = row[1].unwrap();
        assert!(
            cents(scipy).abs() < 0.03,
            "key {midi}: {found:.4} Hz, SciPy {scipy}"
        );
    }
}

#[test]
fn strings_sound_like_a_recorded_grand_in_stretch_decay_and_partials() {
    let mut level_errors = Vec::new();
    let mut drop_errors = Vec::new();
    for row in rows(include_str!("data/grand.csv")) {
        let midi = row[0].unwrap() as i16;
        let first = key(midi);
        if let Some(recorded) = row[1] {
            let b = inharmonicity(first);
            let factor = (b / recorded).max(recorded / b);
            assert!(
                factor < 1.6,
                "key {midi}: B {b:.2e}, recorded {recorded:.2e}"
            );
        }
        let samples = one(Tone::Strings, first, 1_100);
        let rms = |at: usize| {
            let part = &samples[at - 2_400..at + 2_400];
            10.0 * (part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / 4_800.0).log10()
        };
        drop_errors.push((rms(48_000) - rms(4_800) - row[2].unwrap()).abs());
        let b = inharmonicity(first);
        let start = windowed(&samples[..9_600]);
        let levels: Vec<(f64, f64)> = (1..=8)
            .zip(&row[3..])
            .filter_map(|(n, recorded)| {
                let n = f64::from(n);
                let hz = n * first.0 * ((1.0 + b * n * n) / (1.0 + b)).sqrt();
                Some((20.0 * spectrum_at(&start, hz).log10(), (*recorded)?))
            })
            .collect();
        // Levels are relative within a note: what counts is their pattern.
        let offset = median(levels.iter().map(|(ours, theirs)| ours - theirs).collect());
        level_errors.extend(
            levels
                .iter()
                .map(|(ours, theirs)| (ours - theirs - offset).abs()),
        );
    }
    assert!(level_errors.len() > 90 && drop_errors.len() == 14);
    let (levels, drops) = (median(level_errors), median(drop_errors));
    println!("median difference: partials {levels:.1} dB, fall in a second {drops:.1} dB");
    // Recorded keys a third apart differ by 3.1 dB among themselves.
    assert!(levels < 3.0, "partials differ by {levels:.1} dB");
    assert!(drops < 3.0, "decays differ by {drops:.1} dB after a second");
}

#[test]
fn partials_of_strings_give_back_their_inharmonicity() {
    // B from two partials, r = (f_m n / f_n m)², B = (r − 1) / (m² − r n²): algebra on Fletcher's formula.
    for midi in [36, 48, 60, 72, 84, 96] {
        let first = key(midi);
        let b = inharmonicity(first);
        let samples = one(Tone::Strings, first, 900);
        let samples = &samples[..frame(midi)];
        let m = if midi < 72 { 6.0 } else { 3.0 };
        let rough = |n: f64| n * first.0 * ((1.0 + b * n * n) / (1.0 + b)).sqrt();
        let f1 = peak_near(samples, first.0, first.0 * 0.02);
        let fm = peak_near(samples, rough(m), first.0 * 0.02);
        let r = (fm / (m * f1)).powi(2);
        let found = (r - 1.0) / (m * m - r);
        assert!(
            (found / b - 1.0).abs() < 0.02,
            "key {midi}: {found} for {b}"
        );
    }
}

#[test]
fn held_tones_have_exact_integer_partials() {
    for tone in [Tone::Pure, Tone::Vowel] {
        for hz in [110.0, 261.626, 740.0] {
            let samples = one(tone, Hz(hz), 900);
            for n in [1.0, 2.0, 3.0] {
                let found = peak_near(&samples[4_800..28_800], n * hz, hz * 0.03);
                let cents = 1200.0 * (found / (n * hz)).log2();
                assert!(cents.abs() < 0.02, "{tone:?} {hz} partial {n}: {cents}");
            }
        }
    }
}

#[test]
fn nothing_is_ever_louder_than_six_decibels_below_full_scale() {
    // 10^(−6/20), the definition of the decibel for amplitudes.
    assert!((f64::from(CEILING) - 10.0_f64.powf(-6.0 / 20.0)).abs() < 1e-6);
    for tone in Tone::ALL {
        let keys = (21..=108).step_by(3).map(key);
        let crash = Phrase::together(tone, keys, 600).with_velocity(1.0);
        let samples = render(&crash, RATE, RenderOptions::default());
        let peak = samples.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
        assert!(peak <= CEILING, "{tone:?}: {peak}");
        assert!(peak > 0.9 * CEILING, "{tone:?}: {peak}");
    }
}

#[test]
fn edges_are_ramps_and_not_steps() {
    // A raised-cosine ramp of T seconds on a signal within ±a slopes by at most π·a/2T, beside the signal's own
    // slope; measured on a tone so low that its own slope is small.
    for tone in Tone::ALL {
        let phrase = Phrase::one_after_another(tone, [Hz(27.5)], 700).with_velocity(1.0);
        let samples = render(
            &phrase,
            RATE,
            RenderOptions {
                lead_in_ms: 20,
                tail_ms: 20,
            },
        );
        let steepest = |part: &[f32]| {
            part.windows(2)
                .map(|two| (two[1] - two[0]).abs())
                .fold(0.0, f32::max)
        };
        let inside = steepest(&samples[2_400..24_000]);
        let onset = steepest(&samples[..1_300]);
        let end = steepest(&samples[33_000..]);
        let ramp = std::f32::consts::PI * CEILING / (2.0 * 0.005 * 48_000.0);
        assert!(
            onset < inside + ramp,
            "{tone:?} onset: {onset} after {inside}"
        );
        assert!(end < inside + ramp, "{tone:?} end: {end} after {inside}");
        assert!(samples[..960].iter().all(|x| *x == 0.0));
        assert_eq!(*samples.last().unwrap(), 0.0);
    }
}

#[test]
fn a_phrase_renders_alike_however_the_blocks_are_cut() {
    let mut phrase = Phrase::one_after_another(Tone::Strings, [key(60), key(64), key(36)], 150);
    phrase.notes.push(SoundingNote::new(70, 333, key(67)));
    let run = |sizes: &[usize]| {
        let mut engine = Engine::new(RATE);
        for note in NoteOn::of_phrase(&phrase, RATE) {
            assert!(engine.schedule(note));
        }
        let mut all = Vec::new();
        for size in sizes.iter().cycle() {
            if all.len() > 40_000 {
                break;
            }
            let mut block = vec![0.0; *size];
            engine.render(&mut block);
            all.extend(block);
        }
        all.truncate(40_000);
        all
    };
    let single = run(&[1]);
    assert_eq!(single, run(&[64]));
    assert_eq!(single, run(&[1024]));
    assert_eq!(single, run(&[7, 480, 1, 129]));
    assert!(single.iter().any(|x| x.abs() > 0.05));
}

#[test]
fn rendering_twice_gives_the_same_bits() {
    let phrase = Phrase::together(Tone::Strings, [key(48), key(64)], 400);
    let once = render(&phrase, RATE, RenderOptions::default());
    let again = render(&phrase, RATE, RenderOptions::default());
    assert!(
        once.iter()
            .zip(&again)
            .all(|(a, b)| a.to_bits() == b.to_bits())
    );
}

#[test]
fn more_notes_than_voices_still_ends_in_silence() {
    let many: Vec<Hz> = (0..200).map(|i| key(40 + i % 40)).collect();
    let phrase = Phrase::together(Tone::Strings, many, 300);
    let samples = render(
        &phrase,
        RATE,
        RenderOptions {
            lead_in_ms: 0,
            tail_ms: 200,
        },
    );
    assert!(samples.iter().all(|x| x.abs() <= CEILING));
    assert!(samples[samples.len() - 48..].iter().all(|x| *x == 0.0));
}
