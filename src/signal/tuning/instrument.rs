//! A whole piano: how each key lies, what its own stiffness asks for, and what follows from it.
//! In: keys that were read. Out: an [`Instrument`] and its [`Findings`].

use std::collections::BTreeMap;

use super::clock::ClockError;
use super::key::KeyReading;
use super::stretch::{KEYS, Stiffness};
use super::unison::Unison;
use crate::theory::{Cents, Hz, MidiNote, Reference, Temperament};

/// One struck key, read and named.
#[derive(Debug, Clone, PartialEq)]
pub struct Struck {
    /// The key.
    pub key: MidiNote,
    /// Cents of its first partial above equal temperament at the reference.
    pub cents: Cents,
    /// Its strings.
    pub reading: KeyReading,
    /// What must be said about the sound it was read from.
    pub remarks: Vec<Remark>,
}

/// What must be said about a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Remark {
    /// Samples at full scale.
    Clipped,
    /// Too soft to be sure.
    Soft,
    /// Another string was still sounding.
    OverAnother,
    /// It sounded too shortly for beats to be told.
    Brief,
    /// Few partials were found.
    FewPartials,
    /// The strings disagree.
    Unison(Cents),
    /// A single string beats with itself.
    FalseBeat,
}

impl Remark {
    /// In words.
    pub fn words(self) -> String {
        match self {
            Remark::Clipped => "the recording is clipped: record it softer".to_owned(),
            Remark::Soft => "it is soft: play it louder or put the microphone nearer".to_owned(),
            Remark::OverAnother => "another string was still sounding: damp it first".to_owned(),
            Remark::Brief => "it sounds too shortly to tell beats: hold the key".to_owned(),
            Remark::FewPartials => "few partials stand out".to_owned(),
            Remark::Unison(spread) => format!(
                "beats: its strings lie {:.1} cents apart, or one string beats with itself",
                spread.0
            ),
            Remark::FalseBeat => {
                "some partials beat alone: probably one string with itself".to_owned()
            }
        }
    }
}

/// Names and judges a reading: `level_db` and `seconds` of the sound it comes from, and what was found there.
pub fn judge(
    key: MidiNote,
    reading: KeyReading,
    reference: Reference,
    level_db: f64,
    seconds: f64,
) -> Struck {
    let cents = reading
        .first
        .cents_above(Temperament::equal().frequency(key, reference));
    let mut remarks = Vec::new();
    if level_db < SOFT_DB {
        remarks.push(Remark::Soft);
    }
    if seconds < BRIEF_S {
        remarks.push(Remark::Brief);
    }
    if reading.partials.len() < 3 && key.0 < 96 {
        remarks.push(Remark::FewPartials);
    }
    if let Some(unison) = reading.unison {
        remarks.push(Remark::Unison(unison.spread));
    }
    if !reading.false_beats.is_empty() {
        remarks.push(Remark::FalseBeat);
    }
    Struck {
        key,
        cents,
        reading,
        remarks,
    }
}

/// What is kept of a key when a check is over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kept {
    /// The key.
    pub key: MidiNote,
    /// First partial.
    pub first: Hz,
    /// Its standard error.
    pub first_se: Cents,
    /// Inharmonicity B.
    pub inharmonicity: f64,
    /// Its standard error.
    pub inharmonicity_se: f64,
    /// Strings that disagree.
    pub unison: Option<Unison>,
}

impl Kept {
    /// The reading it was kept from, without what was not kept: partials, false beats and remarks.
    pub fn struck(self, reference: Reference) -> Struck {
        let place = Temperament::equal().frequency(self.key, reference);
        Struck {
            key: self.key,
            cents: self.first.cents_above(place),
            reading: KeyReading {
                first: self.first,
                first_se: self.first_se,
                inharmonicity: self.inharmonicity,
                inharmonicity_se: self.inharmonicity_se,
                scatter: Cents(0.0),
                unison: self.unison,
                false_beats: Vec::new(),
                partials: Vec::new(),
            },
            remarks: Vec::new(),
        }
    }
}

