//! Whether our own loudspeaker sounds, told from the thread that plays to the thread that listens.

use std::sync::{Arc, Mutex};

use crate::shell::audio::SoundState;

/// A word between the loudspeaker and the ear. Neither is a callback: a lock does no harm.
#[derive(Debug, Clone, Default)]
pub struct OwnSound(Arc<Mutex<Option<Arc<SoundState>>>>);

impl OwnSound {
    /// The loudspeaker now in use, or none.
    pub fn watch(&self, state: Option<Arc<SoundState>>) {
        *self.0.lock().unwrap_or_else(|held| held.into_inner()) = state;
    }

    /// Something of ours is to be heard, as far as is known.
    pub fn is_sounding(&self) -> bool {
        self.0
            .lock()
            .unwrap_or_else(|held| held.into_inner())
            .as_ref()
            .is_some_and(|state| state.is_sounding())
    }
}
