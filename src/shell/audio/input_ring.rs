//! Between an input callback and the thread that listens: samples go in on one side, blocks come out on the other.
//!
//! [`Intake`] is the callback's end, [`Capture`] the listener's. Between them are two lock-free rings and a few atomics;
//! the callback's end never allocates, frees, locks or logs. Both work without a device.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};
use std::thread::Thread;
use std::time::{Duration, Instant};

use rtrb::{Consumer, Producer, RingBuffer};

/// Sound that may wait for the listener: it is never so late unless the machine stands still.
const RING_S: usize = 4;

/// Blocks that may wait: more than four seconds of the smallest a device gives (64 samples at 48 kHz).
const BLOCKS: usize = 4096;

/// One callback's sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Block {
    /// Samples of one channel.
    pub samples: u32,
    /// Samples lost before it, because the ring was full.
    pub lost: u32,
    /// Times the device's own buffer had run over by then: sound is missing where this grows.
    pub overruns: u64,
    /// When the callback came.
    pub at: Instant,
}

/// What the callback tells: numbers only.
#[derive(Debug)]
pub struct InputState {
    began: Instant,
    called_ms: AtomicU64,
    lost: AtomicU64,
    errors: AtomicU64,
    overruns: AtomicU64,
    /// Who is woken when sound has come.
    listener: OnceLock<Thread>,
}

impl InputState {
    /// How long before `now` the last callback came, or the device was opened if none came yet.
    pub fn silent_for(&self, now: Instant) -> Duration {
        let called = Duration::from_millis(self.called_ms.load(Ordering::Relaxed));
        now.saturating_duration_since(self.began + called)
    }

    /// Samples lost so far because the listener was too late.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// Errors the sound system reported so far; some devices report thousands and go on.
    pub fn errors(&self) -> u64 {
        self.errors.load(Ordering::Relaxed)
    }

    /// Times the device's own buffer ran over, as it says itself.
    pub fn overruns(&self) -> u64 {
        self.overruns.load(Ordering::Relaxed)
    }

    /// Counts an error.
    #[cfg(feature = "sound")]
    pub(super) fn count_error(&self, overrun: bool) {
        self.overruns
            .fetch_add(u64::from(overrun), Ordering::Relaxed);
        self.errors.fetch_add(1, Ordering::Relaxed);
    }
}

/// The callback's end: takes samples.
#[derive(Debug)]
pub struct Intake {
    samples: Producer<f32>,
    blocks: Producer<Block>,
    state: Arc<InputState>,
    lost: u32,
}

/// The listener's end: gives blocks.
#[derive(Debug)]
pub struct Capture {
    samples: Consumer<f32>,
    blocks: Consumer<Block>,
    state: Arc<InputState>,
    rate: u32,
}

/// Both ends, for a device of `rate` samples a second.
pub fn intake(rate: u32) -> (Intake, Capture) {
    let (to, from) = RingBuffer::new(RING_S * rate as usize);
    let (blocks_to, blocks_from) = RingBuffer::new(BLOCKS);
    let state = Arc::new(InputState {
        began: Instant::now(),
        called_ms: AtomicU64::new(0),
        lost: AtomicU64::new(0),
        errors: AtomicU64::new(0),
        overruns: AtomicU64::new(0),
        listener: OnceLock::new(),
    });
    let intake = Intake {
        samples: to,
        blocks: blocks_to,
        state: Arc::clone(&state),
        lost: 0,
    };
    let capture = Capture {
        samples: from,
        blocks: blocks_from,
        state,
        rate,
    };
    (intake, capture)
}

