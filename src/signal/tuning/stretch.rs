//! How far octaves must be stretched for this instrument's own strings.
//! In: inharmonicity by key. Out: cents above equal temperament for each of the 88 keys, A4 at 0.
//! Source: the partials of both notes coincide in a p:q octave when the upper first partial lies
//! 600 · log2((1 + p² B_L)(1 + B_U) / ((1 + q² B_U)(1 + B_L))) cents above 1200 (algebra on Fletcher 1964, JASA 36:203).
//!
//! Which partials are made to coincide is a choice: 6:3 in the bass, where the high partials are the loud ones, 4:2 in the
//! middle, 2:1 in the treble, where there are no others; blended in between.

use super::string::expected_b;
use crate::theory::{Hz, MidiNote, Reference, Temperament};

/// Keys of a piano.
pub const KEYS: std::ops::RangeInclusive<i16> = 21..=108;

/// Cents by which a p:q octave (p on the lower note) goes beyond 1200.
pub fn octave_stretch(p: u32, q: u32, lower_b: f64, upper_b: f64) -> f64 {
    let (p, q) = (f64::from(p).powi(2), f64::from(q).powi(2));
    600.0 * ((1.0 + p * lower_b) * (1.0 + upper_b) / ((1.0 + q * upper_b) * (1.0 + lower_b))).log2()
}

/// Stretch of the octave whose lower note is `key`, as blended by register.
fn blended(key: f64, lower_b: f64, upper_b: f64) -> f64 {
    let two_one = octave_stretch(2, 1, lower_b, upper_b);
    let four_two = octave_stretch(4, 2, lower_b, upper_b);
    let six_three = octave_stretch(6, 3, lower_b, upper_b);
    // 6:3 up to the octave on C2, 4:2 on C4, 2:1 from the octave on C6 on; straight between.
    if key <= 60.0 {
        let share = ((key - 36.0) / 24.0).clamp(0.0, 1.0);
        six_three + share * (four_two - six_three)
    } else {
        let share = ((key - 60.0) / 24.0).clamp(0.0, 1.0);
        four_two + share * (two_one - four_two)
    }
}

/// Inharmonicity of all 88 keys of an instrument, from those that were measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Stiffness {
    log_b: [f64; 88],
}

impl Stiffness {
    /// Smooths the `measured` (key, B, standard error of B), in the logarithm: each key from its neighbours within about
    /// an octave, by a straight line that a single wrong one does not turn. Keys far from any measured one keep their
    /// distance from the usual.
    pub fn new(measured: &[(MidiNote, f64, f64)]) -> Stiffness {
        let points: Vec<(f64, f64, f64)> = measured
            .iter()
            .filter(|(_, b, se)| *b > 0.0 && *se < *b)
            .map(|(key, b, se)| {
                let usual = usual(*key).ln();
                (f64::from(key.0), b.ln() - usual, (se / b).max(0.05))
            })
            .collect();
        let log_b = std::array::from_fn(|index| {
            let key = f64::from(*KEYS.start()) + index as f64;
            usual(MidiNote(*KEYS.start() + index as i16)).ln() + local(&points, key)
        });
        Stiffness { log_b }
    }

    /// B of `key`, which lies on the piano.
    pub fn b(&self, key: MidiNote) -> f64 {
        let index = (key.0 - KEYS.start()).clamp(0, 87) as usize;
        self.log_b[index].exp()
    }

    /// Cents above equal temperament that this stiffness asks for, from A0 to C8; A4 at 0.
    pub fn curve(&self) -> [f64; 88] {
        // The stretch of an octave is spread evenly over its twelve steps: a step gets the mean of the octaves it is in the
        // middle of. Octaves that leave the keyboard are taken from its last B.
        let step = |between: f64| {
            let lower = between - 6.0;
            let b = |key: f64| {
                let at = (key - 21.0).clamp(0.0, 87.0);
                let (k, share) = (at.floor() as usize, at.fract());
                let next = (k + 1).min(87);
                (self.log_b[k] * (1.0 - share) + self.log_b[next] * share).exp()
            };
            blended(lower, b(lower), b(lower + 12.0)) / 12.0
        };
        let mut curve = [0.0; 88];
        for index in 49..88 {
            curve[index] = curve[index - 1] + step(20.5 + index as f64);
        }
        for index in (0..48).rev() {
            curve[index] = curve[index + 1] - step(21.5 + index as f64);
        }
        curve
    }
}

