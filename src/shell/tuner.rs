//! The guided tuning check beside its screen: a thread that reads what the microphone hears, and the sitting it is told to.
//! In: a microphone. Out: [`TunerNews`], and a [`TuningSitting`] that has taken them.

use std::sync::mpsc::{Receiver, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::audio::{InputFault, Microphones};
use super::ear::{Ear, EarNews, EarOptions};
use super::words::screens as words;
use crate::signal::tuning::{
    ClockError, ClockWatch, Guided, Instrument, KeyReading, Listened, LiveStrikes, Said, name_key,
    read_key,
};
use crate::theory::{MidiNote, Reference};

/// What sounds is looked at again after so long, if nothing else is waiting.
const GLIMPSE: Duration = Duration::from_millis(200);

/// The first look at a key, seconds after its strike: before, its partials do not stand apart.
const FIRST_GLIMPSE_S: f64 = 0.3;

/// What the tuner tells.
#[derive(Debug, Clone, PartialEq)]
pub enum TunerNews {
    /// It hears, through this device.
    Listening(String),
    /// It cannot hear; it goes on trying.
    Deaf(InputFault),
    /// The stream runs at another rate than the device said: it is read at this one.
    OtherRate(u32),
    /// How loud it is, dBFS.
    Level(f32),
    /// What sounds now, as far as can be told yet.
    Glimpse(Box<KeyReading>),
    /// A key was struck, and read.
    Struck(Box<Listened>),
    /// Sound was lost in the middle of a key.
    Lost,
    /// The sound card's clock was measured, or is now known better.
    Clock(ClockError),
}

/// A running tuner. Dropping it closes the microphone.
#[derive(Debug)]
pub struct Tuner {
    ear: Option<Ear>,
    thread: Option<JoinHandle<()>>,
}

impl Tuner {
    /// Begins to listen. `tell` gives false when nobody wants news any more.
    pub fn start(
        microphones: Box<dyn Microphones>,
        reference: Reference,
        tell: impl FnMut(TunerNews) -> bool + Send + 'static,
    ) -> Tuner {
        let (hand_on, heard) = channel();
        let options = EarOptions {
            sound: true,
            ..EarOptions::default()
        };
        let ear = Ear::start(
            microphones,
            options,
            Box::new(move |news| hand_on.send(news).is_ok()),
        );
        let thread = std::thread::Builder::new()
            .name("tuner".to_owned())
            .spawn(move || {
                let mut reader = Reader::new(reference, tell);
                reader.run(&heard);
            })
            .ok();
        Tuner {
            ear: Some(ear),
            thread,
        }
    }
}

impl Drop for Tuner {
    fn drop(&mut self) {
        // With the ear its end of the channel goes, and the reader ends after what it has in hand.
        drop(self.ear.take());
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}

/// Reads keys out of the sound.
struct Reader<T> {
    reference: Reference,
    tell: T,
    began: Instant,
    stream: Option<Stream>,
    last_glimpse: Instant,
}

struct Stream {
    rate: u32,
    strikes: LiveStrikes,
    clock: ClockWatch,
    clock_told: Option<Instant>,
}

impl Stream {
    fn new(rate: u32) -> Stream {
        Stream {
            rate,
            strikes: LiveStrikes::new(rate),
            clock: ClockWatch::new(rate),
            clock_told: None,
        }
    }
}

impl<T: FnMut(TunerNews) -> bool> Reader<T> {
    fn new(reference: Reference, tell: T) -> Reader<T> {
        Reader {
            reference,
            tell,
            began: Instant::now(),
            stream: None,
            last_glimpse: Instant::now(),
        }
    }

    fn run(&mut self, heard: &Receiver<EarNews>) {
        while let Ok(news) = heard.recv() {
            let mut go_on = self.take(news);
            // What has come meanwhile comes first: a glimpse may be left out, a strike may not.
            while let Ok(more) = heard.try_recv() {
                go_on = go_on && self.take(more);
            }
            if !go_on || !self.glimpse() {
                return;
            }
        }
    }

    /// False: nobody listens to us any more.
    fn take(&mut self, news: EarNews) -> bool {
        match news {
            EarNews::Listening { device } => {
                self.stream = None;
                (self.tell)(TunerNews::Listening(device))
            }
            EarNews::Deaf(fault) => {
                let cut = self
                    .stream
                    .take()
                    .is_some_and(|stream| stream.strikes.under_way().is_some());
                let go_on = (self.tell)(TunerNews::Deaf(fault));
                go_on && (!cut || (self.tell)(TunerNews::Lost))
            }
            EarNews::Sound {
                samples,
                rate,
                gap,
                at,
            } => self.sound(&samples, rate, gap, at),
            EarNews::Note(_) | EarNews::Pitch { .. } => true,
        }
    }

    fn sound(&mut self, samples: &[f32], rate: u32, gap: bool, at: Instant) -> bool {
        let mut go_on = true;
        let other_rate = self
            .stream
            .as_ref()
            .is_some_and(|stream| stream.rate != rate);
        if other_rate {
            self.stream = None;
            go_on = (self.tell)(TunerNews::OtherRate(rate));
        }
        if gap
            && let Some(stream) = self.stream.take()
            && stream.strikes.under_way().is_some()
        {
            go_on = (self.tell)(TunerNews::Lost);
        }
        let stream = self.stream.get_or_insert_with(|| Stream::new(rate));
        let since = at.saturating_duration_since(self.began);
        stream.clock.block(samples.len(), since.as_secs_f64());
        let takes = stream.strikes.push(samples);
        let due = stream
            .clock_told
            .is_none_or(|told| at.saturating_duration_since(told) > Duration::from_secs(5));
        if due && let Some(error) = stream.clock.error() {
            stream.clock_told = Some(at);
            go_on = go_on && (self.tell)(TunerNews::Clock(error));
        }
        let power = samples.iter().map(|x| x * x).sum::<f32>() / samples.len().max(1) as f32;
        go_on = go_on && (self.tell)(TunerNews::Level(10.0 * power.max(1e-12).log10()));
        for take in takes {
            let listened = Box::new(Listened::to(take, self.reference));
            go_on = go_on && (self.tell)(TunerNews::Struck(listened));
        }
        go_on
    }

    /// Looks at what sounds, now and then.
    fn glimpse(&mut self) -> bool {
        if self.last_glimpse.elapsed() < GLIMPSE {
            return true;
        }
        let Some(stream) = &self.stream else {
            return true;
        };
        let Some(sound) = stream.strikes.under_way() else {
            return true;
        };
        if (sound.len() as f64) < FIRST_GLIMPSE_S * f64::from(stream.rate) {
            return true;
        }
        self.last_glimpse = Instant::now();
        let reading = name_key(sound, stream.rate, self.reference)
            .and_then(|named| read_key(sound, stream.rate, named).ok());
        reading.is_none_or(|reading| (self.tell)(TunerNews::Glimpse(Box::new(reading))))
    }
}

/// What keeps a check while it is made.
pub type Keeping = Box<dyn FnMut(Instrument)>;

/// A guided check, and what there is to see of it.
pub struct TuningSitting {
    /// The check.
    pub guided: Guided,
    /// The device, or what is wrong with it.
    pub device: String,
    /// The last thing said of a strike; nothing since another key was asked for.
    said: Option<Said>,
    /// What the last key of the computer could not do, and why.
    refused: Option<&'static str>,
    /// What sounds, or sounded last.
    pub glimpse: Option<KeyReading>,
    /// How loud it is, dBFS.
    pub level_db: f32,
    /// The sound card's clock.
    pub clock: Option<ClockError>,
    /// Counts what was told: a line for a reader that takes lines.
    pub told: u32,
    deaf: bool,
    keeping: Keeping,
}

impl TuningSitting {
    /// About to begin. After each key that is taken, `keeping` has the piano as it is known then: whatever ends the sitting,
    /// it is not lost.
    pub fn new(guided: Guided, keeping: Keeping) -> TuningSitting {
        TuningSitting {
            guided,
            device: words::OPENING.to_owned(),
            said: None,
            refused: None,
            glimpse: None,
            level_db: f32::MIN,
            clock: None,
            told: 0,
            deaf: false,
            keeping,
        }
    }

    /// The piano as far as it is known.
    pub fn instrument(&self) -> Instrument {
        let mut instrument = self.guided.instrument().clone();
        instrument.mute = self.guided.mute();
        match self.clock {
            Some(clock) => instrument.with_clock(clock),
            None => instrument,
        }
    }

    /// Takes what the tuner tells.
    pub fn take(&mut self, news: TunerNews) {
        match news {
            TunerNews::Listening(device) => {
                self.device = words::listening_by(&device);
                self.deaf = false;
            }
            TunerNews::Deaf(fault) => {
                self.device = fault.to_string();
                self.deaf = true;
                self.glimpse = None;
            }
            TunerNews::OtherRate(rate) => {
                self.device = words::tuning::other_rate(rate);
            }
            TunerNews::Level(level_db) => self.level_db = level_db,
            TunerNews::Glimpse(reading) => self.glimpse = Some(*reading),
            TunerNews::Struck(listened) => {
                if let Ok(reading) = &listened.reading {
                    self.glimpse = Some(reading.clone());
                }
                let said = self.guided.hear(*listened);
                self.say(said);
            }
            TunerNews::Lost => self.say(Said::Lost),
            TunerNews::Clock(error) => self.clock = Some(error),
        }
    }

    /// Nothing can be heard, as far as is known.
    pub fn is_deaf(&self) -> bool {
        self.deaf
    }

    /// Asks for another key: the next, or the one before. What was said of the last one is over.
    pub fn pass(&mut self, back: bool) {
        self.guided.pass(back);
        self.forget_what_was_said();
    }

    /// Lets keys come in any order, or asks for them again. What was said of the last one is over.
    pub fn turn_order(&mut self) {
        self.guided.set_free(!self.guided.is_free());
        self.forget_what_was_said();
    }

    /// Takes the last strike for the key asked; says why not where it cannot be.
    pub fn insist(&mut self) {
        let in_question = self.said.is_some_and(Said::asks_again);
        let said = if in_question {
            self.guided.insist()
        } else {
            None
        };
        match said {
            Some(said) => self.say(said),
            None => {
                let kept = matches!(self.said, Some(Said::Kept { .. }));
                self.refused = Some(if kept {
                    words::tuning::KEPT_ALREADY
                } else {
                    words::tuning::NOTHING_TO_TAKE
                });
                self.told += 1;
            }
        }
    }

    fn forget_what_was_said(&mut self) {
        self.said = None;
        self.refused = None;
    }

    fn say(&mut self, said: Said) {
        let is_news = matches!(
            said,
            Said::Kept { .. } | Said::HardlySounds { .. } | Said::Shifted { .. }
        );
        if is_news {
            let instrument = self.instrument();
            (self.keeping)(instrument);
        }
        self.said = Some(said);
        self.refused = None;
        self.told += 1;
    }

    /// What was said last, in words; `name` names keys. Nothing is empty.
    pub fn says(&self, name: impl Fn(MidiNote) -> String) -> String {
        match (self.refused, self.said) {
            (Some(refused), _) => refused.to_owned(),
            (None, Some(said)) => said.words(name),
            (None, None) => String::new(),
        }
    }

    /// The key is asked for once more.
    pub fn asks_again(&self) -> bool {
        self.refused.is_none() && self.said.is_some_and(Said::asks_again)
    }

    /// What is asked for, in words; `name` names keys.
    pub fn asks(&self, name: impl Fn(MidiNote) -> String) -> String {
        let (kept, all) = self.guided.count();
        let asked = self.guided.asked().map(name);
        words::tuning::asks(asked.as_deref(), self.guided.is_free(), kept, all)
    }
}
