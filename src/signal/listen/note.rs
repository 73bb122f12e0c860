//! The odds that the best key of a window is right: a note at all, and this one.
//! In: the measures of the window. Out: log odds, one logistic model per register of the key.
//! The weights were fitted on notes of five sampled pianos (soft and loud, in rooms, in noise, through laptop microphones,
//! under speech) against everything else that gave an onset: speech, singing, knocks, clicks, page turns, noise.

use super::evidence::MEASURES;

/// Lowest keys of the registers after the first: C2, C3, E4, C6.
const REGISTERS: [usize; 4] = [36 - 21, 48 - 21, 64 - 21, 84 - 21];
const FEATURES: usize = MEASURES + 12;

/// A window, as the model sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Observation {
    /// 0 is A0.
    pub(super) key: usize,
    pub(super) measures: [f32; MEASURES],
    /// Growth of the raised bands after the attack, octaves.
    pub(super) swell: f32,
    /// Growth at the onset, octaves.
    pub(super) growth: f32,
    /// Share of the two windows before that had the same key.
    pub(super) same: f32,
    /// Length of the window.
    pub(super) seconds: f64,
}

impl Observation {
    /// Log odds that its key was struck, nats.
    pub(super) fn log_odds(&self) -> f32 {
        let register = REGISTERS.partition_point(|k| *k <= self.key);
        self.features()
            .iter()
            .zip(&WEIGHTS)
            .map(|(feature, weights)| feature * weights[register])
            .sum()
    }

    fn features(&self) -> [f32; FEATURES] {
        let m = &self.measures;
        let time = (self.seconds / 0.1).log2() as f32;
        let swell = self.swell.clamp(-3.0, 4.0);
        let extra = [
            swell,
            self.same,
            m[16].clamp(-3.0, 4.0),
            self.growth.log2().clamp(-2.0, 1.5),
            time,
            time * time,
            m[0] * time,
            m[3] * time,
            m[1] * time,
            m[5] * time,
            swell * time,
            1.0,
        ];
        let mut all = [0.0; FEATURES];
        all[..MEASURES].copy_from_slice(m);
        all[MEASURES..].copy_from_slice(&extra);
        all
    }
}

/// Nats per feature and register: the measures in their order; swell; same; rise of the late part and growth, both held to
/// a range; log₂ of the window's length over 0.1 s and its square; that times contrast, drift, margin, decay, swell; 1.
#[rustfmt::skip]
const WEIGHTS: [[f32; 5]; FEATURES] = [
    [1.665, 2.127, 1.460, 1.324, 0.563],
    [0.258, 0.230, 0.311, 0.469, 0.347],
    [-0.145, -0.735, -0.697, -0.586, -0.059],
    [-0.427, -1.629, -1.361, -0.863, -0.307],
    [2.461, 23.121, 39.555, 19.803, 3.607],
    [-0.073, -0.141, -0.131, -0.010, -0.029],
    [0.221, 0.433, 0.266, 0.177, 0.151],
    [0.697, 0.180, -1.184, -1.109, -1.504],
    [0.514, -0.151, -0.687, -0.936, -2.387],
    [-0.630, -4.934, -2.705, 1.486, -1.706],
    [1.939, 0.320, -0.054, -3.107, 0.603],
    [-0.757, 5.941, 6.531, 3.811, 2.188],
    [0.131, 0.182, 0.099, 0.083, 0.197],
    [-3.310, 0.639, 2.015, 6.614, 7.295],
    [-0.867, -5.259, -2.049, -4.025, -3.488],
    [4.024, 3.014, -10.361, -21.138, -23.041],
    [-0.076, -0.139, -0.028, -0.011, 0.077],
    [-0.340, -0.194, 0.046, 0.321, 0.796],
    [-3.038, -3.712, -1.277, -4.209, 0.505],
    [0.868, 1.878, -0.590, 1.114, 1.031],
    [0.098, 0.047, 0.107, -0.137, -0.545],
    [2.160, 2.857, 3.273, 2.388, 0.211],
    [0.867, 0.726, 1.063, 0.537, 1.020],
    [1.335, 1.775, 1.927, 2.485, 0.248],
    [0.042, 0.019, -0.858, -0.394, 0.010],
    [-0.263, 0.641, 1.436, 0.631, 0.307],
    [-0.339, -0.626, -0.322, -0.498, -0.338],
    [-0.289, -0.772, -0.339, -0.110, -0.064],
    [-0.042, 0.005, -0.057, 0.055, 0.073],
    [0.031, -0.011, -0.024, -0.026, 0.015],
    [-0.037, 0.117, 0.425, -0.270, -0.325],
    [-3.331, 7.313, -2.245, -6.388, -8.470],
];
