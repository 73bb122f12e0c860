//! Sung notes: a pitch that holds still long enough. In: a frame of sound every 10 ms. Out: log odds that the stretch of
//! pitch so far is a sung note, and which one. A scoop into the note is let pass; its steady end is judged.

use std::collections::VecDeque;

use super::grid::Grid;
use super::pitch::{Estimate, PitchFinder};

/// Length of a frame: two periods of 60 Hz with room to spare.
pub(super) const FRAME_S: f64 = 0.07;
/// Steps of 10 ms that are remembered.
const REMEMBERED: usize = 60;
/// Frames a stretch needs before anything is said of it.
const LEAST: usize = 14;
/// Frames of its end that must hold still.
const STEADY: usize = 16;
/// A step of more than this is another note, cents.
const JUMP: f64 = 90.0;
/// An octave and no more than this is the same note in another octave, cents.
const SAME_NOTE: f64 = 60.0;
/// Least clarity and contrast of a frame with a pitch.
const CLEAR: f32 = 0.55;
const CONTRAST: f32 = 0.12;
/// Steps over which a slide into the note goes one way; the turns of a vibrato come sooner.
const SLIDE: usize = 12;
/// A slide moves by more than this over them, and over its last three, cents.
const SLIDES: f64 = 12.0;
const SLIDES_STILL: f64 = 3.0;
/// A step back by no more than this is still the same way, cents.
const SAME_WAY: f64 = 1.0;
/// Steps within this many cents of one another, and how many of them are more than any syllable of speech has (33 in five
/// minutes of three synthetic voices): a hum is too soft or too pure for the odds, which were fitted on open vowels.
const LASTING_CENTS: f64 = 60.0;
const LASTING: usize = 38;
/// So clear must it be in the mean: a partial of a low string is not.
const LASTING_CLARITY: f32 = 0.9;
/// A frame less clear than the clearest of so many before it by more than this has something new in it.
const BLUR_STEPS: usize = 3;
const BLUR: f32 = 0.12;
/// Partials whose levels are remembered.
const PARTIALS: usize = 8;
/// A partial so far below the strongest is none, decibels.
const NOTHING: f32 = 45.0;
/// Numbers the odds are made from.
pub(super) const MEASURES: usize = 14;

#[derive(Debug, Clone, Copy)]
struct Step {
    /// Cents above 1 Hz, in the octave of the run's first frame.
    cents: f64,
    /// Octaves above that in which it was heard.
    octave: i32,
    clarity: f32,
    contrast: f32,
    /// Levels of the first partials, decibels.
    levels: [f32; PARTIALS],
}

/// Follows a pitch.
#[derive(Debug)]
pub(super) struct VoiceTracker {
    pub(super) finder: PitchFinder,
    run: VecDeque<Step>,
    /// End of the first frame of the run.
    begun: usize,
    /// Steps of the run, also those forgotten.
    age: usize,
    /// The newest frame's pitch.
    pub(super) newest: Option<Estimate>,
}

/// A stretch of pitch as it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// End of its first frame.
    pub(super) begun: usize,
    /// Pitch of its steady end, hertz.
    pub(super) frequency: f64,
    /// It still slides to its pitch.
    pub(super) sliding: bool,
    /// It has held still for longer than speech does.
    pub(super) lasting: bool,
    /// How deep partials lie below both their neighbours, decibels in all.
    pub(super) holes: f32,
    pub(super) measures: [f32; MEASURES],
}

impl Stretch {
    /// How much its partials change from its first half to its second, decibels in the mean.
    pub(super) fn colour(&self) -> f32 {
        self.measures[8]
    }
}

impl VoiceTracker {
    pub(super) fn new(rate: f64) -> VoiceTracker {
        VoiceTracker {
            finder: PitchFinder::new(rate, FRAME_S),
            run: VecDeque::with_capacity(REMEMBERED),
            begun: 0,
            age: 0,
            newest: None,
        }
    }

