//! A tuning check key by key: which key is asked, what came, whether it is kept or asked again.
//! In: [`Listened`] strikes. Out: [`Said`] after each, and the [`Instrument`] so far. Knows no clock and no device.
//!
//! Any order and any subset: what is asked is a proposal, which may be passed over, left, or done without altogether.

use std::collections::{BTreeMap, BTreeSet};

use super::instrument::{Instrument, Remark, SOFT_DB, Struck, judge};
use super::key::{KeyReading, NoReading, read_key};
use super::live::Take;
use super::said::Said;
use super::stretch::{KEYS, Stiffness};
use super::strikes::{Named, name_key};
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// Keys of a first look: every sixth.
const QUICK_STEP: usize = 6;

/// A key must stand out of the room by so many dB.
const ABOVE_ROOM_DB: f64 = 15.0;

/// From here on (C7) strings are over too soon to be held.
const SHORT_STRINGS: i16 = 96;

/// Below, a key that was let go before this many seconds is asked again.
const HELD_S: f64 = 0.6;

/// After so many faulty strikes of one key the best of it is kept.
const PATIENCE: u8 = 2;

/// A key lies on its place when it is no further off, cents: half of what the next key is off.
const OWN_PLACE: f64 = 50.0;

/// While nothing is known of the piano, it is looked for a little further.
const FIRST_PLACE: f64 = 75.0;

/// So many keys in a row that are off by the same semitones show that the whole piano is, …
const SHIFT_KEYS: usize = 3;

/// … if it is no more than this.
const SHIFT_MOST: i16 = 2;
/// Semitones between a key and what it may be named as: an octave, a twelfth, two octaves, whose partials it shares.
const MISTAKEN: [i16; 3] = [12, 19, 24];

/// One strike, and what was read of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Listened {
    /// The strike.
    pub take: Take,
    /// The key it sounds like, if any.
    pub named: Option<Named>,
    /// Its strings.
    pub reading: Result<KeyReading, NoReading>,
}

impl Listened {
    /// Reads a strike. Takes some hundredths of a second.
    pub fn to(take: Take, reference: Reference) -> Listened {
        let named = name_key(&take.samples, take.rate, reference);
        let reading = match named {
            Some(named) => read_key(&take.samples, take.rate, named),
            None => Err(NoReading::Nothing),
        };
        Listened {
            take,
            named,
            reading,
        }
    }
}

/// A check in progress.
#[derive(Debug, Clone)]
pub struct Guided {
    instrument: Instrument,
    /// Keys in the order in which they are proposed.
    order: Vec<MidiNote>,
    /// Place in `order` of the key asked.
    at: usize,
    /// Nothing is asked: each key is named by what it sounds like.
    free: bool,
    /// Faulty strikes of the key asked.
    faults: u8,
    /// Semitones by which the whole piano is off.
    shift: i16,
    /// The last keys that came a whole semitone or two off, and what was read.
    off: Vec<(MidiNote, i16, KeyReading)>,
    /// Keys that were struck and did not sound.
    mute: BTreeSet<i16>,
    /// Where pianos usually have their keys, cents.
    usual: [f64; 88],
    last: Option<Listened>,
}

impl Guided {
    /// A check of all 88 keys, or of every sixth.
    pub fn new(reference: Reference, quick: bool) -> Guided {
        // From A4 up, then down: the first keys are those that show the pitch of the whole best.
        let step = if quick { QUICK_STEP } else { 1 };
        let up = (69..=*KEYS.end()).step_by(step);
        let down = (*KEYS.start()..69).rev().skip(step - 1).step_by(step);
        Guided {
            instrument: Instrument::new(reference),
            order: up.chain(down).map(MidiNote).collect(),
            at: 0,
            free: false,
            faults: 0,
            shift: 0,
            off: Vec::new(),
            mute: BTreeSet::new(),
            usual: Stiffness::new(&[]).curve(),
            last: None,
        }
    }

    /// The key that is asked; `None` when nothing is asked, or nothing is left to ask.
    pub fn asked(&self) -> Option<MidiNote> {
        let key = *self.order.get(self.at)?;
        (!self.free && !self.is_done(key)).then_some(key)
    }

