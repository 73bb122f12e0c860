//! What a tone is made of: frequency, strength and decay of every partial.
//! In: first partial, velocity, the partial's number. Out: a [`Partial`].
//! Source: stiff string, Fletcher 1964, JASA 36:203; its B by register, Young 1952, JASA 24:267; two-stage decay,
//! Weinreich 1977, JASA 62:1474. Strengths and decays are those of a recorded grand; `tests/sound.rs` holds them to it.

use super::grand::{Heard, MEASURED, heard};
use crate::score::{SoundingNote, Tone};
use crate::theory::Hz;

/// Partials a tone has at most.
pub(super) const PARTIALS: u32 = 72;

/// Nothing is sounded above this share of the sample rate.
const HIGHEST_SHARE: f64 = 0.45;

/// Nothing is sounded above this frequency: a piano's string has nothing to say there.
const HIGHEST_HZ: f64 = 12_000.0;

/// One partial of a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Partial {
    pub(super) frequency: f64,
    pub(super) amplitude: f64,
    /// Decay of the prompt sound, nepers per second.
    pub(super) prompt_decay: f64,
    /// Decay of the aftersound, nepers per second.
    pub(super) after_decay: f64,
    /// Share of the amplitude that belongs to the aftersound, 0..=1.
    pub(super) after_share: f64,
    /// How far the outer strings lie from the middle one, as a factor of the frequency.
    pub(super) spread: f64,
}

/// Piano key with fractions whose equal-tempered frequency at A4 = 440 Hz is `first`; A4 is 69.
fn key_of(first: Hz) -> f64 {
    69.0 + 12.0 * (first.0 / 440.0).log2()
}

/// Inharmonicity B of the string whose first partial is `first`.
///
/// Plain wire follows Young's rule, 3.47·10⁻⁴ at middle C and twice that every 8 semitones. Wound strings rise again
/// towards the bass; Rigaud, David & Daudet 2013 (JASA 133:3107) add that as a second straight line in log B, here set
/// by two notes of the recorded grand: A0 has 2.1·10⁻⁴ and C2 8.9·10⁻⁵ in all.
pub fn inharmonicity(first: Hz) -> f64 {
    let key = key_of(first);
    let plain = 3.47e-4 * ((key - 60.0) / 8.0).exp2();
    let wound = 2.0e-4 * (-0.1 * (key - 21.0)).exp();
    plain + wound
}

/// Frequency of partial `n` (from 1) of a string of inharmonicity `b` whose first partial is `first`:
/// n · first · √((1 + B n²) / (1 + B)).
pub fn partial_frequency(first: Hz, n: u32, b: f64) -> Hz {
    let n = f64::from(n);
    Hz(n * first.0 * ((1.0 + b * n * n) / (1.0 + b)).sqrt())
}

/// Partial `n` of `tone`, unless it lies too high for `rate_hz` or for any ear; `b` where the string's is known.
pub(super) fn partial(
    tone: Tone,
    first: Hz,
    b: Option<f64>,
    velocity: f64,
    n: u32,
    rate_hz: f64,
) -> Option<Partial> {
    let b = match tone {
        Tone::Strings => b.unwrap_or_else(|| inharmonicity(first)),
        Tone::Vowel | Tone::Pure | Tone::Click => 0.0,
    };
    let frequency = match tone {
        Tone::Click => first.0 * BAR.get(n as usize - 1)?,
        Tone::Strings | Tone::Vowel | Tone::Pure => partial_frequency(first, n, b).0,
    };
    if frequency > HIGHEST_HZ.min(HIGHEST_SHARE * rate_hz) {
        return None;
    }
    match tone {
        Tone::Strings => Some(string_partial(first, velocity, n, frequency)),
        Tone::Vowel => Some(held(frequency, vowel_amplitude(frequency, n))),
        Tone::Click => Some(Partial {
            prompt_decay: CLICK_DECAY,
            ..held(frequency, f64::from(n).powi(-2))
        }),
        Tone::Pure => (n <= PURE.len() as u32).then(|| held(frequency, PURE[n as usize - 1])),
    }
}

