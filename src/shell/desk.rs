//! Where a sitting meets the world: effects are done in order, answers are committed before their verdict is drawn.

use std::io;
use std::time::{Duration, Instant};

use crate::drill::{
    Cue, Effect, Event, Feedback, HeldNote, Placed, Places, Rest, Sitting, Summary,
};
use crate::signal::listen::{Held, Lesson, NoteEvent, Options, Surety};
use crate::signal::tuning::PianoTuning;
use crate::study::{AnswerWay, Item, Outcome, PromptKind, Stage, Task};
use crate::theory::{Hz, MidiNote, Pitch, Spelling};

use super::ear::{Heard, OwnSound, PianoStore, listening_for};
use super::events::EventLog;
use super::home::HomeError;
use super::record::{Record, RecordError};
use super::sound::Sound;
use super::words::asking::{self, Choice};
use super::words::{Wording, clock, fault, known_in_words, placed_in_words, screens};

/// Why a sitting could not go on.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// The record could not be written.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The sitting could not be set up.
    #[error(transparent)]
    Home(#[from] HomeError),
    /// Input, output or the events file failed.
    #[error("reading or writing failed: {}", fault(.0))]
    Io(#[from] io::Error),
}

/// What there is to see.
#[derive(Debug, Clone, Default)]
pub struct View {
    /// The prompt's number, from 1.
    pub number: u32,
    /// What is asked.
    pub item: Option<Item>,
    /// The group it belongs to, note by note; empty for a single note.
    pub group: Vec<Item>,
    /// The prompt has been there: its clock runs.
    pub ready: bool,
    /// The last thing told.
    pub feedback: Option<Feedback>,
    /// Counts what was told.
    pub told: u32,
    /// What the prompt, or the group it belongs to, sounds.
    pub cue: Option<Cue>,
    /// It sounds now that the prompt is put.
    sounds: bool,
    /// Something said beside the verdicts, until the next is told.
    pub notice: Option<String>,
    /// The end of the sitting.
    pub summary: Option<Summary>,
}

/// The clock of a sitting.
#[derive(Debug, Clone, Copy)]
enum Clock {
    /// Real time from here.
    Running(Instant),
    /// The time of a recording.
    Told(u64),
}

/// What a desk is set up with.
pub struct Setup {
    /// The sitting.
    pub sitting: Sitting,
    /// Its stage.
    pub stage: Stage,
    /// Where answers are kept.
    pub record: Record,
    /// How notes are written.
    pub wording: Wording,
    /// The `--events` file.
    pub events: Option<EventLog>,
    /// What sounds.
    pub sound: Sound,
    /// The clock is a recording's.
    pub told_clock: bool,
    /// From our sound to its arrival by the microphone, where that was measured and is listened to.
    pub loop_delay: Duration,
    /// What is known of the piano.
    pub places: Places,
    /// Where that is kept, for a piano that stays.
    pub piano: Option<PianoStore>,
    /// Its keys as a tuning check measured them, if one did.
    pub tuned: Option<PianoTuning>,
}

/// Whole cents of a note above its key in equal temperament.
fn off_key(note: &NoteEvent) -> i16 {
    note.cents.0.round().clamp(-100.0, 100.0) as i16
}

/// A running sitting.
pub struct Desk {
    setup: Setup,
    clock: Clock,
    view: View,
    /// The answer saved last: its number in the sitting and what it was worth.
    saved: Option<(u32, Outcome)>,
    /// Verdicts on what was heard, to be looked at again when more is known of the piano.
    judged: Vec<Judged>,
    /// What the listener may learn.
    lessons: Vec<Lesson>,
    /// When a key was asked for by its place: what began before is not that key.
    place_asked_ms: u64,
    /// Somebody sings.
    singing: bool,
    /// The prompt's sound waits for the end of that.
    waiting: bool,
}

/// A verdict on a note that was heard.
#[derive(Debug, Clone, Copy)]
struct Judged {
    sequence: u32,
    asked: MidiNote,
    pitch: Hz,
    outcome: Outcome,
}

impl Desk {
    /// A desk whose clock starts now.
    pub fn new(setup: Setup) -> Desk {
        let clock = if setup.told_clock {
            Clock::Told(0)
        } else {
            Clock::Running(Instant::now())
        };
        Desk {
            setup,
            clock,
            view: View::default(),
            saved: None,
            judged: Vec::new(),
            lessons: Vec::new(),
            place_asked_ms: 0,
            singing: false,
            waiting: false,
        }
    }

    /// What there is to see.
    pub fn view(&self) -> &View {
        &self.view
    }

    /// How notes are written.
    pub fn wording(&self) -> Wording {
        self.setup.wording
    }

    /// The sitting's state.
    pub fn sitting(&self) -> &Sitting {
        &self.setup.sitting
    }

    /// The stage's items, in blocks.
    pub fn stage(&self) -> &Stage {
        &self.setup.stage
    }

    /// Why there is no sound, told once. Where all is only heard practice does not go on in silence: [`Desk::unheard`] tells.
    pub fn sound_fault(&mut self) -> Option<&'static str> {
        let fault = self.setup.sound.take_fault();
        let fault = fault.filter(|_| !self.all_is_heard());
        fault.map(|fault| fault.in_short())
    }

    /// Whether what is asked is only heard. A recording answers prompts that nobody hears.
    fn all_is_heard(&self) -> bool {
        self.setup.sitting.prompt() == PromptKind::Ear && !self.setup.told_clock
    }

    /// Rests where what is asked cannot be heard, and goes on when it can; to be called at every turn of the main loop. Tells
    /// whether anything changed.
    pub fn attend_to_sound(&mut self) -> Result<bool, DeskError> {
        let rest = self.setup.sitting.rest();
        if !self.all_is_heard() || self.setup.sitting.over() || self.setup.sound.is_opening() {
            return Ok(false);
        }
        let at_ms = self.now_ms();
        match (rest, self.setup.sound.can_be_heard()) {
            (None, false) => self.on(Event::Unheard)?,
            (Some(Rest::Unheard), true) => self.on(Event::Resume { at_ms })?,
            _ => return Ok(false),
        }
        Ok(true)
    }

    /// Ends a rest as the learner asks; one without sound ends with the sound alone, which is looked for again.
    pub fn go_on(&mut self) -> Result<(), DeskError> {
        if self.setup.sitting.rest() == Some(Rest::Unheard) {
            self.setup.sound.look_again();
            return Ok(());
        }
        let at_ms = self.now_ms();
        self.on(Event::Resume { at_ms })
    }

    /// Why the sitting rests and how it goes on, where it does because nothing can be heard.
    pub fn unheard(&self) -> Option<&'static str> {
        let unheard = self.setup.sitting.rest() == Some(Rest::Unheard);
        unheard.then(|| screens::unheard(self.setup.sound.is_off()))
    }

    /// Now, in ms from the start.
    pub fn now_ms(&self) -> u64 {
        match self.clock {
            Clock::Running(start) => start.elapsed().as_millis() as u64,
            Clock::Told(at_ms) => at_ms,
        }
    }

    /// `instant` in ms from the start.
    fn at_ms(&self, instant: Instant) -> u64 {
        match self.clock {
            Clock::Running(start) => instant.saturating_duration_since(start).as_millis() as u64,
            Clock::Told(at_ms) => at_ms,
        }
    }

    /// Moves the clock of a recording.
    pub fn tell_time(&mut self, at_ms: u64) {
        if let Clock::Told(now) = &mut self.clock {
            *now = at_ms.max(*now);
        }
    }

    /// Stage, day and time practised, for the top line.
    pub fn heading(&self) -> String {
        let record = &self.setup.record;
        format!(
            "{}  day {} of {} · {} of {}",
            self.setup.stage.name,
            record.day_number(),
            self.setup.stage.days,
            clock(record.active_today_ms()),
            clock(u64::from(self.setup.stage.minutes) * 60_000),
        )
    }

    /// The summary in words, with what it means for the day's mark.
    pub fn closing_lines(&self, summary: &Summary) -> Vec<String> {
        let mut lines = self.setup.wording.summary(summary, self.setup.stage.kind);
        lines.push(self.setup.record.mark_in_words());
        lines
    }

    /// Asks for the first prompt.
    pub fn begin(&mut self) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Begin { at_ms })
    }

    /// Whether it is not known yet if there is sound.
    pub fn sound_is_opening(&mut self) -> bool {
        self.setup.sound.is_opening()
    }

    /// The prompt has been drawn: its clock starts, unless it is still sounding.
    pub fn drawn(&mut self) -> Result<(), DeskError> {
        if self.waiting
            || self.is_about_to_sound()
            || self.all_is_heard() && !self.setup.sound.can_be_heard()
            || self.view.item.is_none()
            || std::mem::replace(&mut self.view.ready, true)
        {
            return Ok(());
        }
        let sounds = self.view.cue.as_ref();
        let sounds = sounds.filter(|_| self.view.sounds && self.setup.sound.can_be_heard());
        let sounds_ms = sounds.map_or(0, |cue| u64::from(cue.length_ms()));
        let mut at_ms = self.now_ms() + sounds_ms;
        if sounds_ms > 0 {
            // It is heard later than it is sounded, and the answer comes later than it is given.
            at_ms += self.setup.loop_delay.as_millis() as u64;
        }
        self.on(Event::Ready { at_ms })
    }

    /// Whether the prompt's sound waits for its device.
    pub fn is_about_to_sound(&self) -> bool {
        self.view.sounds && self.setup.sound.is_about_to_sound()
    }

    /// A drawn key was clicked just now.
    pub fn pressed(&mut self, key: MidiNote) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Struck {
            onset_ms: at_ms,
            at_ms,
            key: Some(key),
        })
    }

    /// A name was typed just now.
    pub fn named(&mut self, name: Spelling) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Named { at_ms, name })
    }

    /// A note was chosen on the staff just now.
    pub fn placed(&mut self, pitch: Pitch) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Placed { at_ms, pitch })
    }

    /// An answer was chosen just now.
    pub fn chosen(&mut self, task: Task) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Chosen { at_ms, task })
    }

    /// The answers that may be chosen now.
    pub fn choices(&self) -> Vec<Choice> {
        let item = self.view.item;
        item.map(|item| asking::choices(&self.setup.stage, item, self.setup.wording))
            .unwrap_or_default()
    }

    /// What is asked, in words.
    pub fn question(&self) -> Option<String> {
        let (view, wording) = (&self.view, self.setup.wording);
        let item = view.item?;
        Some(asking::question(
            &self.setup.sitting,
            item,
            &view.group,
            wording,
        ))
    }

    /// Whether the note that is asked must not be shown.
    pub fn only_heard(&self) -> bool {
        let item = self.view.item;
        item.is_some_and(|item| asking::only_heard(&self.setup.sitting, item))
    }

    /// A note was heard.
    pub fn heard(&mut self, heard: &Heard) -> Result<(), DeskError> {
        self.note(self.at_ms(heard.onset), self.at_ms(heard.at), &heard.note)
    }

    /// A note was heard that began at `onset_ms` and was known at `at_ms`.
    pub fn note(&mut self, onset_ms: u64, at_ms: u64, note: &NoteEvent) -> Result<(), DeskError> {
        let sure = note.surety == Surety::Sure;
        if self.setup.sitting.way() == AnswerWay::Voice {
            // A voice is no instrument: how it is off teaches nothing of where the notes lie.
            let note = sure.then(|| (note.key, off_key(note)));
            return self.on(Event::Sung {
                onset_ms,
                at_ms,
                note,
            });
        }
        if self.setup.places.place().is_some() {
            return self.place(onset_ms, at_ms, note.frequency);
        }
        let prompt = (self.view.number, self.view.item);
        self.saved = None;
        self.on(Event::Struck {
            onset_ms,
            at_ms,
            key: sure.then_some(note.key),
        })?;
        let ((number, Some(item)), Some((sequence, outcome))) = (prompt, self.saved) else {
            return Ok(());
        };
        // Only a note that is written has one key; what the ear is asked may have another.
        if item.task.is_some() {
            return Ok(());
        }
        let asked = item.pitch.midi();
        if outcome == Outcome::Right {
            self.lessons.push(Lesson::Right(*note));
        }
        self.judged.push(Judged {
            sequence,
            asked,
            pitch: note.frequency,
            outcome,
        });
        let doubt = self.setup.places.hear(number, asked, note.frequency);
        if doubt {
            self.on(Event::Doubt)?;
            if self.setup.sitting.rest() == Some(Rest::Places) {
                self.setup.places.ask();
                self.place_asked_ms = at_ms;
            }
        }
        Ok(())
    }

    /// Whether somebody sings just now: nobody is interrupted by the next prompt's sound.
    pub fn set_singing(&mut self, singing: bool) {
        self.singing = singing;
        // After a rest the prompt is put anew, with its sound.
        if !singing
            && std::mem::take(&mut self.waiting)
            && !self.setup.sitting.paused()
            && let Some(cue) = &self.view.cue
        {
            self.setup.sound.play(cue);
        }
    }

    /// The note that was sung last has ended.
    pub fn held(&mut self, held: Held) -> Result<(), DeskError> {
        let whole = |cents: f64| cents.round().clamp(-1200.0, 1200.0) as i16;
        self.on(Event::Held(HeldNote {
            drift_cents: whole(held.drift.0),
            waver_cents: whole(held.waver.0),
        }))
    }

    /// A key was struck that was asked for by its place.
    fn place(&mut self, onset_ms: u64, at_ms: u64, pitch: Hz) -> Result<(), DeskError> {
        if onset_ms <= self.place_asked_ms {
            return Ok(());
        }
        self.place_asked_ms = at_ms;
        let placed = self.setup.places.take(pitch);
        let Placed::Done(known) = placed else {
            self.view.notice = placed_in_words(placed).map(str::to_owned);
            return Ok(());
        };
        self.lessons.push(Lesson::Keys(known));
        if let Some(piano) = &self.setup.piano {
            piano.set(&known)?;
        }
        // Verdicts that would be others by what is known now were misheard.
        let mut taken_back = 0;
        for judged in std::mem::take(&mut self.judged) {
            let fits = self.setup.places.is(judged.asked, judged.pitch);
            if judged.outcome != Outcome::NotSure && fits != (judged.outcome == Outcome::Right) {
                let sequence = judged.sequence;
                self.on(Event::Misheard { sequence })?;
                taken_back += 1;
            }
        }
        self.view.feedback = None;
        self.view.notice = Some(known_in_words(&known, taken_back));
        self.on(Event::Resume { at_ms })
    }

    /// Which key is asked for by its place, counted from 0, if one is.
    pub fn place_asked(&self) -> Option<usize> {
        self.setup.places.place()
    }

    /// What the listener may learn from what has been heard since this was asked last.
    pub fn take_lessons(&mut self) -> Vec<Lesson> {
        std::mem::take(&mut self.lessons)
    }

    /// Goes on without the three keys, if they are asked for: nothing can be heard.
    pub fn leave_places(&mut self) -> Result<(), DeskError> {
        if self.setup.sitting.rest() == Some(Rest::Places) {
            let at_ms = self.now_ms();
            self.on(Event::Resume { at_ms })?;
        }
        Ok(())
    }

    /// What is listened for, and what is known beforehand.
    pub fn listening(&self) -> Options {
        let way = self.setup.sitting.way();
        listening_for(way, self.setup.tuned, &self.setup.places.known())
    }

    /// Time passes while the piano can be heard.
    pub fn pass_time(&mut self) -> Result<(), DeskError> {
        let at_ms = self.now_ms();
        self.on(Event::Passed { at_ms })
    }

    /// Whether our speaker sounds, for who listens from now on.
    pub fn listened_to(&mut self) -> OwnSound {
        self.setup.sound.listened_to()
    }

    /// Whether notes are sounded.
    pub fn sound_is_on(&self) -> bool {
        self.setup.sound.can_be_heard()
    }

    /// Sounds the prompt again: what it sounded, or the note that is shown.
    pub fn sound_again(&mut self) {
        let shown = || {
            let item = self.view.item?;
            (self.setup.sitting.prompt() == PromptKind::Eye).then(|| Cue::note(item.pitch))
        };
        if let Some(cue) = self.view.cue.clone().or_else(shown) {
            // Whoever asks for it does not want it once more when the voice has ended.
            self.waiting = false;
            self.setup.sound.play(&cue);
        }
    }

    /// Takes one event through the sitting and does what it asks for.
    pub fn on(&mut self, event: Event) -> Result<(), DeskError> {
        for effect in self.setup.sitting.on(event) {
            if let Effect::Save {
                answer, sequence, ..
            } = &effect
            {
                self.setup.record.save(answer)?;
                self.saved = Some((*sequence, answer.outcome));
            }
            if let Effect::Withdraw { sequence } = &effect {
                self.setup.record.withdraw(*sequence)?;
            }
            let at_ms = self.now_ms();
            if let Some(events) = &mut self.setup.events {
                events.write(at_ms, &effect)?;
            }
            match effect {
                Effect::Group(notes) => self.view.group = notes,
                Effect::Show { number, item } => {
                    self.waiting = false;
                    self.view.number = number;
                    self.view.ready = false;
                    self.view.item = Some(item);
                    // A group is heard as a whole, and may be heard again at each of its notes.
                    if item.in_group.is_none_or(|within| within.place == 1) {
                        self.view.cue = None;
                    }
                    self.view.sounds = false;
                }
                Effect::Sound { cue, prompt } => {
                    self.waiting = prompt && self.singing && self.setup.sound.can_be_heard();
                    if !self.waiting {
                        self.setup.sound.play(&cue);
                    }
                    if prompt {
                        self.view.cue = Some(cue);
                        self.view.sounds = true;
                    }
                }
                Effect::Tell(feedback) => {
                    self.view.feedback = Some(feedback);
                    self.view.notice = None;
                    self.view.told += 1;
                }
                Effect::Finish(summary) => {
                    self.setup.record.close()?;
                    self.waiting = false;
                    self.view.item = None;
                    self.view.summary = Some(summary);
                }
                Effect::Held {
                    item,
                    sung_cents,
                    held,
                    ..
                } => {
                    // A group's own verdict stands after its last note.
                    if let Some(Feedback::Right { .. }) = self.view.feedback {
                        let wording = self.setup.wording;
                        self.view.notice = Some(wording.held(item, sung_cents, held));
                    }
                }
                Effect::Save { .. } | Effect::Withdraw { .. } => {}
            }
        }
        // The learner has gone on without them, or ended the sitting.
        let asking = self.setup.places.place().is_some();
        if asking && (self.setup.sitting.over() || self.setup.sitting.rest() != Some(Rest::Places))
        {
            self.setup.places.leave();
            self.view.notice = None;
        }
        Ok(())
    }
}
