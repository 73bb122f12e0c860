//! The thread that listens. In: microphones, and whether our own speaker sounds. Out: [`EarNews`], each as it happens.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::clock::StreamClock;
use super::gate::{FRAME_S, Gate};
use super::holes::Holes;
use super::own::OwnSound;
use super::pace::{Pace, PaceWatch};
use crate::shell::audio::{Block, InputFault, Microphone, Microphones, OpeningMicrophone};
use crate::signal::listen::{
    Lesson, ListenError, Listener, NoteEvent, Options, PitchFrame, PitchTrack, Surety,
};

/// Blocks heard before anything is told: where sound comes faster than it can be heard, a turn ends all the same.
const BLOCKS_A_TURN: usize = 64;

/// How often a device that is not open is looked at.
const SLOW_TURN: Duration = Duration::from_millis(20);

/// How often an open device that brings nothing is looked at: each block wakes us.
const IDLE_TURN: Duration = Duration::from_millis(50);

/// A turn that comes this late was held up by the machine, and so was the callback: no proof that the device is gone.
const HELD_UP: Duration = Duration::from_millis(100);

/// From the end of our sound at the device to its end in the microphone, where no loop was measured: above what sound
/// servers are set to.
const UNMEASURED_LOOP_S: f64 = 0.2;

/// Lessons kept for a device that comes back.
const REMEMBERED: usize = 48;

/// A stream that ran for so long is trusted again: the next loss is tried soon.
const TRUSTED: Duration = Duration::from_secs(10);

/// How long the ear waits for what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// A device whose callback has not come for so long has stopped: some never report it.
    pub liveness: Duration,
    /// The first callback may take longer.
    pub first_sound: Duration,
    /// A lost device is opened again after this …
    pub first_retry: Duration,
    /// … and later after twice as long each time, up to this.
    pub last_retry: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Patience {
            liveness: Duration::from_millis(500),
            first_sound: Duration::from_secs(2),
            first_retry: Duration::from_millis(500),
            last_retry: Duration::from_secs(5),
        }
    }
}

/// What an ear is told beforehand.
#[derive(Debug, Clone, Default)]
pub struct EarOptions {
    /// What the listener may know.
    pub listening: Options,
    /// What we sound ourselves; not judged.
    pub own: OwnSound,
    /// The learner hears us by headphones: the microphone does not hear us, and is judged at all times.
    pub headphones: bool,
    /// Measured time from our sound at the device to its arrival here.
    pub loop_delay: Option<Duration>,
    /// The pitch is followed between the notes.
    pub follow: bool,
    /// The sound itself is told, and no notes.
    pub sound: bool,
    /// How long to wait for what.
    pub patience: Patience,
}

/// A note that was heard, on the clock of the program.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heard {
    /// When its beginning came to the program.
    pub onset: Instant,
    /// When it was decided.
    pub at: Instant,
    /// The note; its seconds count from the stream's beginning. *Unsure* also while the stream keeps no pace, and where
    /// sound was lost in it.
    pub note: NoteEvent,
}

/// What the ear tells.
#[derive(Debug, Clone, PartialEq)]
pub enum EarNews {
    /// It hears, through this device.
    Listening {
        /// The device.
        device: String,
    },
    /// It cannot hear; it goes on trying, and tells when it can again.
    Deaf(InputFault),
    /// A note.
    Note(Heard),
    /// The pitch of a hundredth of a second, where it is followed.
    Pitch {
        /// The pitch.
        frame: PitchFrame,
        /// How loud it is, dBFS.
        level_db: f32,
        /// Our own speaker sounds in it, as far as is known.
        own: bool,
    },
    /// The sound of one callback, where it is asked for.
    Sound {
        /// Samples of one channel.
        samples: Vec<f32>,
        /// How many there are a second.
        rate: u32,
        /// Sound was lost before it.
        gap: bool,
        /// When the callback came.
        at: Instant,
    },
}

/// Where news go. Gives false when nobody wants them any more.
pub type Tell = Box<dyn FnMut(EarNews) -> bool + Send>;

/// A running ear. Dropping it closes the microphone.
#[derive(Debug)]
pub struct Ear {
    stop: Arc<AtomicBool>,
    lost: Arc<AtomicU64>,
    lessons: Sender<Lesson>,
    thread: Option<JoinHandle<()>>,
}

