//! Every partial of one voice in one node of the graph.
//! In: nothing. Out: one channel. A node per partial would cost a virtual call and a buffer each; here a block of 64
//! samples of one partial is eight steps of eight rotating vectors.
//!
//! Each partial's state is kept in `f64` and advanced by whole blocks; only inside a block does it turn in `f32`. So
//! rounding does not add up over a long note, and the frequency is that of the `f64` angle.

use fundsp::audionode::AudioNode;
use fundsp::buffer::{BufferMut, BufferRef};
use fundsp::typenum::{U0, U1};
use fundsp::{Frame, MAX_BUFFER_SIZE};

use super::rate::SampleRate;
use super::timbre::{PARTIALS, partial, register_gain};
use crate::score::Tone;
use crate::theory::Hz;

/// Samples turned side by side.
const LANES: usize = 8;

/// Oscillators a partial needs at most: the prompt sound, and three strings that ring on.
const PER_PARTIAL: usize = 4;

/// A partial is dropped when it has fallen to this amplitude (−110 dB): below a 16-bit recording's last bit.
const INAUDIBLE: f64 = 3.0e-6;

/// Root mean square of a voice played as hard as can be: alone it stays under the limiter's ceiling.
const LOUDEST_RMS: f64 = 0.16;

#[derive(Debug, Clone, Copy)]
struct Oscillator {
    re: f64,
    im: f64,
    /// Turn and decay over a block of [`MAX_BUFFER_SIZE`].
    block_re: f64,
    block_im: f64,
    /// Turn and decay over 0..LANES samples.
    lane_re: [f32; LANES],
    lane_im: [f32; LANES],
    /// Turn and decay over LANES samples.
    step_re: f32,
    step_im: f32,
}

impl Oscillator {
    fn new(amplitude: f64, phase: f64, frequency: f64, decay: f64, rate: f64) -> Oscillator {
        let angle = std::f64::consts::TAU * frequency / rate;
        let after = |samples: f64| {
            let size = (-decay * samples / rate).exp();
            let (sin, cos) = (angle * samples).sin_cos();
            (size * cos, size * sin)
        };
        let mut lane_re = [0.0; LANES];
        let mut lane_im = [0.0; LANES];
        for k in 0..LANES {
            let (re, im) = after(k as f64);
            lane_re[k] = re as f32;
            lane_im[k] = im as f32;
        }
        let (step_re, step_im) = after(LANES as f64);
        let (block_re, block_im) = after(MAX_BUFFER_SIZE as f64);
        let (sin, cos) = phase.sin_cos();
        Oscillator {
            re: amplitude * cos,
            im: amplitude * sin,
            block_re,
            block_im,
            lane_re,
            lane_im,
            step_re: step_re as f32,
            step_im: step_im as f32,
        }
    }

    /// Adds a block to `out` and moves on by it.
    fn add_block(&mut self, out: &mut [f32]) {
        let (start_re, start_im) = (self.re as f32, self.im as f32);
        let mut re = [0.0_f32; LANES];
        let mut im = [0.0_f32; LANES];
        for k in 0..LANES {
            re[k] = start_re * self.lane_re[k] - start_im * self.lane_im[k];
            im[k] = start_re * self.lane_im[k] + start_im * self.lane_re[k];
        }
        for eight in out.chunks_exact_mut(LANES) {
            for k in 0..LANES {
                eight[k] += im[k];
                let turned = re[k] * self.step_re - im[k] * self.step_im;
                im[k] = re[k] * self.step_im + im[k] * self.step_re;
                re[k] = turned;
            }
        }
        let re = self.re * self.block_re - self.im * self.block_im;
        self.im = self.re * self.block_im + self.im * self.block_re;
        self.re = re;
    }

    fn is_inaudible(&self) -> bool {
        self.re * self.re + self.im * self.im < INAUDIBLE * INAUDIBLE
    }
}

/// The partials of one voice.
#[derive(Clone)]
pub(super) struct PartialBank {
    rate: f64,
    oscillators: Vec<Oscillator>,
    /// For `tick`: the block being handed out sample by sample.
    pending: [f32; MAX_BUFFER_SIZE],
    taken: usize,
}

impl PartialBank {
    /// A silent bank with room for every tone; the only allocation.
    pub(super) fn new(rate: SampleRate) -> PartialBank {
        PartialBank {
            rate: f64::from(rate.per_second()),
            oscillators: Vec::with_capacity(PARTIALS as usize * PER_PARTIAL),
            pending: [0.0; MAX_BUFFER_SIZE],
            taken: MAX_BUFFER_SIZE,
        }
    }