    /// Every key that is proposed was dealt with.
    pub fn is_complete(&self) -> bool {
        self.order.iter().all(|key| self.is_done(*key))
    }

    /// Keys that were kept, and keys proposed.
    pub fn count(&self) -> (usize, usize) {
        (self.instrument.keys.len(), self.order.len())
    }

    /// What was read so far.
    pub fn instrument(&self) -> &Instrument {
        &self.instrument
    }

    /// Keys that were struck and hardly sounded.
    pub fn mute(&self) -> Vec<MidiNote> {
        self.mute.iter().copied().map(MidiNote).collect()
    }

    /// Keys that were proposed and not played.
    pub fn unplayed(&self) -> Vec<MidiNote> {
        let mut keys: Vec<MidiNote> = self
            .order
            .iter()
            .copied()
            .filter(|key| !self.is_done(*key))
            .collect();
        keys.sort_by_key(|key| key.0);
        keys
    }

    /// Whether keys are named by what they sound like, and none is asked.
    pub fn is_free(&self) -> bool {
        self.free
    }

    /// Asks for keys, or for none.
    pub fn set_free(&mut self, free: bool) {
        self.free = free;
        self.faults = 0;
    }

    /// Goes to the next key that is not done, or to the one before.
    pub fn pass(&mut self, back: bool) {
        let count = self.order.len();
        let step = if back { count - 1 } else { 1 };
        self.faults = 0;
        for k in 1..=count {
            let at = (self.at + k * step) % count;
            if !self.is_done(self.order[at]) {
                self.at = at;
                return;
            }
        }
    }

    /// Takes the last strike for the key that is asked, where it may be that: a neighbour, or what one key is mistaken for. `None`
    /// when nothing can be read of it.
    pub fn insist(&mut self) -> Option<Said> {
        let asked = self.asked()?;
        let last = self.last.take()?;
        let first = self.place(asked, self.moved());
        let named = Named::usual(asked, first);
        let reading = match last.named {
            // Sounding like a neighbour, it is read where it sounds.
            Some(heard) if (heard.key.0 - asked.0).abs() <= SHIFT_MOST => last.reading.clone(),
            Some(heard) if !MISTAKEN.contains(&(heard.key.0 - asked.0).abs()) => {
                let heard = heard.key;
                return Some(Said::WrongKey { asked, heard });
            }
            _ => read_key(&last.take.samples, last.take.rate, named),
        };
        Some(self.keep(asked, reading.ok()?, &last.take, false))
    }

    /// Takes a strike.
    pub fn hear(&mut self, listened: Listened) -> Said {
        let said = self.judge(&listened);
        self.last = Some(listened);
        said
    }

    fn judge(&mut self, listened: &Listened) -> Said {
        let take = &listened.take;
        let rings = take.strike.over_another && take.strike.before_db > take.room_db + 6.0;
        let soft =
            take.strike.level_db < SOFT_DB || take.strike.level_db < take.room_db + ABOVE_ROOM_DB;
        let fault = match &listened.reading {
            _ if take.strike.clipped => Some(Said::Clipped),
            _ if soft => Some(Said::Soft),
            Err(NoReading::Short { .. }) => Some(Said::Brief),
            Err(NoReading::Nothing) => Some(Said::NoString),
            Ok(_) if rings => Some(Said::OverAnother),
            Ok(reading) => {
                let high = self.key_of(reading.first).0 >= SHORT_STRINGS;
                (!high && take.seconds() < HELD_S).then_some(Said::Brief)
            }
        };
        if let Some(fault) = fault {
            // A soft noise or one cut off, of which no key can be read, may be anything: it says nothing of the key asked.
            let of_the_key =
                listened.reading.is_ok() || !matches!(fault, Said::Soft | Said::Clipped);
            if !of_the_key {
                return fault;
            }
            if self.faults < PATIENCE {
                self.faults += 1;
                return fault;
            }
            // What is there is better than nothing; a key of which nothing is there says so.
            return match (&listened.reading, self.asked()) {
                (Ok(reading), _) => self.place_reading(reading.clone(), take, true),
                (Err(_), Some(key)) => {
                    self.mute.insert(key.0);
                    self.pass(false);
                    Said::HardlySounds { key }
                }
                (Err(_), None) => fault,
            };
        }
        match &listened.reading {
            Ok(reading) => self.place_reading(reading.clone(), take, false),
            Err(_) => Said::NoString,
        }
    }

