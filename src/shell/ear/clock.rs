//! When a sample of the microphone's stream came to the program. In: each block's length and the instant of its callback.
//! Out: the instant of any second of the stream, and the other way round.
//!
//! Callbacks come late by a little that changes each time, never early: of the last blocks the promptest one counts.

use std::time::{Duration, Instant};

/// Blocks looked at: about 1.4 s, in which a device's clock runs off by less than 0.2 ms.
const BLOCKS: usize = 64;

/// The clock of one stream.
#[derive(Debug)]
pub(super) struct StreamClock {
    rate: f64,
    base: Instant,
    /// Samples so far, lost ones left out: they are not in what the listener hears.
    samples: u64,
    /// Seconds by which the last blocks' callbacks came after `base` + their end in the stream; a ring.
    lateness: Vec<f64>,
    next: usize,
}

impl StreamClock {
    /// A clock for a stream of `rate` samples a second that begins about `base`.
    pub(super) fn new(rate: f64, base: Instant) -> StreamClock {
        StreamClock {
            rate,
            base,
            samples: 0,
            lateness: Vec::with_capacity(BLOCKS),
            next: 0,
        }
    }

    /// Takes a block of `samples` whose callback came `at`; `gap`: samples were lost before it.
    pub(super) fn block(&mut self, samples: u32, gap: bool, at: Instant) {
        if gap {
            self.lateness.clear();
            self.next = 0;
        }
        self.samples += u64::from(samples);
        let late = at.saturating_duration_since(self.base).as_secs_f64() - self.seconds();
        if self.lateness.len() < BLOCKS {
            self.lateness.push(late);
        } else {
            self.lateness[self.next] = late;
            self.next = (self.next + 1) % BLOCKS;
        }
    }

    /// Seconds of sound so far.
    pub(super) fn seconds(&self) -> f64 {
        self.samples as f64 / self.rate
    }

    /// The instant at which the sound of `seconds` came to the program.
    pub(super) fn instant(&self, seconds: f64) -> Instant {
        let since = seconds + self.least();
        self.base + Duration::from_secs_f64(since.max(0.0))
    }

    /// The second of the stream that came to the program at `instant`; negative before its beginning.
    pub(super) fn second(&self, instant: Instant) -> f64 {
        let since = instant
            .checked_duration_since(self.base)
            .map_or_else(|| -(self.base - instant).as_secs_f64(), |d| d.as_secs_f64());
        since - self.least()
    }

    fn least(&self) -> f64 {
        self.lateness
            .iter()
            .copied()
            .reduce(f64::min)
            .unwrap_or(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jitter_of_the_callbacks_does_not_move_a_note() {
        let base = Instant::now();
        let mut clock = StreamClock::new(48_000.0, base);
        for block in 1..200_u64 {
            // Every block 40 ms late, and up to 15 ms more at random.
            let jitter = (block * 7 % 16) as f64 / 1000.0;
            let at = base + Duration::from_secs_f64(block as f64 * 0.020 + 0.040 + jitter);
            clock.block(960, false, at);
        }
        let at = clock.instant(3.0).duration_since(base).as_secs_f64();
        assert!((at - 3.040).abs() < 1e-6, "{at}");
        assert!((clock.second(base + Duration::from_secs(2)) - 1.96).abs() < 1e-6);
    }

    #[test]
    fn after_a_gap_time_goes_on_where_it_is() {
        let base = Instant::now();
        let mut clock = StreamClock::new(48_000.0, base);
        for block in 1..=100_u64 {
            clock.block(960, false, base + Duration::from_millis(block * 20));
        }
        // Half a second was lost.
        clock.block(960, true, base + Duration::from_millis(2_520));
        let at = clock.instant(clock.seconds());
        assert_eq!(at.duration_since(base).as_millis(), 2_520);
    }
}
