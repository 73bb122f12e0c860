//! The power that is new since an onset, in one window of the sound after it.
//! In: the sound before and after the onset, and what was ringing as it would have gone on. Out: power per bin, and its
//! relief for the combs.

use realfft::num_complex::Complex;

use super::super::spectrum::{Spectrum, hann, tukey};
use super::comb::Relief;

/// Shape of a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    /// Nearly rectangular: the narrowest lines, for keys a few hertz apart.
    Flat,
    /// Hann: the lowest side lobes, for weak lines beside strong ones.
    Round,
}

/// Sound around an onset.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scene<'a> {
    /// As much sound up to the onset as `after` holds.
    pub(super) before: &'a [f32],
    /// From the onset on.
    pub(super) after: &'a [f32],
    /// What rang at the onset, continued under `after`; empty if nothing did.
    pub(super) ring: &'a [f32],
}

impl<'a> Scene<'a> {
    /// The part of the scene from share `from` to share `to` (0..=1) of the sound after the onset.
    pub(super) fn part(&self, from: f64, to: f64) -> Scene<'a> {
        let length = self.after.len() as f64;
        let range = (from * length) as usize..(to * length) as usize;
        Scene {
            before: &self.before[self.before.len() - range.len()..],
            after: &self.after[range.clone()],
            ring: self.ring.get(range).unwrap_or_default(),
        }
    }
}

/// What one window shows.
#[derive(Debug)]
pub(super) struct Slot {
    /// Power as heard.
    pub(super) heard: Vec<f32>,
    /// Power as heard, what rang taken off.
    pub(super) power: Vec<f32>,
    /// Power before the onset.
    pub(super) before: Vec<f32>,
    /// Power before the onset, as far as it is still taken off.
    pub(super) floor: Vec<f32>,
    /// Power above the floor.
    pub(super) fresh: Vec<f32>,
    pub(super) relief: Relief,
    /// Hertz per bin.
    pub(super) bin: f64,
    /// Length of the sound, seconds.
    pub(super) seconds: f64,
}

impl Slot {
    /// Greatest of `power` within a bin of `frequency`.
    pub(super) fn peak(power: &[f32], bin: f64, frequency: f64) -> f32 {
        let at = (frequency / bin).round() as usize;
        let low = at.saturating_sub(1).min(power.len());
        let high = (at + 2).min(power.len());
        power[low..high].iter().copied().fold(0.0, f32::max)
    }
}

/// Makes slots.
#[derive(Debug)]
pub(super) struct Analyser {
    /// Short and long transforms.
    spectra: [Spectrum; 2],
    windows: Vec<(Shape, Vec<f32>)>,
    heard: Vec<Complex<f32>>,
    /// For each of the spectra, by bin: what lies around it.
    around: [Vec<Around>; 2],
    sums: Vec<f64>,
    logs: Vec<f64>,
    octaves: Vec<f32>,
    rate: f64,
}

/// Bins around one: those its mean is taken of, and those its typical value is.
#[derive(Debug, Clone)]
struct Around {
    mean: Span,
    typical: Span,
}

/// Bins from one to before another, in as little memory as does, and one by their number.
#[derive(Debug, Clone)]
struct Span {
    from: u16,
    to: u16,
    share: f32,
}

impl Span {
    /// Mean over it, where `sums` has the sum of all before each bin.
    fn mean(&self, sums: &[f64]) -> f32 {
        (sums[usize::from(self.to)] - sums[usize::from(self.from)]) as f32 * self.share
    }
}

impl Around {
    /// Of bin `at` of `bins`, each `bin` hertz wide.
    fn new(at: usize, bins: usize, bin: f64) -> Around {
        let frequency = at as f64 * bin;
        let within = |reach: f64| {
            let reach = (reach / bin) as usize + 1;
            let (from, to) = (at.saturating_sub(reach), (at + reach + 1).min(bins));
            Span {
                from: from as u16,
                to: to as u16,
                share: 1.0 / (to - from) as f32,
            }
        };
        Around {
            mean: within((0.05 * frequency).max(40.0)),
            typical: within((0.12 * frequency).max(80.0)),
        }
    }
}

impl Analyser {
    /// For `rate` samples a second and windows of up to a quarter second.
    pub(super) fn new(rate: f64) -> Analyser {
        // Bins of 2.7 to 4 Hz, for windows below 0.1 s twice that: a line is 8 Hz wide or more.
        let size = ((rate / 4.1) as usize).next_power_of_two();
        let long = Spectrum::new(size);
        let bins = long.bins();
        let spectra = [Spectrum::new(size / 2), long];
        let around = [&spectra[0], &spectra[1]].map(|s| {
            let bin = rate / s.size() as f64;
            (0..s.bins())
                .map(|at| Around::new(at, s.bins(), bin))
                .collect()
        });
        Analyser {
            spectra,
            around,
            windows: Vec::new(),
            heard: Vec::with_capacity(bins),
            sums: vec![0.0; bins + 1],
            logs: vec![0.0; bins + 1],
            octaves: vec![0.0; bins],
            rate,
        }
    }

    /// An empty slot.
    pub(super) fn slot(&self) -> Slot {
        Slot {
            heard: Vec::new(),
            power: Vec::new(),
            before: Vec::new(),
            floor: Vec::new(),
            fresh: Vec::new(),
            relief: Relief::default(),
            bin: 1.0,
            seconds: 0.0,
        }
    }

