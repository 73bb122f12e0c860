//! A sitting with both hands at the piano: what the ear tells goes to the desk, and what becomes of the microphone to the
//! learner. When it cannot hear, letters stand in.

use std::time::{Duration, Instant};

use super::listening::{Ear, EarNews, EarOptions, Tell};
use crate::drill::Rest;
use crate::shell::audio::Microphones;
use crate::shell::desk::{Desk, DeskError};
use crate::shell::words::screens as words;
use crate::theory::Hz;

/// The ear of one sitting. Dropping it closes the microphone.
#[derive(Debug)]
pub struct Hands {
    _ear: Ear,
    listening: bool,
    /// It was told that nothing can be heard.
    deaf: bool,
    /// What is said of the microphone, and how much the desk had told by then.
    says: (&'static str, u32),
    /// A voice answers, not a piano.
    sung: bool,
    /// The pitch that was followed last, and when.
    pitch: Option<(Hz, Instant)>,
}

/// A pitch stays in sight for so long after it was heard last.
const AFTERGLOW: Duration = Duration::from_millis(600);

impl Hands {
    /// Begins to listen.
    pub fn start(microphones: Box<dyn Microphones>, options: EarOptions, tell: Tell) -> Hands {
        Hands {
            sung: !options.listening.piano,
            pitch: None,
            _ear: Ear::start(microphones, options, tell),
            listening: false,
            deaf: false,
            says: (words::OPENING, 0),
        }
    }

    /// Takes what the ear tells to the sitting.
    pub fn take(&mut self, news: &EarNews, desk: &mut Desk) -> Result<(), DeskError> {
        let told = desk.view().told;
        match news {
            EarNews::Listening { .. } => {
                (self.listening, self.deaf) = (true, false);
                let says = if self.sung {
                    words::HEARS_VOICE
                } else {
                    words::HEARS
                };
                self.says = (says, told);
            }
            EarNews::Deaf(fault) => {
                (self.listening, self.deaf) = (false, true);
                self.says = (fault.in_short(), told);
            }
            EarNews::Note(heard) => {
                self.says = ("", told);
                desk.heard(heard)?;
            }
            EarNews::Pitch { frame, .. } => {
                if let Some(hz) = frame.frequency {
                    self.pitch = Some((hz, Instant::now()));
                }
            }
            EarNews::Sound { .. } => {}
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

    /// The pitch that sounds now, where it is followed.
    pub fn pitch(&self) -> Option<Hz> {
        let (hz, at) = self.pitch?;
        (at.elapsed() < AFTERGLOW).then_some(hz)
    }

    /// Why no prompt is there, and how to go on.
    pub fn rest_in_words(&self, rest: Rest) -> String {
        let words = words::rest(rest, self.listening);
        if self.sung {
            words.replace("Play", "Sing")
        } else {
            words.to_owned()
        }
    }

    /// What has become of the microphone, until a note is heard or the desk tells something else.
    pub fn says(&self, desk: &Desk) -> Option<&'static str> {
        let (text, told) = self.says;
        (!text.is_empty() && desk.view().told == told).then_some(text)
    }
}
