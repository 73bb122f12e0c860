//! Every partial of one voice in one node of the graph.
//! In: nothing. Out: one channel. A node per partial would cost a virtual call and a buffer each; here a block of 64
//! samples of one partial is eight steps of eight numbers turned side by side.
//!
//! Each partial's phase is kept in `f64` and advanced by whole blocks; only inside a block does it turn in `f32`. So
//! rounding does not add up over a long note, and the frequency is that of the `f64` angle. Its envelope is a real
//! factor, known at the blocks' ends and a parabola between them: it moves no partial off its frequency.

use std::f64::consts::{PI, TAU};

use fundsp::audionode::AudioNode;
use fundsp::buffer::{BufferMut, BufferRef};
use fundsp::typenum::{U0, U1};
use fundsp::{F32x, Frame, MAX_BUFFER_SIZE};

use super::rate::SampleRate;
use super::timbre::{PARTIALS, Partial, partial, register_gain};
use crate::score::Tone;
use crate::theory::Hz;

/// Samples turned side by side, and such steps in a block.
const LANES: usize = 8;
const STEPS: usize = MAX_BUFFER_SIZE / LANES;

/// A partial is dropped when it has fallen to this amplitude (−110 dB): below a 16-bit recording's last bit.
const INAUDIBLE: f64 = 3.0e-6;

/// Root mean square of a voice played as hard as can be: alone it stays under the limiter's ceiling.
const LOUDEST_RMS: f64 = 0.16;

/// Share of the aftersound that the outer strings have together. Being alike on both sides and weaker than the
/// middle one, they keep its frequency and never cancel it: the pitch is the mean first partial at every moment.
const OUTER_STRINGS: f64 = 0.4;

/// A complex number, for turning.
#[derive(Debug, Clone, Copy)]
struct Turn {
    re: f64,
    im: f64,
}

impl Turn {
    fn by(angle: f64) -> Turn {
        let (im, re) = angle.sin_cos();
        Turn { re, im }
    }

    fn times(self, other: Turn) -> Turn {
        Turn {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }
}

/// One partial as it sounds.
#[derive(Clone)]
struct Oscillator {
    now: Turn,
    block: Turn,
    /// Turn over 0..LANES samples.
    lane_re: F32x,
    lane_im: F32x,
    /// Turn over LANES samples.
    step_re: f32,
    step_im: f32,
    prompt: f64,
    prompt_block: f64,
    /// Nepers it loses in a block.
    prompt_loss: f64,
    after: f64,
    after_block: f64,
    after_loss: f64,
    /// Where the outer strings stand against the middle one.
    beat: Turn,
    beat_block: Turn,
    /// The angle of `beat_block`.
    beat_angle: f64,
}

impl Oscillator {
    fn new(partial: Partial, amplitude: f64, phase: f64, rate: f64) -> Oscillator {
        let angle = TAU * partial.frequency / rate;
        let one = Turn::by(angle);
        let mut lanes = [Turn { re: 1.0, im: 0.0 }; LANES + 1];
        for k in 0..LANES {
            lanes[k + 1] = lanes[k].times(one);
        }
        let block_s = MAX_BUFFER_SIZE as f64 / rate;
        Oscillator {
            now: Turn::by(phase),
            block: Turn::by(angle * MAX_BUFFER_SIZE as f64),
            lane_re: F32x::new(std::array::from_fn(|k| lanes[k].re as f32)),
            lane_im: F32x::new(std::array::from_fn(|k| lanes[k].im as f32)),
            step_re: lanes[LANES].re as f32,
            step_im: lanes[LANES].im as f32,
            prompt: amplitude * (1.0 - partial.after_share),
            prompt_block: (-partial.prompt_decay * block_s).exp(),
            prompt_loss: partial.prompt_decay * block_s,
            after: amplitude * partial.after_share,
            after_block: (-partial.after_decay * block_s).exp(),
            after_loss: partial.after_decay * block_s,
            beat: Turn::by(0.0),
            beat_block: Turn::by(TAU * partial.spread * partial.frequency * block_s),
            beat_angle: TAU * partial.spread * partial.frequency * block_s,
        }
    }

    /// Two outer strings of half the share each, at ± the spread, are the middle one times the beat's cosine.
    fn envelope(&self) -> f64 {
        self.prompt + self.after * (1.0 - OUTER_STRINGS + OUTER_STRINGS * self.beat.re)
    }

    /// How fast the envelope changes now, a block.
    fn envelope_slope(&self) -> f64 {
        let strings = 1.0 - OUTER_STRINGS + OUTER_STRINGS * self.beat.re;
        -self.prompt_loss * self.prompt
            - self.after
                * (self.after_loss * strings + OUTER_STRINGS * self.beat_angle * self.beat.im)
    }

