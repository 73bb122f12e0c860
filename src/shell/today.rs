//! Where the learner stands today, for the home screen and in words.

use jiff::civil::Date;

use crate::study::{Course, Stage};

use super::words::{clock, plural};

/// What a learner is called in the record where nobody said a name.
pub const UNNAMED: &str = "learner";

/// The name to call somebody by, if it is one.
pub fn called(name: &str) -> Option<&str> {
    (name != UNNAMED).then_some(name)
}

/// One learner's day.
#[derive(Debug, Clone)]
pub struct Today {
    /// Whose.
    pub learner: String,
    /// The course in use.
    pub course: Course,
    /// The stage whose turn it is; `None` when the course is done.
    pub stage: Option<usize>,
    /// Day marks of each stage, in the course's order.
    pub marks: Vec<u32>,
    /// The practice day.
    pub day: Date,
    /// Practice days of the last four weeks that earned a mark.
    pub marked_days: Vec<Date>,
    /// Active time on that stage today, ms.
    pub active_ms: u64,
}

impl Today {
    /// Whether today has its mark.
    pub fn marked(&self) -> bool {
        self.marked_days.contains(&self.day)
    }

    /// The stage whose turn it is.
    pub fn stage(&self) -> Option<&Stage> {
        self.stage.map(|index| &self.course.stages[index])
    }

    /// Today in one sentence.
    pub fn sentence(&self) -> String {
        let name = called(&self.learner);
        let addressed = |said: String| match name {
            Some(name) => format!("{name}, {said}"),
            None => {
                let mut letters = said.chars();
                let first = letters.next().map(|letter| letter.to_ascii_uppercase());
                first.into_iter().chain(letters).collect()
            }
        };
        let Some(stage) = self.stage() else {
            return addressed(format!(
                "every stage of \u{201c}{}\u{201d} is done: choose what to practise, or take up another course.",
                self.course.name
            ));
        };
        let whole = u64::from(stage.minutes) * 60_000;
        if self.marked() {
            let name = name.map(|name| format!(", {name}")).unwrap_or_default();
            return format!(
                "Today counts already{name}: more practice on \u{201c}{}\u{201d} is welcome, and tomorrow brings the next day.",
                stage.name
            );
        }
        if self.active_ms > 0 {
            return addressed(format!(
                "{} of {} are done today on \u{201c}{}\u{201d}.",
                clock(self.active_ms.min(whole)),
                clock(whole),
                stage.name
            ));
        }
        let done = self.stage.map_or(0, |index| self.marks[index]);
        addressed(format!(
            "today: {} of \u{201c}{}\u{201d}, day {} of {}.",
            plural(stage.minutes, "minute"),
            stage.name,
            (done + 1).min(stage.days),
            stage.days
        ))
    }

    /// One row a stage, for the list.
    pub fn stage_lines(&self) -> Vec<(bool, String, String)> {
        self.course
            .stages
            .iter()
            .zip(&self.marks)
            .enumerate()
            .map(|(index, (stage, &marks))| {
                let days = if marks >= stage.days {
                    "done".to_owned()
                } else {
                    format!("{marks} of {}", plural(stage.days, "day"))
                };
                (self.stage == Some(index), stage.name.clone(), days)
            })
            .collect()
    }

    /// The last four weeks, oldest day first: whether each was marked.
    pub fn four_weeks(&self) -> Vec<bool> {
        (0..28)
            .rev()
            .map(|back| {
                self.day
                    .checked_sub(jiff::Span::new().days(back))
                    .is_ok_and(|day| self.marked_days.contains(&day))
            })
            .collect()
    }
}
