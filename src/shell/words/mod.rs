//! What the program says about a sitting: one place for the wording of the screen and of the text mode.

pub mod asking;
mod faults;
pub mod plain;
pub mod screens;

pub use faults::fault;

use crate::drill::{
    End, Feedback, Given, HeldNote, KnownKeys, Miss, NEAR, PLACES, Placed, Steadiness, Summary,
};
use crate::study::{
    CONVERGES_AT, Family, InGroup, Item, Reply, StageKind, Task, Threshold, interval_in_words,
};
use crate::theory::{Alteration, KeySignature, Mode, NoteNames, Pitch, Spelling};

/// How notes are written to this learner.
#[derive(Debug, Clone, Copy)]
pub struct Wording {
    /// The naming in use.
    pub names: NoteNames,
    /// ASCII alone.
    pub ascii: bool,
}

impl Wording {
    /// The note's name.
    pub fn name(self, note: Spelling, key: KeySignature) -> String {
        self.names.name(note, key, self.ascii)
    }

    /// The note's name with its octave.
    pub fn pitch(self, pitch: Pitch, key: KeySignature) -> String {
        format!("{}{}", self.name(pitch.spelling(), key), pitch.octave)
    }

    /// The sign for right.
    pub fn right_sign(self) -> &'static str {
        if self.ascii { "+" } else { "✓" }
    }

    /// The sign for wrong.
    pub fn wrong_sign(self) -> &'static str {
        if self.ascii { "x" } else { "✗" }
    }

    /// What the feedback line says.
    pub fn feedback(self, feedback: &Feedback) -> String {
        match feedback {
            Feedback::Right {
                item,
                response_ms,
                sung_cents,
            } => {
                let time = response_ms
                    .map(|ms| format!("  {}", seconds(ms)))
                    .unwrap_or_default();
                let sung = sung_cents.map(|cents| format!(", {}", in_tune(cents)));
                format!(
                    "{} {} is right{}{time}",
                    self.right_sign(),
                    self.answer(*item),
                    sung.unwrap_or_default()
                )
            }
            Feedback::Wrong(miss) => self.miss(miss),
            Feedback::NotSure => screens::NOT_SURE.to_owned(),
            Feedback::Group {
                notes,
                right,
                whole_ms,
            } => {
                let time = whole_ms
                    .map(|ms| format!("  {}", seconds(ms)))
                    .unwrap_or_default();
                let sign = if notes == right {
                    self.right_sign()
                } else {
                    self.wrong_sign()
                };
                format!(
                    "{sign} {right} of {} right at once{time}",
                    plural(*notes, "note")
                )
            }
            Feedback::TakenBack { outcome, times } => {
                let what = outcome.word().replace('_', " ");
                let often = match times {
                    1 => "once".to_owned(),
                    n => format!("{n} times"),
                };
                format!("Taken out of the record: {what} ({often} in this sitting).")
            }
            Feedback::NothingToTakeBack => {
                "Nothing to take back: only verdicts of the last two prompts can be.".to_owned()
            }
        }
    }

    /// How a note was held that was sung right: "✓ E4 is right, in tune, held steadily".
    pub fn held(self, item: Item, sung_cents: i16, held: HeldNote) -> String {
        let how = match held.steadiness() {
            Steadiness::Steady => "held steadily",
            Steadiness::Sank => "sank a little",
            Steadiness::Rose => "rose a little",
            Steadiness::Wavered => "wavered a little",
        };
        format!(
            "{} {} is right, {}, {how}",
            self.right_sign(),
            self.answer(item),
            in_tune(sung_cents)
        )
    }

    fn miss(self, miss: &Miss) -> String {
        let key = miss.item.key;
        let given = match miss.given {
            Given::Name(name) => self.name(name, key),
            Given::Key(_) | Given::Placed(_) | Given::Sung { .. } => self.pitch(miss.drawn, key),
            Given::Chosen(Task::InTune(_)) => {
                return format!("{} No: {}.", self.wrong_sign(), miss.in_words());
            }
            Given::Chosen(task) => self.task(task),
        };
        format!(
            "{} That was {given}: {}. Now {}.",
            self.wrong_sign(),
            miss.in_words(),
            self.answer(miss.item),
        )
    }

    /// What is answered to an item: its note, or the task it names.
    pub fn answer(self, item: Item) -> String {
        match (item.task, item.target()) {
            // The syllable is the degree, and tells the leading note of minor apart.
            (Some(Task::Degree(..)), Some(note)) if self.names == NoteNames::MovableSolfege => {
                self.pitch(note, item.key)
            }
            (Some(Task::Degree(..)), Some(note)) => {
                let task = item.task.map(|task| self.task(task)).unwrap_or_default();
                format!("{task} ({})", self.pitch(note, item.key))
            }
            (_, Some(note)) => self.pitch(note, item.key),
            (Some(task), None) => self.task(task),
            (None, None) => String::new(),
        }
    }

    /// A task in a few words; a degree by its syllable where that is how notes are called.
    pub fn task(self, task: Task) -> String {
        match (task, self.names) {
            (Task::Degree(degree, mode), NoteNames::MovableSolfege) => {
                // Counted from C major's do; a minor scale is counted from la.
                let tonic = if mode == Mode::Major { 28 } else { 26 };
                let note = Pitch::from_diatonic(tonic + i32::from(degree) - 1);
                let syllable = self.name(note.spelling(), KeySignature::NONE);
                if (degree, mode) != (7, Mode::Minor) {
                    return syllable;
                }
                // The leading note is the same degree. Source: common practice of movable do with minor from la.
                let raised = Spelling {
                    alteration: Alteration::Sharp,
                    ..note.spelling()
                };
                format!("{syllable} or {}", self.name(raised, KeySignature::NONE))
            }
            _ => task.in_words(),
        }
    }

    /// What was answered, as it is stored.
    pub fn reply(self, reply: Reply, key: KeySignature) -> String {
        match reply {
            Reply::Note(pitch) => self.pitch(pitch, key),
            Reply::Task(task) => self.task(task),
        }
    }

    /// What is learned, in a few words: a note, or in a group what it does from the last one.
    pub fn part(self, part: Item) -> String {
        if let Some(task) = part.task {
            return match task {
                Task::Reach(..) => format!("reach a {}", self.task(task)),
                _ => self.task(task),
            };
        }
        match part.in_group {
            None => self.pitch(part.pitch, part.key),
            Some(InGroup { place: 1, .. }) => "first note".to_owned(),
            Some(InGroup { from_last, .. }) => interval_in_words(i32::from(from_last)),
        }
    }

    /// The item in words, for the text mode.
    pub fn item(self, item: Item) -> String {
        let step = crate::theory::StaffStep::of(item.pitch, item.clef);
        let accidental = if item.key.needs_accidental(item.pitch.spelling()) {
            use crate::theory::Alteration::{DoubleFlat, DoubleSharp, Flat, Natural, Sharp};
            match item.pitch.alteration {
                DoubleFlat => ", with a double flat",
                Flat => ", with a flat",
                Natural => ", with a natural",
                Sharp => ", with a sharp",
                DoubleSharp => ", with a double sharp",
            }
        } else {
            ""
        };
        let key = match item.key.fifths() {
            0 => String::new(),
            n => format!(
                ", key signature of {} {}{} ({} major)",
                n.abs(),
                if n > 0 { "sharp" } else { "flat" },
                if n.abs() == 1 { "" } else { "s" },
                self.name(item.key.tonic(Mode::Major), KeySignature::NONE),
            ),
        };
        let group = match item.in_group {
            Some(within) => format!("note {} of a group, ", within.place),
            None => String::new(),
        };
        format!(
            "{group}{} staff{key}: {}{accidental}",
            item.clef.spoken(),
            place(step.0)
        )
    }

    /// The summary, a line each.
    pub fn summary(self, summary: &Summary, kind: StageKind) -> Vec<String> {
        let noun = if kind.family() == Family::Notes {
            "note"
        } else {
            "prompt"
        };
        let mut lines = vec![
            match summary.end {
                End::Done => "Done for this sitting.".to_owned(),
                End::Stopped => "Stopped; everything answered is kept.".to_owned(),
            },
            format!(
                "{} answered, {} right first time, {} of practice",
                plural(summary.answered, noun),
                summary.right_first_time,
                clock(summary.active_ms)
            ),
        ];
        if let Some(ms) = summary.median_ms {
            lines.push(format!(
                "Half of the right answers came within {}",
                seconds(ms)
            ));
        }
        let name = |item: &Item| match item.task {
            Some(_) => self.part(*item),
            None => self.pitch(item.pitch, item.key),
        };
        if !summary.slowest.is_empty() {
            let slowest = summary.slowest.iter();
            let slowest = slowest.map(|(item, ms)| format!("{} {}", name(item), seconds(*ms)));
            lines.push(format!(
                "Slowest: {}",
                slowest.collect::<Vec<_>>().join(", ")
            ));
        }
        if !summary.missed.is_empty() {
            let missed = summary.missed.iter();
            let missed =
                missed.map(|(item, times)| format!("{} {}", name(item), plural(*times, "time")));
            lines.push(format!(
                "Missed most: {}",
                missed.collect::<Vec<_>>().join(", ")
            ));
        }
        if let Some(sung) = summary.sung {
            lines.push(format!(
                "Sung {}: half of {} within {} of that.",
                in_tune(sung.median_cents),
                plural(sung.notes, "note"),
                plural(sung.spread_cents.unsigned_abs().into(), "cent")
            ));
        }
        if let Some(held) = summary.held {
            let each = [
                (held.steady, "steady"),
                (held.sank, "sank a little"),
                (held.rose, "rose a little"),
                (held.wavered(), "wavered a little"),
            ];
            let each = each.iter().filter(|(count, _)| *count > 0);
            let each: Vec<String> = each.map(|(count, how)| format!("{count} {how}")).collect();
            lines.push(format!(
                "Of {} held: {}.",
                plural(held.notes, "note"),
                each.join(", ")
            ));
        }
        if let Some(threshold) = summary.threshold {
            lines.push(threshold_text(threshold));
        }
        if summary.taken_back > 0 {
            lines.push(format!("Taken back: {}", summary.taken_back));
        }
        lines
    }
}

