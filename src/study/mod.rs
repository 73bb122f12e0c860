//! What to practise, and when.

mod answer;
mod balance;
mod by_ear;
mod choose;
mod course;
mod course_fields;
mod course_file;
mod course_groups;
mod course_tasks;
mod figures;
mod floor;
mod group;
mod item;
mod landmark;
mod learner;
mod marks;
mod normal;
mod phrases;
mod places;
mod progress;
mod settled;
mod staircase;
mod task;
mod voice_range;
mod why;

pub use answer::{Answer, AnswerWay, Outcome, PromptKind, Reply};
pub use balance::Balance;
pub use by_ear::{Beside, Tries, beside, tries_by_ear};
pub use choose::{Chooser, Pool, carried};
pub use course::{Advance, Block, Course, LEAST_ANSWERS, MINUTES, Stage, StageKind, days_for};
pub use course_file::CourseError;
pub use figures::{ItemFigures, figures};
pub use floor::{Floor, answers_to, assumed_floor_ms, floor_for_size, measured_floor_ms};
pub use group::{GroupRules, Move, draw as draw_group, interval_in_words};
pub use item::{InGroup, Item, ParseItemError};
pub use learner::{LearnerModel, Yardstick};
pub use marks::{
    DOUBT, Doubt, Ledger, Mark, MarkVerdict, Practised, REST, ROLLOVER_HOUR, Standing, active_ms,
    doubts, earn, practice_day, practised_days, standing, standing_from,
};
pub use phrases::{PhraseFor, Phrases};
pub use places::PlaceCost;
pub use progress::{
    Confusion, DayTrend, Forecast, Gain, Span, confusions, forecast, gains, trend, trend_over,
    trend_within,
};
pub use settled::{
    Criteria, FLUENT_ABOVE_FLOOR_MS, FirstLook, KEPT_ABOVE_FLOOR_MS, SURE, SURELY_FLUENT, Verdict,
};
pub use staircase::{CONVERGES_AT, Staircase, Threshold};
pub use task::{Along, Family, MOST_CHOICES, ParseTaskError, Task, degree_of};
pub use voice_range::VoiceRange;
pub use why::{Missing, Reason, Why, came_up};
