//! Sittings and answers.

use std::collections::HashMap;
use std::sync::Arc;

use foldhash::fast::FixedState;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use rusqlite::{OptionalExtension, Row, ToSql, params};

use super::error::StoreError;
use super::learners::LearnerId;
use super::{Store, day_from_text, day_text, from_millis, millis};
use crate::study::{Answer, AnswerWay, Item, Outcome, Practised, PromptKind, Reply};

/// Names a sitting in the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct SittingId(i64);

/// Names an answer in the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AnswerId(i64);

/// A sitting that begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewSitting {
    /// The id of the stage.
    pub stage: String,
    /// The practice day it belongs to, all of it.
    pub day: Date,
    /// When it began.
    pub started: Timestamp,
    /// The local clock's offset then.
    pub offset: Offset,
    /// What the choice of items was seeded with.
    pub seed: u64,
}

/// Which answers are wanted; what is `None` does not matter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct AnswerFilter<'a> {
    /// Of that stage.
    pub stage: Option<&'a str>,
    /// Of that practice day.
    pub day: Option<Date>,
    /// Given with that.
    pub way: Option<AnswerWay>,
    /// To prompts of that kind.
    pub prompt: Option<PromptKind>,
}

const ANSWER: &str =
    "at, stage, item, prompt, way, given, outcome, response_ms, attempt, active_ms, day";

impl Store {
    /// Records that a sitting begins.
    pub fn begin_sitting(
        &mut self,
        learner: LearnerId,
        sitting: &NewSitting,
    ) -> Result<SittingId, StoreError> {
        self.write(|t| {
            t.execute(
                "INSERT INTO sittings (learner, stage, day, started, \"offset\", seed) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    learner.0,
                    sitting.stage,
                    day_text(sitting.day),
                    millis(sitting.started),
                    sitting.offset.seconds(),
                    sitting.seed.cast_signed(),
                ],
            )?;
            Ok(SittingId(t.last_insert_rowid()))
        })
    }

    /// Records that a sitting ended.
    pub fn end_sitting(&mut self, sitting: SittingId, at: Timestamp) -> Result<(), StoreError> {
        self.write(|t| {
            t.execute(
                "UPDATE sittings SET ended = ?1 WHERE id = ?2",
                params![millis(at), sitting.0],
            )
            .map(|_| ())
        })
    }

    /// Records an answer; when this returns, it is committed and its verdict may be drawn.
    pub fn save_answer(
        &mut self,
        sitting: SittingId,
        answer: &Answer,
    ) -> Result<AnswerId, StoreError> {
        self.sql(|c| {
            let mut insert = c.prepare_cached(
                "INSERT INTO answers (learner, sitting, day, at, stage, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
                 SELECT learner, id, day, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11 FROM sittings WHERE id = ?1",
            )?;
            let added = insert.execute(params![
                sitting.0,
                millis(answer.at),
                &*answer.stage,
                answer.item.to_string(),
                answer.prompt.code(),
                answer.way.code(),
                answer.given.map(|given| given.to_string()),
                answer.outcome.code(),
                answer.response_ms,
                answer.attempt,
                answer.active_ms,
            ])?;
            if added == 0 {
                return Err(rusqlite::Error::QueryReturnedNoRows);
            }
            Ok(AnswerId(c.last_insert_rowid()))
        })
    }

    /// Takes an answer out of the record, as misheard; its time still counts as practice.
    pub fn withdraw_answer(&mut self, answer: AnswerId) -> Result<(), StoreError> {
        self.write(|t| {
            t.execute("UPDATE answers SET withdrawn = 1 WHERE id = ?1", [answer.0])
                .map(|_| ())
        })
    }

    /// The answers that a learner took out of the record: the practice day and the active time of each, ms.
    pub fn withdrawn_answers(&self, learner: LearnerId) -> Result<Vec<(Date, u32)>, StoreError> {
        let rows: Vec<(String, u32)> = self.sql(|c| {
            c.prepare("SELECT day, active_ms FROM answers WHERE learner = ?1 AND withdrawn")?
                .query_map([learner.0], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })?;
        let dated = |(day, ms): (String, u32)| Some((day_from_text(&day)?, ms));
        Ok(rows.into_iter().filter_map(dated).collect())
    }

    /// A learner's answers in the order in which they were recorded, without those taken out. Rows that a newer
    /// program wrote and this one cannot read are left out.
    pub fn answers(
        &self,
        learner: LearnerId,
        filter: AnswerFilter,
    ) -> Result<Vec<Answer>, StoreError> {
        let dated = self.dated_answers(learner, filter)?;
        Ok(dated.into_iter().map(|(_, answer)| answer).collect())
    }

    /// The same, each with its practice day.
    pub fn dated_answers(
        &self,
        learner: LearnerId,
        filter: AnswerFilter,
    ) -> Result<Vec<(Date, Answer)>, StoreError> {
        // All of them are read along the table, in its own order; a few are found by day and stage, and sorted.
        let index = match (filter.stage, filter.day) {
            (None, None) => "answers_in_order",
            _ => "answers_by_learner",
        };
        let mut sql = format!(
            "SELECT {ANSWER} FROM answers INDEXED BY {index} WHERE learner = ? AND NOT withdrawn"
        );
        let mut values: Vec<Box<dyn ToSql>> = vec![Box::new(learner.0)];
        if let Some(stage) = filter.stage {
            sql += " AND stage = ?";
            values.push(Box::new(stage.to_owned()));
        }
        if let Some(day) = filter.day {
            sql += " AND day = ?";
            values.push(Box::new(day_text(day)));
        }
        if let Some(way) = filter.way {
            sql += " AND way = ?";
            values.push(Box::new(way.code()));
        }
        if let Some(prompt) = filter.prompt {
            sql += " AND prompt = ?";
            values.push(Box::new(prompt.code()));
        }
        sql += " ORDER BY id";
        let mut reader = Reader::default();
        self.sql(|c| {
            c.prepare(&sql)?
                .query_map(rusqlite::params_from_iter(values), |row| reader.answer(row))?
                .filter_map(Result::transpose)
                .collect()
        })
    }

    /// How a learner answered last, at that stage if one is named; `None` before the first answer.
    pub fn last_way(
        &self,
        learner: LearnerId,
        stage: Option<&str>,
    ) -> Result<Option<(AnswerWay, PromptKind)>, StoreError> {
        let last = self.sql(|c| {
            // Without a sitting at that stage there are no answers, which would be sought to the beginning.
            let begun = "SELECT 1 FROM sittings WHERE learner = ?1 AND stage = ?2";
            if let Some(stage) = stage
                && !c.prepare(begun)?.exists(params![learner.0, stage])?
            {
                return Ok(None);
            }
            c.query_row(
                "SELECT way, prompt FROM answers INDEXED BY answers_in_order
                 WHERE learner = ?1 AND (?2 IS NULL OR stage = ?2) ORDER BY id DESC LIMIT 1",
                params![learner.0, stage],
                |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)),
            )
            .optional()
        })?;
        Ok(last.and_then(|(way, prompt)| {
            Some((AnswerWay::from_code(way)?, PromptKind::from_code(prompt)?))
        }))
    }

    /// What was practised on a stage on a practice day: active time, and prompts that got a judged answer. What was taken out
    /// again took its time, and is no answer.
    pub fn practised(
        &self,
        learner: LearnerId,
        stage: &str,
        day: Date,
    ) -> Result<Practised, StoreError> {
        self.sql(|c| {
            c.query_row(
                "SELECT coalesce(sum(active_ms), 0), count(*) FILTER (WHERE attempt = 1 AND outcome <> ?4)
                 - (SELECT count(*) FROM answers WHERE learner = ?1 AND withdrawn AND stage = ?2 AND day = ?3 AND attempt = 1 AND outcome <> ?4)
                 FROM answers WHERE learner = ?1 AND stage = ?2 AND day = ?3",
                params![learner.0, stage, day_text(day), Outcome::NotSure.code()],
                |row| {
                    Ok(Practised {
                        active_ms: row.get::<_, i64>(0)?.max(0).cast_unsigned(),
                        answers: row.get(1)?,
                    })
                },
            )
        })
    }
}

