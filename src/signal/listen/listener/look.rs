//! How an onset is decided: longer and longer windows are judged until one key is sure enough, or none is.

use std::collections::VecDeque;

use super::super::decide::Verdict;
use super::super::event::{NoteEvent, Surety};
use super::super::evidence::{self, MEASURES, periodicity};
use super::super::grid;
use super::super::note::Observation;
use super::super::onset::Onset;
use super::super::rules::{self, BABBLE, BASS, Company, STEADY};
use super::super::window::Scene;
use super::{AGAIN_S, BETWEEN, DOUBLE_STROKE_S, LEARN_ODDS, LOOKS, Listener, Sounding, likelihood};
use crate::theory::Hz;

/// Autocorrelation at the period from which a sound counts as voiced.
const VOICED: f32 = 0.5;
/// Windows from here on are late.
const LATE_S: f64 = 0.065;
/// Log odds from which a key is nearly decided.
const NEAR_ODDS: f32 = -1.0;

/// An onset that is not decided yet.
#[derive(Debug)]
pub(super) struct Pending {
    pub(super) onset: Onset,
    pub(super) look: usize,
    pub(super) ring: Vec<f32>,
    pub(super) memory: Memory,
    /// A key that was sure enough but may have company, with its log odds.
    pub(super) held: Option<(Verdict, f32)>,
    /// The newest window that was sure enough looked like several keys struck together.
    pub(super) chord: bool,
    /// A window had a period.
    pub(super) voiced: bool,
    /// It came while a voice held a note: a syllable may have begun.
    pub(super) sung: bool,
    /// It is the beginning of the stream: there may have been noise all the time.
    pub(super) first: bool,
    /// It came soon after a stronger one that was not decided yet.
    pub(super) echo: bool,
    /// A stronger, undecided onset just before: of a bass string it is the same stroke.
    pub(super) before: Option<Onset>,
}

/// What is remembered of the windows of an onset.
#[derive(Debug, Clone, Default)]
pub(super) struct Memory {
    /// Best keys of the two windows before.
    keys: [Option<usize>; 2],
    /// Key, margin and log odds of the newest windows.
    run: VecDeque<(usize, f32, f32)>,
    /// The surest treble key so far, with its log odds.
    pub(super) faint: Option<(Verdict, f32)>,
    /// The key that has led in every late window so far.
    leader: Option<Leader>,
}

/// A key that was the best in one late window after the other.
#[derive(Debug, Clone)]
struct Leader {
    verdict: Verdict,
    windows: usize,
    /// Least margin, nats.
    margin: f32,
    /// Sum of the log odds.
    odds: f32,
}

impl Memory {
    /// Whether the newest window was rather a string than not.
    pub(super) fn is_likely(&self) -> bool {
        self.run.back().is_some_and(|(_, _, odds)| *odds > 0.0)
    }

    /// Takes what a late window says.
    fn lead(&mut self, verdict: &Verdict, odds: f32) {
        let before = self
            .leader
            .take()
            .filter(|leader| leader.verdict.key == verdict.key);
        self.leader = Some(match before {
            Some(leader) => Leader {
                verdict: *verdict,
                windows: leader.windows + 1,
                margin: leader.margin.min(verdict.margin),
                odds: leader.odds + odds,
            },
            None => Leader {
                verdict: *verdict,
                windows: 1,
                margin: verdict.margin,
                odds,
            },
        });
    }

    /// Whether the newest window nearly decided.
    fn is_near(&self) -> bool {
        self.run
            .back()
            .is_some_and(|(key, _, odds)| *key >= BASS && *odds > NEAR_ODDS)
    }
}

/// What one window says of an onset.
struct Judged {
    verdict: Verdict,
    voiced: bool,
    measures: Option<[f32; MEASURES]>,
}