    /// Adds a block to `out` and moves on by it.
    fn add_block(&mut self, out: &mut [F32x; STEPS]) {
        // A parabola with the envelope's value and slope at the block's start and its value at the end. A straight line
        // would bend at every block, and at 300 dB a second those bends are lines 78 dB under the partial.
        let before = self.envelope();
        let slope = self.envelope_slope();
        self.prompt *= self.prompt_block;
        self.after *= self.after_block;
        self.beat = self.beat.times(self.beat_block);
        let bend = self.envelope() - before - slope;
        let gain_at = |k: usize| {
            let x = k as f64 / MAX_BUFFER_SIZE as f64;
            before + x * (slope + x * bend)
        };
        let mut gain = F32x::new(std::array::from_fn(|k| gain_at(k) as f32));
        let mut rise = F32x::new(std::array::from_fn(|k| {
            (gain_at(k + LANES) - gain_at(k)) as f32
        }));
        let rise_more = F32x::splat((2.0 * bend / (STEPS * STEPS) as f64) as f32);

        let (now_re, now_im) = (
            F32x::splat(self.now.re as f32),
            F32x::splat(self.now.im as f32),
        );
        let (step_re, step_im) = (F32x::splat(self.step_re), F32x::splat(self.step_im));
        let mut re = now_re * self.lane_re - now_im * self.lane_im;
        let mut im = now_re * self.lane_im + now_im * self.lane_re;
        for eight in out {
            *eight += gain * im;
            gain += rise;
            rise += rise_more;
            (re, im) = (re * step_re - im * step_im, re * step_im + im * step_re);
        }
        self.now = self.now.times(self.block);
    }

    fn is_inaudible(&self) -> bool {
        self.prompt + self.after < INAUDIBLE
    }
}

/// The partials of one voice.
#[derive(Clone)]
pub(super) struct PartialBank {
    rate: f64,
    oscillators: Vec<Oscillator>,
    /// The block that is being handed out sample by sample.
    block: [F32x; STEPS],
    taken: usize,
}

impl PartialBank {
    /// A silent bank with room for every tone; the only allocation.
    pub(super) fn new(rate: SampleRate) -> PartialBank {
        PartialBank {
            rate: f64::from(rate.per_second()),
            oscillators: Vec::with_capacity(PARTIALS as usize),
            block: [F32x::splat(0.0); STEPS],
            taken: MAX_BUFFER_SIZE,
        }
    }

    /// Begins a note, on a string of inharmonicity `b` if that is not the tone's own. `velocity` is 0..=1. Allocates
    /// nothing.
    pub(super) fn start(&mut self, tone: Tone, first: Hz, b: Option<f64>, velocity: f64) {
        self.reset();
        if !(first.0.is_finite() && first.0 > 0.0) {
            return;
        }
        let mut power = 0.0;
        for n in 1..=PARTIALS {
            let Some(partial) = partial(tone, first, b, velocity, n, self.rate) else {
                break;
            };
            power += partial.amplitude.powi(2) / 2.0;
            // Phases that grow with the square of the number spread the partials' peaks over the period.
            let phase = PI * f64::from(n) * f64::from(n - 1) / 24.0;
            self.oscillators.push(Oscillator::new(
                partial,
                partial.amplitude,
                phase,
                self.rate,
            ));
        }
        // Loudness follows the square of the velocity: 40 dB from 0.1 to 1.
        let gain = LOUDEST_RMS * velocity * velocity * register_gain(tone, first)
            / power.sqrt().max(f64::MIN_POSITIVE);
        for oscillator in &mut self.oscillators {
            oscillator.prompt *= gain;
            oscillator.after *= gain;
        }
        self.oscillators.retain(|one| !one.is_inaudible());
    }

    /// Nothing is left to hear.
    pub(super) fn is_silent(&self) -> bool {
        self.oscillators.is_empty()
    }

    fn fill(&mut self) {
        self.block = [F32x::splat(0.0); STEPS];
        for oscillator in &mut self.oscillators {
            oscillator.add_block(&mut self.block);
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
            self.fill();
            self.taken = 0;
        }
        let sample = self.block[self.taken / LANES].as_array()[self.taken % LANES];
        self.taken += 1;
        [sample].into()
    }

    fn process(&mut self, size: usize, _: &BufferRef, output: &mut BufferMut) {
        if size == MAX_BUFFER_SIZE && self.taken == MAX_BUFFER_SIZE {
            self.fill();
            output.channel_mut(0).copy_from_slice(&self.block);
        } else {
            for sample in &mut output.channel_f32_mut(0)[..size] {
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
        by_block.start(Tone::Strings, Hz(110.0), None, 0.8);
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
    fn an_hour_of_blocks_does_not_move_the_phase() {
        // The closed form sin(2π f t) in f64 is the reference.
        let rate = 48_000.0;
        let frequency = 27.5;
        let partial = Partial {
            frequency,
            amplitude: 1.0,
            prompt_decay: 0.0,
            after_decay: 0.0,
            after_share: 0.0,
            spread: 0.0,
        };
        let mut oscillator = Oscillator::new(partial, 1.0, 0.0, rate);
        let mut out = [F32x::splat(0.0); STEPS];
        let blocks = 3600 * 48_000 / 64;
        for _ in 0..blocks {
            oscillator.now = oscillator.now.times(oscillator.block);
        }
        oscillator.add_block(&mut out);
        for k in 0..MAX_BUFFER_SIZE {
            let periods = (f64::from(blocks * 64 + k as i32) * frequency / rate).fract();
            let sample = f64::from(out[k / LANES].as_array()[k % LANES]);
            assert!((sample - (TAU * periods).sin()).abs() < 2e-6, "sample {k}");
        }
    }

    #[test]
    fn nonsense_frequencies_are_silent() {
        for first in [0.0, -1.0, f64::NAN, f64::INFINITY, 30_000.0] {
            let mut bank = PartialBank::new(SampleRate::STUDIO);
            bank.start(Tone::Strings, Hz(first), None, 1.0);
            assert!(bank.is_silent(), "{first}");
        }
    }
}
