//! How fast sound is listened to, how soon a struck key is decided, and how many cents its first partial is off, key by
//! key. Figures are kept in DEVELOPERS.md; nothing is asserted here. The strings are computed: their pitch is known.
#![allow(clippy::print_stdout)]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group};
use stavelark::signal::listen::{Listener, NoteEvent, Options, PitchTrack};
use stavelark::theory::{MidiNote, Reference, Temperament};

const RATE: u32 = 44_100;
/// Silence before a string is struck.
const LEAD_S: f64 = 0.3;

/// A stiff string of `key` (partials as in Fletcher 1964, JASA 36:203), in a quiet room.
fn string(key: i16) -> Vec<f32> {
    let first = Temperament::equal()
        .frequency(MidiNote(key), Reference::default())
        .0;
    let b = 10.0_f64.powf(-4.0 + 2.0 * f64::from((key - 40).max(0)) / 68.0);
    let mut state = 1_u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        1e-4 * ((state >> 40) as f64 / f64::from(1 << 23) - 1.0)
    };
    (0..(1.3 * f64::from(RATE)) as usize)
        .map(|i| {
            let t = i as f64 / f64::from(RATE) - LEAD_S;
            let sum: f64 = if t < 0.0 {
                0.0
            } else {
                (1..=24)
                    .map(f64::from)
                    .map(|n| (n, n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt()))
                    .take_while(|(_, f)| *f < 9_000.0)
                    .map(|(n, f)| {
                        let decay = (-t * (1.0 + f / 900.0)).exp();
                        (std::f64::consts::TAU * f * t + n * n).sin() * decay / n
                    })
                    .sum()
            };
            (0.15 * sum * (t / 0.003).clamp(0.0, 1.0) + noise()) as f32
        })
        .collect()
}

fn heard(sound: &[f32]) -> Vec<NoteEvent> {
    let mut listener = Listener::new(RATE, Options::default()).expect("the rate is in range");
    let mut events = listener.push(sound);
    events.extend(listener.finish());
    events
}

fn speed(criterion: &mut Criterion) {
    // Eight strings in ten seconds: about what practice sounds like.
    let mut sound: Vec<f32> = [24, 36, 45, 52, 60, 67, 76, 96]
        .into_iter()
        .flat_map(string)
        .collect();
    sound.truncate(10 * RATE as usize);
    let mut group = criterion.benchmark_group("ten seconds of sound");
    group.sample_size(10);
    group.throughput(Throughput::Elements(sound.len() as u64));
    group.bench_function("notes", |bencher| bencher.iter(|| heard(black_box(&sound))));
    group.bench_function("pitch every 10 ms", |bencher| {
        bencher.iter(|| {
            let mut track =
                PitchTrack::new(RATE, Options::default()).expect("the rate is in range");
            track.push(black_box(&sound))
        });
    });
    group.finish();
}

/// Milliseconds from the stroke to the decision, by register, and cents of every key.
fn tables() {
    let mut rows = Vec::new();
    for key in MidiNote::A0.0..=108 {
        let sound = string(key);
        let right = heard(&sound).into_iter().find(|e| e.key.0 == key);
        let mut track = PitchTrack::new(RATE, Options::default()).expect("the rate is in range");
        let want = Temperament::equal().frequency(MidiNote(key), Reference::default());
        let later: Vec<f64> = track
            .push(&sound)
            .into_iter()
            .filter(|f| f.time_s > LEAD_S + 0.3)
            .filter_map(|f| f.frequency)
            .map(|hz| hz.cents_above(want).0)
            .collect();
        rows.push((
            key,
            right.map(|e| 1e3 * (e.decided_s - LEAD_S)),
            right.map(|e| e.cents.0),
            later.last().copied(),
        ));
    }
    for (name, low, high) in [
        ("A0 to B2", 21, 47),
        ("C3 to B5", 48, 83),
        ("C6 to C8", 84, 108),
    ] {
        let mut ms: Vec<f64> = rows
            .iter()
            .filter(|r| (low..=high).contains(&r.0))
            .filter_map(|r| r.1)
            .collect();
        ms.sort_by(f64::total_cmp);
        let keys = high - low + 1;
        println!(
            "{name}: {} of {keys} keys, decided after {:.0} ms (median), {:.0} ms (95 in a hundred)",
            ms.len(),
            ms[ms.len() / 2],
            ms[ms.len() * 95 / 100]
        );
    }
    println!("key  cents when decided  cents after 0.3 s");
    for (key, _, at, later) in rows {
        let show = |c: Option<f64>| c.map_or("-".to_owned(), |c| format!("{c:+.1}"));
        let name = MidiNote(key).spelled_with_sharps();
        println!("{name:<4} {:>19} {:>18}", show(at), show(later));
    }
}

criterion_group!(benches, speed);

fn main() {
    tables();
    benches();
    Criterion::default().configure_from_args().final_summary();
}