impl Listener {
    /// Looks as far as the sound goes; true when the onset is dealt with.
    pub(super) fn look(&mut self, pending: &mut Pending, events: &mut Vec<NoteEvent>) -> bool {
        while let Some(seconds) = LOOKS.get(pending.look) {
            if pending.onset.sample + (seconds * self.rate) as usize > self.seen {
                return false;
            }
            pending.look += 1;
            let dealt_with = if !BETWEEN.contains(seconds) {
                self.look_at(pending, *seconds, events)
            } else if pending.memory.is_near() {
                // The odds know windows without these before them.
                let memory = pending.memory.clone();
                let dealt_with = self.look_at(pending, *seconds, events);
                pending.memory = memory;
                dealt_with
            } else {
                false
            };
            if dealt_with {
                return true;
            }
        }
        let babble = self.babble(pending.onset.sample) >= BABBLE;
        if let Some((verdict, odds)) = pending.held.take() {
            // Sure enough once, but with company, and never again.
            self.strike(pending, &verdict, odds, Surety::Unsure, events);
        } else if let Some((verdict, odds)) = pending.memory.faint.take().filter(|_| !babble) {
            self.strike(pending, &verdict, odds, Surety::Sure, events);
        } else if let Some((verdict, odds)) = self.leader(pending) {
            self.strike(pending, &verdict, odds, Surety::Sure, events);
        } else {
            self.reject(pending);
        }
        true
    }

    /// The bass key that led in all late windows, with log odds, if that makes it a note.
    fn leader(&self, pending: &Pending) -> Option<(Verdict, f32)> {
        let leader = pending.memory.leader.as_ref()?;
        let late = LOOKS.iter().filter(|seconds| **seconds >= LATE_S).count();
        let new = self
            .decided
            .is_none_or(|(key, _)| key != leader.verdict.key);
        let quiet = self.babble(pending.onset.sample) == 0 && !pending.sung && !pending.first;
        let odds = leader.odds / leader.windows as f32;
        (leader.windows == late
            && new
            && quiet
            && rules::leads_throughout(&leader.verdict, leader.margin, odds))
        .then_some((leader.verdict, odds))
    }

    /// Looks at the first `seconds` after the onset; true when that decides it.
    fn look_at(
        &mut self,
        pending: &mut Pending,
        seconds: f64,
        events: &mut Vec<NoteEvent>,
    ) -> bool {
        let judged = self.judge(pending, (seconds * self.rate) as usize);
        let memory = &mut pending.memory;
        let before = memory.keys;
        memory.keys = [judged.as_ref().map(|j| j.verdict.key), before[0]];
        let Some(judged) = judged else {
            return false;
        };
        let verdict = judged.verdict;
        pending.voiced |= judged.voiced;
        let measures = judged
            .measures
            .filter(|m| rules::may_be_struck(verdict.key, m[evidence::GROWTH]));
        let Some(measures) = measures else {
            memory.run.clear();
            return false;
        };
        let same = before.iter().filter(|k| **k == Some(verdict.key)).count();
        let observation = Observation {
            key: verdict.key,
            measures,
            swell: self.detector.swell(&pending.onset),
            growth: pending.onset.growth,
            same: same as f32 / 2.0,
            seconds,
        };
        let odds = observation.log_odds();
        let again = self.decided.is_some_and(|(key, _)| key == verdict.key)
            && pending.onset.sample - self.decided_onset < (AGAIN_S * self.rate) as usize;
        // A treble tone under a knock is gone before the last window: its clearest one counts then.
        if rules::faint_but_there(&verdict, odds, again)
            && memory.faint.as_ref().is_none_or(|(_, o)| *o < odds)
        {
            memory.faint = Some((verdict, odds));
        }
        if memory.run.len() == STEADY {
            memory.run.pop_front();
        }
        memory.run.push_back((verdict.key, verdict.margin, odds));
        if seconds >= LATE_S {
            memory.lead(&verdict, odds);
        }
        let talk = pending.sung || self.babble(pending.onset.sample) >= BABBLE;
        let babble = talk || pending.first;
        if rules::enough(&pending.memory.run, &verdict, odds, seconds, babble) {
            // Somebody who talks leaves lines, too.
            let among = (odds, measures[evidence::WEAKER], seconds);
            pending.chord = !talk && self.decider.is_chord(&verdict, among);
            let beside = self.decider.company(&verdict);
            let surety = match rules::company(&verdict, beside, pending.chord, seconds) {
                Company::Alone => Surety::Sure,
                Company::Beside => Surety::Unsure,
                Company::Doubtful => {
                    pending.held.get_or_insert((verdict, odds));
                    return false;
                }
            };
            self.strike(pending, &verdict, odds, surety, events);
            return true;
        }
        let of_a_note = Observation {
            measures: {
                let mut alone = measures;
                alone[1] = verdict.lead.clamp(0.0, 12.0);
                alone
            },
            ..observation
        };
        let odds = of_a_note.log_odds();
        if rules::between_keys(&verdict, odds, seconds, babble) {
            self.strike(pending, &verdict, odds, Surety::Unsure, events);
            return true;
        }
        false
    }

