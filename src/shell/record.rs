//! The record of one sitting: answers as they come, and the day's mark when it is earned.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::clock;
use super::paths::Paths;
use super::store::{AnswerId, Learner, NewSitting, SittingId, Store, StoreError};
use crate::study::{Answer, MarkVerdict, Practised, Stage, earn};

/// The record could not be written.
pub type RecordError = StoreError;

/// What a record begins with.
#[derive(Debug)]
pub struct Begin {
    /// Where the store is.
    pub paths: Paths,
    /// Whose sitting.
    pub learner: Learner,
    /// Its stage.
    pub stage: Stage,
    /// The practice day it belongs to, all of it.
    pub day: Date,
    /// When it begins.
    pub now: Timestamp,
    /// The local zone.
    pub zone: TimeZone,
    /// The seed of its choice.
    pub seed: u64,
}

/// An open record.
#[derive(Debug)]
pub struct Record {
    store: Store,
    learner: Learner,
    stage: Stage,
    sitting: SittingId,
    day: Date,
    zone: TimeZone,
    practised: Practised,
    marks_before: u32,
    verdict: Option<MarkVerdict>,
    answers: Vec<AnswerId>,
}

impl Record {
    /// Opens the store for one sitting. Errors: [`StoreError`].
    pub fn begin(begin: Begin) -> Result<Record, RecordError> {
        let mut store = Store::open(&begin.paths)?;
        let sitting = store.begin_sitting(
            begin.learner.id,
            &NewSitting {
                stage: begin.stage.id.clone(),
                day: begin.day,
                started: begin.now,
                offset: clock::offset(&begin.zone, begin.now),
                seed: begin.seed,
            },
        )?;
        let practised = store.practised(begin.learner.id, &begin.stage.id, begin.day)?;
        let marks = store.marks(begin.learner.id)?;
        let marks_before = marks
            .iter()
            .filter(|mark| mark.stage == begin.stage.id)
            .count() as u32;
        let marked = marks.iter().any(|mark| mark.day == begin.day);
        Ok(Record {
            store,
            learner: begin.learner,
            stage: begin.stage,
            sitting,
            day: begin.day,
            zone: begin.zone,
            practised,
            marks_before,
            verdict: marked.then_some(MarkVerdict::AlreadyToday),
            answers: Vec::new(),
        })
    }

    /// What was practised on this stage today.
    pub fn practised(&self) -> Practised {
        self.practised
    }

    /// Active time on this stage today, ms.
    pub fn active_today_ms(&self) -> u64 {
        self.practised.active_ms
    }

    /// Which of the stage's days this is.
    pub fn day_number(&self) -> u32 {
        let today_counted = matches!(self.verdict, Some(MarkVerdict::AlreadyToday));
        (self.marks_before + u32::from(!today_counted)).clamp(1, self.stage.days)
    }

    /// Commits an answer, and the day's mark when it is earned by it.
    pub fn save(&mut self, answer: &Answer) -> Result<(), RecordError> {
        let id = self.store.save_answer(self.sitting, answer)?;
        self.answers.push(id);
        self.count()?;
        let settled = matches!(
            self.verdict,
            Some(MarkVerdict::Earned(_) | MarkVerdict::AlreadyToday)
        );
        if !settled && self.enough() {
            let now = clock::now();
            let offset = clock::offset(&self.zone, now);
            let (stage, practised, day) = (&self.stage, self.practised, self.day);
            self.verdict = Some(self.store.keep_mark(self.learner.id, |ledger| {
                earn(stage, practised, day, now, offset, ledger)
            })?);
        }
        Ok(())
    }

    fn count(&mut self) -> Result<(), RecordError> {
        let (learner, stage) = (self.learner.id, &self.stage.id);
        self.practised = self.store.practised(learner, stage, self.day)?;
        Ok(())
    }

    fn enough(&self) -> bool {
        self.practised.active_ms >= u64::from(self.stage.minutes) * 60_000
            && self.practised.answers >= self.stage.least_answers
    }

    /// Takes the answer of that number out of the record.
    pub fn withdraw(&mut self, sequence: u32) -> Result<(), RecordError> {
        if let Some(id) = self.answers.get(sequence as usize) {
            self.store.withdraw_answer(*id)?;
            self.count()?;
        }
        Ok(())
    }

    /// Ends the sitting.
    pub fn close(&mut self) -> Result<(), RecordError> {
        self.store.end_sitting(self.sitting, clock::now())?;
        self.store.backup_daily()
    }

    /// What the sitting means for the day's mark.
    pub fn mark_in_words(&self) -> String {
        match &self.verdict {
            Some(MarkVerdict::Earned(_)) => {
                let done = self.marks_before + 1;
                if done >= self.stage.days {
                    format!(
                        "Today counts: all {} days of \u{201c}{}\u{201d} are done.",
                        self.stage.days, self.stage.name
                    )
                } else {
                    format!(
                        "Today counts: day {done} of {} on \u{201c}{}\u{201d}.",
                        self.stage.days, self.stage.name
                    )
                }
            }
            Some(MarkVerdict::AlreadyToday) => {
                "Today had counted already; one day counts once.".to_owned()
            }
            Some(MarkVerdict::TooSoon { until }) => format!(
                "The last day counted less than 6 hours ago: practice counts again from {}.",
                self.zone.to_datetime(*until).strftime("%H:%M")
            ),
            Some(MarkVerdict::ClockBehind { last }) => format!(
                "This computer's clock stands before the last day that counted ({}): set it right, and days count again.",
                self.zone.to_datetime(*last).date()
            ),
            Some(MarkVerdict::NotYet { .. }) | None => self.lacking(),
        }
    }

    fn lacking(&self) -> String {
        let whole = u64::from(self.stage.minutes) * 60_000;
        let time = whole.saturating_sub(self.practised.active_ms);
        let answers = self
            .stage
            .least_answers
            .saturating_sub(self.practised.answers);
        let lacks: Vec<String> = [
            (time > 0).then(|| super::words::clock(time + 999)),
            (answers > 0).then(|| super::words::plural(answers, "answer")),
        ]
        .into_iter()
        .flatten()
        .collect();
        format!("For today to count, {} more.", lacks.join(" and "))
    }
}
