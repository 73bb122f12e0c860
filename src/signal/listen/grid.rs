//! Where the partials of the 88 keys lie.
//! In: a bin width. Out: positions in bins of every key's partials and of the half-way points between them.
//! Source: partials of a stiff string, f(x) = x·f1·√((1 + B·x²) / (1 + B)) (Fletcher 1964, JASA 36:203).

use super::comb::PER_OCTAVE;
use crate::signal::tuning::PianoTuning;
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Keys of a piano.
pub(super) const KEYS: usize = 88;
/// Share of the usual inharmonicity that a pass may assume; 0 is a voice.
pub(super) const STIFFNESS: [f64; 4] = [1.0, 0.0, 0.5, 2.0];

/// Stretch of the first partial by key, cents: means over well-kept pianos.
const STRETCH: [(f64, f64); 10] = [
    (21.0, -15.0),
    (33.0, -6.0),
    (45.0, -3.0),
    (60.0, -1.0),
    (69.0, 0.0),
    (81.0, 3.0),
    (90.0, 7.0),
    (96.0, 13.0),
    (102.0, 22.0),
    (108.0, 36.0),
];
/// Log₁₀ of the usual inharmonicity by key.
const INHARMONICITY: [(f64, f64); 4] = [
    (21.0, -3.398),
    (40.0, -3.886),
    (64.0, -3.301),
    (108.0, -1.854),
];

/// Value at `x` of the broken line through `points`; flat beyond its ends.
pub(super) fn along(points: &[(f64, f64)], x: f64) -> f64 {
    let after = points.partition_point(|p| p.0 <= x);
    if after == 0 {
        return points[0].1;
    }
    if after == points.len() {
        return points[after - 1].1;
    }
    let (a, b) = (points[after - 1], points[after]);
    a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0)
}

/// Usual inharmonicity of a key.
pub(super) fn inharmonicity(key: f64) -> f64 {
    10.0_f64.powf(along(&INHARMONICITY, key))
}

/// Frequency of partial `x` of a string with the first partial `first` and inharmonicity `b`.
pub(super) fn partial(first: f64, x: f64, b: f64) -> f64 {
    x * first * ((1.0 + b * x * x) / (1.0 + b)).sqrt()
}

/// The key with index `index` (0 is A0).
pub(super) fn key(index: usize) -> MidiNote {
    MidiNote(MidiNote::A0.0 + index as i16)
}

/// The index of `key`, if a piano has it.
pub(super) fn index(key: MidiNote) -> Option<usize> {
    let index = usize::try_from(key.0 - MidiNote::A0.0).ok()?;
    (index < KEYS).then_some(index)
}

/// One key's comb.
#[derive(Debug)]
pub(super) struct KeyGrid {
    /// First partial where the piano is tuned as pianos are.
    usual: f64,
    /// First partial on this piano.
    pub(super) first: f64,
    /// Partials looked at.
    pub(super) count: usize,
    /// By stiffness: frequencies of ½, 1, 1½ … count + ½, as multiples of the first partial.
    pub(super) ratios: [Vec<f32>; 4],
    /// The same as log₂, in values of the fine spectrum (see [`comb`](super::comb)).
    pub(super) places: [Vec<f32>; 4],
}

/// Combs of all keys.
#[derive(Debug)]
pub(super) struct Grid {
    pub(super) keys: Vec<KeyGrid>,
    /// Weights of ½, 1, 1½ … by number of partials (index 0 unused), falling with the partial's number.
    falling: Vec<Vec<f32>>,
    /// The same, all partials nearly alike.
    level: Vec<Vec<f32>>,
}

/// Most partials looked at.
const MOST: usize = 40;