/// Amplitudes of the pure tone's partials: near a sine, yet with enough above it that small loudspeakers
/// sound the lowest octaves.
const PURE: [f64; 5] = [1.0, 0.3, 0.12, 0.06, 0.03];

/// Partials of a free bar of one thickness, as factors of the first (Euler and Bernoulli's beam: squares of 3.011, 5, 7
/// halves of π, over the first).
const BAR: [f64; 3] = [1.0, 2.756, 5.404];

/// Decay of a click, nepers per second: 60 dB in a twelfth of a second, so that the fastest beat has its gap.
const CLICK_DECAY: f64 = 83.0;

/// A partial that lasts until it is let go.
fn held(frequency: f64, amplitude: f64) -> Partial {
    Partial {
        frequency,
        amplitude,
        prompt_decay: 0.0,
        after_decay: 0.0,
        after_share: 0.0,
        spread: 0.0,
    }
}

/// Strength of a sung "ah" at `frequency`, partial `n`: a glottal source falling 12 dB an octave, lifted by 6 at the
/// lips, through five resonances.
fn vowel_amplitude(frequency: f64, n: u32) -> f64 {
    // Centre and width in hertz, common practice for an adult's open vowel.
    const FORMANTS: [(f64, f64); 5] = [
        (700.0, 110.0),
        (1220.0, 120.0),
        (2600.0, 160.0),
        (3300.0, 250.0),
        (3900.0, 300.0),
    ];
    let tract: f64 = FORMANTS
        .iter()
        .map(|(centre, width)| {
            // A resonance of unit gain far below its centre.
            let x = frequency / centre;
            let q = centre / width;
            1.0 / ((1.0 - x * x).powi(2) + (x / q).powi(2)).sqrt()
        })
        .product();
    // The first partial is kept audible even where the tract favours the others.
    tract / f64::from(n) + if n == 1 { 0.5 } else { 0.0 }
}

/// The hammer meets the string at an eighth of its length: the eighth partial is weak at every bass and tenor key
/// of the recorded grand, and the sixteenth too.
const STRIKE: f64 = 1.0 / 8.0;

/// Share of a partial that sounds although the hammer met its node.
const NODE: f64 = 0.2;

/// How fast the strength falls with the partial's number.
const FALL: f64 = 1.1;

/// The soundboard radiates little below this frequency.
const BOARD_HZ: f64 = 70.0;

/// What a smooth rule of number and frequency says: it carries the recorded pattern on to higher partials.
fn ruled(key: f64, n: u32, frequency: f64) -> Heard {
    let order = f64::from(n);
    let node = (std::f64::consts::PI * order * STRIKE).sin().hypot(NODE);
    let board = frequency / frequency.hypot(BOARD_HZ);
    let prompt_db = 20.0 * (frequency / 262.0).powf(0.45);
    Heard {
        level_db: 20.0 * (node * board * order.powf(-FALL)).log10() - felt_db(key, frequency),
        prompt_db,
        after_db: (3.0 + 3.0 * frequency / 1000.0).min(prompt_db),
        share_db: -6.0 - 0.27 * (key - 24.0).max(0.0),
    }
}

/// What the felt takes from medium strokes: 4.1 dB a kilohertz at middle C.
fn felt_db(key: f64, frequency: f64) -> f64 {
    4.1 * (0.016 * (key - 60.0)).exp() * frequency / 1000.0
}

/// Recorded partials whose mean distance from the rule the higher ones keep.
const LAST_HEARD: std::ops::RangeInclusive<u32> = 13..=MEASURED as u32;

