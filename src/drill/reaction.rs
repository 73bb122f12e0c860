//! The plain reaction: half a minute of answering shown names, with nothing to read. Names are typed, struck on a piano in any
//! octave, or sounded before they are sung back.
//! In: the names of a stage, answers with their times. Out: names to show, and at the end a floor.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::study::{Floor, measured_floor_ms};
use crate::theory::{MidiNote, Spelling};

/// It ends after this much answer time.
const LONGEST_MS: u64 = 30_000;

/// A measurement under way.
#[derive(Debug, Clone)]
pub struct Reaction {
    names: Vec<Spelling>,
    rng: ChaCha8Rng,
    shown: Option<Spelling>,
    /// Something was heard for it that was not surely a note.
    unsure: bool,
    times_ms: Vec<u32>,
    spent_ms: u64,
    /// What passes before each name can be answered.
    lead_ms: u32,
}

impl Reaction {
    /// Measures with `names`, each as likely.
    pub fn new(mut names: Vec<Spelling>, seed: u64) -> Reaction {
        names.sort_unstable_by_key(|name| (name.letter, name.alteration));
        names.dedup();
        Reaction {
            names,
            rng: ChaCha8Rng::seed_from_u64(seed),
            shown: None,
            unsure: false,
            times_ms: Vec::new(),
            spent_ms: 0,
            lead_ms: 0,
        }
    }

    /// The same where a key or a tone answers: of names for one key only one is asked. `lead_ms` is what sounds before each
    /// can be answered, and is part of the half minute.
    pub fn by_sound(mut names: Vec<Spelling>, lead_ms: u32, seed: u64) -> Reaction {
        names.sort_unstable_by_key(|name| (name.pitch_class(), name.alteration.semitones().abs()));
        names.dedup_by_key(|name| name.pitch_class());
        Reaction {
            lead_ms,
            ..Reaction::new(names, seed)
        }
    }

    /// The next name, never the same twice running; `None` when it is over.
    pub fn next_name(&mut self) -> Option<Spelling> {
        if self.names.is_empty() || self.spent_ms >= LONGEST_MS {
            return None;
        }
        let place = self.rng.random_range(0..self.names.len());
        let again = self.shown == Some(self.names[place]);
        let place = (place + usize::from(again)) % self.names.len();
        self.shown = Some(self.names[place]);
        self.unsure = false;
        self.shown
    }

    /// Takes an answer; whether it was the name shown. Only right ones are timed.
    pub fn answer(&mut self, name: Spelling, response_ms: u32) -> bool {
        self.take(self.shown == Some(name), response_ms)
    }

    /// Takes a key that was struck or sung; its octave does not matter.
    pub fn sounded(&mut self, key: MidiNote, response_ms: u32) -> bool {
        let right = self
            .shown
            .is_some_and(|name| name.pitch_class() == key.pitch_class());
        self.take(right, response_ms)
    }

    /// Something was heard that was not surely a note: that another try is needed is not the learner's doing, and this name
    /// is not timed.
    pub fn not_sure(&mut self) {
        self.unsure = true;
    }

    fn take(&mut self, right: bool, response_ms: u32) -> bool {
        self.spent_ms += u64::from(response_ms) + u64::from(self.lead_ms);
        if right && !self.unsure {
            self.times_ms.push(response_ms);
        }
        right
    }

    /// Share of its time that is spent.
    pub fn spent(&self) -> f64 {
        (self.spent_ms as f64 / LONGEST_MS as f64).min(1.0)
    }

    /// What was measured; `None` if too few names were answered.
    pub fn floor(&self) -> Option<Floor> {
        Some(Floor {
            ms: measured_floor_ms(&self.times_ms)?,
            answers: self.names.len() as u32,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<Spelling> {
        ["C", "D", "E", "F", "G", "A", "B", "C"]
            .map(|name| name.parse().unwrap())
            .to_vec()
    }

    #[test]
    fn half_a_minute_of_names_gives_the_floor_of_the_right_ones() {
        let mut reaction = Reaction::new(names(), 1);
        let mut last = None;
        let mut n = 0;
        while let Some(name) = reaction.next_name() {
            assert_ne!(Some(name), last);
            last = Some(name);
            n += 1;
            if n % 10 == 0 {
                // A wrong one, however fast, is no reaction to the name.
                let other = names().into_iter().find(|other| *other != name).unwrap();
                assert!(!reaction.answer(other, 120));
            } else {
                assert!(reaction.answer(name, 600 + 10 * (n % 5)));
            }
        }
        let floor = reaction.floor().unwrap();
        assert_eq!(floor.answers, 7);
        assert!((590..=620).contains(&floor.ms), "{}", floor.ms);
        assert!((40..70).contains(&n), "{n}");
    }

    #[test]
    fn keys_answer_in_any_octave_and_what_sounds_before_is_part_of_the_half_minute() {
        let mut names = names();
        names.extend(["F#", "Gb", "Cb"].map(|name| name.parse::<Spelling>().unwrap()));
        let mut reaction = Reaction::by_sound(names, 1200, 3);
        let mut n = 0;
        while let Some(name) = reaction.next_name() {
            assert_ne!(name.to_string(), "Cb", "B is asked, and it is the same key");
            let key = MidiNote(48 + 12 * (n % 3) + name.pitch_class() as i16);
            if n % 5 == 4 {
                assert!(!reaction.sounded(MidiNote(key.0 + 1), 100));
            } else {
                assert!(reaction.sounded(key, 500));
            }
            n += 1;
        }
        // Half a minute of 1.7 s each, and every fifth shorter.
        assert!((18..=20).contains(&n), "{n}");
        let floor = reaction.floor().unwrap();
        assert_eq!((floor.ms, floor.answers), (500, 8));
    }

    #[test]
    fn a_name_that_took_another_try_is_not_timed() {
        let mut reaction = Reaction::by_sound(names(), 0, 5);
        let mut n = 0;
        while let Some(name) = reaction.next_name() {
            let unsure = n % 4 == 3;
            if unsure {
                reaction.not_sure();
            }
            let key = MidiNote(60 + name.pitch_class() as i16);
            assert!(reaction.sounded(key, if unsure { 2_500 } else { 700 }));
            n += 1;
        }
        // Half a minute of 4.6 s for every four.
        assert!((24..=28).contains(&n), "{n}");
        assert_eq!(reaction.floor().unwrap().ms, 700);
    }

    #[test]
    fn too_few_answers_measure_nothing() {
        let mut reaction = Reaction::new(names(), 1);
        for _ in 0..3 {
            let name = reaction.next_name().unwrap();
            reaction.answer(name, 600);
        }
        assert_eq!(reaction.floor(), None);
        assert_eq!(Reaction::new(Vec::new(), 1).next_name(), None);
    }
}
