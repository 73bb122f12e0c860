//! What to practise, and when.

mod answer;
mod item;

pub use answer::{Answer, AnswerWay, Outcome, PromptKind};
pub use item::{Item, ParseItemError};
