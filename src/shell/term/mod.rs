//! The full-screen program.

mod guard;
mod keys;
mod run;
mod screens;
mod theme;

pub use run::{Host, run};