impl Ear {
    /// Begins to listen on a thread of its own.
    pub fn start(microphones: Box<dyn Microphones>, options: EarOptions, mut tell: Tell) -> Ear {
        let stop = Arc::new(AtomicBool::new(false));
        let lost = Arc::new(AtomicU64::new(0));
        let (lessons, told_lessons) = channel();
        let mut listening = Listening {
            microphones,
            pause: options.patience.first_retry,
            options,
            told: None,
            lost: Arc::clone(&lost),
            lessons: told_lessons,
            learnt: VecDeque::new(),
        };
        let stopped = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name("listening".to_owned())
            .spawn(move || listening.run(&stopped, &mut tell))
            .ok();
        Ear {
            stop,
            lost,
            lessons,
            thread,
        }
    }

    /// Teaches it how the instrument is tuned; what is learnt outlasts a device that goes away.
    pub fn teach(&self, lesson: Lesson) {
        // An ear that has ended need not learn.
        let _ended = self.lessons.send(lesson);
    }

    /// Times sound was lost on its way, by the ring or by the device's own buffer.
    pub fn losses(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            // It opens and closes no device itself, so it ends within a turn. A panic there has been shown already.
            let _ended = thread.join();
        }
    }
}

enum State {
    Opening(OpeningMicrophone),
    Open(Box<Hearing>),
    Failed { until: Instant },
}

struct Listening {
    microphones: Box<dyn Microphones>,
    options: EarOptions,
    /// The next wait before a lost device is opened again.
    pause: Duration,
    /// The fault that was told last, while there is one: the same one at every try is no news.
    told: Option<InputFault>,
    lost: Arc<AtomicU64>,
    lessons: Receiver<Lesson>,
    /// Notes whose keys were told to be right, for the next device.
    learnt: VecDeque<Lesson>,
}

impl Listening {
    /// Takes the lessons that have come.
    fn learn(&mut self, state: &mut State) {
        while let Ok(lesson) = self.lessons.try_recv() {
            if let State::Open(hearing) = state {
                hearing.listener.teach(&lesson);
            }
            match lesson {
                Lesson::Keys(keys) => {
                    self.options.listening = self.options.listening.with_keys(&keys);
                    self.learnt.clear();
                }
                Lesson::Right(_) => {
                    if self.learnt.len() == REMEMBERED {
                        self.learnt.pop_front();
                    }
                    self.learnt.push_back(lesson);
                }
            }
        }
    }

    fn run(&mut self, stop: &AtomicBool, tell: &mut Tell) {
        let mut state = State::Opening(self.microphones.open());
        let mut last_turn = Instant::now();
        let mut held_up = last_turn;
        let mut news = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let now = Instant::now();
            if now.saturating_duration_since(last_turn) > HELD_UP {
                held_up = now;
            }
            last_turn = now;
            self.learn(&mut state);
            let in_time = now.saturating_duration_since(held_up) > self.options.patience.liveness;
            let result = match &mut state {
                State::Opening(opening) => match opening.poll(now) {
                    None => Ok(()),
                    Some(opened) => opened
                        .and_then(|microphone| {
                            let lessons = self.learnt.iter();
                            Hearing::new(microphone, now, &self.options, lessons)
                        })
                        .map(|hearing| state = State::Open(Box::new(hearing))),
                },
                State::Open(hearing) => {
                    let told = hearing.turn(now, in_time, &self.options, &mut news);
                    self.lost
                        .fetch_add(std::mem::take(&mut hearing.gaps), Ordering::Relaxed);
                    told
                }
                State::Failed { until } => {
                    if now >= *until {
                        state = State::Opening(self.microphones.open());
                    }
                    Ok(())
                }
            };
            if let Err(fault) = result {
                if let State::Open(hearing) = &state
                    && now.saturating_duration_since(hearing.began) >= TRUSTED
                {
                    self.pause = self.options.patience.first_retry;
                }
                state = State::Failed {
                    until: now + self.pause,
                };
                self.pause = (self.pause * 2).min(self.options.patience.last_retry);
                news.push(EarNews::Deaf(fault));
            }
            for news in news.drain(..) {
                let old = match &news {
                    EarNews::Deaf(fault) => {
                        self.told.replace(fault.clone()).as_ref() == Some(fault)
                    }
                    EarNews::Listening { .. } => {
                        self.told = None;
                        false
                    }
                    EarNews::Note(_) | EarNews::Pitch { .. } | EarNews::Sound { .. } => false,
                };
                let hopeless = news == EarNews::Deaf(InputFault::NotBuilt);
                if !old && !tell(news) || hopeless {
                    return;
                }
            }
            std::thread::park_timeout(match &state {
                State::Open(hearing) if hearing.microphone.capture.is_empty() => IDLE_TURN,
                State::Open(_) => Duration::ZERO,
                State::Opening(_) | State::Failed { .. } => SLOW_TURN,
            });
        }
    }
}

