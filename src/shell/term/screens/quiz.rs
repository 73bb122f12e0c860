//! Two short trials outside the record: where to enter a course, and the plain reaction.

use std::time::{Duration, Instant};

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::practice::{picture_area, request};
use super::{block, row, strong};
use crate::drill::{ANTICIPATION_MS, Cue, Placement, Reaction, Typed, Typing};
use crate::shell::ear::{Ear, EarNews};
use crate::shell::sound::Sound;
use crate::shell::term::keys::{Action, Offer, Table, naming_foot, offer};
use crate::shell::term::pixels::Easel;
use crate::shell::words::Wording;
use crate::shell::words::screens::{self as words, foot};
use crate::signal::listen::Surety;
use crate::study::{AnswerWay, Course, Floor, Item, StageKind};
use crate::theory::{Alteration, KeySignature, MidiNote, NoteNames, Pitch, Spelling};

/// What is tried.
enum Trial {
    Placement(Box<Placement>, Box<Course>),
    Reaction(Box<Reaction>),
}

/// What is asked.
#[derive(Debug, Clone, Copy)]
enum Asked {
    Note(Item),
    Name(Spelling),
}

/// By what a trial is answered that no key of the computer answers.
pub struct Listening {
    /// Hears the answers, and closes the microphone with the trial.
    pub ear: Ear,
    /// A piano or a voice.
    pub way: AnswerWay,
    /// Names are sounded before they are sung back.
    pub sound: Sound,
    /// Where the voice sings with ease, if that is known.
    pub voice: Option<(MidiNote, MidiNote)>,
}

/// A sound from before this time after its name is no answer to it.
const ANTICIPATION: Duration = Duration::from_millis(ANTICIPATION_MS);

/// A trial on the screen.
pub struct Quiz {
    listening: Option<Listening>,
    /// What sounds before the name can be answered.
    lead: Duration,
    trial: Trial,
    wording: Wording,
    asked: Option<Asked>,
    ready: Option<Instant>,
    typing: Typing,
    begun: bool,
    said: &'static str,
}

/// What a trial came to, once the learner has seen it.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// Enter the course at the stage of that id.
    Enter(String),
    /// The plain reaction.
    Floor(AnswerWay, Floor),
    /// Nothing is to be kept.
    Nothing,
}

impl Quiz {
    /// A trial of where to enter `course`.
    pub fn placement(course: Course, floor_ms: u32, seed: u64, wording: Wording) -> Quiz {
        let placement = Placement::new(&course, floor_ms, seed);
        Quiz::new(
            Trial::Placement(Box::new(placement), Box::new(course)),
            wording,
        )
    }

    /// A trial of the plain reaction with `names`.
    pub fn reaction(names: Vec<Spelling>, seed: u64, wording: Wording) -> Quiz {
        Quiz::new(
            Trial::Reaction(Box::new(Reaction::new(names, seed))),
            wording,
        )
    }

    /// The same answered at a piano or by a voice.
    pub fn reaction_by(
        listening: Listening,
        names: Vec<Spelling>,
        seed: u64,
        wording: Wording,
    ) -> Quiz {
        let lead_ms = match listening.way {
            AnswerWay::Voice => sounded("C".parse().expect("a name"), None).length_ms(),
            _ => 0,
        };
        let reaction = Reaction::by_sound(names, lead_ms, seed);
        Quiz {
            listening: Some(listening),
            ..Quiz::new(Trial::Reaction(Box::new(reaction)), wording)
        }
    }

    fn new(trial: Trial, wording: Wording) -> Quiz {
        Quiz {
            listening: None,
            lead: Duration::ZERO,
            trial,
            wording,
            asked: None,
            ready: None,
            typing: Typing::default(),
            begun: false,
            said: "",
        }
    }

    /// The signature that the asked note stands under.
    pub fn key(&self) -> KeySignature {
        match self.asked {
            Some(Asked::Note(item)) => item.key,
            _ => KeySignature::NONE,
        }
    }

    /// How notes are named.
    pub fn names(&self) -> NoteNames {
        self.wording.names
    }

    /// The prompt has been drawn: its clock starts.
    pub fn drawn(&mut self) {
        let sound = self
            .listening
            .as_mut()
            .map(|listening| &mut listening.sound);
        if let Some(fault) = sound.and_then(Sound::take_fault) {
            self.said = fault.in_short();
        }
        if self.asked.is_some() && !self.is_about_to_sound() {
            let lead = self.lead;
            self.ready.get_or_insert_with(|| Instant::now() + lead);
        }
    }

    /// Whether the prompt's sound waits for a device.
    pub fn is_about_to_sound(&self) -> bool {
        let listening = self.listening.as_ref();
        listening.is_some_and(|listening| listening.sound.is_about_to_sound())
    }

