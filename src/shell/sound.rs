//! The sound of a sitting: a speaker where there is one, silence where there is none.

use std::time::{Duration, Instant};

use super::audio::{AudioFault, Loudspeaker, SpeakerNews};
use super::ear::OwnSound;
use crate::drill::Cue;
use crate::score::{Phrase, SoundingNote, Tone};
use crate::signal::tuning::PianoTuning;
use crate::theory::{Cents, Reference, Temperament};

/// How often a device that opens is to be looked after while something waits to be sounded.
pub const SOON: Duration = Duration::from_millis(10);

/// What sounds.
pub struct Sound {
    /// `None` is silence by choice.
    speaker: Option<Box<Loudspeaker>>,
    /// Said once to the learner.
    fault: Option<AudioFault>,
    /// Told to who listens meanwhile.
    own: OwnSound,
    /// The piano that notes are sounded as on.
    piano: Option<PianoTuning>,
}

impl Sound {
    /// No sound, by choice.
    pub fn silent() -> Sound {
        Sound {
            speaker: None,
            fault: None,
            own: OwnSound::default(),
            piano: None,
        }
    }

    /// The default device, opened behind the first frame, and again when it was lost.
    pub fn open() -> Sound {
        Sound {
            speaker: Some(Box::new(Loudspeaker::start())),
            fault: None,
            own: OwnSound::default(),
            piano: None,
        }
    }

    /// The same, sounding strings as on `piano`.
    pub fn on_piano(self, piano: Option<PianoTuning>) -> Sound {
        Sound { piano, ..self }
    }

    /// Sounds `cue`; without a device nothing happens.
    pub fn play(&mut self, cue: &Cue) {
        self.settle();
        let phrase = phrase(cue, self.piano.as_ref());
        if let Some(speaker) = &mut self.speaker {
            // A lost device was told when it was lost, and is being opened again.
            let _told = speaker.play(&phrase, Instant::now());
        }
    }

    /// Whether it sounds, for whoever listens from now on. At an instrument little is sounded: the device may rest.
    pub fn listened_to(&mut self) -> OwnSound {
        if let Some(speaker) = &mut self.speaker {
            speaker.rest_when_silent();
        }
        self.own.clone()
    }

    /// Whether what is played can be heard, as far as is known.
    pub fn can_be_heard(&self) -> bool {
        let speaker = self.speaker.as_ref();
        speaker.is_some_and(|speaker| speaker.fault().is_none())
    }

    /// Whether it is silent by choice.
    pub fn is_off(&self) -> bool {
        self.speaker.is_none()
    }

    /// Looks for a device at once where none could be opened, and does not wait for the next time to look.
    pub fn look_again(&mut self) {
        if let Some(speaker) = &mut self.speaker {
            speaker.open_again();
        }
    }

    /// Whether it is not known yet if what is played can be heard.
    pub fn is_opening(&mut self) -> bool {
        self.settle();
        let speaker = self.speaker.as_ref();
        speaker.is_some_and(|speaker| speaker.is_opening())
    }

    /// Whether what was played waits for the device to open: it is to be looked after often, and no clock to run meanwhile.
    pub fn is_about_to_sound(&self) -> bool {
        let speaker = self.speaker.as_ref();
        speaker.is_some_and(|speaker| speaker.is_about_to_sound())
    }

    /// Why there is no sound, told once.
    pub fn take_fault(&mut self) -> Option<AudioFault> {
        self.settle();
        self.fault.take()
    }

    fn settle(&mut self) {
        let news = self
            .speaker
            .as_mut()
            .and_then(|speaker| speaker.poll(Instant::now()));
        if news.is_some() {
            let state = self.speaker.as_ref().and_then(|speaker| speaker.state());
            self.own.watch(state);
        }
        if let Some(SpeakerNews::Unavailable(fault) | SpeakerNews::Lost(fault)) = news {
            self.fault = Some(fault);
        }
    }
}

/// The cue in frequencies: equal temperament at the usual reference, or strings as they sound on `piano`. What is meant to be
/// out of tune is so by the cents asked for alone: a piano's own unevenness would be added to them.
fn phrase(cue: &Cue, piano: Option<&PianoTuning>) -> Phrase {
    let in_tune = cue.notes.iter().all(|note| note.cents == 0.0);
    let piano = piano.filter(|_| cue.tone == Tone::Strings && in_tune);
    let mut phrase = Phrase::new(cue.tone);
    phrase.notes = cue
        .notes
        .iter()
        .map(|note| {
            let equal = || Temperament::equal().frequency(note.key, Reference::default());
            let first = piano.and_then(|piano| piano.first(note.key));
            let hz = first.unwrap_or_else(equal).raised(Cents(note.cents));
            SoundingNote::new(note.start_ms, note.length_ms, hz)
                .on_string(piano.and_then(|piano| piano.stiffness(note.key)))
        })
        .collect();
    phrase
}
