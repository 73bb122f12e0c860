//! A thread that waits on its feet is told to doze.
//!
//! The sound library waits for a whole block of sound. Where a sound server brings it in pieces of another length, the wait ends with
//! each piece, and from the first of them on the library asks again and again, with up to half a core, until the block is whole.
//! In: the time and the processor time of its thread, at each block. Out: for how long nothing can be whole yet.
//!
//! Blocks become whole at their own pace, each later than that by up to a piece. So the thread gets up at that pace, too, and so much
//! later that it never had to ask: what it asked in vain is added once. What is given back from block to block bounds what asking costs.

use std::time::Duration;

/// A thread that was at work for more than this part of a block did not only take it, but asked.
const ASKED: u32 = 64;

/// Whoever asked for longer than this many blocks asked a server that stood still: that says nothing of its pieces.
const STOOD: u32 = 2;

/// Whoever did not ask gets up earlier by this part of a block the next time, so that little more than this share of the time is
/// ever spent asking …
const EARLIER: u32 = 512;

/// … by twice, three times … as much after so many blocks, which are longer than pieces and blocks need to fall together again …
const ROUND: u32 = 64;

/// … and by so many times as much at most.
const HURRY: u32 = 8;

/// No doze is longer than this many blocks; whoever was held up catches up with as many.
const MOST: u32 = 8;

/// Watches the thread of one stream.
#[derive(Debug, Default)]
pub(super) struct Doze {
    /// Processor time of the thread when the last block came.
    worked: Option<Duration>,
    /// When the thread gets up.
    due: Duration,
    /// Blocks since it last asked.
    unasked: u32,
}

impl Doze {
    /// Takes a block as long as `block` that came at `now`, when its thread had been at work for `worked`; both count from any
    /// moment. Gives how long the thread had better sleep.
    pub(super) fn block(&mut self, now: Duration, worked: Duration, block: Duration) -> Duration {
        if let Some(before) = self.worked.replace(worked) {
            let work = worked.saturating_sub(before);
            self.due += block;
            if work > block / ASKED {
                self.unasked = 0;
                if work < STOOD * block {
                    self.due += work;
                }
            } else {
                self.unasked = self.unasked.saturating_add(1);
                let step = block / EARLIER * (1 + self.unasked / ROUND).min(HURRY);
                self.due = self.due.saturating_sub(step);
            }
        }
        // Where the thread was held up, it takes what waits without a rest.
        let earliest = now.saturating_sub(MOST * block);
        self.due = self.due.clamp(earliest, now + MOST * block);
        self.due.saturating_sub(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What stands still for a tenth of a second, at half time.
    #[derive(Clone, Copy, PartialEq)]
    enum Stands {
        Nothing,
        Thread,
        Server,
    }

    const HALF_TIME: u64 = 15_000_000;
    const STAND: u64 = 100_000;

    /// Thirty seconds of a library that asks for blocks of 21.3 ms from a server that brings pieces of `piece` µs.
    /// Gives the share of the time it was busy, over the last twenty, and how late it took a block at most, in µs: before half
    /// time, and from five seconds after it on.
    fn run(piece: u64, dozes: bool, stands: Stands) -> (f64, u64, u64) {
        let block: u64 = 21_333;
        let (mut doze, mut now, mut worked, mut taken) = (Doze::default(), 0_u64, 0_u64, 0_u64);
        let (mut from, mut late, mut late_after) = ((0_u64, 0_u64), 0_u64, 0_u64);
        let mut held_up = false;
        let brought = |at: u64| match stands {
            Stands::Server if (HALF_TIME..HALF_TIME + STAND).contains(&at) => HALF_TIME + STAND,
            _ => at,
        };
        while now < 2 * HALF_TIME {
            if stands == Stands::Thread && now > HALF_TIME && !held_up {
                held_up = true;
                now += STAND;
            }
            // Nothing there: the wait is a real one. A piece, but no block: it asks.
            let whole = brought((taken + block).div_ceil(piece) * piece);
            let first = brought((taken / piece + 1) * piece);
            let asks_from = now.max(first.min(whole));
            worked += whole.saturating_sub(asks_from) + 50;
            let waited = now.saturating_sub(whole);
            if now < 10_000_000 {
                from = (now, worked);
            } else if now < HALF_TIME {
                late = late.max(waited);
            } else if now > HALF_TIME + 5_000_000 {
                late_after = late_after.max(waited);
            }
            now = now.max(whole) + 50;
            taken += block;
            let us = Duration::from_micros;
            let rest = doze.block(us(now), us(worked), us(block));
            if dozes {
                now += rest.as_micros() as u64;
            }
        }
        let busy = (worked - from.1) as f64 / (now - from.0) as f64;
        (busy, late, late_after)
    }

    #[test]
    fn pieces_of_any_length_cost_little_and_make_nothing_later_than_a_piece() {
        for piece in [5_000, 10_000, 20_000, 21_000, 25_000, 30_000] {
            let (awake, ..) = run(piece, false, Stands::Nothing);
            let (dozing, late, _) = run(piece, true, Stands::Nothing);
            assert!(
                dozing < awake / 20.0 && dozing < 0.01,
                "{piece}: {awake} before, {dozing}"
            );
            assert!(late <= piece, "{piece}: {late}");
        }
    }

    #[test]
    fn whole_blocks_are_waited_for_as_ever() {
        let (busy, late, _) = run(21_333, true, Stands::Nothing);
        assert!(busy < 0.01 && late == 0, "{busy}, {late}");
    }

    #[test]
    fn whoever_was_held_up_is_soon_as_prompt_as_before() {
        for piece in [5_000, 10_000, 20_000, 21_000, 21_333, 25_000, 30_000] {
            for stands in [Stands::Thread, Stands::Server] {
                let (busy, _, late) = run(piece, true, stands);
                assert!(
                    late <= piece + 1_000 && busy < 0.02,
                    "{piece}: {late}, {busy}"
                );
            }
        }
    }
}
