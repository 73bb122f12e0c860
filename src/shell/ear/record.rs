//! A stretch of sound from a microphone, for what is measured and not played: the sound check, the loop.

use std::time::{Duration, Instant};

use super::clock::StreamClock;
use crate::shell::audio::{InputFault, Microphone, Microphones};

/// How often the ring is looked at.
const TURN: Duration = Duration::from_millis(5);

/// No callback for so long: the device has stopped.
const LIVENESS: Duration = Duration::from_secs(1);

/// A microphone whose sound is kept.
#[derive(Debug)]
pub struct Recorder {
    microphone: Microphone,
    clock: StreamClock,
    sound: Vec<f32>,
}

impl Recorder {
    /// Opens the microphone, waiting for it. Errors: the [`InputFault`] that says what to do.
    pub fn open(microphones: &mut dyn Microphones) -> Result<Recorder, InputFault> {
        let mut opening = microphones.open();
        loop {
            let now = Instant::now();
            if let Some(opened) = opening.poll(now) {
                let microphone = opened?;
                return Ok(Recorder {
                    clock: StreamClock::new(f64::from(microphone.capture.rate()), now),
                    microphone,
                    sound: Vec::new(),
                });
            }
            std::thread::sleep(TURN);
        }
    }

    /// Records until `enough` says so of the sound so far, `longest` at most; whether it did. Errors:
    /// [`InputFault::Stopped`].
    pub fn until(
        &mut self,
        longest: Duration,
        mut enough: impl FnMut(&[f32]) -> bool,
    ) -> Result<bool, InputFault> {
        let began = Instant::now();
        let mut block = Vec::new();
        loop {
            while let Some(head) = self.microphone.capture.next(&mut block) {
                self.clock.block(head.samples, head.lost > 0, head.at);
                self.sound.extend_from_slice(&block);
            }
            if enough(&self.sound) {
                return Ok(true);
            }
            let now = Instant::now();
            if now.saturating_duration_since(began) >= longest {
                return Ok(false);
            }
            let state = self.microphone.capture.state();
            if state.silent_for(now) > LIVENESS || self.microphone.capture.is_abandoned() {
                return Err(InputFault::Stopped);
            }
            std::thread::sleep(TURN);
        }
    }

    /// Records for `length` of sound.
    pub fn record(&mut self, length: Duration) -> Result<(), InputFault> {
        let wanted = self.sound.len() + (length.as_secs_f64() * f64::from(self.rate())) as usize;
        self.until(length + LIVENESS, |sound| sound.len() >= wanted)?;
        Ok(())
    }

    /// Everything recorded.
    pub fn sound(&self) -> &[f32] {
        &self.sound
    }

    /// Samples a second.
    pub fn rate(&self) -> u32 {
        self.microphone.capture.rate()
    }

    /// What the device is called.
    pub fn name(&self) -> &str {
        &self.microphone.name
    }

    /// The second of the recording that came at `instant`.
    pub fn second(&self, instant: Instant) -> f64 {
        self.clock.second(instant)
    }
}
