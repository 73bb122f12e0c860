//! When there is evidence enough. In: log odds, margin and time of a window. Out: whether it decides.
//! Early windows must be surer than late ones; while somebody talks all must be.

use std::collections::VecDeque;

use super::decide::Verdict;

/// Log odds that are enough before 44 ms (93 in a hundred), before 0.11 s (85), and after (75).
const FIRST_ODDS: f32 = 2.59;
const EARLY_ODDS: f32 = 1.73;
const LATE_ODDS: f32 = 1.1;
/// Log odds from which this margin is enough, from C3 up.
const CLEAR_ODDS: f32 = 5.5;
const CLEAR_MARGIN: f32 = 1.5;
/// This many windows in a row for one key, with such a margin and such mean odds, are enough too.
pub(super) const STEADY: usize = 4;
const STEADY_MARGIN: f32 = 4.0;
const STEADY_ODDS: f32 = 0.7;
const STEADY_BABBLE_ODDS: f32 = 2.5;
/// Log odds that are enough (97 in a hundred) while somebody talks: after this many voiced onsets that were no notes …
pub(super) const BABBLE: usize = 2;
const BABBLE_ODDS: f32 = 3.48;
/// … below C3, where a voice's own partials lie among the string's, 99 in a hundred …
const BABBLE_BASS_ODDS: f32 = 4.6;
/// … and from which the first window is enough all the same.
const BABBLE_CLEAR_ODDS: f32 = 5.5;
/// Partials of a bass string grow by less than this, decibels.
const SWELLS: f32 = 9.0;
/// The voiced onsets lie within this time.
pub(super) const BABBLE_S: f64 = 2.0;
/// Keys below C2, below C3, below C6.
const DEEP: usize = 36 - 21;
pub(super) const BASS: usize = 48 - 21;
const SIXTH_OCTAVE: usize = 84 - 21;
/// Log odds that are enough for a sung note by the time since its onset: a syllable of speech holds still for 0.2 s at most.
const VOICE_ODDS: [(f64, f32); 3] = [(0.19, 3.0), (0.235, 2.0), (f64::MAX, 1.0)];
/// A pitch that lasts is a new one if it is so much louder than what was before its onset, decibels.
const STANDS_OUT: f32 = 6.0;
/// Nobody speaks so high, hertz: what stands out there is sung, or a string of which little but one partial is left, and has
/// so much better odds.
const ABOVE_SPEECH_HZ: f64 = 700.0;
const ABOVE_SPEECH_ODDS: f32 = 5.0;
/// Partials that change so much, decibels in the mean, are of another vowel: sung syllables stay below, also while they begin.
const OTHER_COLOUR: f32 = 12.0;
/// Lines beside a key's own, as a share of them, from which company is doubted, and from which it is sure at a time when lines
/// a semitone apart are told apart.
const COMPANY_DOUBTED: f32 = 0.6;
const COMPANY_SURE: f32 = 0.52;
const COMPANY_S: f64 = 0.105;
/// Partials of a sung note are not so far below their neighbours, decibels in all: of 220 notes sung by choirs and synthetic
/// voices the most was 31, of 49 chords that seemed to be sung 22 had more than this.
const HOLES: f32 = 35.0;
/// From when on two neighbouring keys that explain a note alike are told as such.
const BETWEEN_S: f64 = 0.16;
/// A bass key that leads throughout needs such a margin and such mean odds.
const LEADER_MARGIN: f32 = 5.0;
const LEADER_ODDS: f32 = -4.0;
/// Keys from D#6 up may be decided at the end, by a smaller margin.
const TREBLE: usize = 87 - 21;
const FAINT_MARGIN: f32 = 0.75;
const FAINT_ODDS: f32 = 0.4;
/// Less, if it is the key that was struck just before.
const FAINT_AGAIN_ODDS: f32 = 0.0;

/// Whether a window with this `verdict` after `seconds` may decide at all, whatever else it shows.
pub(super) fn may_decide(verdict: &Verdict, seconds: f64) -> bool {
    (verdict.margin >= FAINT_MARGIN || verdict.second.abs_diff(verdict.key) == 1)
        && seconds >= earliest(verdict.key) - 1e-3
}

/// Whether partials of `key` that grow by `growth` decibels from the early to the late part of a window may be a string's.
/// Of 830 struck notes below C3 99 in 100 grow by less than 7; what swells by more began after its onset, as a vowel does.
pub(super) fn may_be_struck(key: usize, growth: f32) -> bool {
    key >= BASS || growth < SWELLS
}

