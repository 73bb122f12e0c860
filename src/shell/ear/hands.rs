//! A sitting with both hands at the piano: what the ear tells goes to the desk, and what becomes of the microphone to the
//! learner. When it cannot hear, letters stand in.

use super::listening::{Ear, EarNews, EarOptions, Tell};
use crate::drill::Rest;
use crate::shell::audio::Microphones;
use crate::shell::desk::{Desk, DeskError};

/// The ear of one sitting. Dropping it closes the microphone.
#[derive(Debug)]
pub struct Hands {
    _ear: Ear,
    listening: bool,
    /// It was told that nothing can be heard.
    deaf: bool,
    /// What is said of the microphone, and how much the desk had told by then.
    says: (&'static str, u32),
}

impl Hands {
    /// Begins to listen.
    pub fn start(microphones: Box<dyn Microphones>, options: EarOptions, tell: Tell) -> Hands {
        Hands {
            _ear: Ear::start(microphones, options, tell),
            listening: false,
            deaf: false,
            says: ("The microphone is being opened.", 0),
        }
    }

    /// Takes what the ear tells to the sitting.
    pub fn take(&mut self, news: &EarNews, desk: &mut Desk) -> Result<(), DeskError> {
        let told = desk.view().told;
        match news {
            EarNews::Listening { .. } => {
                (self.listening, self.deaf) = (true, false);
                self.says = ("The microphone hears: play the answer.", told);
            }
            EarNews::Deaf(fault) => {
                (self.listening, self.deaf) = (false, true);
                self.says = (fault.in_short(), told);
            }
            EarNews::Note(heard) => {
                self.says = ("", told);
                desk.heard(heard)?;
            }
            EarNews::Pitch { .. } | EarNews::Sound { .. } => {}
        }
        Ok(())
    }

    /// Time passes: a sitting in which nothing is heard rests, but only if something could be heard.
    pub fn pass_time(&mut self, desk: &mut Desk) -> Result<(), DeskError> {
        if self.listening {
            desk.pass_time()?;
        }
        Ok(())
    }

    /// The piano can be heard.
    pub fn listening(&self) -> bool {
        self.listening
    }

    /// The piano cannot be heard, as far as is known.
    pub fn deaf(&self) -> bool {
        self.deaf
    }

    /// What has become of the microphone, until a note is heard or the desk tells something else.
    pub fn says(&self, desk: &Desk) -> Option<&'static str> {
        let (text, told) = self.says;
        (!text.is_empty() && desk.view().told == told).then_some(text)
    }
}

/// Why no prompt is there, and how to go on.
pub fn rest_in_words(rest: Rest, listening: bool) -> &'static str {
    match (rest, listening) {
        (Rest::BeforeFirst, true) => "Play any note to begin. Esc ends the sitting.",
        (Rest::BeforeFirst, false) => "Enter begins. Esc ends the sitting.",
        (Rest::Silence, true) => "A rest. Play any note, or Enter, to go on; Esc ends the sitting.",
        (Rest::Asked, _) | (Rest::Silence, false) => "A rest. Enter goes on, Esc ends the sitting.",
    }
}