impl From<&Struck> for Kept {
    fn from(struck: &Struck) -> Kept {
        let reading = &struck.reading;
        Kept {
            key: struck.key,
            first: reading.first,
            first_se: reading.first_se,
            inharmonicity: reading.inharmonicity,
            inharmonicity_se: reading.inharmonicity_se,
            unison: reading.unison,
        }
    }
}

/// Softer than this at its loudest, a key is said to be soft, dB under full scale.
pub(super) const SOFT_DB: f64 = -50.0;

/// Shorter than this, beats cannot be told, seconds.
const BRIEF_S: f64 = 0.5;

/// Spread of the keys around the instrument's own curve above which a technician is due, cents: learners hear scale steps
/// uneven from 5 to 10 cents on, and a fresh tuning stays within 1 or 2.
pub const UNEVEN: f64 = 5.0;

/// One key so far off its neighbours sounds wrong in a melody, cents.
pub const KEY_OFF: f64 = 20.0;

/// Strings of one key so far apart sound sour: at A4 they beat once a second.
pub const SOUR: f64 = 4.0;

/// Keys with sour unisons that are too many, as a share of those measured.
pub const SOUR_KEYS: f64 = 0.15;

/// Up to so many cents off, the pitch is as good as asked for: few hear it, and scoring allows it.
pub const ON_PITCH: f64 = 5.0;

/// Beyond so many cents flat or sharp strings have lost or gained a tenth of their tension's change to the next semitone
/// and more; a technician should look before the pitch drifts on.
pub const FAR_OFF: f64 = 30.0;

/// A pitch so many cents from a whole semitone off is said to be that, cents.
const ABOUT: f64 = 25.0;

/// A step between neighbouring groups of keys that shows a bridge has moved by itself, cents.
pub const BRIDGE_STEP: f64 = 6.0;

/// Keys needed for a verdict that is not provisional.
pub const WHOLE: usize = 70;

/// Keys needed for any verdict.
pub const LEAST: usize = 8;

/// Cents that the sound card's clock may be off by, unless it was measured: 100 parts in a million.
pub const CLOCK: f64 = 0.173;

/// What is known of a piano.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    /// What cents are counted from.
    pub reference: Reference,
    /// The best reading of each key.
    pub keys: BTreeMap<i16, Struck>,
    /// The sound card's clock, where it was measured: already taken out of the keys' cents.
    pub clock: Option<ClockError>,
    /// Keys that were struck and hardly sounded.
    pub mute: Vec<MidiNote>,
}

/// What a technician or a player wants to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Findings {
    /// Cents above equal temperament that this piano's stiffness asks for, A0 to C8.
    pub curve: [f64; 88],
    /// How far the whole lies above the reference, cents, by the middle keys; and its standard error.
    pub offset: f64,
    /// Standard error of the offset.
    pub offset_se: f64,
    /// Each measured key's distance from its place on the curve moved by the offset, cents.
    pub off: BTreeMap<i16, f64>,
    /// Spread of those distances, cents (of the middle two thirds, as a standard deviation).
    pub spread: f64,
    /// The largest step between neighbouring groups of keys around the bass bridge's end: the key above, and cents.
    pub step: Option<(MidiNote, f64)>,
    /// Keys furthest off, worst first.
    pub worst: Vec<MidiNote>,
    /// Keys whose strings are sour.
    pub sour: Vec<MidiNote>,
    /// What follows.
    pub verdict: Verdict,
    /// Too few keys for a last word.
    pub provisional: bool,
}

/// What follows from a check.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Too few keys were read.
    TooLittle,
    /// Good for ear training as it is.
    Fine,
    /// In tune with itself; the program should be told its pitch.
    SetReference(Hz),
    /// Somebody should look after it; the reasons.
    Technician(Vec<Reason>),
}

/// Why a technician is due.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reason {
    /// Keys scatter.
    Uneven(f64),
    /// One key or more are far off.
    KeysOff(usize),
    /// Too many sour unisons.
    Sour(usize),
    /// The whole pitch is far off.
    FarOff(f64),
    /// The pitch steps between bridges.
    Step(MidiNote, f64),
    /// All keys lie as far off as a wrong sample rate would put them, or nearly.
    MaybeRate,
}