impl Grid {
    /// Combs for a piano at `reference`; stiff as pianos usually are, or as this `piano` is where that is known.
    pub(super) fn new(reference: Reference, piano: Option<&PianoTuning>) -> Grid {
        let equal = Temperament::equal();
        let keys = (0..KEYS)
            .map(|index| {
                let number = f64::from(key(index).0);
                let Hz(first) = equal
                    .frequency(key(index), reference)
                    .raised(Cents(along(&STRETCH, number)));
                let count = (4500.0 / first).max((12_000.0 / first).min(4.0)) as usize;
                let count = count.clamp(1, MOST);
                let own = piano.and_then(|piano| piano.stiffness(key(index)));
                let own = own.unwrap_or_else(|| inharmonicity(number));
                let ratios = STIFFNESS.map(|share| {
                    let b = share * own;
                    (1..=2 * count + 1)
                        .map(|half| partial(1.0, half as f64 / 2.0, b) as f32)
                        .collect()
                });
                let places = std::array::from_fn(|s| {
                    let ratios: &Vec<f32> = &ratios[s];
                    ratios
                        .iter()
                        .map(|ratio| PER_OCTAVE as f32 * ratio.log2())
                        .collect()
                });
                KeyGrid {
                    usual: first,
                    first,
                    count,
                    ratios,
                    places,
                }
            })
            .collect();
        Grid {
            keys,
            falling: (0..=MOST).map(|count| weights(count, 0.5)).collect(),
            level: (0..=MOST).map(|count| weights(count, 0.1)).collect(),
        }
    }

    /// Moves every key by `cents` from where pianos usually have it.
    pub(super) fn retune(&mut self, cents: &[f64; KEYS]) {
        for (key, cents) in self.keys.iter_mut().zip(cents) {
            key.first = key.usual * (cents / 1200.0).exp2();
        }
    }

    /// Cents of `first` above where pianos usually have `key`.
    pub(super) fn cents_from_usual(&self, key: usize, first: f64) -> f64 {
        1200.0 * (first / self.keys[key].usual).log2()
    }

    /// Weights of the positions ½, 1 … for `count` partials: low ones count more, to tell keys apart.
    pub(super) fn falling(&self, count: usize) -> &[f32] {
        &self.falling[count]
    }

    /// Weights of the positions ½, 1 … for `count` partials: high ones count too, to tell how stiff a string is.
    pub(super) fn level(&self, count: usize) -> &[f32] {
        &self.level[count]
    }
}

/// Each partial n counts n^−`fall`, each half-way point takes away half of its neighbours' weights.
fn weights(count: usize, fall: f32) -> Vec<f32> {
    let tooth = |n: usize| {
        if n == 0 || n > count {
            0.0
        } else {
            (n as f32).powf(-fall)
        }
    };
    let norm = (1..=count)
        .map(|n| (n as f32).powf(-2.0 * fall))
        .sum::<f32>()
        .sqrt();
    (1..=2 * count + 1)
        .map(|half| {
            let n = half / 2;
            let weight = if half % 2 == 0 {
                tooth(n)
            } else {
                -0.5 * (tooth(n) + tooth(n + 1))
            };
            weight / norm.max(1.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_soft_string_has_whole_multiples_and_a_stiff_one_more() {
        let grid = Grid::new(Reference::default(), None);
        let a4 = &grid.keys[48];
        assert!((a4.first - 440.0).abs() < 1e-9);
        for (half, ratio) in a4.ratios[1].iter().enumerate() {
            assert!((ratio - (half + 1) as f32 / 2.0).abs() < 1e-5);
        }
        assert!(a4.ratios[0][19] > 10.0 && a4.ratios[3][19] > a4.ratios[0][19]);
        // Closed form at B = 0.001: 10·√(1.1/1.001).
        assert!((partial(1.0, 10.0, 0.001) - 10.482_8).abs() < 1e-4);
    }

    #[test]
    fn a_flat_spectrum_scores_nothing() {
        for count in 1..=MOST {
            let sum: f32 = weights(count, 0.5).iter().sum();
            assert!(sum.abs() < 1e-5, "{count} {sum}");
        }
    }
}