    /// Takes what the microphone tells.
    pub fn hear(&mut self, news: &EarNews) {
        let Some(listening) = &self.listening else {
            return;
        };
        match news {
            EarNews::Listening { .. } if listening.way == AnswerWay::Voice => {
                self.said = words::HEARS_VOICE;
            }
            EarNews::Listening { .. } => self.said = words::HEARS,
            EarNews::Deaf(fault) => self.said = fault.in_short(),
            EarNews::Note(heard) if heard.note.surety == Surety::Sure => {
                if self.begun {
                    self.heard(heard.onset, heard.note.key);
                } else {
                    self.begin();
                }
            }
            EarNews::Note(_) if self.ready.is_some() => {
                if let Trial::Reaction(reaction) = &mut self.trial {
                    reaction.not_sure();
                    self.said = words::NOT_SURE;
                }
            }
            EarNews::Note(_) | EarNews::Pitch { .. } | EarNews::Sound { .. } => {}
        }
    }

    /// Takes a key that began to sound at `onset`.
    fn heard(&mut self, onset: Instant, key: MidiNote) {
        let after = self
            .ready
            .and_then(|ready| onset.checked_duration_since(ready))
            .filter(|after| *after >= ANTICIPATION);
        let (Some(after), Trial::Reaction(reaction)) = (after, &mut self.trial) else {
            return;
        };
        let right = reaction.sounded(key, u32::try_from(after.as_millis()).unwrap_or(u32::MAX));
        self.say(right);
    }

    /// Does what a key asks for; a finding ends it.
    pub fn act(&mut self, action: Action) -> Option<Finding> {
        match action {
            Action::Pause => return Some(Finding::Nothing),
            Action::Enter if !self.begun => self.begin(),
            Action::Enter if self.asked.is_none() => return Some(self.finding()),
            Action::Up => self.typed(Typed::Sharp),
            Action::Down => self.typed(Typed::Flat),
            Action::Name(typed) => self.typed(typed),
            _ => {}
        }
        None
    }

    /// Puts the first prompt.
    pub fn begin(&mut self) {
        self.begun = true;
        self.next();
    }

    /// Nothing is asked any more: what was found may be kept.
    pub fn is_over(&self) -> bool {
        self.begun && self.asked.is_none()
    }

    /// What the foot offers.
    pub fn foot(&self) -> Vec<Offer> {
        let enter = |does| offer("Enter", does, Action::Enter);
        let home = offer("Esc", foot::HOME, Action::Pause);
        match (self.is_over(), self.begun) {
            (true, _) if self.finding() == Finding::Nothing => vec![enter(foot::HOME)],
            (true, _) => vec![enter(foot::KEEP), home],
            (false, false) => vec![enter(foot::BEGIN), home],
            (false, true) => {
                let mut offers = vec![offer("?", foot::KEYS, Action::Help), home];
                if self.listening.is_none() {
                    let names = Table::Names(self.names());
                    offers.splice(0..0, naming_foot(names));
                }
                offers
            }
        }
    }

    /// What is asked, for the text mode; `None` when it is over.
    pub fn asked_in_words(&self) -> Option<String> {
        self.asked.map(|asked| match asked {
            Asked::Note(item) => self.wording.item(item),
            Asked::Name(name) => self.wording.name(name, KeySignature::NONE),
        })
    }

