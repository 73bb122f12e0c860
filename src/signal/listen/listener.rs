//! From a stream of sound to notes: waits for an onset, lets a window grow from it, decides once.
//! In: samples of one channel in pieces of any size. Out: [`NoteEvent`]s, each as early as it is sure enough.

use std::collections::VecDeque;

use super::decide::{Decider, Verdict};
use super::evidence::{MEASURES, PERIODICITY, Parts};
use super::grid::{self, Grid};
use super::note::Observation;
use super::onset::{Onset, OnsetDetector};
use super::ring::RingPredictor;
use super::thin::Thinner;
use super::tuning::Offsets;
use super::window::Scene;
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Seconds after the onset at which a decision is tried.
const LOOKS: [f64; 10] = [
    0.045, 0.055, 0.065, 0.08, 0.1, 0.125, 0.15, 0.185, 0.22, 0.25,
];
/// Log odds that are enough up to 0.12 s, and after: 85 and 75 in a hundred.
const EARLY_ODDS: f32 = 1.73;
const LATE_ODDS: f32 = 1.1;
/// Log odds that are enough (97 in a hundred) while somebody talks: after this many voiced onsets that were no notes …
const BABBLE: usize = 2;
const BABBLE_ODDS: f32 = 3.48;
/// … within this time.
const BABBLE_S: f64 = 2.0;
/// Log odds from which a decision teaches how the piano is tuned.
const LEARN_ODDS: f32 = 3.0;
/// Keys below C3 need 80 ms: before, the partials of neighbours are one.
const BASS: usize = 48 - 21;
/// Keys from D#6 up may be decided at the end, by a smaller margin.
const TREBLE: usize = 87 - 21;
const FAINT_MARGIN: f32 = 0.75;
const FAINT_ODDS: f32 = 0.4;
/// Autocorrelation at the period from which a sound counts as voiced.
const VOICED: f32 = 0.5;
/// Sound kept: the longest window, as much before it, and the detector's delay.
const KEPT_S: f64 = 1.0;
/// Sound before an onset from which the ringing is predicted.
const RING_S: f64 = 0.25;
/// The attack is kept out of that sound: it ends this long before the onset …
const RING_GAP_S: f64 = 0.001;
/// … and begins this long after the onset before.
const RING_SKIP_S: f64 = 0.01;

/// Why a listener could not be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ListenError {
    /// The stream is too slow or too fast.
    #[error(
        "sound of {given} samples a second cannot be listened to: choose a rate from 8,000 to 192,000"
    )]
    Rate {
        /// What was given.
        given: u32,
    },
}

/// What a listener may know beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Options {
    /// The frequency of A4 that cents are counted from.
    pub reference: Reference,
}

/// Whether an event names its key for certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Surety {
    /// It is this key.
    Sure,
    /// Something sounded, but which key cannot be told; the key given is only the likeliest.
    Unsure,
}

/// A note that was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteEvent {
    /// When it began, seconds from the start of the stream.
    pub onset_s: f64,
    /// The end of the sound that was needed to tell, seconds from the start of the stream.
    pub decided_s: f64,
    /// The key.
    pub key: MidiNote,
    /// Its first partial.
    pub frequency: Hz,
    /// First partial above the key's place in equal temperament at the reference.
    pub cents: Cents,
    /// How likely the key is, 0..=1.
    pub confidence: f32,
    /// Whether the key may be judged.
    pub surety: Surety,
}

/// An onset that is not decided yet.
#[derive(Debug)]
struct Pending {
    onset: Onset,
    look: usize,
    ring: Vec<f32>,
    /// Best keys of the two windows before.
    keys: [Option<usize>; 2],
    /// The surest treble key so far, with its log odds.
    faint: Option<(Verdict, f32)>,
    /// A window had a period.
    voiced: bool,
}

/// Hears notes in a stream.
#[derive(Debug)]
pub struct Listener {
    thinner: Thinner,
    detector: OnsetDetector,
    decider: Decider,
    parts: Parts,
    predictor: RingPredictor,
    options: Options,
    rate: f64,
    hop: usize,
    /// Working samples from `start` on.
    sound: Vec<f32>,
    start: usize,
    /// Working samples already looked at.
    seen: usize,
    pending: Option<Pending>,
    last_onset: usize,
    /// Voiced onsets of late that were no notes.
    rejects: VecDeque<usize>,
    offsets: Offsets,
}

