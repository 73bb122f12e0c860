//! Errors that come in a storm: the thread that tells them must not eat a core by it.
//!
//! A sound server that dies has the error callback called 200,000 times a second, one that is starved thousands of times
//! between two buffers, while sound goes on coming.

use std::time::Duration;

/// So many errors since the last sound are a storm.
const MANY: u32 = 50;

/// A rest while sound still comes: a small part of a buffer …
const SHORT: Duration = Duration::from_millis(1);

/// … and when none has come for a while.
const LONG: Duration = Duration::from_millis(5);

/// No sound for so long.
const SILENT: Duration = Duration::from_millis(100);

/// Counts the errors of one stream.
#[derive(Debug, Default)]
pub(super) struct Storm {
    /// How long after the opening the last sound came.
    sound: Duration,
    errors: u32,
}

impl Storm {
    /// Takes an error that came when the stream had been open for `open`, and silent for `silent`; gives how long its thread
    /// had better rest.
    pub(super) fn error(&mut self, open: Duration, silent: Duration) -> Duration {
        let sound = open.saturating_sub(silent);
        // Stamps are in whole milliseconds.
        if sound > self.sound + Duration::from_millis(1) {
            self.sound = sound;
            self.errors = 0;
        }
        self.errors = self.errors.saturating_add(1);
        match self.errors {
            ..=MANY => Duration::ZERO,
            _ if silent < SILENT => SHORT,
            _ => LONG,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Errors of a second, at most one a microsecond, of a stream whose sound comes every 21 ms until `dies`.
    fn told(dies: Duration) -> u32 {
        let mut storm = Storm::default();
        let (mut now, mut count) = (Duration::ZERO, 0);
        let buffer = 21_000;
        while now < Duration::from_secs(1) {
            let last = now.min(dies).as_micros() as u64 / buffer * buffer;
            let last = Duration::from_millis(last / 1_000);
            now += Duration::from_micros(1) + storm.error(now, now.saturating_sub(last));
            count += 1;
        }
        count
    }

    #[test]
    fn a_dying_server_and_a_starved_one_are_told_a_few_times_and_not_a_million() {
        assert!(told(Duration::from_millis(100)) < 1_000);
        assert!(told(Duration::from_secs(1)) < 5_000);
    }

    #[test]
    fn an_error_now_and_then_costs_nothing() {
        let mut storm = Storm::default();
        for second in 1..1_000 {
            let now = Duration::from_secs(second);
            assert_eq!(storm.error(now, Duration::from_millis(10)), Duration::ZERO);
        }
    }
}
