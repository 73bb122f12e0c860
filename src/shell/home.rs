//! One learner's place: the record, the course, and what is due today.

use std::cell::Cell;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::clock;
use super::desk::{Desk, Setup};
use super::ear::{PianoStore, listening_for};
use super::events::EventLog;
use super::paths::Paths;
use super::reading::{Manner, Reading, floor_key};
use super::record::{Begin, Record};
use super::settings::Settings;
use super::sound::Sound;
use super::store::{AnswerFilter, CourseChoice, Learner, Store, StoreError};
use super::term::screens::quiz::{Finding, Listening, Quiz};
use super::today::{Today, UNNAMED};
use super::wish::Wish;
use super::words::Wording;
use crate::drill::{KnownKeys, PLACES, Places, Plan, Sitting};
use crate::signal::listen::Options;
use crate::signal::tuning::PianoTuning;
use crate::study::{
    Answer, AnswerWay, Course, Family, Practised, PromptKind, Stage, carried, practice_day,
    standing_from,
};
use crate::theory::{NoteNames, Reference, Temperament};

/// Where the stage is kept at which a learner enters the course.
const ENTER_KEY: &str = "enter-at";

/// Why there is no place to practise.
#[derive(Debug, thiserror::Error)]
pub enum HomeError {
    /// No folder for the record is known.
    #[error(transparent)]
    NoHome(#[from] super::paths::NoHome),
    /// The record cannot be used.
    #[error(transparent)]
    Store(#[from] super::store::StoreError),
    /// The copied course cannot be read any more.
    #[error(
        "the course in use cannot be read: {0}\nTake up another: stavelark course use groundwork"
    )]
    Course(#[from] crate::study::CourseError),
    /// A setting cannot be used.
    #[error(transparent)]
    Setting(#[from] super::settings::SettingError),
    /// No such stage.
    #[error(
        "the course '{course}' has no stage '{stage}'{nearest} `stavelark course show` lists its stages"
    )]
    NoStage {
        /// The course.
        course: String,
        /// What was asked for.
        stage: String,
        /// `; did you mean …?`, or a full stop.
        nearest: String,
    },
}

/// What `name`, or the learner in use, calls notes; by the locale where there is no record yet, and none is made. Errors:
/// [`HomeError`].
pub fn names_of(name: Option<&str>) -> Result<NoteNames, HomeError> {
    let paths = match Paths::from_env() {
        Ok(paths) if name.is_some() || paths.database().exists() => paths,
        Err(none) if name.is_some() => return Err(none.into()),
        _ => return Ok(Settings::default().names()),
    };
    let store = Store::open(&paths)?;
    let learner = match name {
        Some(name) => Some(store.learner(name)?),
        None => store.current_learner()?,
    };
    Ok(match learner {
        Some(learner) => Settings::load(&paths, &store, learner.id)?.names(),
        None => Settings::default().names(),
    })
}

/// One learner at home.
#[derive(Debug)]
pub struct Home {
    paths: Paths,
    store: Store,
    learner: Learner,
    course: Course,
    settings: Settings,
    zone: TimeZone,
}

impl Home {
    /// Opens the record of `name`, or of the learner in use. The first time it makes everything without asking.
    pub fn open(name: Option<&str>) -> Result<Home, HomeError> {
        Home::open_at(Paths::from_env()?, name)
    }

    /// The same in folders of the caller's choice.
    pub fn open_at(paths: Paths, name: Option<&str>) -> Result<Home, HomeError> {
        let mut store = Store::open(&paths)?;
        let learner = match name {
            Some(name) => store.learner(name)?,
            None => {
                let name = std::env::var("USER")
                    .ok()
                    .filter(|name| !name.trim().is_empty());
                store.current_or_first(name.as_deref().unwrap_or(UNNAMED), clock::now())?
            }
        };
        let course = match store.course(learner.id)? {
            Some(CourseChoice {
                origin,
                text: Some(text),
                ..
            }) => Course::parse(&origin, &text)?,
            Some(choice) => Course::built_in(&choice.id).unwrap_or_else(first_course),
            None => first_course(),
        };
        let settings = Settings::load(&paths, &store, learner.id)?;
        Ok(Home {
            paths,
            store,
            learner,
            course,
            settings,
            zone: clock::zone(),
        })
    }

    /// Everyone who practises on this machine.
    pub fn learners(&self) -> Result<Vec<String>, HomeError> {
        let all = self.store.learners()?;
        Ok(all.into_iter().map(|learner| learner.name).collect())
    }

