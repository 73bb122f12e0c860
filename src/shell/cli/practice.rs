//! `practice`, and the home screen of bare `stavelark`.

use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;

use anyhow::{Context, bail};

use super::args::{Cli, PracticeArgs};
use super::edge::{self, Edge};
use super::{plain, plain_home, plain_piano, read, say, unfinished, warn, write};
use crate::drill::{End, Event};
use crate::engrave::CellStyle;
use crate::shell::audio::SystemMicrophones;
use crate::shell::desk::{Desk, DeskError};
use crate::shell::ear::{Ear, EarOptions, Hands, LoopStore, Tell};
use crate::shell::events::EventLog;
use crate::shell::home::{Home, HomeError};
use crate::shell::locale;
use crate::shell::paths::Paths;
use crate::shell::progress::Progress;
use crate::shell::settings::{Settings, Shown};
use crate::shell::sound::Sound;
use crate::shell::store::StoreError;
use crate::shell::term::pixels::Look;
use crate::shell::term::screens::progress::ProgressPage;
use crate::shell::term::screens::quiz::{Finding, Listening, Quiz};
use crate::shell::term::{self, Manner};
use crate::shell::today::Today;
use crate::shell::wav;
use crate::shell::wish::Wish;
use crate::shell::words::place_in_words;
use crate::signal::listen::{
    Holding, Lesson, ListenError, Listener, NoteEvent, Options, PitchFrame, PitchTrack,
};
use crate::study::{AnswerWay, PromptKind};

/// Bare `stavelark`: the home screen, or today in words where there is no screen.
pub(super) fn home(cli: &Cli) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    if cli.plain {
        let house = plain_home::House {
            wording: &|home| wording(cli, home),
            sound: &sound,
            ask_who: !cli.learner.is_some(),
        };
        plain_home::run(&mut home, &house, &mut io::stdin().lock(), &mut *shown())?;
        return Ok(ExitCode::SUCCESS);
    }
    if let Some(why) = no_screen() {
        say(&home.today()?.sentence())?;
        warn(&format!(
            "{why}: no home screen is drawn. Everything in words: stavelark --plain"
        ));
        return Ok(ExitCode::SUCCESS);
    }
    full_screen(cli, &mut home, None, None)
}

/// Runs `practice`.
pub(super) fn run(cli: &Cli, args: &PracticeArgs) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    let wish = wished(args, args.plain || cli.plain, &home);
    // An unknown stage is told before any file is written.
    home.stage(&wish)?;
    let events = match &args.events {
        Some(path) => Some(EventLog::new(write::create(path, args.force)?)),
        None => None,
    };
    if let Some(path) = &args.input {
        if wish.way == AnswerWay::Letters {
            bail!(
                "--input is a recording of a piano or a voice: add --answer-by piano or --answer-by voice, at a stage that notes answer"
            );
        }
        read::there(path)?;
        let recording = wav::read(path)?;
        let desk = home.sitting(&wish, wording(cli, &home), events, Sound::silent())?;
        return from_recording(desk, &recording);
    }
    if args.plain || cli.plain {
        let sound = sound(&home)?;
        let mut desk = home.sitting(&wish, wording(cli, &home), events, sound)?;
        let done = if wish.hands_on() {
            let start = |desk: &mut Desk, tell| hands(&home, desk, tell);
            plain_piano::run(&mut desk, start, &mut *shown())?
        } else {
            plain::run(&mut desk, &mut io::stdin().lock(), &mut *shown())?
        };
        return Ok(match done {
            Some(_) => ExitCode::SUCCESS,
            None => {
                warn("The input ended before the sitting did; everything answered is kept.");
                unfinished()
            }
        });
    }
    if let Some(why) = no_screen() {
        bail!("{why}: nothing can be drawn. Practise in words with: stavelark practice --plain");
    }
    full_screen(cli, &mut home, Some(wish), events)
}