/// Why three keys are asked for, and which of them comes now (from 0).
pub fn place_in_words(place: usize) -> [String; 2] {
    let key = match place {
        0 => "the white key just left of the two black keys in the middle of the keyboard",
        1 => "the same key an octave lower: seven white keys to the left of that one",
        _ => "the same key an octave higher: seven white keys to the right of the first",
    };
    [
        "This piano may lie far from its usual pitch. Three keys tell, one at a time.".to_owned(),
        format!("{} of {}: play {key}.", place + 1, PLACES.len()),
    ]
}

/// What is said of a key that was asked for by its place, if anything.
pub fn placed_in_words(placed: Placed) -> Option<&'static str> {
    match placed {
        Placed::Next | Placed::Done(_) => None,
        Placed::Another => Some("That was another key. Once more, please."),
        Placed::Uneven => {
            Some("These do not belong together: one was another key. From the first again, please.")
        }
    }
}

/// What was found by three keys, and how many verdicts were `misheard` before.
pub fn known_in_words(known: &KnownKeys, misheard: u32) -> String {
    let cents: Vec<f64> = known.iter().flatten().map(|(_, cents)| cents.0).collect();
    let mean = cents.iter().sum::<f64>() / cents.len().max(1) as f64;
    let found = if mean.abs() <= NEAR {
        "The piano lies where pianos do.".to_owned()
    } else {
        let side = if mean < 0.0 { "low" } else { "high" };
        format!(
            "The piano lies {:.0} cents {side}, and is heard so from now on.",
            mean.abs()
        )
    };
    match misheard {
        0 => found,
        n => format!("{found} {} taken back.", plural(n, "misheard verdict")),
    }
}