impl Instrument {
    /// A piano of which nothing is known.
    pub fn new(reference: Reference) -> Instrument {
        Instrument {
            reference,
            keys: BTreeMap::new(),
            clock: None,
            mute: Vec::new(),
        }
    }

    /// Takes a measured clock's error out of every key.
    pub fn with_clock(mut self, clock: ClockError) -> Instrument {
        let by = clock.cents();
        for struck in self.keys.values_mut() {
            struck.cents.0 += by.0;
            struck.reading.first = struck.reading.first.raised(by);
            for partial in &mut struck.reading.partials {
                partial.frequency = partial.frequency.raised(by);
            }
        }
        self.clock = Some(clock);
        self
    }

    /// Standard error, in cents, that the clock adds to all keys alike: what was measured, or [`CLOCK`].
    pub fn clock_se(&self) -> f64 {
        self.clock.map_or(CLOCK, |clock| clock.cents_se().0)
    }

    /// Adds a key; of two readings of one key the surer stays.
    pub fn add(&mut self, struck: Struck) {
        match self.keys.get(&struck.key.0) {
            Some(known) if known.reading.first_se.0 <= struck.reading.first_se.0 => {}
            _ => {
                self.keys.insert(struck.key.0, struck);
            }
        }
    }

    /// Inharmonicity over the keyboard, smoothed, from the keys read so far.
    pub fn stiffness(&self) -> Stiffness {
        let measured: Vec<(MidiNote, f64, f64)> = self
            .keys
            .values()
            .map(|k| (k.key, k.reading.inharmonicity, k.reading.inharmonicity_se))
            .collect();
        Stiffness::new(&measured)
    }

    /// What follows from the keys read so far.
    pub fn findings(&self) -> Findings {
        let curve = self.stiffness().curve();
        let above: BTreeMap<i16, f64> = self
            .keys
            .iter()
            .map(|(key, struck)| (*key, struck.cents.0 - curve[(key - KEYS.start()) as usize]))
            .collect();
        // The middle carries the pitch: there the curve is surest and the ear keenest.
        let middle: Vec<f64> = above.range(48..=84).map(|(_, cents)| *cents).collect();
        let all: Vec<f64> = above.values().copied().collect();
        let base = if middle.len() >= 3 { &middle } else { &all };
        let offset = median(base);
        let off: BTreeMap<i16, f64> = above.iter().map(|(key, c)| (*key, c - offset)).collect();
        let inner: Vec<f64> = off.values().copied().collect();
        let spread = robust_spread(&inner);
        let offset_se = 1.25 * robust_spread(base) / (base.len().max(1) as f64).sqrt();
        let mut worst: Vec<MidiNote> = off.keys().map(|key| MidiNote(*key)).collect();
        worst.sort_by(|a, b| off[&b.0].abs().total_cmp(&off[&a.0].abs()));
        let sour: Vec<MidiNote> = self
            .keys
            .values()
            .filter(|k| {
                k.reading
                    .unison
                    .is_some_and(|u| u.spread.0 - u.spread_se.0 > SOUR)
            })
            .map(|k| k.key)
            .collect();
        let step = bridge_step(&off);
        let mut findings = Findings {
            curve,
            offset,
            offset_se,
            spread,
            step,
            worst: worst.into_iter().take(5).collect(),
            sour,
            off,
            verdict: Verdict::TooLittle,
            provisional: self.keys.len() < WHOLE,
        };
        findings.verdict = self.verdict(&findings);
        findings
    }

