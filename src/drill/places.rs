//! A piano so far off its pitch that keys are taken for their neighbours: when to doubt, and three keys, named by their
//! place on the keyboard, that settle it.
//!
//! In: which key was asked and the pitch it was answered with. Out: where three keys lie, in cents from equal temperament.

use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Where keys of a piano are known to lie: cents above equal temperament at the reference.
pub type KnownKeys = [Option<(MidiNote, Cents)>; 3];

/// The keys that are asked for, in this order: middle C, the C below, the C above.
pub const PLACES: [MidiNote; 3] = [MidiNote(60), MidiNote(48), MidiNote(72)];

/// A pitch further than this from where its key is known to lie is not learnt but asked about.
pub const NEAR: f64 = 40.0;

/// How far a key may lie from equal temperament.
pub const FURTHEST: f64 = 150.0;

/// What a measurement and a piano's own unevenness may add.
const SLACK: f64 = 20.0;

/// Answers that lie alike lie within this of one another.
const ALIKE: f64 = 25.0;

/// Answers alike that make a doubt: tries at one prompt, and first tries of prompts in a row.
const ALIKE_TRIES: u32 = 2;
const ALIKE_PROMPTS: u32 = 3;

/// The three keys of a piano lie within this of one another, else one of them was another key.
const EVEN: f64 = 50.0;

/// Keys outside these (C2, C7) lie far from equal temperament on a piano in tune, too.
const TELLING: std::ops::RangeInclusive<i16> = 36..=96;

/// What became of a key that was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Placed {
    /// It is taken; the next one, please.
    Next,
    /// It was another key: once more.
    Another,
    /// The three do not belong together: from the first again.
    Uneven,
    /// Where the three lie.
    Done(KnownKeys),
}

/// What is known of where the keys of the piano lie.
#[derive(Debug, Clone)]
pub struct Places {
    reference: Reference,
    known: KnownKeys,
    /// The last answer's prompt, its cents off, and how many alike there were in a row.
    tries: Option<Run>,
    /// The same of first tries.
    firsts: Option<Run>,
    /// The keys taken so far while they are asked for.
    asking: Option<Vec<(MidiNote, Cents)>>,
    /// They were asked for: not again in this sitting.
    asked: bool,
}

#[derive(Debug, Clone, Copy)]
struct Run {
    prompt: u32,
    off: f64,
    count: u32,
}

impl Places {
    /// For a piano of which `known` is known.
    pub fn new(reference: Reference, known: KnownKeys) -> Places {
        Places {
            reference,
            known,
            tries: None,
            firsts: None,
            asking: None,
            asked: false,
        }
    }

    /// Where keys are known to lie.
    pub fn known(&self) -> KnownKeys {
        self.known
    }

    /// Takes the pitch that answered prompt number `prompt`, which asked for `key`. True when it is time to ask for three
    /// keys: twice the same distance off at one prompt, or at the first tries of three prompts in a row.
    pub fn hear(&mut self, prompt: u32, key: MidiNote, pitch: Hz) -> bool {
        let off = self.off(key, pitch);
        let far = (NEAR..=FURTHEST + SLACK).contains(&off.abs());
        if self.asked || !far || !TELLING.contains(&key.0) {
            (self.tries, self.firsts) = (None, None);
            return false;
        }
        let run = |last: Option<Run>| {
            let last = last.filter(|last| (last.off - off).abs() <= ALIKE);
            let count = last.map_or(1, |last| last.count + 1);
            Some(Run { prompt, off, count })
        };
        if self.firsts.is_none_or(|last| last.prompt != prompt) {
            self.firsts = run(self.firsts);
        }
        self.tries = run(self.tries.filter(|last| last.prompt == prompt));
        self.tries.is_some_and(|tries| tries.count >= ALIKE_TRIES)
            || self.firsts.is_some_and(|run| run.count >= ALIKE_PROMPTS)
    }

    /// Begins to ask for the three keys.
    pub fn ask(&mut self) {
        self.asking = Some(Vec::new());
        self.asked = true;
    }

    /// The learner goes on without them.
    pub fn leave(&mut self) {
        self.asking = None;
    }

    /// Which of [`PLACES`] is asked for, by its index.
    pub fn place(&self) -> Option<usize> {
        self.asking.as_ref().map(Vec::len)
    }