/// What the options ask for; what they leave open is as the learner's settings have it.
fn wished(args: &PracticeArgs, plain: bool, home: &Home) -> Wish {
    let by = Wish::by(home.settings());
    let wish = Wish {
        stage: args.stage.clone(),
        prompt: args.prompt.map_or(by.prompt, Into::into),
        way: args.answer_by.map_or(by.way, Into::into),
        minutes: args.minutes,
        prompts: args.prompts,
        timed: by.timed && !plain,
        seed: args.seed,
        told_clock: args.input.is_some(),
        ..by
    };
    heard_by_one_ear(wish, home)
}

/// The wish as one microphone can serve it: with loudspeakers it would wait for our sound before it could hear an answer.
fn heard_by_one_ear(wish: Wish, home: &Home) -> Wish {
    let mut wish = home.fitted(wish);
    if wish.hands_on() {
        wish.loop_delay = loop_delay(home).unwrap_or_default();
        if wish.prompt == PromptKind::Both && !home.settings().headphones() {
            wish.prompt = PromptKind::Eye;
        }
    }
    wish
}

/// Standard output as this locale can show it, broken between words where the terminal ends.
pub(super) fn shown() -> Box<dyn Write> {
    let columns = edge::columns(&io::stdout());
    let out = io::stdout().lock();
    if locale::is_utf8() {
        Box::new(Edge::new(out, columns))
    } else {
        Box::new(Edge::new(locale::Ascii(out), columns))
    }
}

/// Why there is no screen to draw on, if there is none.
pub(super) fn no_screen() -> Option<&'static str> {
    if !io::stdout().is_terminal() || !io::stdin().is_terminal() {
        return Some("This is no terminal");
    }
    match std::env::var("TERM").as_deref() {
        Ok("dumb") | Err(_) => Some("This terminal cannot place a cursor (TERM)"),
        _ => None,
    }
}

/// ASCII alone: asked for, or the locale is not UTF-8.
pub(super) fn ascii(cli: &Cli, settings: &Settings) -> bool {
    cli.ascii || settings.ascii() || !locale::is_utf8()
}

fn wording(cli: &Cli, home: &Home) -> crate::shell::words::Wording {
    crate::shell::words::Wording {
        names: home.names(),
        ascii: ascii(cli, home.settings()),
    }
}

fn sound(home: &Home) -> Result<Sound, StoreError> {
    if !home.settings().sound() {
        return Ok(Sound::silent());
    }
    let piano = home.piano()?;
    Ok(Sound::open().on_piano(piano))
}

/// The measured delay of the devices in use.
fn loop_delay(home: &Home) -> Option<std::time::Duration> {
    let paths = Paths::from_env().ok()?;
    let input = home.settings().microphone();
    LoopStore::new(&paths).get("default", input.as_deref().unwrap_or("default"))
}

/// The ear of a sitting at the piano, or of one that is sung.
fn hands(home: &Home, desk: &mut Desk, tell: Tell) -> Hands {
    let settings = home.settings();
    let sung = desk.sitting().way() == AnswerWay::Voice;
    let microphones = SystemMicrophones {
        chosen: settings.microphone(),
    };
    let options = EarOptions {
        listening: desk.listening(),
        follow: sung,
        own: desk.listened_to(),
        headphones: settings.headphones(),
        loop_delay: loop_delay(home),
        ..EarOptions::default()
    };
    Hands::start(Box::new(microphones), options, tell)
}

/// What a trial of the plain reaction is answered by.
fn listening(home: &Home, way: AnswerWay, tell: Tell) -> Result<Listening, DeskError> {
    let settings = home.settings();
    let mut sound = match way {
        AnswerWay::Voice => sound(home).map_err(HomeError::from)?,
        _ => Sound::silent(),
    };
    let options = EarOptions {
        listening: home.listening(way)?,
        own: sound.listened_to(),
        headphones: settings.headphones(),
        loop_delay: loop_delay(home),
        ..EarOptions::default()
    };
    let microphones = SystemMicrophones {
        chosen: settings.microphone(),
    };
    Ok(Listening {
        ear: Ear::start(Box::new(microphones), options, tell),
        way,
        sound,
        voice: settings.voice_range(),
    })
}

