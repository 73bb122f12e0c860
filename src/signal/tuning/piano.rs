//! Where all 88 keys of one piano lie, and how stiff their strings are: what a listener and a synthesiser need of a check.
//! In: an [`Instrument`], or a few known keys. Out: a frequency and an inharmonicity for every key, also for those that
//! were not played.

use super::instrument::Instrument;
use super::stretch::{KEYS, Stiffness};
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Keys over which a measured key says something of its unmeasured neighbours (standard deviation): tuning drifts by
/// bridge and by register, not by key.
const NEIGHBOURHOOD: f64 = 4.0;

/// Measured neighbours that the belief in the piano's own curve is worth.
const CURVE: f64 = 0.5;

/// Where the keys of one piano lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PianoTuning {
    first: [f64; 88],
    stiffness: Option<[f64; 88]>,
}

impl PianoTuning {
    /// From keys whose place is known, in cents above equal temperament at `reference`: those between lie straight
    /// between them, measured from where pianos usually have them; of their stiffness nothing is known.
    pub fn of_keys(known: &[(MidiNote, Cents)], reference: Reference) -> PianoTuning {
        let usual = Stiffness::new(&[]).curve();
        let mut off: Vec<(f64, f64)> = known
            .iter()
            .filter_map(|(key, cents)| Some((f64::from(key.0), cents.0 - usual[index(*key)?])))
            .collect();
        off.sort_by(|a, b| a.0.total_cmp(&b.0));
        PianoTuning::at(reference, |at| usual[at] + straight(&off, key_number(at)))
    }

    /// From a check: measured keys where they lie; the others on the piano's own curve, moved as their measured
    /// neighbours are. `None` when no key was measured.
    pub fn of_instrument(instrument: &Instrument) -> Option<PianoTuning> {
        if instrument.keys.is_empty() {
            return None;
        }
        let findings = instrument.findings();
        let stiffness = instrument.stiffness();
        let mut tuning = PianoTuning::at(instrument.reference, |at| {
            let own = instrument.keys.get(&(KEYS.start() + at as i16));
            own.map_or_else(
                || {
                    let (mut sum, mut weights) = (0.0, CURVE);
                    for (key, off) in &findings.off {
                        let distance = (f64::from(*key) - key_number(at)) / NEIGHBOURHOOD;
                        let weight = (-0.5 * distance * distance).exp();
                        sum += weight * off;
                        weights += weight;
                    }
                    findings.curve[at] + findings.offset + sum / weights
                },
                |struck| struck.cents.0,
            )
        });
        tuning.stiffness = Some(std::array::from_fn(|at| {
            stiffness.b(MidiNote(KEYS.start() + at as i16))
        }));
        Some(tuning)
    }

    fn at(reference: Reference, cents: impl Fn(usize) -> f64) -> PianoTuning {
        let equal = Temperament::equal();
        let first = std::array::from_fn(|at| {
            let key = MidiNote(KEYS.start() + at as i16);
            equal.frequency(key, reference).raised(Cents(cents(at))).0
        });
        PianoTuning {
            first,
            stiffness: None,
        }
    }

    /// First partial of `key`; `None` beyond the keyboard.
    pub fn first(&self, key: MidiNote) -> Option<Hz> {
        Some(Hz(self.first[index(key)?]))
    }

    /// Inharmonicity of `key`'s strings, where the piano's is known.
    pub fn stiffness(&self, key: MidiNote) -> Option<f64> {
        Some(self.stiffness.as_ref()?[index(key)?])
    }
}

fn index(key: MidiNote) -> Option<usize> {
    KEYS.contains(&key.0)
        .then(|| usize::from((key.0 - KEYS.start()).unsigned_abs()))
}

fn key_number(index: usize) -> f64 {
    f64::from(*KEYS.start()) + index as f64
}

/// Value at `x` of the broken line through `points`, which are sorted; flat beyond its ends, 0 without any.
fn straight(points: &[(f64, f64)], x: f64) -> f64 {
    let after = points.partition_point(|point| point.0 <= x);
    match (after.checked_sub(1).map(|at| points[at]), points.get(after)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0),
        (Some(one), None) => one.1,
        (None, Some(one)) => one.1,
        (None, None) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::super::instrument::Kept;
    use super::*;

    fn cents(tuning: &PianoTuning, key: i16) -> f64 {
        let place = Temperament::equal().frequency(MidiNote(key), Reference::default());
        tuning.first(MidiNote(key)).unwrap().cents_above(place).0
    }

    #[test]
    fn keys_between_known_ones_follow_them_and_the_usual_stretch() {
        let usual = Stiffness::new(&[]).curve();
        let known = [(MidiNote(40), Cents(-120.0)), (MidiNote(60), Cents(-100.0))];
        let tuning = PianoTuning::of_keys(&known, Reference::default());
        assert!((cents(&tuning, 40) + 120.0).abs() < 1e-9);
        let half = -110.0 - (usual[19] + usual[39]) / 2.0 + usual[29];
        assert!((cents(&tuning, 50) - half).abs() < 1e-9);
        assert_eq!(tuning.stiffness(MidiNote(50)), None);
        assert_eq!(tuning.first(MidiNote(20)), None);
    }

    #[test]
    fn what_was_not_played_is_filled_in_from_the_pianos_own_curve_and_neighbours() {
        // A piano 20 cents flat but for its bass, which is 40 cents flat; every third key was played.
        let mut instrument = Instrument::new(Reference::default());
        let usual = Stiffness::new(&[]);
        let curve = usual.curve();
        for key in (21..=108_i16).step_by(3) {
            let off = if key < 40 { -40.0 } else { -20.0 };
            let place = Temperament::equal().frequency(MidiNote(key), Reference::default());
            let b = usual.b(MidiNote(key));
            instrument.add(
                Kept {
                    key: MidiNote(key),
                    first: place.raised(Cents(curve[usize::from(key as u16) - 21] + off)),
                    first_se: Cents(0.1),
                    inharmonicity: b,
                    inharmonicity_se: 0.01 * b,
                    unison: None,
                }
                .struck(Reference::default()),
            );
        }
        let tuning = PianoTuning::of_instrument(&instrument).unwrap();
        for key in [25, 28, 34, 50, 61, 85, 106] {
            let off = if key < 40 { -40.0 } else { -20.0 };
            let expected = curve[key as usize - 21] + off;
            // Four keys of belief in the curve pull a little.
            assert!(
                (cents(&tuning, key) - expected).abs() < 5.0,
                "{key}: {} for {expected}",
                cents(&tuning, key)
            );
        }
        assert!(tuning.stiffness(MidiNote(61)).unwrap() > 0.0);
        assert_eq!(
            PianoTuning::of_instrument(&Instrument::new(Reference::default())),
            None
        );
    }
}
