//! Between the program and an output callback: notes go in on one side, samples come out on the other.
//!
//! [`Player`] is the program's end, [`LoudSource`] the callback's. Between them are a lock-free ring and a few atomics;
//! the callback's end never allocates, frees, locks or logs. Both work without a device.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rtrb::{Consumer, Producer, RingBuffer};

use super::fault::AudioFault;
use crate::score::Phrase;
use crate::signal::synth::{Engine, NoteOn, SampleRate};

/// Notes and orders that may be under way to the callback.
const RING: usize = 2048;

/// Samples made at once, before they are spread over the device's channels.
const CHUNK: usize = 256;

/// The first sound of a run starts at this factor (−18 dB) …
const FIRST_GAIN: f32 = 0.125;

/// … and has its full loudness after so many seconds of sound.
const RISE_S: f32 = 3.0;

#[derive(Debug, Clone, Copy)]
enum Order {
    Note(NoteOn),
    Stop,
    /// Go on at this part of full loudness.
    Gain(f32),
}

/// What the callback tells: numbers only.
#[derive(Debug)]
pub struct SoundState {
    /// Phrases given.
    given: AtomicU64,
    /// Phrases whose sound has left the device, as far as known.
    done: AtomicU64,
    /// When the last callback came, in milliseconds since `began`.
    called_ms: AtomicU64,
    /// When the last phrase was given, and how long it then waited for a callback, in microseconds.
    given_us: AtomicU64,
    waited_us: AtomicU64,
    /// Times the device ran out of samples.
    xruns: AtomicU64,
    /// The device said that it is gone.
    lost: AtomicBool,
    /// How far the quiet beginning has risen, as the bits of a number from 0 to 1.
    gain: AtomicU32,
    began: Instant,
}

impl SoundState {
    fn new() -> SoundState {
        SoundState {
            given: AtomicU64::new(0),
            done: AtomicU64::new(0),
            called_ms: AtomicU64::new(0),
            given_us: AtomicU64::new(0),
            waited_us: AtomicU64::new(0),
            xruns: AtomicU64::new(0),
            lost: AtomicBool::new(false),
            gain: AtomicU32::new(FIRST_GAIN.to_bits()),
            began: Instant::now(),
        }
    }

    /// How long before `now` the last callback came, or the device was opened if none came yet: when that grows past
    /// half a second, the device has stopped. Some never report it.
    pub fn silent_for(&self, now: Instant) -> Duration {
        let called = Duration::from_millis(self.called_ms.load(Ordering::Relaxed));
        now.saturating_duration_since(self.began + called)
    }

    /// Something given is yet to be heard to its end.
    pub fn is_sounding(&self) -> bool {
        self.given.load(Ordering::Acquire) != self.done.load(Ordering::Acquire)
    }

    /// How long the last phrase waited between being given and the callback that began it; its first sample comes the
    /// limiter's look-ahead later.
    pub fn last_wait(&self) -> Duration {
        Duration::from_micros(self.waited_us.load(Ordering::Relaxed))
    }

    /// How often the device ran out of samples: each time is a gap in the sound.
    pub fn xruns(&self) -> u64 {
        self.xruns.load(Ordering::Relaxed)
    }

    /// How far the quiet beginning has risen, 0 to 1.
    pub fn gain(&self) -> f32 {
        f32::from_bits(self.gain.load(Ordering::Relaxed))
    }

    /// To be called when the device ran out of samples. Neither allocates nor locks.
    pub fn count_xrun(&self) {
        self.xruns.fetch_add(1, Ordering::Relaxed);
    }

    /// The device has said that it is gone.
    pub fn is_lost(&self) -> bool {
        self.lost.load(Ordering::Relaxed)
    }

    /// To be called when the device says that it is gone. Neither allocates nor locks.
    pub fn lose(&self) {
        self.lost.store(true, Ordering::Relaxed);
    }

    fn microseconds(&self) -> u64 {
        self.began.elapsed().as_micros() as u64
    }

    fn stamp(&self) {
        let ms = self.began.elapsed().as_millis() as u64;
        self.called_ms.store(ms, Ordering::Relaxed);
    }
}

/// The program's end: takes phrases, never waits.
pub struct Player {
    ring: Producer<Order>,
    state: Arc<SoundState>,
    rate: SampleRate,
}