    fn verdict(&self, findings: &Findings) -> Verdict {
        if self.keys.len() < LEAST {
            return Verdict::TooLittle;
        }
        let mut reasons = Vec::new();
        if findings.spread > UNEVEN {
            reasons.push(Reason::Uneven(findings.spread));
        }
        // Its own uncertainty is given to each key.
        let far = findings
            .off
            .iter()
            .filter(|(key, off)| off.abs() - self.keys[*key].reading.first_se.0 > KEY_OFF)
            .count();
        if far > 0 {
            reasons.push(Reason::KeysOff(far));
        }
        if findings.sour.len() as f64 > SOUR_KEYS * self.keys.len() as f64 {
            reasons.push(Reason::Sour(findings.sour.len()));
        }
        if findings.offset.abs() > FAR_OFF {
            reasons.push(Reason::FarOff(findings.offset));
            // 1200 · log2(48 / 44.1) is 146.7 cents: named by the nearest key, 46.7 beyond a semitone or 53.3 short of two.
            let off = findings.offset.abs();
            if (off - 46.7).abs() < 6.0 || (off - 53.3).abs() < 4.0 || (off - 146.7).abs() < 12.0 {
                reasons.push(Reason::MaybeRate);
            }
        }
        if let Some((key, step)) = findings.step.filter(|(_, step)| step.abs() > BRIDGE_STEP) {
            reasons.push(Reason::Step(key, step));
        }
        if !reasons.is_empty() {
            Verdict::Technician(reasons)
        } else if findings.offset.abs() > ON_PITCH {
            let hz = self.reference.hz().raised(Cents(findings.offset));
            Verdict::SetReference(hz)
        } else {
            Verdict::Fine
        }
    }
}

/// The largest difference of medians of six keys on both sides of a place between A1 and G3, where bass bridges end.
fn bridge_step(off: &BTreeMap<i16, f64>) -> Option<(MidiNote, f64)> {
    (33..=55)
        .filter_map(|key| {
            let below: Vec<f64> = off.range(key - 7..key).map(|(_, c)| *c).collect();
            let above: Vec<f64> = off.range(key..key + 7).map(|(_, c)| *c).collect();
            (below.len() >= 5 && above.len() >= 5)
                .then(|| (MidiNote(key), median(&above) - median(&below)))
        })
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => sorted[n / 2],
        n => 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]),
    }
}

/// Standard deviation by the median distance from the median, as a normal distribution has it.
fn robust_spread(values: &[f64]) -> f64 {
    let middle = median(values);
    let distances: Vec<f64> = values.iter().map(|x| (x - middle).abs()).collect();
    1.4826 * median(&distances)
}

impl Reason {
    /// In words, with its threshold.
    pub fn words(self) -> String {
        match self {
            Reason::Uneven(spread) => format!(
                "its keys scatter by {spread:.1} cents around its own curve (up to {UNEVEN} is even enough)"
            ),
            Reason::KeysOff(1) => {
                format!("one key is more than {KEY_OFF} cents from where it belongs")
            }
            Reason::KeysOff(count) => {
                format!("{count} keys are more than {KEY_OFF} cents from where they belong")
            }
            Reason::Sour(1) => format!("the strings of one key are more than {SOUR} cents apart"),
            Reason::Sour(count) => {
                format!("the strings of {count} keys are more than {SOUR} cents apart")
            }
            Reason::FarOff(cents) => {
                let semitones = (cents / 100.0).round();
                let whole = if semitones != 0.0 && (cents - 100.0 * semitones).abs() < ABOUT {
                    format!(
                        ", about {} {}",
                        match semitones.abs() as i32 {
                            1 => "a semitone".to_owned(),
                            more => format!("{more} semitones"),
                        },
                        if cents < 0.0 { "flat" } else { "sharp" }
                    )
                } else {
                    String::new()
                };
                format!(
                    "the whole lies {cents:+.0} cents from the reference{whole} (up to {FAR_OFF} can be played around)"
                )
            }
            Reason::Step(key, cents) => format!(
                "the pitch steps by {cents:+.1} cents at {}, where the bass bridge ends or the air has changed",
                key.spelled_with_sharps()
            ),
            Reason::MaybeRate => {
                "but a recording at 48 kHz named as 44.1 (or the other way) lies 147 cents off and would look like this: check it first"
                    .to_owned()
            }
        }
    }
}