/// From the home screen, or with a wish at once into practice.
fn full_screen(
    cli: &Cli,
    home: &mut Home,
    wish: Option<Wish>,
    events: Option<EventLog>,
) -> anyhow::Result<ExitCode> {
    let _quiet = crate::shell::audio::Quiet::new(None).ok();
    let start_now = wish.is_some();
    let mut host = Screen {
        cli,
        home,
        wish,
        events,
    };
    term::run(&mut host, start_now).context("the sitting could not go on")?;
    Ok(ExitCode::SUCCESS)
}

/// What the full-screen program asks for.
struct Screen<'a> {
    cli: &'a Cli,
    home: &'a mut Home,
    /// What the options asked for; else the settings decide at each sitting.
    wish: Option<Wish>,
    events: Option<EventLog>,
}

impl Screen<'_> {
    fn wish(&self) -> Wish {
        let by_settings = || heard_by_one_ear(Wish::by(self.home.settings()), self.home);
        self.wish.clone().unwrap_or_else(by_settings)
    }
}

impl term::Host for Screen<'_> {
    fn who(&mut self) -> Result<Option<(Vec<String>, usize)>, DeskError> {
        if self.cli.learner.is_some() {
            return Ok(None);
        }
        let names = self.home.learners()?;
        let at = names
            .iter()
            .position(|name| name == self.home.learner_name());
        Ok((names.len() > 1).then_some((names, at.unwrap_or(0))))
    }

    fn here(&mut self, name: &str) -> Result<(), DeskError> {
        Ok(self.home.turn_to(name)?)
    }

    fn today(&mut self) -> Result<Today, DeskError> {
        Ok(self.home.today()?)
    }

    fn sitting(&mut self) -> Result<Desk, DeskError> {
        let wish = self.wish();
        let sound = sound(self.home)?;
        let wording = wording(self.cli, self.home);
        let events = self.events.take();
        Ok(self.home.sitting(&wish, wording, events, sound)?)
    }

    fn hands(&mut self, desk: &mut Desk, tell: Tell) -> Option<Hands> {
        self.wish().hands_on().then(|| hands(self.home, desk, tell))
    }

    fn manner(&self) -> Manner {
        Manner {
            keyboard_stays: self.home.settings().keyboard_stays(),
            mouse_gives_key: self.home.settings().mouse_gives_key(),
        }
    }

    fn progress(&mut self) -> Result<ProgressPage, DeskError> {
        let wording = wording(self.cli, self.home);
        Ok(ProgressPage::new(Progress::of(self.home)?, wording))
    }

    fn placement(&mut self) -> Result<Quiz, DeskError> {
        let wording = wording(self.cli, self.home);
        Ok(self.home.placement(wording)?)
    }

    fn measure(&mut self, tell: Tell) -> Result<Quiz, DeskError> {
        let wording = wording(self.cli, self.home);
        let listening = match self.wish().way {
            AnswerWay::Letters => None,
            way => Some(listening(self.home, way, tell)?),
        };
        Ok(self.home.measure(wording, listening)?)
    }

    fn keep(&mut self, finding: &Finding) -> Result<(), DeskError> {
        Ok(self.home.keep(finding)?)
    }

    fn settings(&self) -> Vec<Shown> {
        self.home.settings().shown()
    }

    fn set(&mut self, name: &str, value: &str) -> Result<(), DeskError> {
        Ok(self.home.set(name, value)?)
    }

    fn ascii(&self) -> bool {
        ascii(self.cli, self.home.settings())
    }

    fn look(&self) -> Look {
        let look = self.home.settings().look();
        if self.ascii() {
            let style = CellStyle::Ascii;
            return Look { style, ..look };
        }
        look
    }
}

