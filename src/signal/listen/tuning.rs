//! How far this piano's keys lie from where keys usually lie.
//! In: keys whose pitch is known, and sure decisions. Out: cents per key, by which the combs are moved.

use std::collections::VecDeque;

use super::grid::{KEYS, along};

/// Decisions remembered.
const REMEMBERED: usize = 48;
/// What is learnt never moves a key further than this from what was known, cents.
const FURTHEST: f64 = 40.0;
/// Keys over which a decision says something of its neighbours (standard deviation).
const NEIGHBOURHOOD: f64 = 8.0;
/// Decisions that the belief in a usual piano is worth: for the whole keyboard, and for a neighbourhood.
const USUAL: usize = 2;
const USUAL_NEAR: f64 = 0.7;

/// What is known of a piano's tuning.
#[derive(Debug)]
pub(super) struct Offsets {
    known: [f64; KEYS],
    /// Key and cents from the usual grid.
    heard: VecDeque<(usize, f64)>,
}

impl Offsets {
    /// From keys whose place is known, in cents from the usual grid; keys between lie on a straight line.
    pub(super) fn new(known: &[(usize, f64)]) -> Offsets {
        let mut points: Vec<(f64, f64)> = known.iter().map(|(k, c)| (*k as f64, *c)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let at = |key: usize| {
            if points.is_empty() {
                0.0
            } else {
                along(&points, key as f64)
            }
        };
        Offsets {
            known: std::array::from_fn(at),
            heard: VecDeque::new(),
        }
    }

    /// Learns that `key` sounded `cents` above the usual grid.
    pub(super) fn learn(&mut self, key: usize, cents: f64) {
        if (cents - self.known[key]).abs() > FURTHEST + 10.0 {
            return;
        }
        if self.heard.len() == REMEMBERED {
            self.heard.pop_front();
        }
        self.heard.push_back((key, cents));
    }

    /// Cents of every key above the usual grid.
    pub(super) fn curve(&self) -> [f64; KEYS] {
        let news: Vec<(f64, f64)> = self
            .heard
            .iter()
            .map(|(key, cents)| (*key as f64, cents - self.known[*key]))
            .collect();
        let mut sorted: Vec<f64> = news.iter().map(|n| n.1).collect();
        sorted.extend([0.0; USUAL]);
        sorted.sort_by(f64::total_cmp);
        let whole = sorted[sorted.len() / 2].midpoint(sorted[(sorted.len() - 1) / 2]);
        std::array::from_fn(|key| {
            let (mut sum, mut weights) = (0.0, USUAL_NEAR);
            for (other, cents) in &news {
                let distance = (key as f64 - other) / NEIGHBOURHOOD;
                let weight = (-0.5 * distance * distance).exp();
                sum += weight * (cents - whole);
                weights += weight;
            }
            self.known[key] + (whole + sum / weights).clamp(-FURTHEST, FURTHEST)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_known_moves_nothing() {
        assert_eq!(Offsets::new(&[]).curve(), [0.0; KEYS]);
    }

    #[test]
    fn a_flat_piano_is_learnt_and_a_lone_stray_is_not() {
        let mut offsets = Offsets::new(&[]);
        offsets.learn(40, -38.0);
        let stray = offsets.curve();
        assert!(stray[80].abs() < 1.0, "{}", stray[80]);
        for key in [30, 35, 44, 48, 51, 60] {
            offsets.learn(key, -30.0);
        }
        let flat = offsets.curve();
        assert!(flat.iter().all(|c| (-35.0..-25.0).contains(c)), "{flat:?}");
    }

    #[test]
    fn a_flat_bass_under_a_true_treble_is_learnt() {
        let mut offsets = Offsets::new(&[]);
        for key in [2, 5, 7, 9, 11] {
            offsets.learn(key, -40.0);
        }
        for key in [40, 45, 50, 55, 60, 65, 70] {
            offsets.learn(key, 0.0);
        }
        let curve = offsets.curve();
        assert!(curve[6] < -25.0 && curve[50].abs() < 5.0, "{curve:?}");
    }

    #[test]
    fn known_keys_move_their_neighbours_and_learning_stays_near() {
        let mut offsets = Offsets::new(&[(39, -120.0), (51, -100.0)]);
        assert!((offsets.curve()[45] + 110.0).abs() < 1e-9);
        for _ in 0..60 {
            offsets.learn(45, -60.0);
        }
        // 50 cents off what is known: learnt as far as learning goes.
        assert!(offsets.curve()[45] <= -70.0 + 1e-9);
        offsets.learn(45, 0.0);
        assert!(offsets.curve()[45] <= -70.0 + 1e-9);
    }
}