/// Reads rows. The same few texts stand in all of them: each is understood once.
#[derive(Default)]
struct Reader {
    days: Known<Date>,
    stages: Known<Arc<str>>,
    items: Known<Item>,
    replies: Known<Reply>,
}

/// What texts were taken for; `None` is what this program cannot read.
type Known<T> = HashMap<String, Option<T>, FixedState>;

fn known<T: Clone>(
    texts: &mut Known<T>,
    text: &str,
    read: impl FnOnce(&str) -> Option<T>,
) -> Option<T> {
    if let Some(found) = texts.get(text) {
        return found.clone();
    }
    let found = read(text);
    texts.insert(text.to_owned(), found.clone());
    found
}

impl Reader {
    /// One row; `None` if this program cannot read it.
    fn answer(&mut self, row: &Row) -> rusqlite::Result<Option<(Date, Answer)>> {
        let given = match row.get_ref(5)?.as_str_or_null()? {
            Some(text) => match known(&mut self.replies, text, |text| text.parse().ok()) {
                Some(given) => Some(given),
                None => return Ok(None),
            },
            None => None,
        };
        let item = row.get_ref(2)?.as_str()?;
        let (Some(day), Some(stage), Some(item), Some(prompt), Some(way), Some(outcome)) = (
            known(&mut self.days, row.get_ref(10)?.as_str()?, day_from_text),
            known(&mut self.stages, row.get_ref(1)?.as_str()?, |text| {
                Some(text.into())
            }),
            known(&mut self.items, item, |text| text.parse().ok()),
            PromptKind::from_code(row.get(3)?),
            AnswerWay::from_code(row.get(4)?),
            Outcome::from_code(row.get(6)?),
        ) else {
            return Ok(None);
        };
        let answer = Answer {
            at: from_millis(row.get(0)?),
            stage,
            item,
            prompt,
            way,
            given,
            outcome,
            response_ms: row.get(7)?,
            attempt: row.get(8)?,
            active_ms: row.get(9)?,
        };
        Ok(Some((day, answer)))
    }
}
