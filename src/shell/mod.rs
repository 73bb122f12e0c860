//! The only place that touches the world: clock, files, store, devices, terminal, commands.

pub mod audio;
pub mod clock;
pub mod paths;
pub mod store;