    /// Decides that `verdict` was struck, or one beside it where that is not sure.
    pub(super) fn strike(
        &mut self,
        pending: &mut Pending,
        verdict: &Verdict,
        odds: f32,
        surety: Surety,
        events: &mut Vec<NoteEvent>,
    ) {
        let measured = self.decider.first_partial(verdict);
        let first = self.decider.likeliest(verdict, measured);
        let onset = match pending.before {
            Some(before) if verdict.key < BASS => before,
            _ => self
                .open
                .filter(|open| open.onset.sample == pending.onset.sample && verdict.key >= BASS)
                .map_or(pending.onset, |open| open.begun(first)),
        };
        let last = self.decided.replace((verdict.key, self.seen));
        let again = last.is_some_and(|(key, _)| key == verdict.key)
            && onset.sample.saturating_sub(self.decided_onset)
                < (DOUBLE_STROKE_S * self.rate) as usize;
        if again {
            return;
        }
        self.decided_onset = onset.sample;
        let event = self.event(&onset, grid::key(verdict.key), Hz(first), odds);
        events.push(NoteEvent { surety, ..event });
        if odds >= LEARN_ODDS && self.options.learns && surety == Surety::Sure {
            self.learn(verdict.key, Hz(measured));
        }
        self.open = None;
        self.sounding = Some(Sounding {
            struck: Some(*verdict),
            onset: pending.onset,
            ring: std::mem::take(&mut pending.ring),
            first,
            confidence: likelihood(odds),
            measured: 0,
            loudest: 0.0,
        });
    }

    /// Ends an onset that no window took for a note.
    pub(super) fn reject(&mut self, pending: &mut Pending) {
        self.undecided = Some((pending.onset, std::mem::take(&mut pending.ring)));
        // Under a held note it was part of that; what looks like the key that sounds is a swell of it.
        let swell = self
            .sounding
            .as_ref()
            .and_then(|note| note.struck.as_ref())
            .is_some_and(|struck| pending.memory.keys[0] == Some(struck.key));
        if pending.voiced && pending.look >= 2 && !pending.sung && !swell {
            // One more than count: this onset itself may be asked about yet.
            if self.rejects.len() > BABBLE {
                self.rejects.pop_front();
            }
            self.rejects.push_back(pending.onset.sample);
        }
    }

    /// The best key of a window, whether the window is voiced, and its measures if it may decide.
    fn judge(&mut self, pending: &Pending, length: usize) -> Option<Judged> {
        let at = pending.onset.sample.checked_sub(self.start)?;
        self.decider.turn_to(pending.onset.sample);
        let scene = Scene {
            before: self.sound.get(at.checked_sub(length)?..at)?,
            after: self.sound.get(at..at + length)?,
            ring: pending.ring.get(..length).unwrap_or_default(),
        };
        let verdict = self.decider.judge(&scene)?;
        let first = verdict.round.first(&self.decider.grid.keys[verdict.key]);
        let voiced = periodicity(scene.after, self.rate / first) > VOICED;
        let measures = rules::may_decide(&verdict, length as f64 / self.rate).then(|| {
            self.parts
                .measure(&mut self.decider, &scene, &verdict, self.rate)
        });
        Some(Judged {
            verdict,
            voiced,
            measures,
        })
    }
}
