//! The clocks: civil time and zone of this machine, and a clock that only runs forward.

use std::time::Instant;

use jiff::Timestamp;
use jiff::tz::{Offset, TimeZone};

/// The instant now, as far as this machine knows, in whole milliseconds (what the store keeps).
pub fn now() -> Timestamp {
    let now = Timestamp::now();
    Timestamp::from_millisecond(now.as_millisecond()).unwrap_or(now)
}

/// The local zone: `TZ`, else the system's, else UTC. Zone data is built in, for machines that have none.
pub fn zone() -> TimeZone {
    TimeZone::try_system().unwrap_or(TimeZone::UTC)
}

/// The local clock's offset at an instant.
pub fn offset(zone: &TimeZone, at: Timestamp) -> Offset {
    zone.to_offset(at)
}

/// Counts milliseconds from its making; setting the civil clock does not move it.
#[derive(Debug, Clone, Copy)]
pub struct Stopwatch(Instant);

impl Stopwatch {
    /// Starts at zero.
    pub fn start() -> Stopwatch {
        Stopwatch(Instant::now())
    }

    /// Milliseconds since the start.
    pub fn elapsed_ms(&self) -> u64 {
        u64::try_from(self.0.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// Milliseconds from the start to `instant`; 0 if it lies before.
    pub fn ms_at(&self, instant: Instant) -> u64 {
        let since = instant.saturating_duration_since(self.0);
        u64::try_from(since.as_millis()).unwrap_or(u64::MAX)
    }
}
