//! Reports: what is known and trained, as pages. Courses, items and figures in, documents out.

pub mod progress;
pub mod sheet;
pub mod tuning;
