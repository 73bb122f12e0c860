//! The full-screen program.

mod canvas;
mod guard;
pub(super) mod keys;
pub mod pixels;
mod run;
pub mod screens;
pub mod theme;
mod tuning;
mod watch;

pub use run::{Host, Manner, run};
pub use tuning::{TuningView, tuning};
pub use watch::{Watch, watch};
