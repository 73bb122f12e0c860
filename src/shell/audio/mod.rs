//! Sound devices. A machine without any gives an [`AudioFault`] and everything else goes on.

mod fault;
mod loudspeaker;
mod output;
mod quiet;
mod source;

pub use fault::AudioFault;
pub use loudspeaker::{Loudspeaker, SpeakerNews};
pub use output::{Opening, Speaker};
pub use quiet::Quiet;
pub use source::{LoudSource, Player, SoundState, source};