impl Listener {
    /// A listener for a stream of `rate` samples a second. Errors: [`ListenError::Rate`].
    pub fn new(rate: u32, options: Options) -> Result<Listener, ListenError> {
        let thinner = Thinner::new(rate)?;
        let working = thinner.working_rate();
        let hop = (working / 200.0).round() as usize;
        let detector = OnsetDetector::new(working, hop);
        let decider = Decider::new(Grid::new(options.reference), working);
        // Silence before the stream, so that its first sound has something to rise from.
        let lead = (KEPT_S * working) as usize;
        Ok(Listener {
            parts: Parts::new(&decider),
            decider,
            thinner,
            detector,
            predictor: RingPredictor::new(working),
            options,
            rate: working,
            hop,
            sound: vec![0.0; lead],
            start: 0,
            seen: lead,
            pending: None,
            last_onset: 0,
            rejects: VecDeque::new(),
            offsets: Offsets::new(&[]),
        })
    }

    /// Takes the next samples (full scale ±1); gives the notes they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<NoteEvent> {
        self.thinner.push(samples, &mut self.sound);
        let mut events = Vec::new();
        while self.start + self.sound.len() >= self.seen + self.hop {
            self.seen += self.hop;
            self.step(&mut events);
            self.forget();
        }
        events
    }

    /// Ends the stream: gives the note that was not decided yet, from the sound there is.
    pub fn finish(&mut self) -> Vec<NoteEvent> {
        if let Some(pending) = self.pending.take() {
            self.reject(&pending);
        }
        Vec::new()
    }

    /// Drops sound that no window reaches any more; moving the rest is cheap, but not at every hop.
    fn forget(&mut self) {
        let keep = (KEPT_S * self.rate) as usize;
        let spare = (self.seen - self.start).saturating_sub(keep);
        if spare > keep {
            self.sound.drain(..spare);
            self.start += spare;
        }
    }

    fn step(&mut self, events: &mut Vec<NoteEvent>) {
        let end = self.seen - self.start;
        let frame = &self.sound[end - self.detector.frame()..end];
        if let Some(onset) = self.detector.push(frame, self.seen) {
            if let Some(pending) = self.pending.take() {
                self.reject(&pending);
            }
            self.decider.restart();
            self.pending = Some(Pending {
                ring: self.ringing(&onset),
                onset,
                look: 0,
                keys: [None; 2],
                faint: None,
                voiced: false,
            });
            self.last_onset = onset.sample;
        }
        if let Some(mut pending) = self.pending.take()
            && !self.look(&mut pending, events)
        {
            self.pending = Some(pending);
        }
    }

    /// What sounded before `onset`, continued after it.
    fn ringing(&self, onset: &Onset) -> Vec<f32> {
        let samples = |seconds: f64| (seconds * self.rate) as usize;
        let gap = samples(RING_GAP_S);
        let end = onset.sample - self.start - gap;
        let from = (onset.sample - self.start)
            .saturating_sub(samples(RING_S))
            .max((self.last_onset + samples(RING_SKIP_S)).saturating_sub(self.start))
            .min(end);
        self.predictor
            .predict(&self.sound[from..end], gap, samples(LOOKS[LOOKS.len() - 1]))
    }

    /// Looks as far as the sound goes; true when the onset is dealt with.
    fn look(&mut self, pending: &mut Pending, events: &mut Vec<NoteEvent>) -> bool {
        while let Some(seconds) = LOOKS.get(pending.look) {
            let length = (seconds * self.rate) as usize;
            if pending.onset.sample + length > self.seen {
                return false;
            }
            pending.look += 1;
            let Some((verdict, measures)) = self.judge(pending, length) else {
                pending.keys = [None, pending.keys[0]];
                continue;
            };
            let same = pending
                .keys
                .iter()
                .filter(|k| **k == Some(verdict.key))
                .count();
            let observation = Observation {
                key: verdict.key,
                measures,
                swell: self.detector.swell(&pending.onset),
                growth: pending.onset.growth,
                same: same as f32 / 2.0,
                seconds: *seconds,
            };
            pending.keys = [Some(verdict.key), pending.keys[0]];
            pending.voiced |= measures[PERIODICITY] > VOICED;
            let odds = observation.log_odds();
            // A treble tone under a knock is gone before the last window: its clearest one counts then.
            if verdict.key >= TREBLE
                && odds >= FAINT_ODDS
                && verdict.margin >= FAINT_MARGIN
                && pending.faint.as_ref().is_none_or(|(_, o)| *o < odds)
            {
                pending.faint = Some((verdict, odds));
            }
            if odds >= self.odds_asked(pending, &verdict, *seconds)
                && verdict.margin >= margin_asked(*seconds)
            {
                let event = self.event(&pending.onset, &verdict, odds, Surety::Sure);
                if odds >= LEARN_ODDS {
                    self.learn(&verdict, event.frequency);
                }
                events.push(event);
                return true;
            }
        }
        if let Some((verdict, odds)) = pending.faint.take() {
            events.push(self.event(&pending.onset, &verdict, odds, Surety::Sure));
        } else {
            self.reject(pending);
        }
        true
    }

    /// Moves the grid towards this piano.
    fn learn(&mut self, verdict: &Verdict, first: Hz) {
        let grid = &mut self.decider.grid;
        self.offsets
            .learn(verdict.key, grid.cents_from_usual(verdict.key, first.0));
        grid.retune(&self.offsets.curve());
    }

    /// The log odds that are enough for `verdict` after `seconds`.
    fn odds_asked(&self, pending: &Pending, verdict: &Verdict, seconds: f64) -> f32 {
        let babble = self
            .rejects
            .iter()
            .filter(|at| pending.onset.sample - **at < (BABBLE_S * self.rate) as usize)
            .count();
        let least = if verdict.key < BASS { 0.08 } else { 0.045 };
        let asked = if seconds < 0.122 {
            EARLY_ODDS
        } else {
            LATE_ODDS
        };
        if babble >= BABBLE {
            if seconds < least + 0.02 - 1e-9 {
                f32::MAX
            } else {
                asked.max(BABBLE_ODDS)
            }
        } else if seconds < least - 1e-9 {
            f32::MAX
        } else {
            asked
        }
    }

    /// Ends an onset that no window took for a note.
    fn reject(&mut self, pending: &Pending) {
        if pending.voiced && pending.look >= 2 {
            if self.rejects.len() == BABBLE {
                self.rejects.pop_front();
            }
            self.rejects.push_back(pending.onset.sample);
        }
    }

    fn judge(&mut self, pending: &Pending, length: usize) -> Option<(Verdict, [f32; MEASURES])> {
        let at = pending.onset.sample.checked_sub(self.start)?;
        let scene = Scene {
            before: self.sound.get(at.checked_sub(length)?..at)?,
            after: self.sound.get(at..at + length)?,
            ring: pending.ring.get(..length).unwrap_or_default(),
        };
        let verdict = self.decider.judge(&scene)?;
        let measures = self
            .parts
            .measure(&mut self.decider, &scene, &verdict, self.rate);
        Some((verdict, measures))
    }

    fn event(&self, onset: &Onset, verdict: &Verdict, odds: f32, surety: Surety) -> NoteEvent {
        let key = grid::key(verdict.key);
        let frequency = Hz(self.decider.first_partial(verdict));
        let at = Temperament::equal().frequency(key, self.options.reference);
        let lead = (KEPT_S * self.rate) as usize;
        let onset_s = (onset.sample as f64 - lead as f64) / self.rate;
        NoteEvent {
            onset_s: (onset_s - self.thinner.delay_s()).max(0.0),
            decided_s: (self.seen - lead) as f64 / self.rate,
            key,
            frequency,
            cents: frequency.cents_above(at),
            confidence: 1.0 / (1.0 + (-odds).exp()),
            surety,
        }
    }
}

/// The margin over the second key that is enough after `seconds`, nats: early windows are still rising.
fn margin_asked(seconds: f64) -> f32 {
    match seconds {
        s if s < 0.07 => 3.0,
        s if s < 0.14 => 2.0,
        _ => 1.0,
    }
}
