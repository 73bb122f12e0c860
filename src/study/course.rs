//! A course: an ordered list of stages, each with what it drills and how long it takes.
//! In: course text (TOML, see `course_file`), or a built-in name. Out: stages with every item spelled out.
//! Source: the arithmetic of days and minutes is common practice of teaching; the formula for days is ours.

use jiff::civil::Date;

use super::answer::PromptKind;
use super::group::{GroupRules, parts};
use super::item::Item;
use super::phrases::Phrases;
use super::settled::FLUENT_ABOVE_FLOOR_MS;
use super::task::{Family, Task};

/// Minutes of active time a stage asks on a day, unless the course says otherwise.
pub const MINUTES: u32 = 3;
/// Answers a day mark asks, unless the course says otherwise.
pub const LEAST_ANSWERS: u32 = 30;

/// An ordered list of stages.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Short name without spaces: what `course use` takes.
    pub id: String,
    /// What a person reads.
    pub name: String,
    /// The id of the stage a learner enters at, if the course says so; what comes before is for who needs it.
    pub enter: Option<String>,
    /// Phrases for lines and spaces.
    pub phrases: Phrases,
    /// In the order they are taken.
    pub stages: Vec<Stage>,
}

/// What a stage drills.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StageKind {
    /// Single notes.
    Notes,
    /// Groups of notes, read as shapes.
    Groups,
    /// Single notes heard, after the tonic.
    Find,
    /// Short melodies heard, after the tonic's chord.
    Melodies,
    /// Intervals heard, named.
    Intervals,
    /// Notes that lie an interval from the one heard.
    Reach,
    /// Chords heard, named by their quality.
    Chords,
    /// Degrees of the scale heard after a cadence.
    Degrees,
    /// Two notes, some cents apart: which is higher?
    InTune,
    /// Two strings: how often do they beat?
    Beats,
}

impl StageKind {
    /// All kinds.
    pub const ALL: [StageKind; 10] = [
        StageKind::Notes,
        StageKind::Groups,
        StageKind::Find,
        StageKind::Melodies,
        StageKind::Intervals,
        StageKind::Reach,
        StageKind::Chords,
        StageKind::Degrees,
        StageKind::InTune,
        StageKind::Beats,
    ];

    /// The word of a course file.
    pub fn word(self) -> &'static str {
        match self {
            StageKind::Notes => "notes",
            StageKind::Groups => "groups",
            StageKind::Find => "find",
            StageKind::Melodies => "melodies",
            StageKind::Intervals => "intervals",
            StageKind::Reach => "reach",
            StageKind::Chords => "chords",
            StageKind::Degrees => "degrees",
            StageKind::InTune => "in-tune",
            StageKind::Beats => "beats",
        }
    }

    /// The longest time from a prompt to the next that counts as practice.
    ///
    /// Ten seconds is longer than a beginner needs for one note and short enough that an idle screen earns nothing; what
    /// is heard has to sound first, and is often asked for again.
    pub fn active_cap_ms(self) -> u32 {
        match self {
            StageKind::Notes | StageKind::Groups => 10_000,
            StageKind::Find | StageKind::Reach | StageKind::InTune => 15_000,
            StageKind::Melodies
            | StageKind::Intervals
            | StageKind::Chords
            | StageKind::Degrees
            | StageKind::Beats => 20_000,
        }
    }

    /// Answers a day mark asks, unless the course says otherwise: about half of what three minutes hold.
    pub fn least_answers(self) -> u32 {
        match self {
            StageKind::Notes | StageKind::Groups => LEAST_ANSWERS,
            StageKind::Find | StageKind::Melodies | StageKind::InTune => 20,
            StageKind::Intervals | StageKind::Reach | StageKind::Chords => 15,
            StageKind::Degrees | StageKind::Beats => 10,
        }
    }

    /// What a settled item may take above the plain reaction, unless the course says otherwise. Ours, no source: what is
    /// named by ear is weighed for a moment.
    pub fn fluent_ms(self) -> u32 {
        match self {
            StageKind::Notes | StageKind::Groups => FLUENT_ABOVE_FLOOR_MS,
            StageKind::Find | StageKind::Melodies => 1500,
            _ => 2500,
        }
    }

    /// How it puts its items, whatever is wished; `None` where that is free.
    pub fn prompt(self) -> Option<PromptKind> {
        match self {
            StageKind::Notes | StageKind::Groups => None,
            _ => Some(PromptKind::Ear),
        }
    }

    /// Whether its items are notes, not tasks.
    pub fn asks_notes(self) -> bool {
        matches!(self, StageKind::Notes | StageKind::Find)
    }

    /// Whether its notes come in groups.
    pub fn in_groups(self) -> bool {
        matches!(self, StageKind::Groups | StageKind::Melodies)
    }

    /// Whether notes answer it; else a choice does, whatever the learner answers with.
    pub fn answered_by_notes(self) -> bool {
        !matches!(
            self,
            StageKind::Intervals | StageKind::Chords | StageKind::InTune | StageKind::Beats
        )
    }

    /// Whose answers its own are compared with.
    pub fn family(self) -> Family {
        match self {
            StageKind::Notes | StageKind::Groups | StageKind::Find | StageKind::Melodies => {
                Family::Notes
            }
            StageKind::Intervals => Family::Intervals,
            StageKind::Reach => Family::Reaching,
            StageKind::Chords => Family::Chords,
            StageKind::Degrees => Family::Degrees,
            StageKind::InTune => Family::InTune,
            StageKind::Beats => Family::Beats,
        }
    }
}

