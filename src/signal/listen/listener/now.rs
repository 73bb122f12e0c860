//! What sounds at this moment, decided or not. In: the listener as it stands. Out: a pitch in hertz and how likely it is.

use super::super::onset::Onset;
use super::super::pitch::{Estimate, PitchFinder};
use super::super::window::Scene;
use super::look::Pending;
use super::{HELD, LOOKS, Listener};

/// The pitch of a frame after an onset is not told for this long: a key may be decided yet.
const UNDECIDED_S: f64 = 0.14;
/// Likelihood told of a pitch that is only guessed.
const UNSURE: f32 = 0.3;
/// Sound from which a guessed voice's pitch is taken, seconds: it may still move.
const NEWEST_S: f64 = 0.04;

impl Listener {
    /// The pitch at this moment with its likelihood, if one is known: of the decided note, or of a voice.
    pub(in super::super) fn pitch_now(&self) -> Option<(f64, f32)> {
        // What begins now is not the note before.
        if self.detector.rising() {
            return None;
        }
        let of_voice = |e: Estimate| (e.frequency, e.clarity.clamp(0.0, 1.0));
        match &self.sounding {
            Some(note) if note.struck.is_some() => Some((note.first, note.confidence)),
            Some(_) => self.clear_voice().map(of_voice),
            None => {
                let settled = self.open.is_none_or(|open| {
                    self.seen - open.onset.sample > (UNDECIDED_S * self.rate) as usize
                });
                self.clear_voice()
                    .filter(|_| settled && self.voice.age() >= HELD)
                    .filter(|e| self.pending.iter().all(|p| self.agrees(p, e.frequency)))
                    .map(of_voice)
            }
        }
    }

    /// The pitch of a voice in the newest frame, unless something else begins there.
    fn clear_voice(&self) -> Option<Estimate> {
        self.voice.newest.filter(|_| !self.voice.blurs())
    }

    /// Whether an undecided onset may be a voice at `frequency`: under a treble string that is not sure yet there is a knock
    /// with a pitch of its own.
    fn agrees(&self, pending: &Pending, frequency: f64) -> bool {
        pending.memory.faint.as_ref().is_none_or(|(verdict, _)| {
            let first = self.decider.grid.keys[verdict.key].first;
            (12.0 * (frequency / first).log2()).abs() < 1.0
        })
    }

    /// The pitch of a voice in the newest frame, whatever was decided.
    pub(in super::super) fn voice_now(&self) -> Option<f64> {
        self.voice.newest.map(|estimate| estimate.frequency)
    }

    /// The likeliest pitch of the newest onset, if it is not decided and not half a second old.
    pub(in super::super) fn guess(&mut self) -> Option<(f64, f32)> {
        let onset = match self.pending.first() {
            Some(pending) => pending.onset,
            None => self.undecided.as_ref()?.0,
        };
        let since = self.seen - onset.sample;
        if self.sounding.is_some() || since > (0.5 * self.rate) as usize {
            return None;
        }
        let likely = self.guessed_voice().or_else(|| self.guessed_string(&onset));
        likely.map(|frequency| (frequency, UNSURE))
    }

    /// The pitch of a voice at the end of the sound, where nothing is rather a string than not.
    fn guessed_voice(&self) -> Option<f64> {
        let steady = self
            .voice
            .newest
            .filter(|_| self.voice.age() >= HELD)?
            .frequency;
        let string = |p: &Pending| p.memory.is_likely() || !self.agrees(p, steady);
        if self.pending.iter().any(string) {
            return None;
        }
        let mut finder = PitchFinder::new(self.rate, NEWEST_S);
        let end = self.seen - self.start;
        let newest = finder
            .estimate(&self.sound[end - finder.length()..end], &self.decider.grid)
            .map(|estimate| estimate.frequency)
            .filter(|newest| (12.0 * (newest / steady).log2()).abs() < 1.0);
        Some(newest.unwrap_or(steady))
    }

    /// The likeliest key's first partial in what there is after `onset`.
    fn guessed_string(&mut self, onset: &Onset) -> Option<f64> {
        let ring = match self.pending.first() {
            Some(pending) => pending.ring.as_slice(),
            None => self.undecided.as_ref()?.1.as_slice(),
        };
        let since = self.seen - onset.sample;
        let length = since.min((LOOKS[LOOKS.len() - 1] * self.rate) as usize);
        let at = onset.sample.checked_sub(self.start)?;
        let scene = Scene {
            before: self.sound.get(at.checked_sub(length)?..at)?,
            after: self.sound.get(at..at + length)?,
            ring: ring.get(..length).unwrap_or_default(),
        };
        self.decider.turn_to(onset.sample);
        let verdict = self.decider.judge(&scene)?;
        let measured = self.decider.first_partial(&verdict);
        Some(self.decider.likeliest(&verdict, measured))
    }
}
