//! What to practise, and when.

mod answer;
mod choose;
mod course;
mod course_fields;
mod course_file;
mod item;
mod learner;
mod marks;
mod normal;

pub use answer::{Answer, AnswerWay, Outcome, PromptKind};
pub use choose::Chooser;
pub use course::{Advance, Block, Course, LEAST_ANSWERS, MINUTES, Stage, StageKind, days_for};
pub use course_file::CourseError;
pub use item::{Item, ParseItemError};
pub use learner::all_settled;
pub use marks::{
    DOUBT, Doubt, Ledger, Mark, MarkVerdict, Practised, REST, ROLLOVER_HOUR, Standing, active_ms,
    doubts, earn, practice_day, standing,
};