    /// Fills `slot` from `scene`. False if nothing is new.
    pub(super) fn fill(&mut self, slot: &mut Slot, shape: Shape, scene: &Scene<'_>) -> bool {
        let length = scene.after.len();
        if length == 0 {
            return false;
        }
        let which = usize::from(2 * length > self.spectra[0].size());
        let spectrum = &mut self.spectra[which];
        let known = |w: &&(Shape, Vec<f32>)| w.0 == shape && w.1.len() == length;
        if !self.windows.iter().any(|w| known(&w)) {
            self.windows.push((
                shape,
                match shape {
                    Shape::Flat => tukey(length, 0.25),
                    Shape::Round => hann(length),
                },
            ));
        }
        let Some((_, window)) = self.windows.iter().find(known) else {
            return false;
        };
        let bins = spectrum.bins();
        slot.bin = self.rate / spectrum.size() as f64;
        slot.seconds = length as f64 / self.rate;
        for field in [
            &mut slot.heard,
            &mut slot.power,
            &mut slot.before,
            &mut slot.floor,
            &mut slot.fresh,
        ] {
            field.resize(bins, 0.0);
        }
        spectrum.power(scene.before, window, &mut slot.before);
        slot.floor.copy_from_slice(&slot.before);
        self.heard.clear();
        self.heard
            .extend_from_slice(spectrum.transform(scene.after, window));
        for (power, heard) in slot.heard.iter_mut().zip(&self.heard) {
            *power = heard.norm_sqr();
        }
        slot.power.copy_from_slice(&slot.heard);
        if !scene.ring.is_empty() {
            let rung = spectrum.transform(scene.ring, window);
            // The lesser of the two: a note damped at the onset cannot come back as a ghost.
            for ((power, heard), rung) in slot.power.iter_mut().zip(&self.heard).zip(rung) {
                *power = power.min((heard - rung).norm_sqr());
            }
            let seconds = length as f64 / self.rate;
            // A longer window trusts the prediction less.
            self.even_floor(slot, which, (0.03 + 1.1 * seconds) as f32);
        }
        for ((fresh, power), floor) in slot.fresh.iter_mut().zip(&slot.power).zip(&slot.floor) {
            *fresh = (power - floor).max(0.0);
        }
        slot.relief
            .set(&slot.fresh, slot.bin, length as f64 / self.rate)
    }

    /// Where ringing lines are predicted, only `share` of them stays in the floor; the noise between them stays whole:
    /// the lesser of its mean and twice its typical value around.
    fn even_floor(&mut self, slot: &mut Slot, which: usize, share: f32) {
        let floor = &mut slot.floor;
        for (octave, power) in self.octaves.iter_mut().zip(floor.iter()) {
            *octave = quick_log2(power.max(1e-20));
        }
        let (mut sum, mut log) = (0.0, 0.0);
        let sums = self.sums[1..].iter_mut().zip(&mut self.logs[1..]);
        for ((power, octave), (sums, logs)) in floor.iter().zip(&self.octaves).zip(sums) {
            sum += f64::from(*power);
            log += f64::from(*octave);
            (*sums, *logs) = (sum, log);
        }
        for (value, around) in floor.iter_mut().zip(&self.around[which]) {
            // The mean of the logarithm of noise power lies 0.83 octaves below the logarithm of its mean (Euler's constant).
            let twice_typical = quick_exp2(around.typical.mean(&self.logs) + 1.833);
            let least = share * *value;
            *value = around.mean.mean(&self.sums).min(twice_typical).max(least);
        }
    }
}

/// Logarithm to base 2 of a positive number, within 0.01.
fn quick_log2(value: f32) -> f32 {
    let bits = value.to_bits();
    let exponent = (bits >> 23) as f32 - 127.0;
    let mantissa = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
    exponent + (-0.344_845 * mantissa + 2.024_658) * mantissa - 1.674_873
}

/// 2 to the power of a number from −120 to 120, within 0.3 %.
fn quick_exp2(value: f32) -> f32 {
    // Moved up, so that cutting off is rounding down.
    let moved = value + 127.0;
    let whole = moved as u32;
    let part = moved - whole as f32;
    let scale = f32::from_bits(whole << 23);
    scale * (1.001_724 + part * (0.657_636 + part * 0.337_189))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quick_power_is_close() {
        for step in -1_200..1_200 {
            let value = step as f32 / 10.0;
            assert!(
                (quick_exp2(value) / value.exp2() - 1.0).abs() < 0.003,
                "{value}"
            );
        }
    }

    #[test]
    fn the_quick_logarithm_is_close() {
        for value in [1e-20_f32, 3.3e-9, 0.01, 0.999, 1.0, 1.5, 3.0, 1e6] {
            assert!((quick_log2(value) - value.log2()).abs() < 0.01, "{value}");
        }
    }

    #[test]
    fn a_ringing_tone_is_taken_off_and_a_new_one_stays() {
        let rate = 22_050.0;
        let tone = |f: f64, i: usize| (std::f64::consts::TAU * f * i as f64 / rate).sin() as f32;
        let old: Vec<f32> = (0..4_000).map(|i| 0.1 * tone(440.0, i)).collect();
        let after: Vec<f32> = (2_000..4_000)
            .map(|i| 0.1 * tone(440.0, i) + 0.1 * tone(660.0, i))
            .collect();
        let mut analyser = Analyser::new(rate);
        let mut slot = analyser.slot();
        for ring in [&old[2_000..], &[]] {
            let scene = Scene {
                before: &old[..2_000],
                after: &after,
                ring,
            };
            assert!(analyser.fill(&mut slot, Shape::Round, &scene));
            let level = |f| Slot::peak(&slot.fresh, slot.bin, f);
            assert!(level(660.0) > 0.009);
            assert!(level(440.0) < 0.0002, "{}", level(440.0));
        }
    }
}