/// One stream being heard.
struct Hearing {
    microphone: Microphone,
    began: Instant,
    /// The first block has come.
    sounding: bool,
    rate: u32,
    listener: Hears,
    clock: StreamClock,
    pace: PaceWatch,
    gate: Gate,
    holes: Holes,
    /// Times the device's buffer had run over by the last block.
    overruns: u64,
    /// Gaps since they were counted last.
    gaps: u64,
    own: OwnTimes,
    /// Of the frame of the gate that is not whole yet: samples and their power.
    frame: (u32, f32),
    samples: Vec<f32>,
}

impl Hearing {
    fn new<'a>(
        microphone: Microphone,
        now: Instant,
        options: &EarOptions,
        lessons: impl Iterator<Item = &'a Lesson>,
    ) -> Result<Hearing, InputFault> {
        let rate = microphone.capture.rate();
        microphone.capture.wake_this_thread();
        let mut listener = Hears::new(rate, options)?;
        lessons.for_each(|lesson| listener.teach(lesson));
        Ok(Hearing {
            listener,
            clock: StreamClock::new(f64::from(rate), now),
            pace: PaceWatch::new(f64::from(rate)),
            gate: Gate::new(),
            holes: Holes::new(f64::from(rate)),
            overruns: 0,
            gaps: 0,
            own: OwnTimes::default(),
            frame: (0, 0.0),
            samples: Vec::with_capacity(4096),
            microphone,
            began: now,
            sounding: false,
            rate,
        })
    }

    /// Hears what has come since the last turn. `in_time`: this thread itself was not held up.
    fn turn(
        &mut self,
        now: Instant,
        in_time: bool,
        options: &EarOptions,
        news: &mut Vec<EarNews>,
    ) -> Result<(), InputFault> {
        self.own.look(options, now);
        let mut samples = std::mem::take(&mut self.samples);
        for _ in 0..BLOCKS_A_TURN {
            let Some(block) = self.microphone.capture.next(&mut samples) else {
                break;
            };
            if !std::mem::replace(&mut self.sounding, true) {
                news.push(EarNews::Listening {
                    device: self.microphone.name.clone(),
                });
            }
            self.block(&block, &samples, options, news)?;
        }
        self.samples = samples;
        let patience = if self.sounding {
            options.patience.liveness
        } else {
            options.patience.first_sound
        };
        let silent = self.microphone.capture.state().silent_for(now);
        if self.microphone.capture.is_abandoned() || in_time && silent > patience {
            return Err(InputFault::Stopped);
        }
        Ok(())
    }

    fn block(
        &mut self,
        block: &Block,
        samples: &[f32],
        options: &EarOptions,
        news: &mut Vec<EarNews>,
    ) -> Result<(), InputFault> {
        match self.pace.block(block.samples + block.lost, block.at) {
            Some(Pace::Uneven) => return Err(InputFault::Gaps),
            Some(Pace::Other(rate)) => self.change_rate(rate, block.at, options)?,
            Some(Pace::Steady) | None => {}
        }
        let gap = block.lost > 0 || block.overruns != self.overruns;
        self.overruns = block.overruns;
        self.gaps += u64::from(gap);
        self.clock.block(block.samples, gap, block.at);
        // What has come by now may hold a sound of ours that has just begun.
        self.own.look(options, Instant::now());
        if options.sound {
            news.push(EarNews::Sound {
                samples: samples.to_vec(),
                rate: self.rate,
                gap,
                at: block.at,
            });
            return Ok(());
        }
        self.holes.block(samples, gap);
        if !options.headphones {
            self.gate(samples, options);
        }
        let (notes, frames) = self.listener.push(samples);
        if !frames.is_empty() {
            let power = samples.iter().map(|x| x * x).sum::<f32>() / samples.len() as f32;
            let level_db = 10.0 * power.max(1e-12).log10();
            news.extend(frames.into_iter().map(|frame| EarNews::Pitch {
                frame,
                level_db,
                own: !options.headphones
                    && self.own.since(frame.time_s, &self.clock, options).is_some(),
            }));
        }
        for note in notes {
            if self.gate.admits(note.onset_s) && !self.holes.spoil(note.onset_s) {
                news.push(EarNews::Note(self.heard(note)));
            }
        }
        Ok(())
    }

    /// Feeds the gate with the block that has just been counted.
    fn gate(&mut self, samples: &[f32], options: &EarOptions) {
        let length = (FRAME_S * f64::from(self.rate)) as u32;
        let mut at = self.clock.seconds() - samples.len() as f64 / f64::from(self.rate);
        for sample in samples {
            at += 1.0 / f64::from(self.rate);
            self.frame.0 += 1;
            self.frame.1 += sample * sample;
            if self.frame.0 == length {
                let own = self.own.since(at, &self.clock, options);
                self.gate.frame(self.frame.1 / length as f32, at, own);
                self.frame = (0, 0.0);
            }
        }
    }

    fn heard(&self, mut note: NoteEvent) -> Heard {
        // At a pace that may be another rate, a key's pitch may be another's; and where sound is missing in it.
        if self.pace.is_suspect() || self.holes.cut(note.onset_s, note.decided_s) {
            note.surety = Surety::Unsure;
        }
        Heard {
            onset: self.clock.instant(note.onset_s),
            at: Instant::now(),
            note,
        }
    }

    /// The stream has another rate than was said: everything begins anew with it.
    fn change_rate(
        &mut self,
        rate: u32,
        now: Instant,
        options: &EarOptions,
    ) -> Result<(), InputFault> {
        self.rate = rate;
        self.listener = Hears::new(rate, options)?;
        self.clock = StreamClock::new(f64::from(rate), now);
        self.pace = PaceWatch::new(f64::from(rate));
        self.gate = Gate::new();
        self.holes = Holes::new(f64::from(rate));
        self.frame = (0, 0.0);
        Ok(())
    }
}

