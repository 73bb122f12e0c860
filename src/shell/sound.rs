//! The sound of a sitting: a speaker where there is one, silence where there is none.

use super::audio::{AudioFault, Opening, Speaker};
use super::ear::OwnSound;
use crate::score::{Phrase, Tone};
use crate::study::Item;
use crate::theory::{Reference, Temperament};

/// How long an item sounds.
const NOTE_MS: u32 = 1200;

/// What sounds.
pub struct Sound {
    state: State,
    /// Said once to the learner.
    fault: Option<AudioFault>,
    /// A prompt is being sounded, and is answered only when it has been heard.
    prompt_sounds: bool,
    /// Told to who listens meanwhile.
    own: OwnSound,
}

enum State {
    Silent,
    Opening(Box<Opening>),
    Open(Box<Speaker>),
}

impl Sound {
    /// No sound, by choice.
    pub fn silent() -> Sound {
        Sound {
            state: State::Silent,
            fault: None,
            prompt_sounds: false,
            own: OwnSound::default(),
        }
    }

    /// The default device, opened behind the first frame. `prompt_sounds`: the clock of a prompt waits for its sound.
    pub fn open(prompt_sounds: bool) -> Sound {
        Sound {
            state: State::Opening(Box::new(Speaker::open_in_background())),
            fault: None,
            prompt_sounds,
            own: OwnSound::default(),
        }
    }

    /// Sounds `item`; without a device nothing happens.
    pub fn play(&mut self, item: Item) {
        self.settle();
        let hz = Temperament::equal().frequency(item.pitch.midi(), Reference::default());
        let phrase = Phrase::one_after_another(Tone::Strings, [hz], NOTE_MS);
        if let State::Open(speaker) = &mut self.state {
            let lost = speaker.play(&phrase).err().or_else(|| speaker.fault());
            if let Some(fault) = lost {
                self.fault = Some(fault);
                self.state = State::Silent;
                self.own.watch(None);
            }
        }
    }

    /// Whether it sounds, for whoever listens meanwhile.
    pub fn own_sound(&self) -> OwnSound {
        self.own.clone()
    }

    /// How long the prompt just put will go on sounding.
    pub fn heard_prompt_ms(&self) -> u64 {
        match self.state {
            State::Silent => 0,
            _ if self.prompt_sounds => u64::from(NOTE_MS),
            _ => 0,
        }
    }

    /// Why there is no sound, told once.
    pub fn take_fault(&mut self) -> Option<AudioFault> {
        self.settle();
        self.fault.take()
    }

    fn settle(&mut self) {
        if let State::Opening(opening) = &mut self.state
            && let Some(opened) = opening.poll()
        {
            self.state = match opened {
                Ok(speaker) => {
                    self.own.watch(Some(speaker.state()));
                    State::Open(Box::new(speaker))
                }
                Err(fault) => {
                    self.fault = Some(fault);
                    State::Silent
                }
            };
        }
    }
}