/// A sitting whose clock and whose piano are a recording's.
fn from_recording(mut desk: Desk, recording: &wav::Recording) -> anyhow::Result<ExitCode> {
    let sung = desk.sitting().way() == AnswerWay::Voice;
    let mut hears = Hears::new(recording.rate, sung, desk.listening())?;
    let mut holding = Holding::default();
    say(&desk.heading())?;
    desk.begin()?;
    put(&mut desk)?;
    let mut said = Said::default();
    // A block at a time, as a microphone gives it: what an answer teaches is known at the next.
    for block in recording.mono.chunks(BLOCK) {
        let (notes, frames) = hears.push(block);
        for note in notes {
            desk.tell_time(ms(note.decided_s));
            if sung {
                let ended = holding.end();
                ended.map_or(Ok(()), |held| desk.held(held))?;
                holding.begin();
            }
            desk.note(ms(note.onset_s), ms(note.decided_s), &note)?;
            said.say(&desk)?;
            if desk.view().summary.is_some() {
                break;
            }
            put(&mut desk)?;
        }
        if desk.view().summary.is_some() {
            break;
        }
        for frame in frames {
            if let Some(held) = holding.step(frame.voice) {
                desk.tell_time(ms(frame.time_s));
                desk.held(held)?;
                said.say(&desk)?;
            }
        }
        for lesson in desk.take_lessons() {
            hears.teach(&lesson);
        }
    }
    if desk.view().summary.is_none() {
        desk.tell_time(ms(recording.seconds()));
        if let Some(held) = holding.end() {
            desk.held(held)?;
            said.say(&desk)?;
        }
        desk.on(Event::Stop)?;
    }
    let Some(summary) = desk.view().summary.clone() else {
        bail!("the sitting did not end");
    };
    for line in desk.closing_lines(&summary) {
        say(&line)?;
    }
    if summary.end == End::Stopped {
        warn("The recording ended before the sitting did; everything answered is kept.");
        return Ok(unfinished());
    }
    Ok(ExitCode::SUCCESS)
}

/// What goes through a recording: strings are named; of a voice the pitch is followed as well.
enum Hears {
    Strings(Box<Listener>),
    Voice(Box<PitchTrack>),
}

impl Hears {
    fn new(rate: u32, sung: bool, options: Options) -> Result<Hears, ListenError> {
        Ok(if sung {
            Hears::Voice(Box::new(PitchTrack::new(rate, options)?))
        } else {
            Hears::Strings(Box::new(Listener::new(rate, options)?))
        })
    }

    fn push(&mut self, samples: &[f32]) -> (Vec<NoteEvent>, Vec<PitchFrame>) {
        match self {
            Hears::Strings(listener) => (listener.push(samples), Vec::new()),
            Hears::Voice(track) => {
                let frames = track.push(samples);
                (track.take_notes(), frames)
            }
        }
    }

    /// A voice is no instrument: there is nothing to learn of it.
    fn teach(&mut self, lesson: &Lesson) {
        if let Hears::Strings(listener) = self {
            listener.teach(lesson);
        }
    }
}

/// Samples heard at a time: about what a sound card gives.
const BLOCK: usize = 1024;

/// What has been said of a sitting so far.
#[derive(Default)]
struct Said {
    told: u32,
    notice: Option<String>,
    place: Option<usize>,
}

impl Said {
    /// Says what is new.
    fn say(&mut self, desk: &Desk) -> anyhow::Result<()> {
        let view = desk.view();
        if view.told > self.told {
            self.told = view.told;
            if let Some(feedback) = &view.feedback {
                say(&desk.wording().feedback(feedback))?;
            }
        }
        if self.notice != view.notice {
            self.notice.clone_from(&view.notice);
            if let Some(notice) = &view.notice {
                say(notice)?;
            }
        }
        let place = desk.place_asked();
        if self.place != place {
            self.place = place;
            for line in place.into_iter().flat_map(place_in_words) {
                say(&line)?;
            }
        }
        Ok(())
    }
}

/// Puts the prompt in words and starts its clock.
fn put(desk: &mut Desk) -> anyhow::Result<()> {
    if !desk.view().ready
        && !desk.sitting().paused()
        && let Some(question) = desk.question()
    {
        say(&format!("{}. {question}", desk.view().number))?;
        desk.drawn()?;
    }
    Ok(())
}

fn ms(seconds: f64) -> u64 {
    (seconds * 1000.0).round().max(0.0) as u64
}
