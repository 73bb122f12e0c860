//! From a stream of sound to notes: waits for an onset, lets a window grow from it, decides once.
//! In: samples of one channel in pieces of any size. Out: [`NoteEvent`]s, each as early as it is sure enough.

use std::collections::VecDeque;

use super::decide::{Decider, Verdict};
use super::event::{Lesson, ListenError, NoteEvent, Options, Surety};
use super::evidence::Parts;
use super::grid::{self, Grid};
use super::onset::{Onset, OnsetDetector};
use super::ring::RingPredictor;
use super::rules::{self, BABBLE, BABBLE_S};
use super::thin::Thinner;
use super::tuning::Offsets;
use super::voice::{self, VoiceTracker};
use super::window::{Scene, Shape};
use crate::signal::spectrum::dot;
use crate::theory::{Hz, MidiNote, Temperament};

mod look;
mod now;

use look::{Memory, Pending};

/// Seconds after the onset at which a decision is tried.
const LOOKS: [f64; 14] = [
    0.03, 0.037, 0.045, 0.05, 0.055, 0.06, 0.065, 0.075, 0.09, 0.11, 0.135, 0.17, 0.21, 0.25,
];
/// Those of them that only look for what was nearly decided by the one before.
const BETWEEN: [f64; 2] = [0.05, 0.06];
/// Log odds from which a decision teaches how the piano is tuned.
const LEARN_ODDS: f32 = 3.0;
/// An onset below this share of an undecided one's growth may be its echo.
const ECHO: f32 = 0.4;
/// Two onsets of a bass string this close are one stroke: its attack comes in two parts.
const DOUBLE_S: f64 = 0.08;
/// No hand strikes one key again so soon.
const DOUBLE_STROKE_S: f64 = 0.115;
/// A key struck so shortly before is likelier to be struck again.
const AGAIN_S: f64 = 1.0;
/// Below this share it does not end a note that a voice may be settling on.
const WEAK: f32 = 0.6;
/// A sung note is waited for so long.
const VOICE_WAIT_S: f64 = 1.2;
/// A sung note's steady pitch begins at most this long after its onset.
const LATEST_VOICE_S: f64 = 0.25;
/// A voice that has fallen to this share of its loudest has stopped (−10 dB).
const STOPPED: f32 = 0.1;
/// A consonant that is hummed lasts no longer; the note began with it.
const HUM_S: f64 = 0.2;
/// A shorter one, or what seems to be one, is no part of it.
const SHORTEST_HUM_S: f64 = 0.07;
/// Up to this partial a key that rings may be what seems to be a voice.
const PARTIALS_THAT_RING: f64 = 4.0;
/// A struck note's first partial is measured again on this much sound.
const REMEASURED: [f64; 3] = [0.1, 0.17, 0.25];
/// A note whose power has fallen to this share of its loudest is over (−50 dB).
const SILENT: f32 = 1e-5;
/// Frames a pitch must hold before it is told.
const HELD: usize = 4;
/// Sound kept: the longest window, as much before it, and the detector's delay.
const KEPT_S: f64 = 1.0;
/// An onset so soon after the stream's beginning may be that, and no stroke.
const BEGINNING_S: f64 = 0.01;
/// Sound before an onset from which the ringing is predicted.
const RING_S: f64 = 0.25;
/// The attack is kept out of that sound: it ends this long before the onset …
const RING_GAP_S: f64 = 0.001;
/// … and begins this long after the onset before.
const RING_SKIP_S: f64 = 0.01;

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
    /// Onsets that are not decided, oldest first.
    pending: Vec<Pending>,
    /// The newest onset that no window decided, with what rang at it.
    undecided: Option<(Onset, Vec<f32>)>,
    /// The key decided last, and the sample up to which its sound was used.
    decided: Option<(usize, usize)>,
    decided_onset: usize,
    last_onset: usize,
    /// Voiced onsets of late that were no notes.
    rejects: VecDeque<usize>,
    offsets: Offsets,
    voice: VoiceTracker,
    /// The pitch is asked for at every moment.
    pub(super) tells_pitch: bool,
    /// Hops so far.
    hops: usize,
    /// The newest onset, until it is decided.
    open: Option<Open>,
    /// The note that sounds.
    sounding: Option<Sounding>,
}

/// An onset that no note was decided for yet; a voice may still settle on it.
#[derive(Debug, Clone, Copy)]
struct Open {
    onset: Onset,
    /// Power of the frame at the onset.
    before: f32,
    /// An undecided onset shortly before, and the pitch that sounded since: a hummed consonant.
    hummed: Option<(Onset, f64)>,
    /// The pitch of a note that had not stopped at the onset, which may be a consonant within it.
    goes_on: Option<f64>,
    /// It came while a voice held a note.
    sung: bool,
    /// The first partial of a key that was ringing, however softly.
    rings: Option<f64>,
}