    /// Keeps a reading as the key asked if it lies there, else as the key it sounds like or not at all.
    fn place_reading(&mut self, reading: KeyReading, take: &Take, faulty: bool) -> Said {
        let Some(asked) = self.asked() else {
            let key = self.key_of(reading.first);
            return self.keep(key, reading, take, faulty);
        };
        let off = reading.first.cents_above(self.place(asked, self.moved())).0;
        let reach = if self.instrument.keys.is_empty() && self.shift == 0 {
            FIRST_PLACE
        } else {
            OWN_PLACE
        };
        if off.abs() <= reach {
            return self.keep(asked, reading, take, faulty);
        }
        let semitones = (off / 100.0).round() as i16;
        let heard = MidiNote(asked.0 + semitones);
        if !(1..=SHIFT_MOST).contains(&semitones.abs()) {
            self.off.clear();
            return Said::WrongKey { asked, heard };
        }
        self.off.retain(|(_, by, _)| *by == semitones);
        self.off.push((asked, semitones, reading));
        let asked_keys: BTreeSet<i16> = self.off.iter().map(|(key, ..)| key.0).collect();
        if self.off.len() >= SHIFT_KEYS && asked_keys.len() >= 2 {
            return self.shifted(semitones, take);
        }
        // The same key missed twice alike: another one tells whether it is the piano.
        let missed = self.off.iter().filter(|(key, ..)| *key == asked).count();
        if missed >= 2 && asked_keys.len() < 2 {
            self.pass(false);
        }
        Said::WrongKey { asked, heard }
    }

    /// The whole piano is off: the keys that showed it were right, those before were taken for their neighbours.
    fn shifted(&mut self, by: i16, take: &Take) -> Said {
        self.shift += by;
        self.instrument.keys.clear();
        for (key, _, reading) in std::mem::take(&mut self.off) {
            self.keep(key, reading, take, false);
        }
        Said::Shifted { by: self.shift }
    }

    fn keep(&mut self, key: MidiNote, reading: KeyReading, take: &Take, faulty: bool) -> Said {
        let struck = self.struck(key, reading, take);
        let (cents, se) = (struck.cents, struck.reading.first_se);
        // A key that is played again is played because the first was not right.
        self.instrument.keys.insert(key.0, struck);
        self.mute.remove(&key.0);
        self.off.clear();
        self.faults = 0;
        if self.order.get(self.at).is_some_and(|at| self.is_done(*at)) {
            self.pass(false);
        }
        Said::Kept {
            key,
            cents,
            se,
            faulty,
        }
    }

    fn struck(&self, key: MidiNote, reading: KeyReading, take: &Take) -> Struck {
        let reference = self.instrument.reference;
        let mut struck = judge(
            key,
            reading,
            reference,
            take.strike.level_db,
            take.seconds(),
        );
        if take.strike.clipped {
            struck.remarks.push(Remark::Clipped);
        }
        if take.strike.over_another {
            struck.remarks.push(Remark::OverAnother);
        }
        struck
    }

    fn is_done(&self, key: MidiNote) -> bool {
        self.instrument.keys.contains_key(&key.0) || self.mute.contains(&key.0)
    }

    /// Cents by which this piano lies off where pianos usually do: by the keys there are, else as it was shown to be.
    fn moved(&self) -> f64 {
        let off: BTreeMap<i16, f64> = self
            .instrument
            .keys
            .iter()
            .map(|(key, struck)| (*key, struck.cents.0 - self.usual_cents(*key)))
            .collect();
        let mut sorted: Vec<f64> = off.into_values().collect();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted.get(sorted.len() / 2).copied();
        middle.unwrap_or(100.0 * f64::from(self.shift))
    }

