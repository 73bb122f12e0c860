//! What can go wrong with a sound device, and what to do about it.

/// A sound device that cannot be used, or no longer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AudioFault {
    /// The program was built without its `sound` feature.
    #[error(
        "this build has no sound: render to a file with --wav FILE, or build with the feature `sound`"
    )]
    NotBuilt,
    /// There is no output device, or none that can be opened.
    #[error(
        "no sound output can be opened ({reason}): check that a device is connected and that the sound server runs, \
         or render to a file with --wav FILE"
    )]
    NoOutput {
        /// What the sound system said.
        reason: String,
    },
    /// Opening took too long.
    #[error(
        "the sound output does not answer: close other programs that use it, or restart the sound server"
    )]
    Unresponsive,
    /// The device has stopped taking sound.
    #[error("the sound output has stopped: check its plug, or choose another device")]
    Stopped,
    /// More notes than can wait.
    #[error("too many notes at once ({given}, at most {free} now): play them in smaller groups")]
    TooManyNotes {
        /// Notes in the phrase.
        given: usize,
        /// Notes that can be taken at present.
        free: usize,
    },
}

impl AudioFault {
    /// What a learner is told in the middle of practice, which goes on: one line of a small screen.
    pub fn in_short(&self) -> &'static str {
        match self {
            AudioFault::NotBuilt => "This build has no sound; practice goes on in silence.",
            AudioFault::NoOutput { .. } => "No sound output is there; practice goes on in silence.",
            AudioFault::Unresponsive => {
                "The sound output does not answer; practice goes on in silence."
            }
            AudioFault::Stopped => "The sound output has stopped; practice goes on in silence.",
            AudioFault::TooManyNotes { .. } => "Too many notes at once: some were left out.",
        }
    }
}
