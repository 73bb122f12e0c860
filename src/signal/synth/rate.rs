//! Samples per second.

/// A sample rate, 8,000..=384,000 per second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct SampleRate(u32);

/// A sample rate out of range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "a sample rate lies between 8000 and 384000 per second, not {given}: choose another device or file"
)]
pub struct SampleRateError {
    /// What was given.
    pub given: u32,
}

impl SampleRate {
    /// 48,000 per second, what the program's own recordings have.
    pub const STUDIO: SampleRate = SampleRate(48_000);

    /// `hz` samples per second. Errors outside 8,000..=384,000.
    pub fn new(hz: u32) -> Result<SampleRate, SampleRateError> {
        if (8_000..=384_000).contains(&hz) {
            Ok(SampleRate(hz))
        } else {
            Err(SampleRateError { given: hz })
        }
    }

    /// Samples per second.
    pub fn per_second(self) -> u32 {
        self.0
    }

    /// Samples in `ms` milliseconds, to the nearest.
    pub fn samples_in_ms(self, ms: u32) -> u64 {
        (u64::from(ms) * u64::from(self.0) + 500) / 1000
    }

    /// Samples in `seconds`, to the nearest; none for less than nothing.
    pub fn samples_in(self, seconds: f64) -> u64 {
        (seconds * f64::from(self.0)).round() as u64
    }
}
