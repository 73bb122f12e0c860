//! Samples in, samples or facts out; no devices.

pub mod synth;