    /// Frames of the stretch so far.
    pub(super) fn age(&self) -> usize {
        self.age
    }

    /// Whether the newest frame is so much less clear than those just before that something else has begun in it.
    pub(super) fn blurs(&self) -> bool {
        let mut newest_first = self.run.iter().rev().map(|step| step.clarity);
        let newest = newest_first.next().unwrap_or(0.0);
        newest_first.take(BLUR_STEPS).fold(0.0, f32::max) > newest + BLUR
    }

    /// Forgets the stretch: a note was decided or struck.
    pub(super) fn cut(&mut self) {
        self.run.clear();
        self.age = 0;
    }

    /// Takes the frame that ends at `end`; gives the stretch it belongs to, if that is long enough.
    pub(super) fn push(&mut self, frame: &[f32], end: usize, grid: &Grid) -> Option<Stretch> {
        self.newest = self
            .finder
            .estimate(frame, grid)
            .filter(|e| e.clarity >= CLEAR && e.contrast >= CONTRAST);
        let Some(estimate) = self.newest else {
            self.cut();
            return None;
        };
        let mut cents = 1200.0 * estimate.frequency.log2();
        let mut octave = 0;
        // No voice leaps an octave and back within a few hundredths of a second: the estimate does, where odd partials are weak.
        if let Some(last) = self.run.back() {
            let leap = (cents - last.cents) / 1200.0;
            if leap.abs().round() == 1.0 && (leap.abs() - 1.0).abs() * 1200.0 < SAME_NOTE {
                octave = leap.round() as i32;
                cents -= 1200.0 * f64::from(octave);
            }
        }
        if self
            .run
            .back()
            .is_some_and(|last| (last.cents - cents).abs() > JUMP)
        {
            self.cut();
        }
        if self.run.is_empty() {
            self.begun = end;
        }
        if self.run.len() == REMEMBERED {
            self.run.pop_front();
        }
        let (power, bin) = (&self.finder.power, self.finder.bin);
        let folded = (cents / 1200.0).exp2();
        self.run.push_back(Step {
            cents,
            octave,
            clarity: estimate.clarity,
            contrast: estimate.contrast,
            levels: std::array::from_fn(|n| {
                let at = ((n + 1) as f64 * folded / bin).round() as usize;
                let peak = power.get(at.saturating_sub(1)..at + 2).unwrap_or_default();
                10.0 * peak.iter().copied().fold(1e-10, f32::max).log10()
            }),
        });
        let frequency = folded * f64::from(self.octave()).exp2();
        self.newest = Some(Estimate {
            frequency,
            ..estimate
        });
        self.age += 1;
        (self.age >= LEAST).then(|| self.stretch())
    }

    /// The octave, from that in which the run is kept, that most of its frames were heard in.
    fn octave(&self) -> i32 {
        [-1, 1]
            .into_iter()
            .find(|octave| {
                let there = self.run.iter().filter(|s| s.octave == *octave).count();
                2 * there > self.run.len()
            })
            .unwrap_or(0)
    }

