//! What a prompt sounds: the note itself, and before it whatever lets it be found.
//! In: the stage's kind, the item, its group, the learner's range. Out: keys with their times, and cents off them.
//! Source: tonic, chord or cadence first is common practice of ear training.

use crate::score::Tone;
use crate::study::{Along, Item, PromptKind, StageKind, Task};
use crate::theory::{Chord, MidiNote, Mode, Pitch, cadence, home};

/// How long a note sounds by itself.
const NOTE_MS: u32 = 1200;
/// One of several notes, a chord's note on its way, a chord of a cadence.
const STEP_MS: u32 = 600;
const BROKEN_MS: u32 = 350;
/// The reference before a note that is to be found.
const REFERENCE_MS: u32 = 800;
/// Notes together.
const CHORD_MS: u32 = 1800;
/// Two notes of which one is a little higher.
const PAIR_MS: u32 = 700;
const PAIR_GAP_MS: u32 = 200;
/// Beating strings.
const BEATS_MS: u32 = 5000;
/// Between what leads in and what is asked.
const GAP_MS: u32 = 300;

/// One note of a cue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CueNote {
    /// From the cue's start.
    pub start_ms: u32,
    /// How long it is held.
    pub length_ms: u32,
    /// The key.
    pub key: MidiNote,
    /// Above the key's place.
    pub cents: f64,
}

/// Something to be sounded.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// In what tone.
    pub tone: Tone,
    /// Its notes.
    pub notes: Vec<CueNote>,
}

impl Cue {
    fn new(tone: Tone) -> Cue {
        Cue {
            tone,
            notes: Vec::new(),
        }
    }

    /// One note.
    pub fn note(pitch: Pitch) -> Cue {
        Cue::new(Tone::Strings).then(0, &[pitch.midi()], NOTE_MS)
    }

    /// When its last note is let go.
    pub fn length_ms(&self) -> u32 {
        let ends = self.notes.iter().map(|note| note.start_ms + note.length_ms);
        ends.max().unwrap_or(0)
    }

    /// `keys` at once, `gap_ms` after what is there.
    fn then(mut self, gap_ms: u32, keys: &[MidiNote], length_ms: u32) -> Cue {
        let start_ms = self.length_ms() + gap_ms;
        self.notes.extend(keys.iter().map(|key| CueNote {
            start_ms,
            length_ms,
            key: *key,
            cents: 0.0,
        }));
        self
    }

    /// `pitches` one after the other, the last one held.
    fn then_each(self, gap_ms: u32, pitches: &[Pitch], length_ms: u32, last_ms: u32) -> Cue {
        let count = pitches.len();
        let each = pitches.iter().enumerate();
        each.fold(self, |cue, (n, pitch)| {
            let gap = if n == 0 { gap_ms } else { 0 };
            let length = if n + 1 == count { last_ms } else { length_ms };
            cue.then(gap, &[pitch.midi()], length)
        })
    }

    /// The chord of the key's tonic, from below and then as a whole: what a singer takes the first note from.
    pub fn starting_chord(item: Item) -> Cue {
        let tonic = home(item.key, Mode::Major);
        let pitches = Chord::Major.over(tonic).unwrap_or_else(|| vec![tonic]);
        let keys: Vec<MidiNote> = pitches.iter().map(|pitch| pitch.midi()).collect();
        Cue::new(Tone::Strings)
            .then_each(0, &pitches, BROKEN_MS, BROKEN_MS)
            .then(0, &keys, STEP_MS)
    }

    /// What the prompt of `item` sounds before it is answered; `None` for silence. `sung`: a voice answers.
    pub fn of_prompt(
        (kind, prompt, sung): (StageKind, PromptKind, bool),
        item: Item,
        group: &[Item],
    ) -> Option<Cue> {
        if let Some(task) = item.task {
            return Some(Cue::of_task(task, item));
        }
        let first = item.in_group.is_none_or(|within| within.place == 1);
        let whole: Vec<Pitch> = group.iter().map(|note| note.pitch).collect();
        match (kind, prompt) {
            (StageKind::Find, _) => {
                let tonic = home(item.key, Mode::Major).midi();
                let reference = nearest_octave(tonic, item.pitch.midi());
                let cue = Cue::new(Tone::Strings).then(0, &[reference], REFERENCE_MS);
                Some(cue.then(GAP_MS, &[item.pitch.midi()], NOTE_MS))
            }
            (StageKind::Melodies, _) => {
                first.then(|| Cue::starting_chord(item).then_each(GAP_MS, &whole, STEP_MS, NOTE_MS))
            }
            (StageKind::Groups, PromptKind::Ear) => {
                first.then(|| Cue::new(Tone::Strings).then_each(0, &whole, STEP_MS, NOTE_MS))
            }
            (_, PromptKind::Ear | PromptKind::Both) => Some(Cue::note(item.pitch)),
            (_, PromptKind::Eye) => (sung && first).then(|| Cue::starting_chord(item)),
        }
    }

