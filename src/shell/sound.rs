//! The sound of a sitting: a speaker where there is one, silence where there is none.

use std::time::Instant;

use super::audio::{AudioFault, Loudspeaker, SpeakerNews};
use super::ear::OwnSound;
use crate::score::{Phrase, SoundingNote, Tone};
use crate::signal::tuning::PianoTuning;
use crate::study::Item;
use crate::theory::{MidiNote, Reference, Temperament};

/// How long an item sounds.
const NOTE_MS: u32 = 1200;

/// What sounds.
pub struct Sound {
    /// `None` is silence by choice.
    speaker: Option<Box<Loudspeaker>>,
    /// Said once to the learner.
    fault: Option<AudioFault>,
    /// A prompt is being sounded, and is answered only when it has been heard.
    prompt_sounds: bool,
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
            prompt_sounds: false,
            own: OwnSound::default(),
            piano: None,
        }
    }

    /// The default device, opened behind the first frame, and again when it was lost. `prompt_sounds`: the clock of a
    /// prompt waits for its sound.
    pub fn open(prompt_sounds: bool) -> Sound {
        Sound {
            speaker: Some(Box::new(Loudspeaker::start())),
            fault: None,
            prompt_sounds,
            own: OwnSound::default(),
            piano: None,
        }
    }

    /// The same, sounding notes as on `piano`.
    pub fn as_on(self, piano: Option<PianoTuning>) -> Sound {
        Sound { piano, ..self }
    }

    /// Sounds `item`; without a device nothing happens.
    pub fn play(&mut self, item: Item) {
        self.settle();
        let phrase = phrase(item.pitch.midi(), self.piano.as_ref());
        if let Some(speaker) = &mut self.speaker {
            // A lost device was told when it was lost, and is being opened again.
            let _told = speaker.play(&phrase, Instant::now());
        }
    }

    /// Whether it sounds, for whoever listens meanwhile.
    pub fn own_sound(&self) -> OwnSound {
        self.own.clone()
    }

    /// How long the prompt just put will go on sounding.
    pub fn heard_prompt_ms(&self) -> u64 {
        match &self.speaker {
            Some(speaker) if self.prompt_sounds && speaker.fault().is_none() => u64::from(NOTE_MS),
            _ => 0,
        }
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

/// One note, in equal temperament or as it sounds on `piano`.
fn phrase(key: MidiNote, piano: Option<&PianoTuning>) -> Phrase {
    let equal = || Temperament::equal().frequency(key, Reference::default());
    let first = piano.and_then(|piano| piano.first(key));
    let note = SoundingNote::new(0, NOTE_MS, first.unwrap_or_else(equal));
    let mut phrase = Phrase::new(Tone::Strings);
    phrase
        .notes
        .push(note.on_string(piano.and_then(|piano| piano.stiffness(key))));
    phrase
}