/// `step` of the staff in words.
fn place(step: i32) -> String {
    const ORDINALS: [&str; 5] = ["bottom", "second", "middle", "fourth", "top"];
    match step {
        0..=8 if step % 2 == 0 => format!("{} line", ORDINALS[(step / 2) as usize]),
        1..=7 => format!(
            "space between the {} and the {} line",
            ORDINALS[(step / 2) as usize],
            ORDINALS[(step / 2) as usize + 1]
        ),
        9 => "just above the top line".to_owned(),
        -1 => "just below the bottom line".to_owned(),
        _ => {
            let (lines, side) = if step > 8 {
                ((step - 8) / 2, "above")
            } else {
                (-step / 2, "below")
            };
            let on = if step % 2 == 0 {
                "on"
            } else if step > 8 {
                "over"
            } else {
                "under"
            };
            let nth = match lines {
                1 => "first".to_owned(),
                2 => "second".to_owned(),
                3 => "third".to_owned(),
                n => format!("{n}th"),
            };
            format!("{on} the {nth} ledger line {side} the staff")
        }
    }
}

/// How fine an ear is, with the likely range.
pub fn threshold_text(threshold: Threshold) -> String {
    let Threshold {
        cents,
        factor,
        answers,
    } = threshold;
    format!(
        "Two notes {cents:.1} cents apart you tell apart in {:.0} of 100 answers ({:.1} to {:.1}, from {}).",
        CONVERGES_AT * 100.0,
        cents / factor,
        cents * factor,
        plural(answers as u32, "answer")
    )
}

