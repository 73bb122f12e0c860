//! The loudspeaker of a whole run: opened beside the screen, watched, and opened again when it was lost.
//! In: phrases, and the time at every turn of the main loop. Out: sound, and news to show.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::fault::AudioFault;
use super::output::{Opening, Speaker};
use super::source::SoundState;
use crate::score::Phrase;

/// A phrase asked for while the device is being opened still sounds if it is no older than this: later it would only
/// disturb.
const PATIENCE: Duration = Duration::from_secs(5);

/// The first try to open a lost device again comes after this …
const FIRST_RETRY: Duration = Duration::from_secs(1);

/// … and each later one after twice as long, up to this.
const LAST_RETRY: Duration = Duration::from_secs(60);

/// A device that may rest is closed when it has sounded nothing for so long: each callback costs, sounding or not.
const REST: Duration = Duration::from_secs(10);

/// What has become of the device, to be shown once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SpeakerNews {
    /// It can be heard.
    Ready,
    /// It cannot be opened; tried again from time to time.
    Unavailable(AudioFault),
    /// It was there and is gone; tried again soon.
    Lost(AudioFault),
}

enum State {
    Opening(Opening),
    Ready(Speaker),
    /// Closed because it had nothing to sound; opened again for the next phrase.
    Resting,
    Failed {
        fault: AudioFault,
        since: Instant,
    },
}

/// The default output device, whatever becomes of it. Nothing here waits.
pub struct Loudspeaker {
    state: State,
    open: Box<dyn FnMut() -> Opening>,
    retry: Duration,
    /// A phrase for the moment the device is open, and when it was asked for.
    waiting: Option<(Phrase, Instant)>,
    /// The fault that was told last: the same one at every retry is no news.
    told: Option<AudioFault>,
    may_rest: bool,
    /// When something was last heard of it.
    sounded: Option<Instant>,
    /// How far the quiet beginning of the run has risen.
    gain: Option<f32>,
}

impl Loudspeaker {
    /// Begins to open the default output device.
    pub fn start() -> Loudspeaker {
        Loudspeaker::with(Box::new(Speaker::open_in_background))
    }

    fn with(mut open: Box<dyn FnMut() -> Opening>) -> Loudspeaker {
        Loudspeaker {
            state: State::Opening(open()),
            open,
            retry: FIRST_RETRY,
            waiting: None,
            told: None,
            may_rest: false,
            sounded: None,
            gain: None,
        }
    }

    /// Whether it is not known yet if it can be heard.
    pub fn is_opening(&self) -> bool {
        matches!(self.state, State::Opening(_))
    }

    /// From now on the device is closed while there is nothing to sound. The first note after a rest comes later by the time
    /// that opening takes.
    pub fn rest_when_silent(&mut self) {
        self.may_rest = true;
    }

    /// Opens a device that failed, before it is due.
    pub fn open_again(&mut self) {
        if let State::Failed { fault, .. } = &self.state
            && *fault != AudioFault::NotBuilt
        {
            self.retry = FIRST_RETRY;
            self.state = State::Opening((self.open)());
        }
    }

    /// Looks after the device; to be called at every turn of the main loop. Tells what changed.
    pub fn poll(&mut self, now: Instant) -> Option<SpeakerNews> {
        match &mut self.state {
            State::Opening(opening) => match opening.poll()? {
                Ok(mut speaker) => {
                    if let Some(gain) = self.gain.take() {
                        speaker.begin_at(gain);
                    }
                    self.sounded = Some(now);
                    if let Some((phrase, asked)) = self.waiting.take()
                        && now.saturating_duration_since(asked) <= PATIENCE
                    {
                        // Refused only if it is longer than any ring; it would be refused every time.
                        let _ = speaker.play(&phrase);
                    }
                    self.state = State::Ready(speaker);
                    self.retry = FIRST_RETRY;
                    self.told = None;
                    Some(SpeakerNews::Ready)
                }
                Err(fault) => {
                    let is_news = self.told.as_ref() != Some(&fault);
                    self.fail(fault.clone(), now);
                    is_news.then_some(SpeakerNews::Unavailable(fault))
                }
            },
            State::Ready(speaker) => {
                if let Some(fault) = speaker.fault(now) {
                    self.fail(fault.clone(), now);
                    return Some(SpeakerNews::Lost(fault));
                }
                if speaker.is_sounding() {
                    self.sounded = Some(now);
                }
                let silent = self.sounded.map(|at| now.saturating_duration_since(at));
                if self.may_rest && silent > Some(REST) {
                    self.gain = Some(speaker.gain());
                    self.state = State::Resting;
                }
                None
            }
            State::Resting => None,
            State::Failed { fault, since } => {
                let due = now.saturating_duration_since(*since) >= self.retry;
                if due && *fault != AudioFault::NotBuilt {
                    self.retry = (self.retry * 2).min(LAST_RETRY);
                    self.state = State::Opening((self.open)());
                }
                None
            }
        }
    }

