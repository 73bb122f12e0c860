//! The full-screen program.

mod guard;
mod keys;
pub mod pixels;
mod run;
mod screens;
pub mod theme;

pub use run::{Host, run};
