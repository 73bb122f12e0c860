//! The full-screen program.

mod guard;
mod keys;
pub mod pixels;
mod run;
mod screens;
pub mod theme;
mod watch;

pub use run::{Host, Manner, run};
pub use watch::{Watch, watch};
