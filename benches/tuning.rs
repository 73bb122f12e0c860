//! How long one key takes to be named and read. Figures are kept in DEVELOPERS.md; nothing is asserted here.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use stavelark::score::{Phrase, Tone};
use stavelark::signal::synth::{RenderOptions, SampleRate, render};
use stavelark::signal::tuning::{Named, name_key, read_key};
use stavelark::theory::{MidiNote, Reference, Temperament};

fn tuning(criterion: &mut Criterion) {
    let rate = SampleRate::STUDIO;
    for (name, key) in [("A0", 21), ("A2", 45), ("A4", 69), ("A6", 93)] {
        let key = MidiNote(key);
        let hz = Temperament::equal().frequency(key, Reference::default());
        let phrase = Phrase::one_after_another(Tone::Strings, [hz], 2_000);
        let sound = render(&phrase, rate, RenderOptions::default());
        criterion.bench_function(&format!("read {name}, 2 s"), |bencher| {
            bencher.iter(|| read_key(black_box(&sound), rate.per_second(), Named::usual(key, hz)));
        });
        criterion.bench_function(&format!("name {name}"), |bencher| {
            bencher.iter(|| name_key(black_box(&sound), rate.per_second(), Reference::default()));
        });
    }
}

criterion_group!(benches, tuning);
criterion_main!(benches);
