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

/// Whoever did not ask gets up earlier by this part of a block the next time: no more than this share of the time is ever spent asking.
const EARLIER: u32 = 512;

/// No doze is longer than this many blocks.
const MOST: u32 = 2;

/// Watches the thread of one stream.
#[derive(Debug, Default)]
pub(super) struct Doze {
    /// Processor time of the thread when the last block came.
    worked: Option<Duration>,
    /// When the thread gets up.
    due: Duration,
}

impl Doze {
    /// Takes a block as long as `block` that came at `now`, when its thread had been at work for `worked`; both count from any
    /// moment. Gives how long the thread had better sleep.
    pub(super) fn block(&mut self, now: Duration, worked: Duration, block: Duration) -> Duration {
        if let Some(before) = self.worked.replace(worked) {
            let work = worked.saturating_sub(before);
            self.due += block;
            if work > block / ASKED {
                self.due += work;
            } else {
                self.due = self.due.saturating_sub(block / EARLIER);
            }
        }
        self.due = self.due.clamp(now, now + MOST * block);
        self.due - now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thirty seconds of a library that asks for blocks of 21.3 ms from a server that brings pieces of `piece` µs.
    /// Gives the share of the time it was busy, over the last twenty, and how late it took a block then, in µs, at most.
    fn run(piece: u64, dozes: bool) -> (f64, u64) {
        let block: u64 = 21_333;
        let (mut doze, mut now, mut worked, mut taken) = (Doze::default(), 0_u64, 0_u64, 0_u64);
        let (mut from, mut late) = ((0_u64, 0_u64), 0_u64);
        while now < 30_000_000 {
            // Nothing there: the wait is a real one. A piece, but no block: it asks.
            let whole = (taken + block).div_ceil(piece) * piece;
            let first = (taken / piece + 1) * piece;
            let asks_from = now.max(first.min(whole));
            worked += whole.saturating_sub(asks_from) + 50;
            if now > 10_000_000 {
                late = late.max(now.saturating_sub(whole));
            } else {
                from = (now, worked);
            }
            now = now.max(whole) + 50;
            taken += block;
            let us = Duration::from_micros;
            let rest = doze.block(us(now), us(worked), us(block));
            if dozes {
                now += rest.as_micros() as u64;
            }
        }
        ((worked - from.1) as f64 / (now - from.0) as f64, late)
    }

    #[test]
    fn pieces_of_any_length_cost_little_and_make_nothing_later_than_a_piece() {
        for piece in [5_000, 10_000, 20_000, 21_000, 25_000, 30_000] {
            let (awake, _) = run(piece, false);
            let (dozing, late) = run(piece, true);
            assert!(
                dozing < awake / 20.0 && dozing < 0.01,
                "{piece}: {awake} before, {dozing}"
            );
            assert!(late <= piece, "{piece}: {late}");
        }
    }

    #[test]
    fn whole_blocks_are_waited_for_as_ever() {
        let (busy, late) = run(21_333, true);
        assert!(busy < 0.01 && late == 0, "{busy}, {late}");
    }
}
