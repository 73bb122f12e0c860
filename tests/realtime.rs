//! The output callback's rules: it allocates nothing, tells truly whether it sounds, and stops with a ramp.

#![allow(clippy::unwrap_used, clippy::panic)]

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use stavelark::score::{Phrase, Tone};
use stavelark::shell::audio::{AudioFault, source};
use stavelark::signal::synth::SampleRate;
use stavelark::theory::Hz;

/// Ends the test program when memory is taken or given back inside `assert_no_alloc`.
#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

const RATE: SampleRate = SampleRate::STUDIO;

fn chord(tone: Tone) -> Phrase {
    let hz = (0..60).map(|i| Hz(55.0 * f64::from(i).mul_add(0.1, 1.0)));
    Phrase::together(tone, hz, 120).with_velocity(0.9)
}

#[test]
fn the_callback_allocates_nothing_while_it_starts_cuts_ends_and_stops_notes() {
    let (mut player, mut source) = source(RATE);
    let mut out = vec![0.0_f32; 2048];
    for tone in Tone::ALL {
        player.play(&chord(tone)).unwrap();
        player.play(&chord(tone)).unwrap();
        for call in 0..30 {
            if call == 5 {
                player.stop();
                player.play(&chord(Tone::Strings)).unwrap();
            }
            assert_no_alloc(|| source.fill(&mut out, 2, 0, |x| x));
        }
        assert!(!player.state().is_sounding());
    }
}

#[test]
fn a_player_sounds_until_the_last_sample_has_left_the_device() {
    let (mut player, mut source) = source(RATE);
    let mut out = vec![0_i16; 480];
    let mut fill = |latency| {
        source.fill(&mut out, 1, latency, |x| (x * 32_767.0) as i16);
        out.iter().any(|x| *x != 0)
    };
    fill(0);
    assert!(!player.state().is_sounding());
    player
        .play(&Phrase::one_after_another(Tone::Pure, [Hz(440.0)], 100))
        .unwrap();
    assert!(player.state().is_sounding());
    let mut heard = 0;
    while fill(4800) {
        heard += 1;
        assert!(player.state().is_sounding());
    }
    // 100 ms held, 80 ms of release and 5 ms inside the limiter are 18.5 blocks of 10 ms.
    assert_eq!(heard, 19);
    let mut silent = 1;
    while player.state().is_sounding() {
        fill(4800);
        silent += 1;
    }
    assert_eq!(
        silent, 10,
        "blocks of silence that cover the device's 100 ms"
    );
}

#[test]
fn a_stop_fades_within_ten_milliseconds_and_without_a_step() {
    let (mut player, mut source) = source(RATE);
    player
        .play(&Phrase::one_after_another(Tone::Pure, [Hz(100.0)], 5_000))
        .unwrap();
    let mut all = vec![0.0_f32; 48_000 * 4];
    source.fill(&mut all, 1, 0, |x| x);
    player.stop();
    let mut tail = vec![0.0_f32; 4_800];
    source.fill(&mut tail, 1, 0, |x| x);
    let end = tail.iter().rposition(|x| *x != 0.0).unwrap();
    assert!(
        (480..=480 + 240).contains(&end),
        "10 ms and the look-ahead: {end}"
    );
    let before = all[all.len() - 4_800..]
        .windows(2)
        .map(|w| (w[1] - w[0]).abs());
    let steepest = before.fold(0.0, f32::max);
    let joint = [all[all.len() - 1], tail[0]];
    let fading = joint
        .windows(2)
        .chain(tail.windows(2))
        .map(|w| (w[1] - w[0]).abs())
        .fold(0.0, f32::max);
    assert!(fading < 1.3 * steepest, "{fading} after {steepest}");
}

#[test]
fn the_first_sound_of_a_run_starts_quiet() {
    let (mut player, mut source) = source(RATE);
    let mut loudest = || {
        player
            .play(&Phrase::one_after_another(Tone::Pure, [Hz(440.0)], 900))
            .unwrap();
        let mut out = vec![0.0_f32; 48_000];
        source.fill(&mut out, 1, 0, |x| x);
        out[4_800..9_600]
            .iter()
            .fold(0.0_f32, |a, x| a.max(x.abs()))
    };
    let first = loudest();
    let second = loudest();
    let fifth = (0..3).map(|_| loudest()).last().unwrap();
    assert!(first < 0.3 * fifth, "{first} {fifth}");
    assert!(first < second && second < fifth);
}

#[test]
fn more_notes_than_can_wait_are_refused_whole() {
    let (mut player, mut source) = source(RATE);
    let many = Phrase::together(Tone::Pure, (0..5_000).map(|_| Hz(440.0)), 100);
    let fault = player.play(&many).unwrap_err();
    assert!(matches!(
        fault,
        AudioFault::TooManyNotes { given: 5_000, .. }
    ));
    let mut out = vec![0.0_f32; 4_800];
    source.fill(&mut out, 1, 0, |x| x);
    assert!(out.iter().all(|x| *x == 0.0));
}
