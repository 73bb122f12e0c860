//! Whether our own loudspeaker sounds, told from the thread that plays to the thread that listens.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::shell::audio::SoundState;

/// A loudspeaker whose callback has not come for so long is lost: whatever it should have sounded, it does not.
const LOST: Duration = Duration::from_millis(500);

/// A word between the loudspeaker and the ear. Neither is a callback: a lock does no harm.
#[derive(Debug, Clone, Default)]
pub struct OwnSound(Arc<Mutex<Option<Arc<SoundState>>>>);

impl OwnSound {
    /// The loudspeaker now in use, or none.
    pub fn watch(&self, state: Option<Arc<SoundState>>) {
        *self.0.lock().unwrap_or_else(|held| held.into_inner()) = state;
    }

    /// Something of ours is to be heard at `now`, as far as is known.
    pub fn is_sounding(&self, now: Instant) -> bool {
        self.0
            .lock()
            .unwrap_or_else(|held| held.into_inner())
            .as_ref()
            .is_some_and(|state| state.is_sounding() && state.silent_for(now) < LOST)
    }
}
