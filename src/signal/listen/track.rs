//! The pitch of a stream every 10 ms: of the decided note, or of a voice as it moves.
//! In: samples of one channel in pieces of any size. Out: a [`PitchFrame`] each 10 ms; after an onset the frames are empty
//! until the key is decided.

use super::event::{ListenError, NoteEvent, Options};
use super::listener::Listener;
use crate::theory::Hz;

/// The pitch at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchFrame {
    /// End of the sound used, seconds from the start of the stream.
    pub time_s: f64,
    /// First partial of the decided note, or pitch of a voice; none where nothing has a known pitch.
    pub frequency: Option<Hz>,
    /// How likely it is, 0..=1.
    pub confidence: f32,
    /// What of a voice has a pitch at this moment, also while no note is decided.
    pub voice: Option<Hz>,
}

/// Follows the pitch of a stream, and hears its notes on the way.
#[derive(Debug)]
pub struct PitchTrack {
    listener: Listener,
    notes: Vec<NoteEvent>,
}

impl PitchTrack {
    /// A track of a stream of `rate` samples a second. Errors: [`ListenError::Rate`].
    pub fn new(rate: u32, options: Options) -> Result<PitchTrack, ListenError> {
        let mut listener = Listener::new(rate, options)?;
        listener.tells_pitch = true;
        Ok(PitchTrack {
            listener,
            notes: Vec::new(),
        })
    }

    /// Takes the next samples (full scale ±1); gives the frames they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<PitchFrame> {
        self.listener.feed(samples);
        let mut frames = Vec::new();
        while self.listener.hop(&mut self.notes) {
            if self.listener.hops().is_multiple_of(2) {
                frames.push(self.frame(self.listener.pitch_now()));
            }
        }
        frames
    }

    /// Ends the stream: the likeliest pitch of an onset that was not decided yet, in one more frame.
    pub fn finish(&mut self) -> Option<PitchFrame> {
        let guess = self.listener.guess()?;
        Some(self.frame(Some(guess)))
    }

    /// The notes decided since the last call.
    pub fn take_notes(&mut self) -> Vec<NoteEvent> {
        std::mem::take(&mut self.notes)
    }

    fn frame(&self, pitch: Option<(f64, f32)>) -> PitchFrame {
        PitchFrame {
            time_s: self.listener.now_s(),
            frequency: pitch.map(|p| Hz(p.0)),
            confidence: pitch.map_or(0.0, |p| p.1),
            voice: self.listener.voice_now().map(Hz),
        }
    }
}