/// When a stage is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Advance {
    /// After its days.
    #[default]
    Days,
    /// After its days, and when its items are settled.
    DaysAndSettled,
}

impl Advance {
    /// All ways of moving on.
    pub const ALL: [Advance; 2] = [Advance::Days, Advance::DaysAndSettled];

    /// The word of a course file.
    pub fn word(self) -> &'static str {
        match self {
            Advance::Days => "days",
            Advance::DaysAndSettled => "days-and-settled",
        }
    }
}

/// One stage of a course. Marks belong to its `id`.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    /// Stable: an edited course keeps the marks of the stages whose ids it keeps.
    pub id: String,
    /// What a person reads.
    pub name: String,
    /// What it drills.
    pub kind: StageKind,
    /// Practised one after the other in a sitting.
    pub blocks: Vec<Block>,
    /// Day marks it takes.
    pub days: u32,
    /// Minutes of active time a day mark takes.
    pub minutes: u32,
    /// Answers a day mark takes.
    pub least_answers: u32,
    /// When it is done.
    pub advance: Advance,
    /// How groups are drawn, if it drills groups.
    pub groups: Option<GroupRules>,
    /// What is asked of its notes by ear, and may be answered: empty where the notes themselves are asked, and where the
    /// task changes with every answer.
    pub tasks: Vec<Task>,
    /// A settled item is read within the plain reaction and this much.
    pub fluent_ms: u32,
}

/// Items that are drilled together: those of one staff where a stage takes each staff alone, else all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// In the order of the course file, none twice.
    pub items: Vec<Item>,
}

impl Stage {
    /// All items, block by block.
    pub fn items(&self) -> Vec<Item> {
        self.blocks
            .iter()
            .flat_map(|block| block.items.iter().copied())
            .collect()
    }

    /// What is learned at it and can be settled: its items, the intervals of its groups, or its tasks; nothing where a
    /// threshold is sought.
    pub fn parts(&self) -> Vec<Item> {
        if let Some(rules) = &self.groups {
            return parts(rules);
        }
        if self.kind.asks_notes() {
            return self.items();
        }
        self.tasks.iter().copied().map(Item::of_task).collect()
    }

    /// The blocks in the order of `day`: it alternates from one calendar day to the next, so no staff is always the tired one.
    pub fn blocks_on(&self, day: Date) -> Vec<&Block> {
        let mut blocks: Vec<&Block> = self.blocks.iter().collect();
        let since = (day - Date::constant(2000, 1, 1)).get_days();
        if since.rem_euclid(2) == 1 {
            blocks.reverse();
        }
        blocks
    }
}

impl Course {
    /// The stage of that id.
    pub fn stage(&self, id: &str) -> Option<&Stage> {
        self.stages.iter().find(|stage| stage.id == id)
    }