/// How far a sung note was off, in coarse words: listeners hear 5 to 50 cents, by training and method, so more would be
/// more than there is to hear.
fn in_tune(cents: i16) -> &'static str {
    match cents {
        -20..=20 => "in tune",
        21..=35 => "a little high",
        -35..=-21 => "a little low",
        36.. => "rather high",
        _ => "rather low",
    }
}

/// `1 note`, `2 notes`.
pub fn plural(count: u32, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// `1.2 s`.
pub fn seconds(ms: u32) -> String {
    format!("{:.1} s", f64::from(ms) / 1000.0)
}

/// `3:05`.
pub fn clock(ms: u64) -> String {
    format!("{}:{:02}", ms / 60_000, ms / 1000 % 60)
}

/// `; did you mean 'x'?` when one of `known` is near to `given`, else a full stop.
pub fn nearest<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    known
        .into_iter()
        .map(|name| (strsim::damerau_levenshtein(given, name), name))
        .min()
        .filter(|(distance, name)| *distance <= 1 + name.len() / 3)
        .map_or_else(
            || ".".to_owned(),
            |(_, name)| format!("; did you mean '{name}'?"),
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_item_is_told_by_its_place_alone() {
        let wording = Wording {
            names: NoteNames::English,
            ascii: true,
        };
        let said = |id: &str| wording.item(id.parse().unwrap());
        assert_eq!(said("E4@treble"), "treble staff: bottom line");
        assert_eq!(
            said("F4@treble"),
            "treble staff: space between the bottom and the second line"
        );
        assert_eq!(
            said("C4@treble"),
            "treble staff: on the first ledger line below the staff"
        );
        assert_eq!(
            said("B5@treble"),
            "treble staff: over the first ledger line above the staff"
        );
        assert_eq!(said("Bb2@bass"), "bass staff: second line, with a flat");
        assert_eq!(
            said("F#4@treble@2"),
            "treble staff, key signature of 2 sharps (D major): space between the bottom and the second line"
        );
        assert_eq!(
            said("F4@treble@2"),
            "treble staff, key signature of 2 sharps (D major): space between the bottom and the second line, with a natural"
        );
    }

    #[test]
    fn time_is_written_as_on_a_clock() {
        assert_eq!(clock(185_400), "3:05");
        assert_eq!(seconds(1250), "1.2 s");
        assert_eq!(plural(1, "note"), "1 note");
    }
}