    fn fail(&mut self, fault: AudioFault, now: Instant) {
        self.waiting = None;
        self.told = Some(fault.clone());
        self.state = State::Failed { fault, since: now };
    }

    /// Sounds `phrase`, at once or as soon as the device is open. Errors: the [`AudioFault`] that keeps it silent.
    pub fn play(&mut self, phrase: &Phrase, now: Instant) -> Result<(), AudioFault> {
        match &mut self.state {
            State::Opening(_) => {
                self.waiting = Some((phrase.clone(), now));
                Ok(())
            }
            State::Ready(speaker) => speaker.play(phrase),
            State::Resting => {
                self.waiting = Some((phrase.clone(), now));
                self.state = State::Opening((self.open)());
                Ok(())
            }
            State::Failed { fault, .. } => Err(fault.clone()),
        }
    }

    /// Fades out what sounds and forgets what waits.
    pub fn stop(&mut self) {
        self.waiting = None;
        if let State::Ready(speaker) = &mut self.state {
            speaker.stop();
        }
    }

    /// Something is to be heard, now or as soon as the device is open.
    pub fn is_sounding(&self) -> bool {
        match &self.state {
            State::Opening(_) => self.waiting.is_some(),
            State::Ready(speaker) => speaker.is_sounding(),
            State::Resting | State::Failed { .. } => false,
        }
    }

    /// Something is to be heard as soon as the device is open.
    pub fn is_about_to_sound(&self) -> bool {
        matches!(self.state, State::Opening(_)) && self.waiting.is_some()
    }

    /// What the callback of the open device tells, for a thread that must know whether the speaker sounds.
    pub fn state(&self) -> Option<Arc<SoundState>> {
        match &self.state {
            State::Ready(speaker) => Some(speaker.state()),
            State::Opening(_) | State::Resting | State::Failed { .. } => None,
        }
    }

