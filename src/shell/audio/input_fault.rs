//! What can go wrong with a microphone, and what to do about it.

/// A microphone that cannot be used, or no longer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InputFault {
    /// The program was built without its `sound` feature.
    #[error("this build has no microphone: build with the feature `sound`, or use a recording")]
    NotBuilt,
    /// There is no input device, or none that can be opened.
    #[error(
        "no microphone can be opened ({reason}): check that one is connected and that the sound server runs; \
         `stavelark devices` lists what is there"
    )]
    NoInput {
        /// What the sound system said.
        reason: String,
    },
    /// The device that was chosen is not there.
    #[error(
        "there is no microphone '{name}': connect it, or choose another of `stavelark devices` with --use NAME"
    )]
    NotThere {
        /// The name that was chosen.
        name: String,
    },
    /// The system does not let this program listen.
    #[error(
        "this user may not use the microphone: allow it in the system's privacy settings, or join the group `audio`"
    )]
    Denied,
    /// Another program holds it.
    #[error("another program holds the microphone: close it there")]
    Busy,
    /// The device's sound cannot be read.
    #[error(
        "the microphone gives sound in a form that cannot be read ({form}): choose another device"
    )]
    Form {
        /// What it gives.
        form: String,
    },
    /// Opening took too long.
    #[error(
        "the microphone does not answer: close other programs that use it, or restart the sound server"
    )]
    Unresponsive,
    /// No sound comes any more.
    #[error("the microphone has stopped: check its plug, or choose another device")]
    Stopped,
    /// Sound comes with holes, or at no steady pace.
    #[error(
        "the microphone's sound comes with gaps: close programs that keep the machine busy, or use a wired device"
    )]
    Gaps,
}

impl InputFault {
    /// What a learner is told in the middle of practice, which goes on: one line of a small screen.
    pub fn in_short(&self) -> &'static str {
        match self {
            InputFault::NotBuilt => "This build has no microphone: answer by letters.",
            InputFault::NoInput { .. } => "No microphone is there: answer by letters.",
            InputFault::NotThere { .. } => "The chosen microphone is not there: answer by letters.",
            InputFault::Denied => "This user may not use the microphone: answer by letters.",
            InputFault::Busy => "Another program holds the microphone: answer by letters.",
            InputFault::Form { .. } => "The microphone cannot be read: answer by letters.",
            InputFault::Unresponsive => "The microphone does not answer: answer by letters.",
            InputFault::Stopped => "The microphone has stopped: answer by letters.",
            InputFault::Gaps => "The microphone's sound has gaps: answer by letters.",
        }
    }
}