fn usual(key: MidiNote) -> f64 {
    let Hz(hz) = Temperament::equal().frequency(key, Reference::default());
    expected_b(hz)
}

/// A straight line through the points around `key`, each weighing by its nearness and sureness, and twice again by how
/// well it fits.
fn local(points: &[(f64, f64, f64)], key: f64) -> f64 {
    let mut trust = vec![1.0; points.len()];
    let mut value = 0.0;
    for _ in 0..3 {
        // A point of no weight at 0 keeps the usual where nothing is measured, and the slope from running away.
        let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (1e-3, 0.0, 0.0, 30.0, 0.0);
        for ((at, y, se), trust) in points.iter().zip(&trust) {
            let x = at - key;
            let weight = trust * (-0.5 * (x / 7.0).powi(2)).exp() / (1.0 + (se / 0.1).powi(2));
            w += weight;
            wx += weight * x;
            wy += weight * y;
            wxx += weight * x * x;
            wxy += weight * x * y;
        }
        let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx).max(1e-9);
        value = (wy - slope * wx) / w;
        for ((at, y, _), trust) in points.iter().zip(&mut trust) {
            let off = y - value - slope * (at - key);
            *trust = 1.0 / (1.0 + (off / 0.25).powi(2));
        }
    }
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Young's rule for plain wire: 3.47e-4 at C4, doubling every eight semitones (Young 1952, JASA 24:267).
    fn young(key: i16) -> f64 {
        3.47e-4 * ((f64::from(key) - 60.0) / 8.0).exp2()
    }

    #[test]
    fn octaves_stretch_as_the_closed_form_and_youngs_rule_say() {
        // Computed table of octave types under Young's rule: cents beyond 1200.
        for (lower, two_one, four_two, six_three) in [
            (57, 0.69, 1.50, 2.84),
            (69, 1.96, 4.23, 7.94),
            (81, 5.53, 11.80, 21.70),
            (93, 15.48, 32.14, 56.05),
        ] {
            let (l, u) = (young(lower), young(lower + 12));
            assert!((octave_stretch(2, 1, l, u) - two_one).abs() < 0.006);
            assert!((octave_stretch(4, 2, l, u) - four_two).abs() < 0.006);
            assert!((octave_stretch(6, 3, l, u) - six_three).abs() < 0.011);
        }
    }

    #[test]
    fn a_usual_pianos_curve_is_about_the_published_average() {
        // The average of tuned pianos (Railsback 1938, by Giordano 2015, JASA 138:2359): near 0 in octaves 3 and 4, up to
        // about +30 cents at C8 and about -30 at A0, the ends from secondary accounts.
        let measured: Vec<_> = KEYS
            .map(|k| (MidiNote(k), usual(MidiNote(k)), 1e-6))
            .collect();
        let curve = Stiffness::new(&measured).curve();
        assert_eq!(curve[48], 0.0);
        assert!((15.0..45.0).contains(&curve[87]), "C8 {}", curve[87]);
        assert!((-40.0..-5.0).contains(&curve[0]), "A0 {}", curve[0]);
        for key in 48..72 {
            assert!(curve[key - 21].abs() < 6.0, "{key} {}", curve[key - 21]);
        }
        assert!(curve.windows(2).all(|two| two[1] > two[0]));
    }

    #[test]
    fn stiffness_is_smoothed_over_a_wrong_key_and_fills_what_was_not_played() {
        let mut measured: Vec<_> = (30..=100)
            .step_by(3)
            .map(|k| {
                (
                    MidiNote(k),
                    1.4 * usual(MidiNote(k)),
                    0.02 * usual(MidiNote(k)),
                )
            })
            .collect();
        measured[8].1 *= 5.0;
        let stiffness = Stiffness::new(&measured);
        for key in [31, 53, 54, 55, 70, 98] {
            let ratio = stiffness.b(MidiNote(key)) / usual(MidiNote(key));
            assert!((1.25..1.6).contains(&ratio), "{key}: {ratio}");
        }
        assert!(Stiffness::new(&[]).b(MidiNote(60)) > 0.0);
    }
}