    /// The ids of the built-in courses; the first is what a new learner gets.
    pub fn built_in_ids() -> impl Iterator<Item = &'static str> {
        BUILT_IN.iter().map(|(id, _)| *id)
    }

    /// The text of a built-in course, to start an own one from.
    pub fn built_in_text(id: &str) -> Option<&'static str> {
        BUILT_IN
            .iter()
            .find(|(name, _)| *name == id)
            .map(|(_, text)| *text)
    }

    /// A built-in course.
    pub fn built_in(id: &str) -> Option<Course> {
        let text = Course::built_in_text(id)?;
        Some(Course::parse(id, text).expect("a test reads every built-in course"))
    }
}

/// Day marks for a stage that does not state its own, from the number of its items.
///
/// Three minutes hold about 75 prompts of a beginner; that is some 16 items four or five times over, so a day is
/// asked for every 16 items, and two more because an item counts as settled only on a later day.
pub fn days_for(items: usize) -> u32 {
    2 + u32::try_from(items.div_ceil(16)).unwrap_or(u32::MAX - 2)
}

const BUILT_IN: [(&str, &str); 6] = [
    ("groundwork", include_str!("courses/groundwork.toml")),
    ("landmarks", include_str!("courses/landmarks.toml")),
    ("both-ways", include_str!("courses/both-ways.toml")),
    ("one-clef", include_str!("courses/one-clef.toml")),
    ("one-clef-bass", include_str!("courses/one-clef-bass.toml")),
    ("fine-ear", include_str!("courses/fine-ear.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn groundwork_takes_about_nine_weeks_of_five_days() {
        // Course arithmetic: common practice.
        let course = Course::built_in("groundwork").unwrap();
        let days: u32 = course.stages.iter().map(|stage| stage.days).sum();
        assert!((40..=50).contains(&days), "{days} days");
        assert!(course.stages.iter().all(|stage| stage.minutes == 3));
    }

    #[test]
    fn landmarks_has_twelve_short_stages_that_begin_with_c_f_and_g() {
        let course = Course::built_in("landmarks").unwrap();
        assert_eq!(course.stages.len(), 12);
        assert!(course.stages.iter().all(|s| s.days == 3 && s.minutes == 2));
        let letters: HashSet<char> = course.stages[..5]
            .iter()
            .flat_map(Stage::items)
            .map(|item| item.pitch.letter.as_char())
            .collect();
        assert_eq!(letters, HashSet::from(['C', 'F', 'G']));
    }

    #[test]
    fn both_ways_joins_eye_and_ear_over_eight_stages() {
        let course = Course::built_in("both-ways").unwrap();
        assert_eq!(course.stages.len(), 8);
        let by_ear = |stage: &&Stage| stage.kind.prompt() == Some(PromptKind::Ear);
        assert_eq!(course.stages.iter().filter(by_ear).count(), 7);
        // What is found by ear was read before.
        let items = |id: &str| course.stage(id).unwrap().items();
        assert_eq!(items("find-five"), items("read-five"));
        assert_eq!(course.stages[7].kind, StageKind::Melodies);
    }

    #[test]
    fn one_clef_ends_in_groups_for_high_and_low_voices_alike() {
        let of = |id: &str| Course::built_in(id).unwrap();
        let (high, low) = (of("one-clef"), of("one-clef-bass"));
        for (a, b) in high.stages.iter().zip(&low.stages) {
            assert_eq!((&a.id, a.kind, a.days), (&b.id, b.kind, b.days));
            for (above, below) in a.items().iter().zip(b.items()) {
                assert_eq!(above.pitch.midi().0 - below.pitch.midi().0, 12);
                assert_eq!(below.clef.name(), "bass");
            }
        }
        assert_eq!(high.stages.len(), low.stages.len());
        assert_eq!(high.stages.last().unwrap().kind, StageKind::Groups);
        // An octave and a tone at most: in easy reach of every kind of voice.
        let keys: Vec<i16> = high
            .stages
            .iter()
            .flat_map(Stage::items)
            .map(|i| i.pitch.midi().0)
            .collect();
        assert!(keys.iter().max().unwrap() - keys.iter().min().unwrap() <= 14);
    }

    #[test]
    fn rare_spellings_come_only_where_a_course_asks_for_them() {
        for id in Course::built_in_ids() {
            for stage in Course::built_in(id).unwrap().stages {
                for item in stage.items() {
                    let name = item.pitch.spelling().to_string();
                    assert!(!["E#", "B#", "Cb", "Fb"].contains(&&*name), "{id}: {item}");
                    assert!(!name.ends_with("##") && !name.ends_with("bb"));
                }
            }
        }
    }
}