/// What goes through the sound.
#[derive(Debug)]
enum Hears {
    Notes(Box<Listener>),
    Pitch(Box<PitchTrack>),
}

impl Hears {
    fn new(rate: u32, options: &EarOptions) -> Result<Hears, InputFault> {
        let hears = if options.follow {
            PitchTrack::new(rate, options.listening).map(|track| Hears::Pitch(Box::new(track)))
        } else {
            Listener::new(rate, options.listening).map(|listener| Hears::Notes(Box::new(listener)))
        };
        hears.map_err(|error: ListenError| InputFault::Form {
            form: error.to_string(),
        })
    }

    fn teach(&mut self, lesson: &Lesson) {
        // A pitch that is followed is told as it is, whatever the instrument.
        if let Hears::Notes(listener) = self {
            listener.teach(lesson);
        }
    }

    fn push(&mut self, samples: &[f32]) -> (Vec<NoteEvent>, Vec<PitchFrame>) {
        match self {
            Hears::Notes(listener) => (listener.push(samples), Vec::new()),
            Hears::Pitch(track) => {
                let frames = track.push(samples);
                (track.take_notes(), frames)
            }
        }
    }
}

/// When our own sound began and ended, on the program's clock.
#[derive(Debug, Default)]
struct OwnTimes {
    since: Option<Instant>,
    ended: Option<Instant>,
    /// When it was looked last.
    looked: Option<Instant>,
}

impl OwnTimes {
    fn look(&mut self, options: &EarOptions, now: Instant) {
        match (options.own.is_sounding(now), self.since, self.ended) {
            (true, None, _) | (true, Some(_), Some(_)) => {
                // It began after the last look, which may be long ago where this thread was held up.
                self.since = self.looked.or(Some(now));
                self.ended = None;
            }
            (false, Some(_), None) => self.ended = Some(now),
            _ => {}
        }
        self.looked = Some(now);
    }

    /// Since which second our sound may be in the stream, if it may be in what came at `second`.
    fn since(&self, second: f64, clock: &StreamClock, options: &EarOptions) -> Option<f64> {
        let since = clock.second(self.since?);
        let way = options
            .loop_delay
            .map_or(UNMEASURED_LOOP_S, |delay| delay.as_secs_f64());
        let over = self
            .ended
            .is_some_and(|ended| second > clock.second(ended) + way);
        (second >= since && !over).then_some(since)
    }
}