    fn usual_cents(&self, key: i16) -> f64 {
        self.usual[usize::from((key - KEYS.start()).clamp(0, 87).unsigned_abs())]
    }

    /// Where `key` ought to lie on a piano that is off by `moved` cents.
    fn place(&self, key: MidiNote, moved: f64) -> Hz {
        Temperament::equal()
            .frequency(key, self.instrument.reference)
            .raised(Cents(self.usual_cents(key.0) + moved))
    }

    /// The key nearest to `first` on this piano.
    fn key_of(&self, first: Hz) -> MidiNote {
        let moved = self.moved();
        let distance = |key: i16| first.cents_above(self.place(MidiNote(key), moved)).0.abs();
        let nearest = KEYS.min_by(|a, b| distance(*a).total_cmp(&distance(*b)));
        MidiNote(nearest.unwrap_or(69))
    }
}

#[cfg(test)]
mod tests {
    use super::super::instrument::Kept;
    use super::super::strikes::Strike;
    use super::*;

    fn take(level_db: f64, seconds: f64) -> Take {
        Take {
            rate: 1_000,
            samples: vec![0.0; (1_000.0 * seconds) as usize],
            strike: Strike {
                samples: 0..(1_000.0 * seconds) as usize,
                over_another: false,
                clipped: false,
                level_db,
                before_db: -80.0,
            },
            room_db: -80.0,
        }
    }

    /// A key that sounds `cents` from its place in equal temperament.
    fn sounds(key: i16, cents: f64) -> Listened {
        let place = Temperament::equal().frequency(MidiNote(key), Reference::default());
        let first = place.raised(Cents(cents));
        let kept = Kept {
            key: MidiNote(key),
            first,
            first_se: Cents(0.1),
            inharmonicity: 1e-4,
            inharmonicity_se: 1e-6,
            unison: None,
        };
        Listened {
            take: take(-20.0, 2.2),
            named: Some(Named::usual(MidiNote(key), first)),
            reading: Ok(kept.struck(Reference::default()).reading),
        }
    }

    fn nothing() -> Listened {
        Listened {
            take: take(-20.0, 1.0),
            named: None,
            reading: Err(NoReading::Nothing),
        }
    }