impl Intake {
    /// Takes one callback's `input` (frames of `channels` samples) that came `at` this instant; channels are averaged.
    /// When the ring is full the whole block is lost and counted. Allocates, frees and locks nothing.
    pub fn take<T>(&mut self, input: &[T], channels: usize, at: Instant, convert: fn(T) -> f32)
    where
        T: Copy,
    {
        let since = at.saturating_duration_since(self.state.began);
        self.state
            .called_ms
            .store(since.as_millis() as u64, Ordering::Relaxed);
        let channels = channels.max(1);
        let count = input.len() / channels;
        if count == 0 {
            return;
        }
        let share = 1.0 / channels as f32;
        let places = match self.samples.write_chunk_uninit(count) {
            Ok(places) if self.blocks.slots() > 0 => places,
            _ => {
                self.lost = self.lost.saturating_add(count as u32);
                self.state.lost.fetch_add(count as u64, Ordering::Relaxed);
                return;
            }
        };
        places.fill_from_iter(input.chunks_exact(channels).map(|frame| {
            let sum: f32 = frame.iter().map(|sample| convert(*sample)).sum();
            // A broken driver's NaN would stay in every filter for good.
            if sum.is_finite() { sum * share } else { 0.0 }
        }));
        // There is a place: only this end fills the ring.
        let _ = self.blocks.push(Block {
            samples: count as u32,
            lost: std::mem::take(&mut self.lost),
            overruns: self.state.overruns(),
            at,
        });
        if let Some(listener) = self.state.listener.get() {
            listener.unpark();
        }
    }

    /// Samples that find room now, for a source that can wait.
    pub fn room(&self) -> usize {
        self.samples.slots()
    }

    /// What the callback tells.
    pub fn state(&self) -> &Arc<InputState> {
        &self.state
    }
}

impl Capture {
    /// The next block, its samples put in place of what `into` held. `None` when there is none yet.
    pub fn next(&mut self, into: &mut Vec<f32>) -> Option<Block> {
        let block = self.blocks.pop().ok()?;
        into.clear();
        if let Ok(chunk) = self.samples.read_chunk(block.samples as usize) {
            let (first, second) = chunk.as_slices();
            into.extend_from_slice(first);
            into.extend_from_slice(second);
            chunk.commit_all();
        }
        Some(block)
    }

    /// From now on the calling thread, where it is parked, wakes when sound has come. Only the first to ask is woken.
    pub fn wake_this_thread(&self) {
        self.state.listener.get_or_init(std::thread::current);
    }

    /// Nothing waits to be heard.
    pub fn is_empty(&self) -> bool {
        self.blocks.is_empty()
    }

    /// Samples a second, as the device says.
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// What the callback tells.
    pub fn state(&self) -> &Arc<InputState> {
        &self.state
    }

    /// The callback's end is gone: no more sound will come.
    pub fn is_abandoned(&self) -> bool {
        self.samples.is_abandoned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_averaged_and_blocks_keep_their_order_and_time() {
        let (mut intake, mut capture) = intake(8_000);
        let began = Instant::now();
        let mut into = vec![9.0; 3];
        intake.take(&[0.5_f32, 0.25, -1.0, 0.0], 2, began, |x| x);
        intake.take(&[i16::MIN, 0], 1, began + Duration::from_millis(1), |x| {
            f32::from(x) / 32_768.0
        });
        let first = capture.next(&mut into).unwrap();
        assert_eq!((first.samples, first.lost, first.at), (2, 0, began));
        assert_eq!(into, [0.375, -0.5]);
        assert!(capture.next(&mut into).is_some());
        assert_eq!(into, [-1.0, 0.0]);
        assert_eq!(capture.next(&mut into), None);
    }

    #[test]
    fn what_finds_no_place_is_counted_and_told_with_the_next_block() {
        let (mut intake, mut capture) = intake(8_000);
        let now = Instant::now();
        for _ in 0..(RING_S * 8 + 3) {
            intake.take(&[0.0_f32; 1_000], 1, now, |x| x);
        }
        assert_eq!(intake.state().lost(), 3_000);
        let mut into = Vec::new();
        while capture.next(&mut into).is_some() {}
        intake.take(&[0.0_f32; 10], 1, now, |x| x);
        assert_eq!(capture.next(&mut into).unwrap().lost, 3_000);
    }

    #[test]
    fn what_is_no_number_becomes_silence() {
        let (mut intake, mut capture) = intake(8_000);
        let mut into = Vec::new();
        intake.take(&[f32::NAN, f32::INFINITY, 0.5], 1, Instant::now(), |x| x);
        capture.next(&mut into);
        assert_eq!(into, [0.0, 0.0, 0.5]);
    }
}
