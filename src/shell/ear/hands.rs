//! A sitting without a hand at the computer, played or sung: what the ear tells goes to the desk, and what becomes of the microphone to the
//! learner. When it cannot hear, letters stand in.

use std::time::{Duration, Instant};

use super::listening::{Ear, EarNews, EarOptions, Tell};
use crate::drill::Rest;
use crate::shell::audio::Microphones;
use crate::shell::desk::{Desk, DeskError};
use crate::shell::words::screens as words;
use crate::signal::listen::Holding;
use crate::theory::Hz;

/// The ear of one sitting. Dropping it closes the microphone.
#[derive(Debug)]
pub struct Hands {
    ear: Ear,
    listening: bool,
    /// It was told that nothing can be heard.
    deaf: bool,
    /// What is said of the microphone, and how much the desk had told by then.
    says: (&'static str, u32),
    /// A voice answers, not a piano.
    sung: bool,
    /// The pitch that was followed last, and when.
    pitch: Option<(Hz, Instant)>,
    /// The sung note that goes on, and when it was told.
    holding: Holding,
    told_at: Instant,
}

/// The next prompt waits no longer than this for the end of a sung note.
const PATIENT: Duration = Duration::from_secs(3);

/// A pitch stays in sight for so long after it was heard last.
const AFTERGLOW: Duration = Duration::from_millis(600);

impl Hands {
    /// Begins to listen.
    pub fn start(microphones: Box<dyn Microphones>, options: EarOptions, tell: Tell) -> Hands {
        Hands {
            sung: !options.listening.piano,
            pitch: None,
            holding: Holding::default(),
            told_at: Instant::now(),
            ear: Ear::start(microphones, options, tell),
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
                self.holding = Holding::default();
                desk.set_singing(false);
                desk.leave_places()?;
            }
            EarNews::Note(heard) => {
                self.says = ("", told);
                if self.sung {
                    // What was held until now has ended where another note begins.
                    let ended = self.holding.end();
                    ended.map_or(Ok(()), |held| desk.held(held))?;
                    self.holding.begin();
                    self.told_at = Instant::now();
                    desk.set_singing(true);
                }
                desk.heard(heard)?;
                for lesson in desk.take_lessons() {
                    self.ear.teach(lesson);
                }
            }
            EarNews::Pitch { frame, own, .. } => {
                // Our own sound is nobody's voice.
                if *own {
                    self.pitch = None;
                } else if let Some(hz) = frame.frequency {
                    self.pitch = Some((hz, Instant::now()));
                }
                let ended = if *own {
                    self.holding.end()
                } else {
                    self.holding.step(frame.voice)
                };
                ended.map_or(Ok(()), |held| desk.held(held))?;
                if !self.holding.goes_on() || self.told_at.elapsed() > PATIENT {
                    desk.set_singing(false);
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

    /// The microphone can be heard.
    pub fn listening(&self) -> bool {
        self.listening
    }

    /// The microphone cannot be heard, as far as is known.
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

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicI16, AtomicU32, Ordering};
    use std::sync::mpsc::channel;
    use std::time::{Duration, Instant};

    use jiff::tz::TimeZone;

    use super::*;
    use crate::drill::{Event, Limits, Places, Plan, Sitting};
    use crate::score::{Phrase, Tone};
    use crate::shell::audio::{Opened, OpeningMicrophone, intake};
    use crate::shell::clock;
    use crate::shell::desk::Setup;
    use crate::shell::ear::Patience;
    use crate::shell::paths::Paths;
    use crate::shell::record::{Begin, Record};
    use crate::shell::sound::Sound;
    use crate::shell::store::{AnswerFilter, Store};
    use crate::shell::words::Wording;
    use crate::signal::synth::{RenderOptions, SampleRate, render};
    use crate::study::{AnswerWay, Course, LearnerModel, PromptKind, Yardstick, practice_day};
    use crate::theory::{MidiNote, NoteNames, Reference, Temperament};

    const RATE: u32 = 48_000;

    /// A simulated device that is pulled out as soon as it sounds, a hundred times; then it stays, and once a second the key is
    /// struck that is asked for.
    struct LoosePlug {
        opened: u32,
        asked: Arc<AtomicI16>,
        running: Arc<AtomicU32>,
    }

    impl Microphones for LoosePlug {
        fn open(&mut self) -> OpeningMicrophone {
            let (opening, answer, held) = OpeningMicrophone::pending();
            self.opened += 1;
            let stays = self.opened > 100;
            let (asked, running) = (Arc::clone(&self.asked), Arc::clone(&self.running));
            running.fetch_add(1, Ordering::SeqCst);
            std::thread::spawn(move || {
                let (mut intake, capture) = intake(RATE);
                let opened: Opened = Ok(("a loose plug".to_owned(), capture));
                let wanted = answer.send(opened).is_ok();
                intake.take(&[1e-5_f32; 480], 1, Instant::now(), |x| x);
                let began = Instant::now();
                let (mut struck, mut block) = (Vec::new(), 0);
                while wanted
                    && stays
                    && held.recv_timeout(Duration::ZERO)
                        == Err(std::sync::mpsc::RecvTimeoutError::Timeout)
                {
                    if block % 100 == 50 {
                        struck = key(asked.load(Ordering::SeqCst));
                    }
                    let rest = struck.split_off(480.min(struck.len()));
                    struck.resize(480, 1e-6);
                    intake.take(&struck, 1, Instant::now(), |x| x);
                    struck = rest;
                    block += 1;
                    let due = Duration::from_millis(10) * block;
                    std::thread::sleep(due.saturating_sub(began.elapsed()));
                }
                drop(intake);
                running.fetch_sub(1, Ordering::SeqCst);
            });
            opening
        }
    }

    /// Half a second of a key's synthesised sound.
    fn key(midi: i16) -> Vec<f32> {
        let hz = Temperament::equal().frequency(MidiNote(midi), Reference::default());
        let phrase = Phrase::one_after_another(Tone::Strings, [hz], 500);
        let options = RenderOptions {
            lead_in_ms: 0,
            tail_ms: 0,
        };
        render(&phrase, SampleRate::new(RATE).unwrap(), options)
    }

    fn desk(folder: &Path) -> Desk {
        let paths = Paths::in_folder(folder);
        let now = clock::now();
        let learner = Store::open(&paths)
            .unwrap()
            .add_learner("Wren", now)
            .unwrap();
        let stage = Course::built_in("groundwork").unwrap().stages[0].clone();
        let plan = Plan {
            start: now,
            stage: stage.id.clone(),
            kind: stage.kind,
            tasks: Vec::new(),
            staircase: crate::study::Staircase::default(),
            voice: None,
            octave_counts: true,
            blocks: vec![stage.items()],
            groups: None,
            carried: Vec::new(),
            history: Vec::new(),
            model: LearnerModel::new(Yardstick::new(600)),
            seed: 1,
            prompt: PromptKind::Eye,
            way: AnswerWay::Piano,
            timed: true,
            limits: Limits {
                prompts: Some(101),
                ..Limits::default()
            },
            cap_ms: 10_000,
            hands_on: true,
        };
        let record = Record::begin(Begin {
            paths,
            learner,
            stage: stage.clone(),
            day: practice_day(now, &TimeZone::UTC, 4),
            now,
            zone: TimeZone::UTC,
            seed: 1,
        })
        .unwrap();
        Desk::new(Setup {
            sitting: Sitting::new(plan),
            stage,
            record,
            wording: Wording {
                names: NoteNames::English,
                ascii: true,
            },
            events: None,
            sound: Sound::silent(),
            told_clock: false,
            loop_delay: Duration::ZERO,
            places: Places::new(Reference::default(), [None; 3]),
            piano: None,
            tuned: None,
        })
    }

    #[test]
    fn a_hundred_losses_in_a_row_cost_no_answer_and_leave_no_device_open() {
        let folder = tempfile::tempdir().unwrap();
        let mut desk = desk(folder.path());
        desk.begin().unwrap();
        desk.on(Event::Resume { at_ms: 0 }).unwrap();
        let asked = Arc::new(AtomicI16::new(0));
        let running = Arc::new(AtomicU32::new(0));
        let plug = LoosePlug {
            opened: 0,
            asked: Arc::clone(&asked),
            running: Arc::clone(&running),
        };
        let options = EarOptions {
            listening: desk.listening(),
            patience: Patience {
                first_retry: Duration::from_millis(1),
                last_retry: Duration::from_millis(5),
                ..Patience::default()
            },
            ..EarOptions::default()
        };
        let (to, news) = channel();
        let mut hands = Hands::start(
            Box::new(plug),
            options,
            Box::new(move |each| to.send(each).is_ok()),
        );
        let mut losses = 0;
        while desk.view().summary.is_none() {
            desk.drawn().unwrap();
            let item = desk.view().item.unwrap();
            asked.store(item.pitch.midi().0, Ordering::SeqCst);
            let each = news.recv_timeout(Duration::from_secs(60)).unwrap();
            hands.take(&each, &mut desk).unwrap();
            if hands.deaf() {
                losses += 1;
                // Letters stand in.
                desk.named(item.pitch.spelling()).unwrap();
            }
        }
        drop(hands);
        assert_eq!(losses, 100);
        let store = Store::open(&Paths::in_folder(folder.path())).unwrap();
        let learner = store.current_learner().unwrap().unwrap();
        let answers = store.answers(learner.id, AnswerFilter::default()).unwrap();
        let by = |way| answers.iter().filter(|a| a.way == way).count();
        assert_eq!((by(AnswerWay::Letters), by(AnswerWay::Piano)), (100, 1));
        let began = Instant::now();
        while running.load(Ordering::SeqCst) > 0 {
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "a device is still open"
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}
