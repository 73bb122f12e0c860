//! The full-screen program.

mod guard;
mod keys;
mod run;
mod screens;
pub mod theme;

pub use run::{Host, Manner, run};
