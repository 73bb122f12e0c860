//! The dull knock of hammer, key and soundboard when a string is struck.
//! In: nothing. Out: one channel: noise through a band-pass, dying away within a tenth of a second.

use fundsp::audionode::AudioNode;
use fundsp::buffer::{BufferMut, BufferRef};
use fundsp::noise::Noise;
use fundsp::svf::{BandpassMode, FixedSvf, LowpassMode, SvfParams};
use fundsp::typenum::{U0, U1};
use fundsp::{Frame, MAX_BUFFER_SIZE};

use super::rate::SampleRate;
use crate::theory::Hz;

/// Time in which the knock falls to 1/e.
const DECAY_S: f64 = 0.018;

/// Level of the knock at the hardest stroke, about 25 dB below the strings.
const LOUDEST: f64 = 0.02;

/// Below this it is over.
const INAUDIBLE: f32 = 3.0e-6;

#[derive(Clone)]
pub(super) struct Knock {
    noise: Noise,
    band: FixedSvf<f32, BandpassMode<f32>>,
    /// Takes what the band leaves far above it: 12 dB an octave more.
    dull: FixedSvf<f32, LowpassMode<f32>>,
    level: f32,
    decay: f32,
}

impl Knock {
    pub(super) fn new(rate: SampleRate) -> Knock {
        let rate = f64::from(rate.per_second());
        let params = SvfParams {
            sample_rate: rate as f32,
            cutoff: 400.0,
            q: 0.8,
            gain: 1.0,
        };
        Knock {
            noise: Noise::new(),
            dull: FixedSvf::new(LowpassMode::new(), &params),
            band: FixedSvf::new(BandpassMode::new(), &params),
            level: 0.0,
            decay: (-1.0 / (DECAY_S * rate)).exp() as f32,
        }
    }

    /// Begins a knock for the string of `first`; the same string always knocks alike. Allocates nothing.
    pub(super) fn start(&mut self, first: Hz, velocity: f64) {
        self.noise.set_hash(first.0.to_bits());
        self.band.reset();
        let centre = (180.0 + 0.9 * first.0).clamp(200.0, 2_500.0) as f32;
        self.band.set_cutoff(centre);
        self.dull.reset();
        self.dull.set_cutoff(1.5 * centre);
        self.level = (LOUDEST * velocity * velocity * velocity) as f32;
    }
}

impl AudioNode for Knock {
    const ID: u64 = 0x574B_4E4B;
    type Inputs = U0;
    type Outputs = U1;

    fn reset(&mut self) {
        self.level = 0.0;
    }

    fn tick(&mut self, _: &Frame<f32, U0>) -> Frame<f32, U1> {
        if self.level < INAUDIBLE {
            return [0.0].into();
        }
        let noise = self.noise.tick(&Frame::default());
        let shaped = self.dull.tick(&self.band.tick(&noise))[0] * self.level;
        self.level *= self.decay;
        [shaped].into()
    }

    fn process(&mut self, size: usize, _: &BufferRef, output: &mut BufferMut) {
        debug_assert!(size <= MAX_BUFFER_SIZE);
        for sample in &mut output.channel_f32_mut(0)[..size] {
            *sample = self.tick(&Frame::default())[0];
        }
    }
}