    fn of_task(task: Task, item: Item) -> Cue {
        let pitches = task.pitches(item.pitch).unwrap_or_else(|| vec![item.pitch]);
        let keys: Vec<MidiNote> = pitches.iter().map(|pitch| pitch.midi()).collect();
        let strings = Cue::new(Tone::Strings);
        match task {
            Task::Interval(_, Along::Together) | Task::Chord(_, Along::Together) => {
                strings.then(0, &keys, CHORD_MS)
            }
            Task::Interval(..) => strings.then_each(0, &pitches, REFERENCE_MS, NOTE_MS),
            Task::Chord(..) => strings.then_each(0, &pitches, STEP_MS, NOTE_MS),
            Task::Reach(..) => strings.then(0, &keys, NOTE_MS),
            Task::Degree(_, mode) => {
                let chords = cadence(item.key, mode);
                let led = chords.iter().fold(strings, |cue, chord| {
                    cue.then(0, &chord.map(Pitch::midi), STEP_MS)
                });
                led.then(GAP_MS, &keys, NOTE_MS)
            }
            Task::InTune(tenths) => {
                let mut cue = Cue::new(Tone::Pure).then(0, &keys[..1], PAIR_MS).then(
                    PAIR_GAP_MS,
                    &keys[..1],
                    PAIR_MS,
                );
                cue.notes[1].cents = f64::from(tenths) / 10.0;
                cue
            }
            Task::Beats(beats) => {
                let mut cue = strings.then(0, &[keys[0], keys[0]], BEATS_MS);
                // Half above and half below: the pitch stays where it is written.
                let apart = beat_cents(keys[0], f64::from(beats) / 10.0);
                cue.notes[0].cents = -apart / 2.0;
                cue.notes[1].cents = apart / 2.0;
                cue
            }
        }
    }

    /// Moved by whole octaves into the range of a voice, as far as it goes.
    pub fn for_voice(mut self, (low, high): (MidiNote, MidiNote)) -> Cue {
        let keys = self.notes.iter().map(|note| i32::from(note.key.0));
        let (Some(lowest), Some(highest)) = (keys.clone().min(), keys.max()) else {
            return self;
        };
        let off = i32::from(low.0) + i32::from(high.0) - lowest - highest;
        // The nearest whole number of octaves to half of that.
        let octaves = (off + 12).div_euclid(24);
        for note in &mut self.notes {
            note.key.0 += (12 * octaves) as i16;
        }
        self
    }
}

/// `key` in the octave nearest to `to`.
fn nearest_octave(key: MidiNote, to: MidiNote) -> MidiNote {
    let octaves = (to.0 - key.0 + 6).div_euclid(12);
    MidiNote(key.0 + 12 * octaves)
}

/// Cents by which two strings at `key` differ that beat `rate` times a second.
fn beat_cents(key: MidiNote, rate: f64) -> f64 {
    let hz = 440.0 * ((f64::from(key.0) - 69.0) / 12.0).exp2();
    2400.0 * (rate / 2.0 / hz).asinh() / std::f64::consts::LN_2
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(id: &str) -> Item {
        id.parse().unwrap()
    }

    fn keys(cue: &Cue) -> Vec<i16> {
        cue.notes.iter().map(|note| note.key.0).collect()
    }

    fn heard(kind: StageKind, id: &str) -> Cue {
        Cue::of_prompt((kind, PromptKind::Ear, false), item(id), &[]).unwrap()
    }

    #[test]
    fn what_leads_in_sounds_before_what_is_asked() {
        // C5 is found from the C nearest to it, A4 in D major (two sharps) from D5.
        assert_eq!(keys(&heard(StageKind::Find, "E5@treble")), [72, 76]);
        assert_eq!(keys(&heard(StageKind::Find, "B4@treble@2")), [74, 71]);
        let down = heard(StageKind::Intervals, "C4@treble!interval-m3-down");
        assert_eq!(keys(&down), [60, 57]);
        assert!(down.notes[0].start_ms < down.notes[1].start_ms);
        let chord = heard(StageKind::Chords, "C4@treble!chord-dominant7-together");
        assert_eq!(keys(&chord), [60, 64, 67, 70]);
        assert!(chord.notes.iter().all(|note| note.start_ms == 0));
        let degree = heard(StageKind::Degrees, "G4@treble!degree-5");
        assert_eq!(
            keys(&degree),
            [60, 64, 67, 60, 65, 69, 59, 62, 67, 60, 64, 67, 67]
        );
        // A minor, with its leading note.
        let minor = heard(StageKind::Degrees, "E4@treble!degree-5-minor");
        assert_eq!(
            keys(&minor),
            [57, 60, 64, 57, 62, 65, 56, 59, 64, 57, 60, 64, 64]
        );
        // What a reach asks for is not sounded.
        assert_eq!(
            keys(&heard(StageKind::Reach, "C4@treble!reach-M3-up")),
            [60]
        );
    }

    #[test]
    fn a_shown_note_sounds_nothing_of_itself_and_a_singer_gets_a_chord() {
        let of =
            |prompt, sung| Cue::of_prompt((StageKind::Notes, prompt, sung), item("F4@treble"), &[]);
        assert_eq!(of(PromptKind::Eye, false), None);
        assert_eq!(
            keys(&of(PromptKind::Eye, true).unwrap()),
            [60, 64, 67, 60, 64, 67]
        );
        assert_eq!(keys(&of(PromptKind::Ear, false).unwrap()), [65]);
    }

    #[test]
    fn strings_beat_as_often_as_they_are_told_to() {
        // Beats a second are the difference of the two frequencies (common physics).
        for (id, rate) in [("A3@bass!beats-20", 2.0), ("C5@treble!beats-5", 0.5)] {
            let cue = heard(StageKind::Beats, id);
            let hz = |n: usize| {
                let place = f64::from(cue.notes[n].key.0) - 69.0 + cue.notes[n].cents / 100.0;
                440.0 * (place / 12.0).exp2()
            };
            assert!((hz(1) - hz(0) - rate).abs() < 1e-9, "{id}");
        }
    }

    #[test]
    fn a_cue_goes_to_the_octave_of_the_voice() {
        let cue = heard(StageKind::Find, "E5@treble");
        let bass = (MidiNote(43), MidiNote(60));
        assert_eq!(keys(&cue.clone().for_voice(bass)), [48, 52]);
        let soprano = (MidiNote(62), MidiNote(79));
        assert_eq!(keys(&cue.for_voice(soprano)), [72, 76]);
    }
}
