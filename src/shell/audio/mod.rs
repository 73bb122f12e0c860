//! Sound devices. A machine without any gives an [`AudioFault`] and everything else goes on.

#[cfg(feature = "sound")]
mod doze;
mod fault;
mod input;
mod input_fault;
mod input_ring;
mod loudspeaker;
mod output;
mod quiet;
mod source;
#[cfg(feature = "sound")]
mod storm;

pub use fault::AudioFault;
pub use input::{
    Listed, Microphone, Microphones, Opened, OpeningMicrophone, SystemMicrophones, list,
};
pub use input_fault::InputFault;
pub use input_ring::{Block, Capture, InputState, Intake, intake};
pub use loudspeaker::{Loudspeaker, SpeakerNews};
pub use output::{Opening, Speaker};
pub use quiet::{Quiet, tell};
pub use source::{LoudSource, Player, SoundState, source};
