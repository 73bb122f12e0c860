//! The odds that the best key of a window is right: a note at all, and this one.
//! In: the measures of the window. Out: log odds, one logistic model per register of the key.
//! The weights were fitted on notes of four sampled pianos (soft and loud, in rooms, in noise, through laptop microphones,
//! under speech) against everything else that gave an onset: speech, singing, knocks, clicks, page turns, noise.

use super::evidence::MEASURES;

/// Lowest keys of the registers after the first: E2, C3, E4, C6.
const REGISTERS: [usize; 4] = [40 - 21, 48 - 21, 64 - 21, 84 - 21];
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
        let extra = [
            self.swell,
            self.same,
            m[16].clamp(-3.0, 4.0),
            self.growth.log2().clamp(-2.0, 1.5),
            time,
            time * time,
            m[0] * time,
            m[3] * time,
            m[1] * time,
            m[5] * time,
            self.swell * time,
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
    [2.141, 1.561, 2.514, 0.375, 0.953],
    [0.299, 0.443, 0.456, 0.298, 0.005],
    [-0.584, -0.420, -0.535, -0.455, -0.780],
    [-0.606, -1.502, -1.202, -0.952, -0.252],
    [5.128, 40.700, 39.218, 24.991, 0.723],
    [-0.097, 0.057, -0.131, 0.094, -0.013],
    [0.291, 0.082, 0.156, 0.106, 0.158],
    [-0.311, 2.003, -1.117, -1.140, -3.128],
    [-0.366, -1.287, -0.694, -1.079, -2.369],
    [-2.620, -4.426, -1.966, 1.805, 1.550],
    [2.146, -0.944, 0.053, -2.880, 0.955],
    [1.126, 9.326, 2.271, 2.946, 1.536],
    [0.176, 0.153, 0.097, 0.094, 0.141],
    [-2.749, 6.871, 0.640, 9.603, 9.506],
    [-1.810, -4.708, -3.052, -9.571, -5.654],
    [3.627, -0.000, -3.730, -13.512, 0.000],
    [-0.117, -0.085, -0.009, 0.117, 0.070],
    [-0.324, -0.070, 0.042, 0.082, 0.026],
    [0.216, 0.273, 0.183, 0.057, -0.121],
    [1.716, 0.025, 1.437, 0.688, 0.545],
    [0.686, 0.757, 1.002, 0.116, 0.908],
    [1.401, 1.473, 1.872, 1.910, 0.289],
    [1.216, -0.824, -1.653, -0.616, -0.323],
    [0.679, 1.347, 1.462, 0.160, 0.420],
    [-0.159, 0.375, -0.137, -0.223, -0.388],
    [-0.369, -0.049, -0.155, -0.009, 0.094],
    [-0.186, 0.049, -0.018, -0.005, 0.053],
    [0.004, -0.038, 0.017, -0.038, 0.006],
    [0.065, 0.624, 0.172, -0.200, -0.141],
    [3.873, 3.751, -3.791, -9.592, -7.558],
];