    fn stretch(&self) -> Stretch {
        let run: Vec<&Step> = self.run.iter().collect();
        let end = &run[run.len() - STEADY.min(run.len())..];
        let pitches: Vec<f64> = end.iter().map(|s| s.cents).collect();
        let centre = median(&pitches);
        let half = pitches.len() / 2;
        let (first, second) = (median(&pitches[..half]), median(&pitches[half..]));
        let low = pitches.iter().copied().fold(f64::MAX, f64::min);
        let high = pitches.iter().copied().fold(f64::MIN, f64::max);
        let (slope, rough) = line(&pitches);
        let longer = &run[run.len() - (2 * STEADY).min(run.len())..];
        let (_, rough_longer) = line(&longer.iter().map(|s| s.cents).collect::<Vec<_>>());
        let mean =
            |of: &dyn Fn(&Step) -> f32| end.iter().map(|s| of(s)).sum::<f32>() / end.len() as f32;
        // How much the colour changes: formants move in speech.
        let strongest = end.iter().flat_map(|s| s.levels).fold(-100.0_f32, f32::max);
        let (mut colour, mut counted, mut loudness) = (0.0, 0.0, 0.0);
        for n in 0..PARTIALS {
            let level =
                |part: &[&Step]| part.iter().map(|s| s.levels[n]).sum::<f32>() / part.len() as f32;
            let (a, b) = (level(&end[..half]), level(&end[half..]));
            if a.max(b) > strongest - 40.0 {
                colour += (b - a).abs();
                loudness += b - a;
                counted += 1.0;
            }
        }
        let counted = f32::max(counted, 1.0);
        let octave = self.octave();
        let of_partial = |n: usize| end.iter().map(|s| s.levels[n]).sum::<f32>() / end.len() as f32;
        // An octave above the run's, its partials are every second one of those.
        let partials: Vec<f32> = match octave {
            1 => (1..PARTIALS).step_by(2).map(of_partial).collect(),
            _ => (0..PARTIALS).map(of_partial).collect(),
        };
        let log = |cents: f64, unit: f64| (1.0 + cents.abs() / unit).log2() as f32;
        Stretch {
            begun: self.begun,
            frequency: (centre / 1200.0 + f64::from(octave)).exp2(),
            sliding: sliding(&pitches),
            lasting: mean(&|s| s.clarity) >= LASTING_CLARITY
                && lasting(&run.iter().map(|s| s.cents).collect::<Vec<_>>()),
            holes: holes(&partials),
            measures: [
                (self.age as f32 / 20.0).log2().min(2.0),
                mean(&|s| s.contrast),
                mean(&|s| s.clarity),
                log(first - second, 5.0),
                log(high - low, 10.0),
                log(rough, 2.0),
                log(slope, 5.0),
                log(rough_longer, 3.0),
                (colour / counted).min(12.0),
                (loudness / counted).clamp(-12.0, 12.0),
                end.iter().map(|s| s.clarity).fold(1.0, f32::min),
                ((centre / 1200.0) as f32 - 8.0).clamp(-3.0, 3.0),
                strongest / 10.0,
                (run[0].cents - centre).abs().min(200.0) as f32 / 100.0,
            ],
        }
    }
}

/// How deep partials with these `levels` (decibels) lie below both their neighbours, and the first below the second, in all.
/// What is so weak as to be nothing does not count as deeper than that.
fn holes(levels: &[f32]) -> f32 {
    let floor = levels.iter().copied().fold(f32::MIN, f32::max) - NOTHING;
    let held: Vec<f32> = levels.iter().map(|level| level.max(floor)).collect();
    let first = (held[1] - held[0]).max(0.0);
    let between = held
        .windows(3)
        .map(|near| (near[0].min(near[2]) - near[1]).max(0.0));
    first + between.sum::<f32>()
}

/// Log odds that a stretch is a sung note, from its measures, those of its onset, and how many voiced onsets shortly before
/// were no notes.
pub(super) fn log_odds(measures: &[f32; MEASURES], onset: &[f32; 3], babble: usize) -> f32 {
    measures
        .iter()
        .chain(onset)
        .chain(&[babble as f32, 1.0])
        .zip(&WEIGHTS)
        .map(|(m, w)| m * w)
        .sum()
}

/// Nats per measure, those of the onset (rise in decibels, growth, delay of the pitch), voiced onsets before, and 1. Fitted
/// on sampled choirs, recorded diphones that sing and synthetic singers, dry and in a room, against speech of eleven synthetic
/// voices and of four people, noises, a held note's own swells, and strings that ring, also beside speech; what an onset
/// before weighs was chosen.
#[rustfmt::skip]
const WEIGHTS: [f32; MEASURES + 5] = [
    2.178, -3.858, 10.290, -0.137, 0.042, -1.018, -2.922, -0.071, -0.149, 0.198,
    -2.72, 0.831, -0.302, -1.308, 0.367, -0.689, -0.646, -1.25, -6.121,
];