    /// Takes a name for which no time was taken; gives the sign of right or wrong.
    pub fn named_untimed(&mut self, name: Spelling) -> &'static str {
        if let (Trial::Placement(placement, _), Some(Asked::Note(item))) =
            (&mut self.trial, self.asked)
        {
            let right = name == item.pitch.spelling();
            placement.answer_untimed(right);
            self.say(right);
        }
        self.said
    }

    fn say(&mut self, right: bool) {
        self.said = if right {
            self.wording.right_sign()
        } else {
            self.wording.wrong_sign()
        };
        self.next();
    }

    fn next(&mut self) {
        self.ready = None;
        self.asked = match &mut self.trial {
            Trial::Placement(placement, _) => placement.next_item().map(Asked::Note),
            Trial::Reaction(reaction) => reaction.next_name().map(Asked::Name),
        };
        self.lead = Duration::ZERO;
        if let (Some(Asked::Name(name)), Some(listening)) = (self.asked, &mut self.listening)
            && listening.way == AnswerWay::Voice
        {
            let cue = sounded(name, listening.voice);
            listening.sound.play(&cue);
            if listening.sound.can_be_heard() {
                self.lead = Duration::from_millis(cue.length_ms().into());
            }
        }
    }

    fn typed(&mut self, typed: Typed) {
        let (Some(asked), Some(ready)) = (self.asked, self.ready) else {
            return;
        };
        // What letters take says nothing of a piano or a voice.
        if self.listening.is_some() {
            return;
        }
        let key = self.key();
        let Some(name) = self.typing.key(typed, key) else {
            return;
        };
        let ms = u32::try_from(ready.elapsed().as_millis()).unwrap_or(u32::MAX);
        let right = match (&mut self.trial, asked) {
            (Trial::Placement(placement, _), Asked::Note(item)) => {
                let right = name == item.pitch.spelling();
                placement.answer(right, ms);
                right
            }
            (Trial::Reaction(reaction), _) => reaction.answer(name, ms),
            (Trial::Placement(..), Asked::Name(_)) => false,
        };
        self.say(right);
    }

    /// What it came to.
    pub fn finding(&self) -> Finding {
        match &self.trial {
            Trial::Placement(placement, course) => match placement.proposal() {
                Some(place) => Finding::Enter(course.stages[place].id.clone()),
                None => course
                    .stages
                    .last()
                    .map_or(Finding::Nothing, |stage| Finding::Enter(stage.id.clone())),
            },
            Trial::Reaction(reaction) => {
                let way = self
                    .listening
                    .as_ref()
                    .map_or(AnswerWay::Letters, |l| l.way);
                let floor = reaction.floor();
                floor.map_or(Finding::Nothing, |floor| Finding::Floor(way, floor))
            }
        }
    }

    fn before(&self) -> &'static str {
        match self.trial {
            Trial::Placement(..) => words::BEFORE_PLACEMENT,
            Trial::Reaction(_) => match self.listening.as_ref().map(|l| l.way) {
                Some(AnswerWay::Piano) => words::BEFORE_REACTION_PIANO,
                Some(AnswerWay::Voice) => words::BEFORE_REACTION_VOICE,
                Some(AnswerWay::Letters) | None => words::BEFORE_REACTION,
            },
        }
    }

    /// What it came to, in words.
    pub fn after(&self) -> String {
        match (&self.trial, self.finding()) {
            (Trial::Placement(_, course), Finding::Enter(id)) => {
                let name = course
                    .stage(&id)
                    .map_or(id.clone(), |stage| stage.name.clone());
                words::enter_at(&name)
            }
            (_, Finding::Floor(_, floor)) => words::reaction(floor.ms),
            _ => words::TOO_FEW_ANSWERS.to_owned(),
        }
    }

    fn spent(&self) -> f64 {
        match &self.trial {
            Trial::Placement(placement, _) => placement.spent(),
            Trial::Reaction(reaction) => reaction.spent(),
        }
    }
}

/// What a name sounds like before it is sung back.
fn sounded(name: Spelling, voice: Option<(MidiNote, MidiNote)>) -> Cue {
    let cue = Cue::note(Pitch::new(name.letter, name.alteration, 4));
    match voice {
        Some(range) => cue.for_voice(range),
        None => cue,
    }
}

/// Rows from which on words may stand a third down.
const ROOMY: u16 = 20;

/// Draws the trial.
pub fn draw(frame: &mut Frame, quiz: &Quiz, easel: &mut Easel) {
    let area = frame.area();
    let heading = match quiz.trial {
        Trial::Placement(..) => words::WHERE_TO_BEGIN,
        Trial::Reaction(_) => words::PLAIN_REACTION,
    };
    row(frame, 0, &words::trial(heading, quiz.spent()), strong());
    let top = if area.height < ROOMY {
        2
    } else {
        area.height / 3
    };
    let middle = Rect {
        x: 2,
        y: top,
        width: area.width.saturating_sub(4),
        height: area.height.saturating_sub(top + 2),
    };
    match (quiz.begun, quiz.asked) {
        (false, _) => {
            block(frame, middle, vec![Line::raw(quiz.before())]);
        }
        (true, None) => block(frame, middle, vec![Line::raw(quiz.after())]),
        (true, Some(Asked::Name(name))) => {
            let name = quiz.wording.name(name, KeySignature::NONE);
            block(frame, middle, vec![Line::styled(name, strong())]);
        }
        (true, Some(Asked::Note(item))) => {
            let Trial::Placement(_, course) = &quiz.trial else {
                return;
            };
            let stage = course
                .stages
                .iter()
                .find(|stage| stage.kind == StageKind::Notes && stage.items().contains(&item));
            let fits = stage.is_some_and(|stage| {
                let request = request(stage, (item, &[]), None, false, quiz.wording);
                easel.draw(frame, picture_area(area), request).is_ok()
            });
            if !fits {
                let words = Line::styled(quiz.wording.item(item), strong());
                block(frame, middle, vec![words]);
            }
        }
    }
    let waiting = match quiz.typing.accidental() {
        Alteration::Natural => quiz.said,
        waiting => words::of_which_letter(waiting),
    };
    row(frame, area.height.saturating_sub(2), waiting, strong());
}
