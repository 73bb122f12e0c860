//! Sounds as they come in a room: noise beside them and echoes after them, both simulated.
#![allow(dead_code)] // each test file uses its own part

/// A stream of even chances, always the same: −1..1.
pub struct Noise(pub u64);

impl Noise {
    /// The next of them.
    pub fn next(&mut self) -> f32 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 40) as f32 / (1_u64 << 23) as f32) - 1.0
    }

    /// Pink noise: sums of rows that change half as often each (Voss, in Gardner 1978, Scientific American 238(4):16).
    pub fn pink(&mut self, count: usize) -> Vec<f32> {
        let mut rows = [0.0_f32; 14];
        (0..count)
            .map(|i| {
                let row = (i + 1).trailing_zeros().min(13) as usize;
                rows[row] = self.next();
                (rows.iter().sum::<f32>() + self.next()) / 6.0
            })
            .collect()
    }
}

fn root_mean_square(sound: &[f32]) -> f32 {
    (sound.iter().map(|s| s * s).sum::<f32>() / sound.len() as f32).sqrt()
}

/// `sound` with pink noise `db` below its first half second.
pub fn in_noise(sound: &[f32], rate: u32, db: f32) -> Vec<f32> {
    let level = root_mean_square(&sound[..sound.len().min(rate as usize / 2)]);
    let lead = rate as usize / 2;
    let noise = Noise(5).pink(lead + sound.len());
    let gain = level * 10.0_f32.powf(-db / 20.0) / root_mean_square(&noise);
    noise
        .iter()
        .enumerate()
        .map(|(i, n)| gain * n + if i < lead { 0.0 } else { sound[i - lead] })
        .collect()
}

/// `sound` in a room that dies away by 60 dB in 0.5 s, the echo 6 dB below the sound itself: a simulated room.
pub fn in_a_room(sound: &[f32], rate: u32) -> Vec<f32> {
    // Echoes at random moments, thinning out the level: 400 of them, as many as a small room has in its first tenths.
    let mut chance = Noise(11);
    let echoes: Vec<(usize, f32)> = (0..400)
        .map(|_| {
            let after = 0.008 + 0.5 * f64::from(chance.next().abs());
            let level = 10.0_f64.powf(-3.0 * after / 0.5) as f32 * chance.next().signum();
            ((after * f64::from(rate)) as usize, level)
        })
        .collect();
    let energy: f32 = echoes.iter().map(|e| e.1 * e.1).sum();
    let gain = 0.5 / energy.sqrt();
    let mut out = sound.to_vec();
    out.resize(sound.len() + rate as usize / 2, 0.0);
    for (after, level) in echoes {
        for (i, s) in sound.iter().enumerate() {
            if let Some(slot) = out.get_mut(i + after) {
                *slot += gain * level * s;
            }
        }
    }
    out
}