/// The callback's end: makes the samples.
pub struct LoudSource {
    ring: Consumer<Order>,
    state: Arc<SoundState>,
    engine: Engine,
    chunk: [f32; CHUNK],
    gain: f32,
    gain_step: f32,
    /// Samples of silence made since the engine fell idle.
    idle: u64,
}

/// Both ends, for a device of `rate`.
pub fn source(rate: SampleRate) -> (Player, LoudSource) {
    let (producer, consumer) = RingBuffer::new(RING);
    let state = Arc::new(SoundState::new());
    let player = Player {
        ring: producer,
        state: Arc::clone(&state),
        rate,
    };
    let source = LoudSource {
        ring: consumer,
        state,
        engine: Engine::new(rate),
        chunk: [0.0; CHUNK],
        gain: FIRST_GAIN,
        gain_step: (1.0 - FIRST_GAIN) / (RISE_S * rate.per_second() as f32),
        idle: 0,
    };
    (player, source)
}

impl Player {
    /// Hands `phrase` over; it begins with the next callback. Errors: [`AudioFault::TooManyNotes`], and then none of it
    /// sounds.
    pub fn play(&mut self, phrase: &Phrase) -> Result<(), AudioFault> {
        let given = phrase.notes.len();
        // One place is kept free so that a stop always gets through.
        let free = self.ring.slots().saturating_sub(1);
        if given > free {
            return Err(AudioFault::TooManyNotes { given, free });
        }
        let now = self.state.microseconds();
        self.state.given_us.store(now, Ordering::Relaxed);
        // One commit: a callback sees the whole phrase or none of it, so its notes keep their distances.
        if let Ok(places) = self.ring.write_chunk_uninit(given) {
            places.fill_from_iter(NoteOn::of_phrase(phrase, self.rate).map(Order::Note));
        }
        self.state.given.fetch_add(1, Ordering::Release);
        Ok(())
    }

    /// Fades out whatever sounds, within 10 ms, and drops what waits.
    pub fn stop(&mut self) {
        // A full ring holds a stop already, or is read within one callback; a second one changes nothing.
        let _ = self.ring.push(Order::Stop);
    }

    /// Goes on at `gain`, 0 to 1, from where it rises: so much of it has been heard before.
    pub fn begin_at(&mut self, gain: f32) {
        // Only a full ring refuses it, and then the rise is heard once more.
        let _ = self.ring.push(Order::Gain(gain));
    }

    /// What the callback tells.
    pub fn state(&self) -> &Arc<SoundState> {
        &self.state
    }

    /// The device's rate.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }
}

impl LoudSource {
    /// Where the callback tells.
    pub fn state(&self) -> Arc<SoundState> {
        Arc::clone(&self.state)
    }

    /// Fills `out` (frames of `channels` samples) and stamps the time of the callback. `latency` is how many samples lie between
    /// the end of `out` and the ear. Allocates, frees and locks nothing.
    pub fn fill<T>(&mut self, out: &mut [T], channels: usize, latency: u64, convert: fn(f32) -> T)
    where
        T: Copy,
    {
        self.state.stamp();
        let given = self.state.given.load(Ordering::Acquire);
        let mut is_new = false;
        while let Ok(order) = self.ring.pop() {
            match order {
                Order::Note(note) => {
                    is_new = true;
                    self.engine.schedule(note);
                }
                Order::Stop => self.engine.release_all(),
                Order::Gain(gain) => self.gain = gain.clamp(FIRST_GAIN, 1.0),
            }
        }
        if is_new {
            let given_us = self.state.given_us.load(Ordering::Relaxed);
            let waited = self.state.microseconds().saturating_sub(given_us);
            self.state.waited_us.store(waited, Ordering::Relaxed);
        }
        for frames in out.chunks_mut(CHUNK * channels.max(1)) {
            let size = frames.len() / channels.max(1);
            let chunk = &mut self.chunk[..size];
            if self.engine.is_idle() {
                chunk.fill(0.0);
                self.idle += size as u64;
            } else {
                self.idle = 0;
                self.engine.render(chunk);
                for sample in chunk.iter_mut() {
                    *sample *= self.gain;
                    self.gain = (self.gain + self.gain_step).min(1.0);
                }
            }
            for (frame, sample) in frames.chunks_mut(channels.max(1)).zip(self.chunk) {
                frame.fill(convert(sample));
            }
        }
        self.state
            .gain
            .store(self.gain.to_bits(), Ordering::Relaxed);
        if self.engine.is_idle() && self.idle >= latency {
            self.state.done.store(given, Ordering::Release);
        }
    }
}