    /// `name` practises from now on.
    pub fn turn_to(&mut self, name: &str) -> Result<(), HomeError> {
        self.store.use_learner(name)?;
        *self = Home::open_at(self.paths.clone(), Some(name))?;
        Ok(())
    }

    /// The course in use.
    pub fn course(&self) -> &Course {
        &self.course
    }

    /// The learner's name.
    pub fn learner_name(&self) -> &str {
        &self.learner.name
    }

    /// The store behind it and whose place this is.
    pub fn parts(&mut self) -> (&mut Store, &Learner) {
        (&mut self.store, &self.learner)
    }

    /// Settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Sets a setting where it belongs.
    pub fn set(&mut self, name: &str, value: &str) -> Result<(), HomeError> {
        let definition = super::settings::definition(name)?;
        let value = &self.settings.scientific(definition, value);
        let (paths, store) = (&self.paths, &mut self.store);
        super::settings::set(definition, value, paths, store, self.learner.id)?;
        self.settings = Settings::load(paths, store, self.learner.id)?;
        Ok(())
    }

    /// Where this household's piano lies by its last tuning check, if one is kept and the settings go by it.
    pub fn piano(&self) -> Result<Option<PianoTuning>, StoreError> {
        if !self.settings.own_piano() {
            return Ok(None);
        }
        let last = self.store.checks(1)?;
        Ok(last
            .first()
            .and_then(|check| PianoTuning::of_instrument(&check.instrument)))
    }

    /// The naming in use.
    pub fn names(&self) -> NoteNames {
        self.settings.names()
    }

    /// Puts the learner on a course; `text` is its file and what stands in it, `None` for a built-in one. The one in use
    /// until then can be taken up again by its id.
    pub fn use_course(
        &mut self,
        course: &Course,
        text: Option<(&str, &str)>,
    ) -> Result<(), HomeError> {
        let choice = CourseChoice {
            id: course.id.clone(),
            origin: text.map_or("built in", |(origin, _)| origin).to_owned(),
            text: text.map(|(_, text)| text.to_owned()),
            chosen: clock::now(),
        };
        self.keep_course()?;
        self.store.choose_course(self.learner.id, &choice)?;
        self.course = course.clone();
        Ok(())
    }

    /// The practice day now.
    pub fn day(&self) -> Date {
        practice_day(clock::now(), &self.zone, self.settings.rollover_hour())
    }

    /// Where the learner stands today.
    pub fn today(&self) -> Result<Today, HomeError> {
        let day = self.day();
        let marks = self.store.marks(self.learner.id)?;
        let failed = Cell::new(None);
        let standing = standing_from(&self.course, self.entry()?, &marks, |stage| {
            let settled = self.settled(stage, day);
            settled.unwrap_or_else(|error| {
                failed.set(Some(error));
                false
            })
        });
        if let Some(error) = failed.take() {
            return Err(error.into());
        }
        let practised = match standing.stage {
            Some(index) => {
                let stage = &self.course.stages[index];
                self.store.practised(self.learner.id, &stage.id, day)?
            }
            None => Practised::default(),
        };
        Ok(Today {
            learner: self.learner.name.clone(),
            marks: self
                .course
                .stages
                .iter()
                .map(|stage| marks.iter().filter(|mark| mark.stage == stage.id).count() as u32)
                .collect(),
            course: self.course.clone(),
            stage: standing.stage,
            day,
            marked_days: marks.iter().map(|mark| mark.day).collect(),
            active_ms: practised.active_ms,
        })
    }

    /// A trial of where to begin.
    pub fn placement(&self, wording: Wording) -> Result<Quiz, StoreError> {
        let reading = self.reading(None)?;
        let seed = clock::now().as_millisecond().cast_unsigned();
        let floor_ms = reading.model.floor_ms();
        Ok(Quiz::placement(
            self.course.clone(),
            floor_ms,
            seed,
            wording,
        ))
    }

    /// A trial of the plain reaction with the names of the stage whose turn it is, typed or given to who is listening.
    pub fn measure(
        &self,
        wording: Wording,
        listening: Option<Listening>,
    ) -> Result<Quiz, HomeError> {
        let today = self.today()?;
        let stage = today.stage().or(today.course.stages.last());
        let items = stage.map(Stage::items).unwrap_or_default();
        let names = items.iter().map(|item| item.pitch.spelling()).collect();
        let seed = clock::now().as_millisecond().cast_unsigned();
        Ok(match listening {
            Some(listening) => Quiz::reaction_by(listening, names, seed, wording),
            None => Quiz::reaction(names, seed, wording),
        })
    }