    /// Begins a note. `velocity` is 0..=1. Allocates nothing.
    pub(super) fn start(&mut self, tone: Tone, first: Hz, velocity: f64) {
        self.oscillators.clear();
        self.taken = MAX_BUFFER_SIZE;
        if !(first.0.is_finite() && first.0 > 0.0) {
            return;
        }
        let rate = self.rate;
        let partials =
            || (1..=PARTIALS).map_while(|n| Some((n, partial(tone, first, velocity, n, rate)?)));
        let power: f64 = partials().map(|(_, p)| p.amplitude.powi(2) / 2.0).sum();
        // Loudness follows the square of the velocity: 40 dB from 0.1 to 1.
        let gain = LOUDEST_RMS * velocity * velocity * register_gain(tone, first)
            / power.sqrt().max(f64::MIN_POSITIVE);
        for (n, p) in partials() {
            let amplitude = gain * p.amplitude;
            // Phases that grow with the square of the number spread the partials' peaks over the period.
            let phase = std::f64::consts::PI * f64::from(n) * f64::from(n - 1) / 24.0;
            let mut add = |share: f64, spread: f64, decay: f64| {
                if share > 0.0 {
                    let frequency = p.frequency * (1.0 + spread);
                    let amplitude = amplitude * share;
                    self.oscillators
                        .push(Oscillator::new(amplitude, phase, frequency, decay, rate));
                }
            };
            add(1.0 - p.after_share, 0.0, p.prompt_decay);
            if p.spread > 0.0 {
                // Outer strings alike and together weaker than the middle one: their sum keeps the middle's
                // frequency and never falls to nothing, so the pitch is the mean first partial at every moment.
                add(p.after_share * 0.6, 0.0, p.after_decay);
                add(p.after_share * 0.2, p.spread, p.after_decay);
                add(p.after_share * 0.2, -p.spread, p.after_decay);
            } else {
                add(p.after_share, 0.0, p.after_decay);
            }
        }
    }

    /// Nothing is left to hear.
    pub(super) fn is_silent(&self) -> bool {
        self.oscillators.is_empty()
    }

    fn fill(&mut self, out: &mut [f32]) {
        out.fill(0.0);
        for oscillator in &mut self.oscillators {
            oscillator.add_block(out);
        }
        self.oscillators.retain(|one| !one.is_inaudible());
    }
}

impl AudioNode for PartialBank {
    const ID: u64 = 0x5741_5645;
    type Inputs = U0;
    type Outputs = U1;

    fn reset(&mut self) {
        self.oscillators.clear();
        self.taken = MAX_BUFFER_SIZE;
    }

    fn tick(&mut self, _: &Frame<f32, U0>) -> Frame<f32, U1> {
        if self.taken == MAX_BUFFER_SIZE {
            let mut block = [0.0; MAX_BUFFER_SIZE];
            self.fill(&mut block);
            self.pending = block;
            self.taken = 0;
        }
        self.taken += 1;
        [self.pending[self.taken - 1]].into()
    }

    fn process(&mut self, size: usize, _: &BufferRef, output: &mut BufferMut) {
        let out = output.channel_f32_mut(0);
        if size == MAX_BUFFER_SIZE && self.taken == MAX_BUFFER_SIZE {
            self.fill(out);
        } else {
            for sample in &mut out[..size] {
                *sample = self.tick(&Frame::default())[0];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fundsp::buffer::BufferArray;

    #[test]
    fn a_block_is_what_single_samples_are() {
        let mut by_block = PartialBank::new(SampleRate::STUDIO);
        by_block.start(Tone::Strings, Hz(110.0), 0.8);
        let mut by_sample = by_block.clone();
        let mut buffer = BufferArray::<U1>::new();
        for size in [64, 64, 17, 64, 1, 46, 64] {
            by_block.process(size, &BufferRef::empty(), &mut buffer.buffer_mut());
            for i in 0..size {
                let sample = by_sample.tick(&Frame::default())[0];
                assert_eq!(buffer.at_f32(0, i).to_bits(), sample.to_bits());
            }
        }
    }

    #[test]
    fn nonsense_frequencies_are_silent() {
        for first in [0.0, -1.0, f64::NAN, f64::INFINITY, 30_000.0] {
            let mut bank = PartialBank::new(SampleRate::STUDIO);
            bank.start(Tone::Strings, Hz(first), 1.0);
            assert!(bank.is_silent(), "{first}");
        }
    }
}
