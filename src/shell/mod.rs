//! The only place that touches the world: devices, files, terminal, clock.

pub mod audio;