    /// What a microphone listens for outside a sitting: a voice, or this piano as far as it is known.
    pub fn listening(&self, way: AnswerWay) -> Result<Options, HomeError> {
        let known = PianoStore::new(&self.paths).get();
        Ok(listening_for(way, self.tuned(&known)?, &known))
    }

    /// The piano as it was measured. Three keys are told where a measured piano was retuned or moved: they are the later word.
    fn tuned(&self, known: &KnownKeys) -> Result<Option<PianoTuning>, HomeError> {
        Ok(self.piano()?.filter(|_| *known == [None; 3]))
    }

    /// Keeps what a trial found.
    pub fn keep(&mut self, finding: &Finding) -> Result<(), StoreError> {
        let (key, value) = match finding {
            Finding::Nothing => return Ok(()),
            Finding::Enter(stage) => (ENTER_KEY, stage.clone()),
            Finding::Floor(way, floor) => (floor_key(*way), floor.to_string()),
        };
        self.store.set_setting(self.learner.id, key, Some(&value))
    }

    /// The place of the stage at which the learner enters the course: what a placement found, else what the course says.
    fn entry(&self) -> Result<usize, StoreError> {
        let found = self.store.setting(self.learner.id, ENTER_KEY)?;
        let place = |id: &String| self.course.stages.iter().position(|s| s.id == *id);
        let place = found.as_ref().and_then(place);
        Ok(place
            .or_else(|| {
                self.course
                    .enter
                    .as_ref()
                    .and_then(|id| self.course.stages.iter().position(|s| s.id == *id))
            })
            .unwrap_or(0))
    }

    /// What the record shows of the learner, by the way they answered last.
    pub fn reading(&self, stage: Option<&Stage>) -> Result<Reading, StoreError> {
        let how = self.manner(stage)?;
        Reading::of(&self.store, &self.learner, how, stage, None, self.day())
    }

    /// How the answers that a stage is judged by were given: as it was answered last, else as any stage was.
    pub fn manner(&self, stage: Option<&Stage>) -> Result<Manner, StoreError> {
        let at = |id| self.store.last_way(self.learner.id, id);
        let here = match stage {
            Some(stage) => at(Some(&stage.id))?,
            None => None,
        };
        let last = match here {
            Some(here) => Some(here),
            None => at(None)?,
        };
        let (way, prompt) = last.unwrap_or((AnswerWay::Letters, PromptKind::Eye));
        let Some(kind) = stage.map(|stage| stage.kind) else {
            return Ok(Manner {
                way,
                prompt,
                family: Family::Notes,
            });
        };
        Ok(Manner {
            way: if kind.answered_by_notes() {
                way
            } else {
                AnswerWay::Letters
            },
            prompt: match (kind.prompt(), here) {
                (Some(own), _) => own,
                (None, Some(_)) => prompt,
                // A stage of the ear says nothing of how notes are put elsewhere.
                (None, None) => self.settings.prompt(),
            },
            family: kind.family(),
        })
    }

    /// Every answer of the learner, in the order of recording.
    pub fn answers(&self) -> Result<Vec<(Date, Answer)>, StoreError> {
        self.store
            .dated_answers(self.learner.id, AnswerFilter::default())
    }

    /// The day and the active time, ms, of every answer that the learner took out of the record.
    pub fn withdrawn_answers(&self) -> Result<Vec<(Date, u32)>, StoreError> {
        self.store.withdrawn_answers(self.learner.id)
    }

    /// The reading of `manner` among those of the `answers` that were given so, at `stage` or at none in particular.
    pub fn reading_among(
        &self,
        answers: &[(Date, Answer)],
        manner: Manner,
        stage: Option<&Stage>,
    ) -> Result<Reading, StoreError> {
        let fits = answers.iter().filter(|(_, answer)| manner.fits(answer));
        let answers = fits.cloned().collect();
        let whose = (&self.store, &self.learner);
        Reading::among(answers, whose, manner, stage, None, self.day())
    }

    /// `wish` as its stage can be asked: a stage of the ear sounds whatever is wished, and where a choice answers, no
    /// piano and no voice does.
    pub fn fitted(&self, wish: Wish) -> Wish {
        let Ok(stage) = self.stage(&wish) else {
            return wish;
        };
        Wish {
            prompt: stage.kind.prompt().unwrap_or(wish.prompt),
            way: if stage.kind.answered_by_notes() {
                wish.way
            } else {
                AnswerWay::Letters
            },
            ..wish
        }
    }