/// Whether `verdict`, which has `odds` after `seconds`, decides; `run` holds key, margin and log odds of the newest windows,
/// its own last. `babble`: somebody talks.
pub(super) fn enough(
    run: &VecDeque<(usize, f32, f32)>,
    verdict: &Verdict,
    odds: f32,
    seconds: f64,
    babble: bool,
) -> bool {
    let patience = if babble && (odds < BABBLE_CLEAR_ODDS || verdict.key < BASS) {
        0.018
    } else {
        0.0
    };
    if seconds < earliest(verdict.key) + patience - 1e-9 {
        return false;
    }
    let mut asked = match seconds {
        s if s < 0.044 => FIRST_ODDS,
        s if s < 0.112 => EARLY_ODDS,
        _ => LATE_ODDS,
    } - allowance(verdict.key);
    if babble {
        asked = asked.max(if verdict.key < BASS {
            BABBLE_BASS_ODDS
        } else {
            BABBLE_ODDS
        });
    }
    // Odds that are far from doubt need less of a margin: it is among what they were made from.
    let margin = if odds >= CLEAR_ODDS && !babble && verdict.key >= BASS {
        margin_asked(seconds).min(CLEAR_MARGIN)
    } else {
        margin_asked(seconds)
    };
    if odds >= asked && verdict.margin >= margin {
        return true;
    }
    // One key far ahead of all others, window after window, needs less in each; but a hiss has lines as high and as lasting.
    let steady = if babble {
        STEADY_BABBLE_ODDS
    } else {
        STEADY_ODDS
    };
    seconds > 0.105
        && !(babble && verdict.key >= SIXTH_OCTAVE)
        && run.len() == STEADY
        && run
            .iter()
            .all(|r| r.0 == verdict.key && r.1 >= STEADY_MARGIN)
        && run.iter().map(|r| r.2).sum::<f32>() >= steady * STEADY as f32
}

/// Whether the key that was found was struck alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Company {
    /// It was.
    Alone,
    /// A longer window will tell.
    Doubtful,
    /// A key within a tone of it was struck, too.
    Beside,
}

/// Whether the key of `verdict` was struck alone, where lines within a tone beside its own have the share `beside` of its
/// strength after `seconds`. When they are first decided, single notes have 0.29 in the middle and 0.58 in 97 of 100,
/// neighbours struck together 0.73; after 0.11 s 0.16 and 0.35, neighbours 0.76. Below C3 the windows cannot tell.
/// `chord`: keys further away seem to have been struck, which a longer window may deny.
pub(super) fn company(verdict: &Verdict, beside: f32, chord: bool, seconds: f64) -> Company {
    let doubtful = verdict.key >= BASS && beside >= COMPANY_SURE;
    if doubtful && seconds >= COMPANY_S {
        Company::Beside
    } else if chord || doubtful && beside >= COMPANY_DOUBTED {
        Company::Doubtful
    } else {
        Company::Alone
    }
}

/// Whether a note was struck for certain but two neighbouring keys explain it alike: a piano half-way between them, or both
/// struck. `odds` are those of a note, whichever of the two; told only when it will not clear up any more.
pub(super) fn between_keys(verdict: &Verdict, odds: f32, seconds: f64, babble: bool) -> bool {
    !babble
        && seconds >= BETWEEN_S
        && verdict.second.abs_diff(verdict.key) == 1
        && verdict.margin < margin_asked(seconds)
        && verdict.lead >= STEADY_MARGIN
        && odds >= EARLY_ODDS
}

/// Whether a bass key that led in every late window, by `margin` nats at least and with `odds` of a note in the mean, is one all
/// the same: where it meets what rings of other keys, its partials grow and fall as no single string's do. In 9,600 s of
/// pianos, singers and noises and in an hour of speech nothing else led so but the key that was struck just before.
pub(super) fn leads_throughout(verdict: &Verdict, margin: f32, odds: f32) -> bool {
    verdict.key < BASS && margin >= LEADER_MARGIN && odds >= LEADER_ODDS
}

/// Whether a treble key may be decided at the end by this window, if no other decides. `again`: it was struck just before.
pub(super) fn faint_but_there(verdict: &Verdict, odds: f32, again: bool) -> bool {
    let least = if again { FAINT_AGAIN_ODDS } else { FAINT_ODDS };
    verdict.key >= TREBLE && odds >= least && verdict.margin >= FAINT_MARGIN
}

/// Whether a stretch of pitch with `odds`, whose partials change by `colour` decibels from its first half to its second, is a
/// sung note, `since` seconds after its onset.
pub(super) fn sung_enough(odds: f32, colour: f32, since: f64) -> bool {
    if colour >= OTHER_COLOUR {
        return false;
    }
    VOICE_ODDS
        .iter()
        .find(|(until, _)| since < *until)
        .is_some_and(|(_, least)| odds >= *least)
}

/// Whether partials that lie `holes` decibels below their neighbours, all told, are not those of one voice: strings struck
/// together have a common period, too, but leave out most of its partials.
pub(super) fn is_hollow(holes: f32) -> bool {
    holes >= HOLES
}

/// Log odds that a stretch of this `frequency`, hertz, gains by being higher than speech, if it is `rise` decibels above what
/// was before its onset.
pub(super) fn above_speech(frequency: f64, rise: f32) -> f32 {
    if frequency >= ABOVE_SPEECH_HZ && stands_out(rise) {
        ABOVE_SPEECH_ODDS
    } else {
        0.0
    }
}

/// Whether a frame `rise` decibels above what was before the onset is something new, and not what was ringing.
pub(super) fn stands_out(rise: f32) -> bool {
    rise >= STANDS_OUT
}

/// The first window that may decide for a key, seconds: before, the partials of low neighbours are one.
fn earliest(key: usize) -> f64 {
    match key {
        k if k < BASS => 0.065,
        k if k < SIXTH_OCTAVE => 0.037,
        _ => 0.03,
    }
}

/// Log odds that a low key may lack: knocks and speech are rarely taken for one.
fn allowance(key: usize) -> f32 {
    match key {
        k if k < DEEP => 0.4,
        k if k < BASS => 0.3,
        _ => 0.0,
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