/// Whether the pitch goes one way at the end of `cents`, as in a scoop that has not come to its note.
fn sliding(cents: &[f64]) -> bool {
    let end = &cents[cents.len().saturating_sub(SLIDE)..];
    let moved = |steps: &[f64]| steps[steps.len() - 1] - steps[0];
    let way = moved(end).signum();
    let one_way = end.windows(2).all(|step| way * moved(step) >= -SAME_WAY);
    let still = &end[end.len().saturating_sub(4)..];
    one_way && way * moved(end) > SLIDES && way * moved(still) > SLIDES_STILL
}

/// Whether the newest of `cents` have been close together for longer than a syllable of speech.
fn lasting(cents: &[f64]) -> bool {
    let Some(end) = cents.last_chunk::<LASTING>() else {
        return false;
    };
    let low = end.iter().copied().fold(f64::MAX, f64::min);
    let high = end.iter().copied().fold(f64::MIN, f64::max);
    high - low <= LASTING_CENTS
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2].midpoint(sorted[(sorted.len() - 1) / 2])
}

/// Slope per step of the straight line through `values`, and how far they stray from it (root mean square).
fn line(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let middle = (n - 1.0) / 2.0;
    let (mut cross, mut spread) = (0.0, 0.0);
    for (i, v) in values.iter().enumerate() {
        let x = i as f64 - middle;
        cross += x * (v - mean);
        spread += x * x;
    }
    let slope = cross / spread.max(1e-9);
    let stray = values
        .iter()
        .enumerate()
        .map(|(i, v)| v - mean - slope * (i as f64 - middle))
        .map(|e| e * e)
        .sum::<f64>();
    (slope, (stray / n).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn a_scoop_slides_and_vibrato_and_a_slow_drift_do_not() {
        let steps =
            |cents: &dyn Fn(f64) -> f64| (0..STEADY).map(|n| cents(n as f64 * 0.01)).collect();
        let sliding = |cents: &dyn Fn(f64) -> f64| -> bool {
            let steps: Vec<f64> = steps(cents);
            super::sliding(&steps)
        };
        assert!(sliding(&|t| 400.0 * t) && sliding(&|t| -150.0 * t));
        assert!(!sliding(&|t| 50.0 * t) && !sliding(&|_| 0.0));
        // It has come to its note.
        assert!(!sliding(&|t| 400.0 * t.min(0.12)));
        for phase in 0..24 {
            let turn = TAU * f64::from(phase) / 24.0;
            assert!(
                !sliding(&|t| 50.0 * (TAU * 5.0 * t + turn).sin()),
                "{phase}"
            );
        }
    }

    #[test]
    fn a_voice_has_no_holes_and_a_period_that_several_strings_share_has() {
        // Vowels fall and have formants; the first partial may be weak behind a small microphone.
        assert_eq!(
            holes(&[-20.0, -26.0, -30.0, -24.0, -33.0, -40.0, -44.0, -50.0]),
            4.0
        );
        assert!(!crate::signal::listen::rules::is_hollow(holes(&[
            -35.0, -20.0, -24.0, -36.0, -30.0, -41.0, -52.0, -47.0
        ])));
        // C4, E4 and G4 repeat at C2, of which they are partials 4, 5 and 6; the rest is noise.
        let chord = [-70.0, -70.0, -70.0, -20.0, -22.0, -21.0, -68.0, -28.0];
        assert_eq!(holes(&chord), 38.0);
        // F4 and A4 repeat at F2: partials 4 and 5 and their octaves.
        assert!(holes(&[-60.0, -30.0, -60.0, -20.0, -22.0, -60.0, -60.0, -28.0]) > 35.0);
    }
}
