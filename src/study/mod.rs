//! What to practise, and when.

mod answer;
mod choose;
mod course;
mod course_fields;
mod course_file;
mod course_groups;
mod figures;
mod floor;
mod group;
mod item;
mod landmark;
mod learner;
mod marks;
mod normal;
mod phrases;
mod progress;
mod settled;
mod why;

pub use answer::{Answer, AnswerWay, Outcome, PromptKind};
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
    doubts, earn, practice_day, standing, standing_from,
};
pub use phrases::{PhraseFor, Phrases};
pub use progress::{
    Confusion, DayTrend, Forecast, Gain, Span, confusions, forecast, gains, trend, trend_over,
};
pub use settled::{
    Criteria, FLUENT_ABOVE_FLOOR_MS, FirstLook, KEPT_ABOVE_FLOOR_MS, SURE, SURELY_FLUENT, Verdict,
};
pub use why::{Missing, Reason, Why, came_up};
