//! From a stream of sound to notes: waits for an onset, lets a window grow from it, decides once.
//! In: samples of one channel in pieces of any size. Out: [`NoteEvent`]s, each as early as it is sure enough.

use super::decide::{Decider, Verdict};
use super::grid::{self, Grid};
use super::onset::{Onset, OnsetDetector};
use super::thin::Thinner;
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Seconds after the onset at which a decision is tried.
const LOOKS: [f64; 8] = [0.045, 0.06, 0.08, 0.1, 0.125, 0.15, 0.2, 0.25];
/// Margin that decides at once, nats.
const SURE_MARGIN: f32 = 4.0;
/// Margin that is enough at the last look.
const LAST_MARGIN: f32 = 1.5;
/// Sound kept: the longest window, as much before it, and the detector's delay.
const KEPT_S: f64 = 1.0;

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
    best: Option<Verdict>,
}

/// Hears notes in a stream.
#[derive(Debug)]
pub struct Listener {
    thinner: Thinner,
    detector: OnsetDetector,
    decider: Decider,
    options: Options,
    rate: f64,
    hop: usize,
    /// Working samples from `start` on.
    sound: Vec<f32>,
    start: usize,
    /// Working samples already looked at.
    seen: usize,
    pending: Option<Pending>,
}

impl Listener {
    /// A listener for a stream of `rate` samples a second. Errors: [`ListenError::Rate`].
    pub fn new(rate: u32, options: Options) -> Result<Listener, ListenError> {
        let thinner = Thinner::new(rate)?;
        let working = thinner.working_rate();
        let hop = (working / 200.0).round() as usize;
        let detector = OnsetDetector::new(working, hop);
        // Silence before the stream, so that its first sound has something to rise from.
        let lead = (KEPT_S * working) as usize;
        Ok(Listener {
            decider: Decider::new(Grid::new(options.reference), working),
            thinner,
            detector,
            options,
            rate: working,
            hop,
            sound: vec![0.0; lead],
            start: 0,
            seen: lead,
            pending: None,
        })
    }

    /// Takes the next samples (full scale ±1); gives the notes they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<NoteEvent> {
        self.thinner.push(samples, &mut self.sound);
        let mut events = Vec::new();
        while self.start + self.sound.len() >= self.seen + self.hop {
            self.seen += self.hop;
            self.step(&mut events);
        }
        let keep = ((KEPT_S * self.rate) as usize).min(self.sound.len());
        let spare = self.sound.len() - keep;
        // Moving the rest is cheap, but not at every piece.
        if spare > keep && self.start + spare <= self.seen {
            self.sound.drain(..spare);
            self.start += spare;
        }
        events
    }

    /// Ends the stream: gives the note that was not decided yet, from the sound there is.
    pub fn finish(&mut self) -> Vec<NoteEvent> {
        let mut events = Vec::new();
        if let Some(pending) = self.pending.take() {
            self.close(pending, &mut events);
        }
        events
    }

    fn step(&mut self, events: &mut Vec<NoteEvent>) {
        let end = self.seen - self.start;
        let frame = &self.sound[end - self.detector.frame()..end];
        if let Some(onset) = self.detector.push(frame, self.seen) {
            if let Some(pending) = self.pending.take() {
                self.close(pending, events);
            }
            self.pending = Some(Pending {
                onset,
                look: 0,
                best: None,
            });
        }
        if let Some(mut pending) = self.pending.take()
            && !self.look(&mut pending, events)
        {
            self.pending = Some(pending);
        }
    }

    /// Looks as far as the sound goes; true when the onset is dealt with.
    fn look(&mut self, pending: &mut Pending, events: &mut Vec<NoteEvent>) -> bool {
        while let Some(seconds) = LOOKS.get(pending.look) {
            let length = (seconds * self.rate) as usize;
            if pending.onset.sample + length > self.seen {
                return false;
            }
            pending.look += 1;
            let verdict = self.judge(&pending.onset, length);
            if let Some(verdict) = verdict {
                // A treble tone is gone before the last look: its clearest one counts.
                let kept = pending
                    .best
                    .filter(|b| b.key >= 66 && b.margin > verdict.margin);
                pending.best = kept.or(Some(verdict));
                let enough = *seconds >= if verdict.key < 27 { 0.08 } else { 0.0 };
                if verdict.margin >= SURE_MARGIN && is_note(&verdict) && enough {
                    events.push(self.event(&pending.onset, &verdict, Surety::Sure));
                    return true;
                }
            }
        }
        if let Some(verdict) = pending.best
            && is_note(&verdict)
        {
            let surety = if verdict.margin >= last_margin(&verdict) {
                Surety::Sure
            } else {
                Surety::Unsure
            };
            events.push(self.event(&pending.onset, &verdict, surety));
        }
        true
    }

    /// Ends an onset early, because another follows or the stream ends.
    fn close(&mut self, pending: Pending, events: &mut Vec<NoteEvent>) {
        if let Some(verdict) = pending.best
            && is_note(&verdict)
        {
            let surety = if verdict.margin >= last_margin(&verdict) {
                Surety::Sure
            } else {
                Surety::Unsure
            };
            events.push(self.event(&pending.onset, &verdict, surety));
        }
    }

    fn judge(&mut self, onset: &Onset, length: usize) -> Option<Verdict> {
        let at = onset.sample.checked_sub(self.start)?;
        let before = self.sound.get(at.checked_sub(length)?..at)?;
        let after = self.sound.get(at..at + length)?;
        self.decider.judge(before, after, 0.0)
    }

    fn event(&self, onset: &Onset, verdict: &Verdict, surety: Surety) -> NoteEvent {
        let key = grid::key(verdict.key);
        let frequency = Hz(verdict.first);
        let at = Temperament::equal().frequency(key, self.options.reference);
        let lead = (KEPT_S * self.rate) as usize;
        let onset_s = (onset.sample as f64 - lead as f64) / self.rate;
        NoteEvent {
            onset_s: (onset_s - self.thinner.delay_s()).max(0.0),
            decided_s: (self.seen - lead) as f64 / self.rate,
            key,
            frequency,
            cents: frequency.cents_above(at),
            confidence: 1.0 / (1.0 + (-verdict.margin).exp()),
            surety,
        }
    }
}

/// Margin that is enough when no more sound is to come. A wrong key high up is rare: noise fits the long low combs.
fn last_margin(verdict: &Verdict) -> f32 {
    if verdict.key >= 66 {
        0.5 * LAST_MARGIN
    } else {
        LAST_MARGIN
    }
}

/// Whether what was struck has a pitch at all.
fn is_note(verdict: &Verdict) -> bool {
    // Above D6 few partials are left for a comb: the line of the first must stand out.
    let pitched = verdict.fit.contrast > 0.2 || (verdict.key >= 66 && verdict.line > 0.15);
    pitched && verdict.rise_db > 2.0
}
