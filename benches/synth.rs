//! How fast phrases are rendered. Figures are kept in DEVELOPERS.md; nothing is asserted here.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use stavelark::score::{Phrase, Tone};
use stavelark::signal::synth::{Engine, NoteOn, RenderOptions, SampleRate, VOICES, render};
use stavelark::theory::{MidiNote, Reference, Temperament};

fn keys(keys: impl Iterator<Item = i16>, tone: Tone) -> Phrase {
    let equal = Temperament::equal();
    let hz = keys.map(|key| equal.frequency(MidiNote(key), Reference::default()));
    Phrase::together(tone, hz, 10_000)
}

fn synth(criterion: &mut Criterion) {
    let rate = SampleRate::STUDIO;
    for tone in Tone::ALL {
        let mut phrase = keys([48].into_iter(), tone);
        phrase.notes[0].length_ms = 1_000;
        criterion.bench_function(&format!("render C3 for 1 s, {}", tone.name()), |bencher| {
            bencher.iter(|| render(black_box(&phrase), rate, RenderOptions::default()));
        });
    }
    // The worst block a callback meets: every voice has just been struck, low, with all its partials.
    let full = keys((0..VOICES as i16).map(|i| 28 + i % 24), Tone::Strings);
    criterion.bench_function("1,024 samples (21.3 ms) of 48 struck voices", |bencher| {
        bencher.iter_batched_ref(
            || {
                let mut engine = Engine::new(rate);
                for note in NoteOn::of_phrase(&full, rate) {
                    engine.schedule(note);
                }
                engine.render(&mut [0.0; 64]);
                engine
            },
            |engine| engine.render(black_box(&mut [0.0; 1024])),
            criterion::BatchSize::LargeInput,
        );
    });
    // Keys 33 to 80 at once, all partials: what is measured is a second from the stroke on, nothing stolen.
    let all = keys(33..=80, Tone::Strings);
    assert_eq!(all.notes.len(), VOICES);
    criterion.bench_function("1 s of keys 33 to 80 struck together", |bencher| {
        bencher.iter_batched_ref(
            || {
                let mut engine = Engine::new(rate);
                for note in NoteOn::of_phrase(&all, rate) {
                    engine.schedule(note);
                }
                engine
            },
            |engine| {
                for _ in 0..47 {
                    engine.render(black_box(&mut [0.0; 1024]));
                }
            },
            criterion::BatchSize::LargeInput,
        );
    });
    criterion.bench_function("strike 48 voices", |bencher| {
        bencher.iter_batched_ref(
            || {
                let mut engine = Engine::new(rate);
                for note in NoteOn::of_phrase(&full, rate) {
                    engine.schedule(note);
                }
                engine
            },
            |engine| engine.render(black_box(&mut [0.0; 1])),
            criterion::BatchSize::LargeInput,
        );
    });
}

criterion_group!(benches, synth);
criterion_main!(benches);
