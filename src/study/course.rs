//! A course: an ordered list of stages, each with what it drills and how long it takes.
//! In: course text (TOML, see `course_file`), or a built-in name. Out: stages with every item spelled out.
//! Source: the arithmetic of days and minutes is common practice of teaching; the formula for days is ours.

use jiff::civil::Date;

use super::group::{GroupRules, parts};
use super::item::Item;
use super::phrases::Phrases;

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
}

impl StageKind {
    /// All kinds.
    pub const ALL: [StageKind; 2] = [StageKind::Notes, StageKind::Groups];

    /// The word of a course file.
    pub fn word(self) -> &'static str {
        match self {
            StageKind::Notes => "notes",
            StageKind::Groups => "groups",
        }
    }

    /// The longest time from a prompt to the next that counts as practice.
    ///
    /// Ten seconds is longer than a beginner needs for one note and short enough that an idle screen earns nothing.
    pub fn active_cap_ms(self) -> u32 {
        match self {
            StageKind::Notes | StageKind::Groups => 10_000,
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

    /// What is learned at it and can be settled: its items, or the intervals of its groups.
    pub fn parts(&self) -> Vec<Item> {
        self.groups.as_ref().map_or_else(|| self.items(), parts)
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

const BUILT_IN: [(&str, &str); 2] = [
    ("groundwork", include_str!("courses/groundwork.toml")),
    ("landmarks", include_str!("courses/landmarks.toml")),
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