    /// Whether a stage that waits for it is settled. It is asked only then, since all answers are read for it.
    fn settled(&self, stage: &Stage, day: Date) -> Result<bool, StoreError> {
        let how = self.manner(Some(stage))?;
        let reading = Reading::of(&self.store, &self.learner, how, Some(stage), None, day)?;
        Ok(reading.model.all_settled(&stage.parts()))
    }

    /// The stage of `wish`. Errors: [`HomeError::NoStage`].
    pub fn stage(&self, wish: &Wish) -> Result<Stage, HomeError> {
        if let Some(id) = &wish.stage {
            return self
                .course
                .stage(id)
                .cloned()
                .ok_or_else(|| HomeError::NoStage {
                    course: self.course.id.clone(),
                    stage: id.clone(),
                    nearest: super::words::nearest(
                        id,
                        self.course.stages.iter().map(|s| s.id.as_str()),
                    ),
                });
        }
        // Everything done: the last stage joins all that came before.
        let index = self.today()?.stage.unwrap_or(self.course.stages.len() - 1);
        Ok(self.course.stages[index].clone())
    }

    /// A sitting of `wish`, ready to begin.
    pub fn sitting(
        &self,
        wish: &Wish,
        wording: Wording,
        events: Option<EventLog>,
        sound: Sound,
    ) -> Result<Desk, HomeError> {
        let wish = &self.fitted(wish.clone());
        let stage = self.stage(wish)?;
        let day = self.day();
        let now = clock::now();
        let seed = wish
            .seed
            .unwrap_or_else(|| now.as_millisecond().cast_unsigned());
        let record = Record::begin(Begin {
            paths: self.paths.clone(),
            learner: self.learner.clone(),
            stage: stage.clone(),
            day,
            now,
            zone: self.zone.clone(),
            seed,
        })?;
        let reading = Reading::of(
            &self.store,
            &self.learner,
            Manner {
                way: wish.way,
                prompt: wish.prompt,
                family: stage.kind.family(),
            },
            Some(&stage),
            Some(wish.timed),
            day,
        )?;
        let place = self.course.stages.iter().position(|s| s.id == stage.id);
        let carried = place.map_or_else(Vec::new, |place| {
            if stage.groups.is_some() {
                return Vec::new();
            }
            carried(&self.course, place, &reading.model)
        });
        let plan = Plan {
            start: now,
            stage: stage.id.clone(),
            kind: stage.kind,
            tasks: stage.tasks.clone(),
            staircase: reading.staircase(),
            voice: self.settings.voice_range(),
            octave_counts: self.settings.octave_counts(),
            blocks: stage
                .blocks_on(day)
                .into_iter()
                .map(|block| block.items.clone())
                .collect(),
            groups: stage.groups,
            carried,
            history: reading.answers.into_iter().map(|(_, a)| a).collect(),
            model: reading.model,
            seed,
            prompt: wish.prompt,
            way: wish.way,
            timed: wish.timed,
            limits: wish.limits(&stage, record.practised()),
            cap_ms: u64::from(stage.kind.active_cap_ms()),
            hands_on: wish.hands_on(),
        };
        // A recording may be of any piano.
        let piano = wish.hands_on().then(|| PianoStore::new(&self.paths));
        let known = piano.as_ref().map_or([None; 3], PianoStore::get);
        let tuned = self.tuned(&known)?;
        let reference = Reference::default();
        let known = match &tuned {
            Some(tuned) => measured(tuned, reference),
            None => known,
        };
        Ok(Desk::new(Setup {
            sitting: Sitting::new(plan),
            stage,
            record,
            wording,
            events,
            sound,
            told_clock: wish.told_clock,
            loop_delay: wish.loop_delay,
            places: Places::new(Reference::default(), known),
            piano,
            tuned,
        }))
    }
}

/// Where the three keys that may be asked for lie on a measured piano.
fn measured(tuned: &PianoTuning, reference: Reference) -> KnownKeys {
    PLACES.map(|key| {
        let at = Temperament::equal().frequency(key, reference);
        Some((key, tuned.first(key)?.cents_above(at)))
    })
}

fn first_course() -> Course {
    Course::built_in("groundwork").expect("groundwork is built in")
}
