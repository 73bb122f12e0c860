//! The only place that touches the world: clock, files, store, devices, terminal, commands.

pub mod audio;
pub mod cli;
pub mod clock;
mod courses;
mod desk;
pub mod ear;
mod events;
mod hearing;
mod home;
mod locale;
pub mod paths;
mod progress;
mod reading;
mod record;
mod settings;
mod sound;
pub mod store;
pub mod term;
mod today;
mod tuner;
pub mod wav;
mod wish;
mod words;
