//! Samples in, samples or facts out; no devices, no clock.

pub mod listen;
pub mod spectrum;
pub mod synth;
pub mod tuning;