    fn key(said: Said) -> i16 {
        match said {
            Said::Kept { key, .. } => key.0,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_quick_look_asks_fifteen_keys_spread_over_the_keyboard_and_a_whole_one_88() {
        let mut quick = Guided::new(Reference::default(), true);
        let mut asked = Vec::new();
        while let Some(next) = quick.asked() {
            asked.push(next.0);
            assert_eq!(key(quick.hear(sounds(next.0, 3.0))), next.0);
        }
        assert_eq!(asked.len(), 15);
        assert_eq!(asked[0], 69);
        asked.sort_unstable();
        assert_eq!((asked[0], asked[14]), (21, 105));
        assert!(quick.is_complete() && quick.unplayed().is_empty());
        assert_eq!(Guided::new(Reference::default(), false).count(), (0, 88));
    }

    #[test]
    fn a_wrong_key_is_asked_again_and_may_be_insisted_on() {
        let mut guided = Guided::new(Reference::default(), false);
        let wrong = guided.hear(sounds(74, 0.0));
        let (asked, heard) = (MidiNote(69), MidiNote(74));
        assert_eq!(wrong, Said::WrongKey { asked, heard });
        assert!(wrong.asks_again());
        assert_eq!(guided.asked(), Some(asked));
        assert_eq!(key(guided.hear(sounds(69, -12.0))), 69);
        // A neighbour of the key asked, on a piano of which something is known.
        let wrong = guided.hear(sounds(71, -12.0));
        assert!(matches!(wrong, Said::WrongKey { .. }));
        assert_eq!(key(guided.insist().unwrap()), 70);
        // A key that nobody takes for the one asked stays another.
        let (asked, heard) = (guided.asked().unwrap(), MidiNote(60));
        guided.hear(sounds(60, -12.0));
        assert_eq!(guided.insist(), Some(Said::WrongKey { asked, heard }));
        assert_eq!(guided.asked(), Some(asked));
    }

    #[test]
    fn a_piano_a_whole_semitone_flat_is_recognised() {
        let mut guided = Guided::new(Reference::default(), false);
        let mut shifted = None;
        for _ in 0..6 {
            let asked = guided.asked().unwrap();
            if let said @ Said::Shifted { .. } = guided.hear(sounds(asked.0, -104.0)) {
                shifted = Some(said);
                break;
            }
        }
        assert_eq!(shifted, Some(Said::Shifted { by: -1 }));
        // Those that showed it are kept, and what follows is taken by where it stands.
        let next = guided.asked().unwrap();
        assert_eq!(key(guided.hear(sounds(next.0, -107.0))), next.0);
        assert!(guided.count().0 >= 3);
        let findings = guided.instrument().findings();
        assert!((findings.offset + 104.0).abs() < 4.0, "{}", findings.offset);
        // One slip to a neighbour on a good piano shows nothing.
        let mut good = Guided::new(Reference::default(), false);
        good.hear(sounds(68, 0.0));
        assert_eq!(key(good.hear(sounds(69, 0.0))), 69);
        good.hear(sounds(69, 0.0));
        good.hear(sounds(69, 0.0));
        assert!(matches!(good.hear(sounds(72, 0.0)), Said::WrongKey { .. }));
    }

    #[test]
    fn faults_are_asked_again_twice_and_then_the_best_is_kept_or_passed_over() {
        let mut guided = Guided::new(Reference::default(), false);
        let soft = |key| Listened {
            take: take(-60.0, 2.2),
            ..sounds(key, 0.0)
        };
        assert_eq!(guided.hear(soft(69)), Said::Soft);
        assert_eq!(guided.hear(soft(69)), Said::Soft);
        let kept = guided.hear(soft(69));
        assert!(matches!(kept, Said::Kept { faulty: true, .. }), "{kept:?}");
        assert!(
            guided.instrument().keys[&69]
                .remarks
                .contains(&Remark::Soft)
        );

        let mut clipped = sounds(70, 0.0);
        clipped.take.strike.clipped = true;
        assert_eq!(guided.hear(clipped), Said::Clipped);
        let mut ringing = sounds(70, 0.0);
        ringing.take.strike.over_another = true;
        ringing.take.strike.before_db = -30.0;
        assert_eq!(guided.hear(ringing), Said::OverAnother);
        assert_eq!(key(guided.hear(sounds(70, 0.0))), 70);
        let short = Listened {
            take: take(-20.0, 0.3),
            ..sounds(71, 0.0)
        };
        assert_eq!(guided.hear(short), Said::Brief);

        guided.pass(false);
        // Thuds in the room, however many, say nothing of a key.
        for _ in 0..5 {
            let thud = Listened {
                take: take(-60.0, 0.3),
                ..nothing()
            };
            assert_eq!(guided.hear(thud), Said::Soft);
        }
        assert_eq!(guided.hear(nothing()), Said::NoString);
        assert_eq!(guided.hear(nothing()), Said::NoString);
        let key = MidiNote(72);
        assert_eq!(guided.hear(nothing()), Said::HardlySounds { key });
        assert_eq!(guided.mute(), [key]);
        assert!(guided.unplayed().contains(&MidiNote(71)));
        assert!(!guided.unplayed().contains(&key));
    }

    #[test]
    fn any_order_and_any_subset_will_do() {
        let mut guided = Guided::new(Reference::default(), false);
        guided.set_free(true);
        assert_eq!(guided.asked(), None);
        for played in [40, 99, 60] {
            assert_eq!(key(guided.hear(sounds(played, -8.0))), played);
        }
        guided.set_free(false);
        assert_eq!(guided.asked(), Some(MidiNote(69)));
        guided.pass(true);
        assert_eq!(guided.asked(), Some(MidiNote(21)));
        assert_eq!(guided.count(), (3, 88));
    }
}
