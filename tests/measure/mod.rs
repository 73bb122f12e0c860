//! Measuring samples by sums that define spectra: nothing of the program's own analysis is used.
#![allow(dead_code)] // each test file uses its own part

use std::f64::consts::TAU;

use stavelark::theory::{Hz, MidiNote, Reference, Temperament};

/// The frequency of a piano key at A4 = 440 Hz.
pub fn key(midi: i16) -> Hz {
    Temperament::equal().frequency(MidiNote(midi), Reference::default())
}

/// `samples` under a 4-term Blackman–Harris window (Harris 1978, Proc. IEEE 66:51: side lobes below −92 dB).
pub fn windowed(samples: &[f32]) -> Vec<f64> {
    let length = samples.len() as f64;
    (0..)
        .zip(samples)
        .map(|(i, sample)| {
            let x = TAU * f64::from(i) / length;
            let window = 0.358_75 - 0.488_29 * x.cos() + 0.141_28 * (2.0 * x).cos()
                - 0.011_68 * (3.0 * x).cos();
            window * f64::from(*sample)
        })
        .collect()
}

/// Size of the spectrum of `windowed` at `hz`, by the sum that defines it: nothing of the synthesiser's is used.
pub fn spectrum_at(windowed: &[f64], hz: f64) -> f64 {
    let (sin, cos) = (TAU * hz / 48_000.0).sin_cos();
    let (mut re, mut im) = (0.0, 0.0);
    let (mut turn_re, mut turn_im) = (1.0, 0.0);
    for sample in windowed {
        re += sample * turn_re;
        im += sample * turn_im;
        (turn_re, turn_im) = (turn_re * cos - turn_im * sin, turn_re * sin + turn_im * cos);
    }
    re.hypot(im)
}

/// The frequency of the spectrum's highest peak within `around` ± `width`: a look at every bin, then golden section.
pub fn peak_near(samples: &[f32], around: f64, width: f64) -> f64 {
    let samples = windowed(samples);
    let at = |hz| spectrum_at(&samples, hz);
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let bin = 48_000.0 / samples.len() as f64;
    let reach = (width / bin).ceil() as i32;
    let top = (-reach..=reach)
        .map(|k| around + f64::from(k) * bin)
        .max_by(|a, b| at(*a).total_cmp(&at(*b)))
        .unwrap();
    let (mut low, mut high) = (top - bin, top + bin);
    let mut inner = high - golden * (high - low);
    let mut outer = low + golden * (high - low);
    let (mut at_inner, mut at_outer) = (at(inner), at(outer));
    while high - low > 1e-6 * around {
        if at_inner > at_outer {
            (high, outer, at_outer) = (outer, inner, at_inner);
            inner = high - golden * (high - low);
            at_inner = at(inner);
        } else {
            (low, inner, at_inner) = (inner, outer, at_outer);
            outer = low + golden * (high - low);
            at_outer = at(outer);
        }
    }
    0.5 * (low + high)
}
