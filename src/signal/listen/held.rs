//! How steadily a sung note is held. In: the pitch of every 10 ms from the moment the note was told. Out: cents by which it
//! moved from beginning to end, and by which it wavered about that line.
//!
//! A mean over 180 ms goes before, in which a vibrato of 5.5 Hz completes one turn: what is left of one of 5 to 7 Hz is less
//! than a fifth. Source: running means and a straight line by least squares, standard.

use crate::theory::{Cents, Hz};

/// From one pitch to the next, seconds.
const STEP_S: f64 = 0.01;
/// Steps of the running mean.
const MEAN: usize = 18;
/// Steps that a note must be held to say anything of it, without its end.
const LEAST: usize = 50;
/// Steps of its end that are left out: the voice dies away in them.
const ENDING: usize = 8;
/// Steps without a pitch that do not end a note.
const MISSING: usize = 3;
/// A step of more than this is another note, cents.
const JUMP: f64 = 90.0;
/// Steps after which no more are taken: ten seconds.
const MOST: usize = 1000;

/// How a note was held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// For so long, from when it was told to its end.
    pub seconds: f64,
    /// From its beginning to its end it rose by this.
    pub drift: Cents,
    /// It strayed by this about that line, vibrato left out (root mean square).
    pub waver: Cents,
}

/// Follows one note after the other.
#[derive(Debug, Clone, Default)]
pub struct Holding {
    /// Cents above 1 Hz; none while no note is held.
    run: Option<Vec<f64>>,
    missing: usize,
}

impl Holding {
    /// A note was told: from now on it is followed.
    pub fn begin(&mut self) {
        self.run = Some(Vec::new());
        self.missing = 0;
    }

    /// Whether a note is followed, as far as is known.
    pub fn goes_on(&self) -> bool {
        self.run.is_some()
    }

    /// Takes the pitch of the next 10 ms; gives how the note was held when this ends it and it was long enough.
    pub fn step(&mut self, pitch: Option<Hz>) -> Option<Held> {
        let run = self.run.as_mut()?;
        let cents = pitch.map(|hz| 1200.0 * hz.0.log2());
        let last = run.last().copied();
        match (cents, last) {
            (Some(cents), Some(last)) if (cents - last).abs() > JUMP => return self.end(),
            (Some(cents), _) => {
                self.missing = 0;
                run.push(cents);
            }
            (None, last) => {
                self.missing += 1;
                if self.missing > MISSING {
                    return self.end();
                }
                run.extend(last);
            }
        }
        (run.len() >= MOST).then(|| self.end()).flatten()
    }

    /// The note is over, or is no longer heard alone; gives how it was held if it was long enough.
    pub fn end(&mut self) -> Option<Held> {
        let run = self.run.take()?;
        let steps = run.get(..run.len().checked_sub(ENDING)?)?;
        (steps.len() >= LEAST).then(|| held(steps))
    }
}

fn held(steps: &[f64]) -> Held {
    let smooth: Vec<f64> = steps
        .windows(MEAN)
        .map(|window| window.iter().sum::<f64>() / MEAN as f64)
        .collect();
    let count = smooth.len() as f64;
    let mean = smooth.iter().sum::<f64>() / count;
    let middle = (count - 1.0) / 2.0;
    let (mut cross, mut spread) = (0.0, 0.0);
    for (n, cents) in smooth.iter().enumerate() {
        let x = n as f64 - middle;
        cross += x * (cents - mean);
        spread += x * x;
    }
    let slope = cross / spread;
    let stray: f64 = smooth
        .iter()
        .enumerate()
        .map(|(n, cents)| (cents - mean - slope * (n as f64 - middle)).powi(2))
        .sum();
    Held {
        seconds: steps.len() as f64 * STEP_S,
        drift: Cents(slope * steps.len() as f64),
        waver: Cents((stray / count).sqrt()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A note of `seconds` at A4 that moves as `cents` says of the time, and what is made of it.
    fn sung(seconds: f64, cents: impl Fn(f64) -> f64) -> Option<Held> {
        let mut holding = Holding::default();
        holding.begin();
        for n in 0..(seconds / STEP_S) as usize {
            let hz = 440.0 * (cents(n as f64 * STEP_S) / 1200.0).exp2();
            assert_eq!(holding.step(Some(Hz(hz))), None, "it goes on");
        }
        (0..=MISSING).find_map(|_| holding.step(None))
    }

    #[test]
    fn what_a_note_drifts_is_told_in_cents() {
        for drift in [-60.0, -15.0, 0.0, 30.0] {
            let held = sung(2.0, |t| drift * t).unwrap();
            // Its end is left out of two seconds.
            let expected = drift * held.seconds;
            assert!((held.seconds - 1.95).abs() < 0.04, "{held:?}");
            assert!((held.drift.0 - expected).abs() < 0.01, "{drift}: {held:?}");
            assert!(held.waver.0 < 0.01, "{drift}: {held:?}");
        }
    }

    #[test]
    fn vibrato_is_no_wavering() {
        for hz in [5.0, 5.5, 6.0, 6.5, 7.0] {
            for depth in [20.0, 50.0] {
                let held = sung(1.5, |t| depth * (TAU * hz * t).sin()).unwrap();
                // A sine of that depth strays by 0.71 of it.
                assert!(
                    held.waver.0 < 0.2 * 0.71 * depth,
                    "{hz} Hz, {depth}: {held:?}"
                );
                assert!(
                    held.drift.0.abs() < 0.2 * depth,
                    "{hz} Hz, {depth}: {held:?}"
                );
            }
        }
    }

    #[test]
    fn slow_wavering_is_told_beside_vibrato() {
        let wavering = |t: f64| 25.0 * (TAU * t).sin() + 20.0 * (TAU * 5.5 * t).sin();
        let held = sung(3.0, wavering).unwrap();
        // Of 25 cents at 1 Hz the mean over 180 ms leaves 0.95, and the line takes some of it.
        assert!((14.0..18.0).contains(&held.waver.0), "{held:?}");
    }

    #[test]
    fn a_short_note_says_nothing_and_another_note_ends_it() {
        assert_eq!(sung(0.5, |_| 0.0), None);
        let mut holding = Holding::default();
        assert_eq!(holding.step(Some(Hz(440.0))), None);
        assert!(!holding.goes_on());
        holding.begin();
        for _ in 0..80 {
            assert_eq!(holding.step(Some(Hz(440.0))), None);
        }
        // A moment without a pitch is no end.
        assert_eq!(holding.step(None), None);
        assert!(holding.goes_on());
        let held = holding.step(Some(Hz(494.0))).unwrap();
        assert!(held.drift.0.abs() < 1e-9 && held.waver.0 < 1e-9, "{held:?}");
        assert!(!holding.goes_on());
        // What never ends is told after ten seconds.
        holding.begin();
        let told = (0..2 * MOST).find_map(|n| holding.step(Some(Hz(220.0))).map(|held| (n, held)));
        assert_eq!(told.unwrap().0, MOST - 1);
    }
}