    /// Why nothing can be heard, while that is so.
    pub fn fault(&self) -> Option<&AudioFault> {
        match &self.state {
            State::Failed { fault, .. } => Some(fault),
            State::Opening(_) | State::Ready(_) | State::Resting => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::Tone;
    use crate::shell::audio::source::{LoudSource, Player, source};
    use crate::signal::synth::SampleRate;
    use crate::theory::Hz;
    use std::cell::RefCell;
    use std::rc::Rc;
    use std::sync::mpsc::{Sender, channel};

    type Answer = Result<Player, AudioFault>;

    /// A loudspeaker whose openings are answered by the test, and where they are answered.
    fn staged() -> (Loudspeaker, Rc<RefCell<Vec<Sender<Answer>>>>) {
        let openings = Rc::new(RefCell::new(Vec::new()));
        let speaker = Loudspeaker::with(Box::new({
            let openings = Rc::clone(&openings);
            move || {
                let (answer, result) = channel();
                openings.borrow_mut().push(answer);
                Opening::staged(result)
            }
        }));
        (speaker, openings)
    }

    fn device() -> (Answer, LoudSource) {
        let (player, source) = source(SampleRate::STUDIO);
        (Ok(player), source)
    }

    fn note() -> Phrase {
        Phrase::one_after_another(Tone::Pure, [Hz(440.0)], 50)
    }

    fn is_heard(source: &mut LoudSource) -> bool {
        let mut out = [0.0_f32; 4_800];
        source.fill(&mut out, 1, 0, |x| x);
        out.iter().any(|x| *x != 0.0)
    }

    #[test]
    fn a_phrase_asked_for_while_the_device_opens_is_heard_when_it_is_open() {
        let (mut speaker, openings) = staged();
        let now = Instant::now();
        assert_eq!(speaker.poll(now), None);
        speaker.play(&note(), now).unwrap();
        assert!(speaker.is_sounding() && speaker.is_about_to_sound());
        let (player, mut source) = device();
        openings.borrow()[0].send(player).unwrap();
        assert_eq!(
            speaker.poll(now + Duration::from_millis(300)),
            Some(SpeakerNews::Ready)
        );
        assert!(is_heard(&mut source) && !speaker.is_about_to_sound());
    }

    #[test]
    fn a_phrase_that_waited_too_long_is_dropped() {
        let (mut speaker, openings) = staged();
        let now = Instant::now();
        speaker.play(&note(), now).unwrap();
        let (player, mut source) = device();
        openings.borrow()[0].send(player).unwrap();
        assert_eq!(
            speaker.poll(now + Duration::from_secs(6)),
            Some(SpeakerNews::Ready)
        );
        assert!(!is_heard(&mut source) && !speaker.is_sounding());
    }

    #[test]
    fn a_lost_device_is_named_and_opened_again_with_growing_pauses() {
        let (mut speaker, openings) = staged();
        let (player, mut source) = device();
        openings.borrow()[0].send(player).unwrap();
        let mut now = Instant::now();
        assert_eq!(speaker.poll(now), Some(SpeakerNews::Ready));
        is_heard(&mut source);
        assert_eq!(speaker.poll(Instant::now()), None);

        // No callback for longer than half a second.
        now += Duration::from_secs(1);
        assert_eq!(
            speaker.poll(now),
            Some(SpeakerNews::Lost(AudioFault::Stopped))
        );
        assert_eq!(speaker.play(&note(), now), Err(AudioFault::Stopped));
        let mut pauses = Vec::new();
        for round in 1..=8 {
            let failed = now;
            while openings.borrow().len() == round {
                now += Duration::from_millis(500);
                assert_eq!(speaker.poll(now), None);
            }
            pauses.push((now - failed).as_secs());
            openings.borrow()[round]
                .send(Err(AudioFault::Unresponsive))
                .unwrap();
            // Told once, not at every try.
            let news = (round == 1).then_some(SpeakerNews::Unavailable(AudioFault::Unresponsive));
            assert_eq!(speaker.poll(now), news);
        }
        assert_eq!(pauses, [1, 2, 4, 8, 16, 32, 60, 60]);
        assert_eq!(speaker.fault(), Some(&AudioFault::Unresponsive));
    }

    #[test]
    fn a_device_that_failed_is_opened_at_once_when_it_is_asked_for() {
        let (mut speaker, openings) = staged();
        let now = Instant::now();
        let refused = || Err(AudioFault::Unresponsive);
        openings.borrow()[0].send(refused()).unwrap();
        assert!(speaker.poll(now).is_some());
        speaker.open_again();
        assert!(speaker.is_opening() && openings.borrow().len() == 2);
        // One that opens is left alone, and so is one that is open.
        speaker.open_again();
        let (player, _source) = device();
        openings.borrow()[1].send(player).unwrap();
        assert_eq!(speaker.poll(now), Some(SpeakerNews::Ready));
        speaker.open_again();
        assert_eq!(openings.borrow().len(), 2);
    }

    #[test]
    fn a_device_that_may_rest_does_when_it_is_silent_and_goes_on_as_loud_as_it_was() {
        let (mut speaker, openings) = staged();
        let (player, mut source) = device();
        openings.borrow()[0].send(player).unwrap();
        let now = Instant::now();
        speaker.poll(now);
        let long = Phrase::one_after_another(Tone::Pure, [Hz(440.0)], 5_000);
        speaker.play(&long, now).unwrap();
        let peak = |source: &mut LoudSource| {
            let mut out = [0.0_f32; 4_800];
            source.fill(&mut out, 1, 0, |x| x);
            out.iter().fold(0.0, |most: f32, x| most.max(x.abs()))
        };
        let first = peak(&mut source);
        for _ in 0..59 {
            peak(&mut source);
        }
        assert!(!speaker.is_sounding());
        // Open as long as it was not said that it may rest.
        assert_eq!(speaker.poll(now), None);
        assert!(speaker.state().is_some());

        speaker.rest_when_silent();
        let later = now + Duration::from_secs(11);
        // As if it had been silent for so long while callbacks came.
        speaker.sounded = Some(now - Duration::from_secs(11));
        assert_eq!(speaker.poll(now), None);
        assert!(speaker.state().is_none() && speaker.fault().is_none());
        assert_eq!(openings.borrow().len(), 1);

        speaker.play(&note(), later).unwrap();
        assert!(speaker.is_sounding());
        let (player, mut source) = device();
        openings.borrow()[1].send(player).unwrap();
        assert_eq!(speaker.poll(later), Some(SpeakerNews::Ready));
        let again = peak(&mut source);
        assert!(
            again > 4.0 * first,
            "{first} at first, {again} after the rest"
        );
    }

    #[test]
    fn a_build_without_sound_is_not_asked_twice() {
        let (mut speaker, openings) = staged();
        openings.borrow()[0]
            .send(Err(AudioFault::NotBuilt))
            .unwrap();
        let now = Instant::now();
        assert_eq!(
            speaker.poll(now),
            Some(SpeakerNews::Unavailable(AudioFault::NotBuilt))
        );
        for seconds in 1..200 {
            assert_eq!(speaker.poll(now + Duration::from_secs(seconds)), None);
        }
        assert_eq!(openings.borrow().len(), 1);
    }
}
