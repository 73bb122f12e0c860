//! The only place that touches the world: files, devices, terminal, clock.

pub mod wav;
