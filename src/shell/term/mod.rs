//! The full-screen program.

mod guard;
mod keys;
mod run;
pub mod screens;
pub mod theme;

pub use run::{Host, Manner, run};