fn string_partial(first: Hz, velocity: f64, n: u32, frequency: f64) -> Partial {
    let key = key_of(first);
    let sound = if n as usize <= MEASURED {
        heard(key, n as usize)
    } else {
        let ruled_at = |n| ruled(key, n, partial_frequency(first, n, inharmonicity(first)).0);
        let lift = LAST_HEARD
            .map(|n| heard(key, n as usize).level_db - ruled_at(n).level_db)
            .sum::<f64>()
            / LAST_HEARD.count() as f64;
        let ruled = ruled_at(n);
        Heard {
            level_db: ruled.level_db + lift,
            ..ruled
        }
    };
    // The softer the stroke, the more the felt damps what is fast. How that goes with loudness is our choice, for want
    // of other layers of the recording.
    let soft = (f64::from(SoundingNote::MEDIUM) / velocity.max(0.05)).sqrt();
    let colour_db = felt_db(key, frequency) * (1.0 - soft);
    Partial {
        frequency,
        amplitude: decibels(sound.level_db + colour_db),
        prompt_decay: sound.prompt_db / DECIBELS_A_NEPER,
        after_decay: sound.after_db.min(sound.prompt_db) / DECIBELS_A_NEPER,
        after_share: decibels(sound.share_db),
        spread: strings_spread(key),
    }
}

/// A neper in decibels, 20 / ln 10.
const DECIBELS_A_NEPER: f64 = 20.0 / std::f64::consts::LN_10;

/// The factor of an amplitude that `db` decibels are.
fn decibels(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

/// Loudness of `tone` by register: a recorded grand's treble peaks about 6 dB lower than its middle.
pub(super) fn register_gain(tone: Tone, first: Hz) -> f64 {
    match tone {
        Tone::Strings => decibels(-0.12 * (key_of(first) - 60.0).max(0.0)),
        Tone::Vowel | Tone::Pure | Tone::Click => 1.0,
    }
}

/// Half the distance of the outer strings of a unison, as a factor of the frequency: a well tuned
/// unison is within about half a cent. The lowest strings are single.
fn strings_spread(key: f64) -> f64 {
    if key < 31.0 {
        0.0
    } else {
        (0.25_f64 / 1200.0).exp2() - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::{MidiNote, Reference, Temperament};

    fn key(midi: i16) -> Hz {
        Temperament::equal().frequency(MidiNote(midi), Reference::default())
    }

    #[test]
    fn plain_strings_follow_youngs_rule() {
        // Young 1952, JASA 24:267: B doubles every 8 semitones from 3.47e-4 at C4; values computed from the rule.
        for (midi, b) in [
            (60, 3.47e-4),
            (65, 5.35e-4),
            (69, 7.56e-4),
            (72, 9.81e-4),
            (84, 2.78e-3),
            (96, 7.85e-3),
            (108, 2.22e-2),
        ] {
            let ours = inharmonicity(key(midi));
            assert!((ours / b - 1.0).abs() < 0.02, "{midi}: {ours}");
        }
    }

    #[test]
    fn partials_are_stretched_as_the_stiff_string_formula_says() {
        // Fletcher 1964: cents of partials above n times the first, computed from the closed form.
        for (b, n, cents) in [
            (1.0e-4, 2, 0.26),
            (3.47e-4, 4, 4.49),
            (3.47e-4, 10, 29.23),
            (1.0e-3, 8, 52.83),
        ] {
            let above = partial_frequency(Hz(100.0), n, b).cents_above(Hz(100.0 * f64::from(n)));
            assert!(
                (above.0 - cents).abs() < 0.006,
                "B {b}, partial {n}: {above:?}"
            );
        }
    }

    #[test]
    fn harder_playing_is_brighter() {
        let share = |velocity| {
            let at = |n| string_partial(key(60), velocity, n, 261.6 * f64::from(n)).amplitude;
            at(6) / at(1)
        };
        // 6 dB between soft and loud, at some 1.5 kHz.
        assert!(
            share(1.0) > 1.5 * share(0.2),
            "{} {}",
            share(1.0),
            share(0.2)
        );
    }
}
