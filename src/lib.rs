//! Stavelark trains people to read written music by eye and ear.
//!
//! Layers, `a ← b` for "b imports a": `theory ← score ← study ← drill`; `score ← engrave ← report`;
//! `score ← signal`; all ← `shell`, the only place that touches the world.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::panic))]

pub mod drill;
pub mod engrave;
pub mod report;
pub mod score;
pub mod shell;
pub mod signal;
pub mod study;
pub mod theory;