    /// Takes the pitch of the key that is asked for.
    pub fn take(&mut self, pitch: Hz) -> Placed {
        let Some(taken) = &mut self.asking else {
            return Placed::Another;
        };
        let Some(key) = PLACES.get(taken.len()) else {
            return Placed::Another;
        };
        let cents = pitch.cents_above(Temperament::equal().frequency(*key, self.reference));
        if cents.0.abs() > FURTHEST + SLACK / 2.0 {
            return Placed::Another;
        }
        taken.push((*key, cents));
        let offs = || taken.iter().map(|(_, cents)| cents.0);
        if offs().fold(f64::MIN, f64::max) - offs().fold(f64::MAX, f64::min) > EVEN {
            taken.clear();
            return Placed::Uneven;
        }
        let [a, b, c] = taken[..] else {
            return Placed::Next;
        };
        self.known = [Some(a), Some(b), Some(c)];
        self.asking = None;
        Placed::Done(self.known)
    }

    /// Whether `pitch` is that of `key` on this piano.
    pub fn is(&self, key: MidiNote, pitch: Hz) -> bool {
        self.off(key, pitch).abs() < 50.0
    }

    /// Cents of `pitch` above where `key` is known to lie, or usually lies.
    fn off(&self, key: MidiNote, pitch: Hz) -> f64 {
        let equal = Temperament::equal().frequency(key, self.reference);
        pitch.cents_above(equal).0 - self.known_off(key)
    }

    /// Cents of `key` above equal temperament: by the nearest of the known keys.
    fn known_off(&self, key: MidiNote) -> f64 {
        let known = self.known.iter().flatten();
        let nearest = known.min_by_key(|(known, _)| (known.0 - key.0).abs());
        nearest.map_or(0.0, |(_, cents)| cents.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(key: i16, cents: f64) -> Hz {
        let equal = Temperament::equal().frequency(MidiNote(key), Reference::default());
        equal.raised(Cents(cents))
    }

    fn places() -> Places {
        Places::new(Reference::default(), [None; 3])
    }

    #[test]
    fn the_same_distance_twice_at_a_prompt_or_at_three_in_a_row_is_a_doubt() {
        let mut twice = places();
        assert!(!twice.hear(1, MidiNote(64), at(64, -88.0)));
        assert!(twice.hear(1, MidiNote(64), at(64, -93.0)));
        let mut three = places();
        for (prompt, key) in [(1, 60), (2, 71)] {
            assert!(!three.hear(prompt, MidiNote(key), at(key, 118.0)));
        }
        assert!(three.hear(3, MidiNote(50), at(50, 121.0)));
    }

    #[test]
    fn who_reads_wrong_and_then_right_or_far_off_is_not_asked() {
        let mut places = places();
        for prompt in 1..40 {
            // The sharp is missed at every prompt, and then played.
            assert!(!places.hear(prompt, MidiNote(66), at(65, 2.0)));
            assert!(!places.hear(prompt, MidiNote(66), at(66, 1.0)));
        }
        for _ in 0..5 {
            // Twice a third too low.
            assert!(!places.hear(41, MidiNote(64), at(60, 0.0)));
        }
        // The outer keys of a piano in tune.
        for _ in 0..5 {
            assert!(!places.hear(42, MidiNote(107), at(107, 44.0)));
        }
    }

    #[test]
    fn three_keys_settle_it_and_neither_another_key_nor_a_neighbour_passes() {
        let mut places = places();
        places.ask();
        assert_eq!(places.place(), Some(0));
        assert_eq!(places.take(at(62, -140.0)), Placed::Next);
        assert_eq!(places.take(at(60, -140.0)), Placed::Another);
        // The first was the key beside it.
        assert_eq!(places.take(at(48, -140.0)), Placed::Uneven);
        for key in [60, 48] {
            assert_eq!(places.take(at(key, -140.0)), Placed::Next);
        }
        let Placed::Done(known) = places.take(at(72, -128.0)) else {
            panic!("three keys are enough");
        };
        assert!((known[2].unwrap().1.0 + 128.0).abs() < 1e-6);
        assert!(places.is(MidiNote(55), at(55, -135.0)));
        assert!(!places.is(MidiNote(55), at(56, -135.0)));
        // Once in a sitting.
        assert!(!places.hear(1, MidiNote(64), at(64, 0.0)));
        assert!(!places.hear(1, MidiNote(64), at(64, 0.0)));
    }

    #[test]
    fn a_piano_that_was_tuned_since_is_asked_about_again() {
        let known = PLACES.map(|key| Some((key, Cents(-90.0))));
        let mut places = Places::new(Reference::default(), known);
        for prompt in 1..9 {
            assert!(!places.hear(prompt, MidiNote(64), at(64, -85.0)));
        }
        assert!(!places.hear(9, MidiNote(64), at(64, 0.0)));
        assert!(places.hear(9, MidiNote(64), at(64, 1.0)));
    }
}