impl Open {
    /// Where a note of this `frequency` began: with the consonant that was hummed on its pitch, if there was one.
    fn begun(&self, frequency: f64) -> Onset {
        match self.hummed {
            Some((before, pitch)) if is_same(pitch, frequency) => before,
            _ => self.onset,
        }
    }
}

/// A decided note, while it sounds.
#[derive(Debug)]
struct Sounding {
    /// What was struck; none for a voice, whose pitch moves.
    struck: Option<Verdict>,
    onset: Onset,
    ring: Vec<f32>,
    first: f64,
    confidence: f32,
    /// Index into [`REMEASURED`].
    measured: usize,
    /// Loudest hop so far, mean square.
    loudest: f32,
}

impl Listener {
    /// A listener for a stream of `rate` samples a second. Errors: [`ListenError::Rate`].
    pub fn new(rate: u32, options: Options) -> Result<Listener, ListenError> {
        let thinner = Thinner::new(rate)?;
        let working = thinner.working_rate();
        let hop = (working / 200.0).round() as usize;
        let detector = OnsetDetector::new(working, hop);
        let mut decider = Decider::new(
            Grid::new(options.reference, options.instrument.as_ref()),
            working,
        );
        let offsets = Offsets::new(&known_offsets(&options, &decider.grid));
        decider.grid.retune(&offsets.curve());
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
            pending: Vec::new(),
            undecided: None,
            decided: None,
            decided_onset: 0,
            last_onset: 0,
            rejects: VecDeque::new(),
            offsets,
            voice: VoiceTracker::new(working),
            tells_pitch: false,
            hops: 0,
            open: None,
            sounding: None,
        })
    }

    /// Takes the next samples (full scale ±1); gives the notes they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<NoteEvent> {
        self.feed(samples);
        let mut events = Vec::new();
        while self.hop(&mut events) {}
        events
    }

    /// Takes the next samples, to be gone through by [`Listener::hop`].
    pub(super) fn feed(&mut self, samples: &[f32]) {
        self.thinner.push(samples, &mut self.sound);
    }

    /// Goes a hop of 5 ms further, if there is as much sound.
    pub(super) fn hop(&mut self, events: &mut Vec<NoteEvent>) -> bool {
        if self.start + self.sound.len() < self.seen + self.hop {
            return false;
        }
        self.seen += self.hop;
        self.hops += 1;
        self.step(events);
        self.forget();
        true
    }

    /// Ends the stream: gives the note that was not decided yet, from the sound there is.
    pub fn finish(&mut self) -> Vec<NoteEvent> {
        for mut pending in std::mem::take(&mut self.pending) {
            self.reject(&mut pending);
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
            self.begin(onset, events);
        }
        for mut pending in std::mem::take(&mut self.pending) {
            // Decided meanwhile by the other attack of the same note.
            let attack_of_decided = pending.echo
                && self
                    .decided
                    .is_some_and(|(_, until)| pending.onset.sample <= until);
            if attack_of_decided || self.decided_onset > pending.onset.sample {
                continue;
            }
            if !self.look(&mut pending, events) {
                self.pending.push(pending);
            }
        }
        // Following a pitch is most of the work: only where a sung note may begin, or where the pitch itself is asked for.
        let expected = self.options.voice.is_some()
            && self.open.is_some_and(|open| {
                self.seen - open.onset.sample < (VOICE_WAIT_S * self.rate) as usize
            });
        if self.hops.is_multiple_of(2) && (expected || self.tells_pitch) {
            self.follow(events);
        }
        self.sound_on();
    }

    /// Opens an onset.
    fn begin(&mut self, onset: Onset, events: &mut Vec<NoteEvent>) {
        let strongest = |p: &Pending| onset.growth < ECHO * p.onset.growth;
        // A much weaker one soon after may be the same note's second attack: both are followed.
        let echo = self.pending.last().is_some_and(strongest);
        let mut before = None;
        if !echo {
            for mut pending in std::mem::take(&mut self.pending) {
                // Whether a held key has company will not be known any more; a faint one will not be any clearer.
                let babble = self.babble(pending.onset.sample) >= BABBLE;
                let faint = pending.memory.faint.take().filter(|_| !babble);
                match pending.held.take().or(faint) {
                    Some((verdict, odds)) => {
                        self.strike(&mut pending, &verdict, odds, Surety::Sure, events);
                    }
                    None => self.reject(&mut pending),
                }
                let apart = (onset.sample - pending.onset.sample) as f64 / self.rate;
                let stronger = pending.onset.growth > onset.growth;
                before = (stronger && apart < DOUBLE_S).then_some(pending.onset);
            }
        }
        let sung = match &self.sounding {
            Some(note) => note.struck.is_none(),
            None => self.open.is_some_and(|open| open.sung) && self.goes_on_still().is_some(),
        };
        if self.options.piano {
            self.pending.push(Pending {
                ring: self.ringing(&onset),
                onset,
                look: 0,
                memory: Memory::default(),
                held: None,
                chord: false,
                voiced: false,
                sung,
                first: onset.sample < ((KEPT_S + BEGINNING_S) * self.rate) as usize,
                echo,
                before,
            });
        }
        self.last_onset = onset.sample;
        let weak = self.open.is_some_and(|open| {
            let apart = (onset.sample - open.onset.sample) as f64 / self.rate;
            onset.growth < WEAK * open.onset.growth && apart < LATEST_VOICE_S
        });
        if weak {
            return;
        }
        let hummed = self.open.and_then(|open| {
            let apart = (onset.sample - open.onset.sample) as f64 / self.rate;
            let pitch = self.voice.newest?.frequency;
            ((SHORTEST_HUM_S..HUM_S).contains(&apart) && self.voice.age() >= HELD)
                .then_some((open.onset, pitch))
        });
        let at = onset.sample - self.start;
        let length = (voice::FRAME_S * self.rate) as usize;
        let before_it = mean_square(&self.sound[at.saturating_sub(length)..at]);
        // Between two sung notes of one pitch the voice stops; what sounds on may have been taken for a struck one.
        let soon = (HUM_S * self.rate) as usize;
        let goes_on = self
            .sounding
            .as_ref()
            .filter(|note| {
                onset.sample < note.onset.sample + soon || before_it > STOPPED * note.loudest
            })
            .map(|note| note.first)
            .or_else(|| self.goes_on_still());
        let rings = self
            .sounding
            .as_ref()
            .filter(|note| note.struck.is_some())
            .map(|note| note.first);
        // The attack of a low string comes in parts: what was decided of it sounds on.
        self.sounding = self.sounding.take().filter(|note| {
            let apart = (onset.sample - note.onset.sample) as f64 / self.rate;
            note.struck.is_some()
                && apart < DOUBLE_STROKE_S
                && onset.growth < WEAK * note.onset.growth
        });
        self.voice.cut();
        self.open = Some(Open {
            onset,
            before: before_it,
            hummed,
            goes_on,
            sung,
            rings,
        });
    }

    /// The pitch that went on at the onset before and still does.
    fn goes_on_still(&self) -> Option<f64> {
        let before = self.open?.goes_on?;
        let now = self.voice.newest.filter(|_| self.voice.age() >= HELD)?;
        is_same(now.frequency, before).then_some(before)
    }

    /// A voice: looks at the newest frame.
    fn follow(&mut self, events: &mut Vec<NoteEvent>) {
        let end = self.seen - self.start;
        let frame = &self.sound[end - self.voice.finder.length()..end];
        let power = mean_square(frame);
        let Some(stretch) = self.voice.push(frame, self.seen, &self.decider.grid) else {
            return;
        };
        let (Some(open), Some((lowest, highest))) = (self.open, self.options.voice) else {
            return;
        };
        // What has not come to its pitch yet is judged when it has; the pitch that a chord seems to have is of none of its keys.
        if stretch.sliding
            || self.pending.iter().any(|p| p.chord)
            || rules::is_hollow(stretch.holes)
        {
            return;
        }
        let late = (stretch.begun as f64 - open.onset.sample as f64) / self.rate;
        if late > LATEST_VOICE_S {
            return;
        }
        let babble = self.babble(open.onset.sample);
        let rise = 10.0 * (power.max(1e-10) / open.before.max(1e-10)).log10();
        let more = [
            rise.clamp(-5.0, 20.0),
            open.onset.growth.log2().clamp(-2.0, 2.0),
            late as f32 * 10.0,
        ];
        let odds = voice::log_odds(&stretch.measures, &more, babble)
            + rules::above_speech(stretch.frequency, rise);
        let since = (self.seen - open.onset.sample) as f64 / self.rate;
        let lasts = stretch.lasting && rules::stands_out(rise);
        if !lasts && !rules::sung_enough(odds, stretch.colour(), since) {
            return;
        }
        let a4 = self.options.reference.hz();
        let number = 69.0 + 12.0 * (stretch.frequency / a4.0).log2();
        let key = MidiNote(number.round() as i16);
        if key < lowest || key > highest {
            return;
        }
        let same = |pitch: f64| is_same(pitch, stretch.frequency);
        // A string that rings on is no voice, and what was struck besides may still be decided.
        let rings = |first: f64| {
            let partial = (stretch.frequency / first).round().max(1.0);
            partial <= PARTIALS_THAT_RING && same(partial * first)
        };
        if open.rings.is_some_and(rings) && !rules::stands_out(rise) {
            return;
        }
        let begun = open.begun(stretch.frequency);
        // What began since was part of the note.
        self.rejects.retain(|at| *at < begun.sample);
        if !open.goes_on.is_some_and(same) {
            events.push(self.event(&begun, key, Hz(stretch.frequency), odds));
        }
        self.open = None;
        self.pending.clear();
        self.sounding = Some(Sounding {
            struck: None,
            onset: open.onset,
            ring: Vec::new(),
            first: stretch.frequency,
            confidence: likelihood(odds),
            measured: REMEASURED.len(),
            loudest: power,
        });
    }

    /// Measures the note that sounds again, on more of its sound, and forgets it when it has died away.
    fn sound_on(&mut self) {
        let Some(mut sounding) = self.sounding.take() else {
            return;
        };
        let end = self.seen - self.start;
        let power = mean_square(&self.sound[end - 4 * self.hop..end]);
        sounding.loudest = sounding.loudest.max(power);
        if power < 1e-8 || power < SILENT * sounding.loudest {
            return;
        }
        if let Some(verdict) = &sounding.struck
            && let Some(seconds) = REMEASURED.get(sounding.measured)
        {
            let length = (seconds * self.rate) as usize;
            let at = sounding.onset.sample.saturating_sub(self.start);
            if sounding.onset.sample + length <= self.seen && at >= length {
                sounding.measured += 1;
                let scene = Scene {
                    before: &self.sound[at - length..at],
                    after: &self.sound[at..at + length],
                    ring: sounding.ring.get(..length).unwrap_or_default(),
                };
                let Decider {
                    analyser, round, ..
                } = &mut self.decider;
                if analyser.fill(round, Shape::Round, &scene) {
                    let measured = self.decider.first_partial(verdict);
                    sounding.first = self.decider.likeliest(verdict, measured);
                }
            }
        }
        self.sounding = Some(sounding);
    }

    /// Seconds from the start of the stream to the end of what was gone through.
    pub(super) fn now_s(&self) -> f64 {
        (self.seen as f64 / self.rate
            - (KEPT_S * self.rate).floor() / self.rate
            - self.thinner.delay_s())
        .max(0.0)
    }

    /// Hops gone through.
    pub(super) fn hops(&self) -> usize {
        self.hops
    }

    /// Voiced onsets shortly before `sample` that were no notes.
    fn babble(&self, sample: usize) -> usize {
        self.rejects
            .iter()
            .filter(|at| **at < sample && sample - **at < (BABBLE_S * self.rate) as usize)
            .count()
            .min(BABBLE)
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

    /// Learns how the instrument is tuned. From notes whose key is known it goes no further than 40 cents from what was known
    /// before; beyond that, keys must be told (see [`Options::instrument`]).
    pub fn teach(&mut self, lesson: &Lesson) {
        match lesson {
            Lesson::Right(note) => {
                if let Some(index) = grid::index(note.key) {
                    self.learn(index, note.frequency);
                }
            }
            Lesson::Keys(keys) => {
                self.options = self.options.with_keys(keys);
                self.offsets = Offsets::new(&known_offsets(&self.options, &self.decider.grid));
                self.decider.grid.retune(&self.offsets.curve());
            }
        }
    }

    /// Moves the grid towards this piano.
    fn learn(&mut self, key: usize, first: Hz) {
        let grid = &mut self.decider.grid;
        self.offsets.learn(key, grid.cents_from_usual(key, first.0));
        grid.retune(&self.offsets.curve());
    }

    fn event(&self, onset: &Onset, key: MidiNote, frequency: Hz, odds: f32) -> NoteEvent {
        let at = Temperament::equal().frequency(key, self.options.reference);
        let lead = (KEPT_S * self.rate) as usize;
        let onset_s = (onset.sample as f64 - lead as f64) / self.rate;
        NoteEvent {
            onset_s: (onset_s - self.thinner.delay_s()).max(0.0),
            decided_s: (self.seen - lead) as f64 / self.rate,
            key,
            frequency,
            cents: frequency.cents_above(at),
            confidence: likelihood(odds),
            surety: Surety::Sure,
        }
    }
}

/// The keys of `options.instrument`, in cents from where `grid` usually has them.
fn known_offsets(options: &Options, grid: &Grid) -> Vec<(usize, f64)> {
    let Some(piano) = &options.instrument else {
        return Vec::new();
    };
    (0..grid::KEYS)
        .filter_map(|index| {
            let first = piano.first(grid::key(index))?;
            Some((index, grid.cents_from_usual(index, first.0)))
        })
        .collect()
}

/// Whether two frequencies are less than a semitone apart.
fn is_same(one: f64, other: f64) -> bool {
    (12.0 * (one / other).log2()).abs() < 1.0
}

fn likelihood(odds: f32) -> f32 {
    1.0 / (1.0 + (-odds).exp())
}

fn mean_square(sound: &[f32]) -> f32 {
    dot(sound, sound) / sound.len().max(1) as f32
}
