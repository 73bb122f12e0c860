//! A learner's record as one JSON value, out and in.
//!
//! The form, version 1 (every time is RFC 3339 in UTC, every day `YYYY-MM-DD`, every offset in seconds east of UTC):
//!
//! ```text
//! { "form": "stavelark-record", "version": 1, "exported": time,
//!   "learner":  { "name": text, "created": time },
//!   "course":   null | { "id": text, "origin": text, "text": null | text, "chosen": time },
//!   "settings": { key: text, … },
//!   "sittings": [ { "stage": text, "day": day, "started": time, "offset": number, "ended": null | time, "seed": number,
//!                   "answers": [ { "at": time, "stage": text, "item": "F#5@treble", "prompt": "eye|ear|both",
//!                                  "way": "letters|piano", "given": null | "F5", "outcome": "right|wrong|not_sure",
//!                                  "response_ms": null | number, "attempt": number, "active_ms": number,
//!                                  "withdrawn": false | true }, … ] }, … ],
//!   "marks":    [ { "day": day, "stage": text, "at": time, "offset": number }, … ] }
//! ```
//!
//! Sittings, answers and marks stand in the order in which they were recorded.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use rusqlite::{Connection, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use serde_json::error::Category;

use super::error::StoreError;
use super::learners::{CourseChoice, Learner, LearnerId, checked_name};
use super::marks::insert_mark;
use super::{Store, day_from_text, day_text, from_millis, millis};
use crate::study::{AnswerWay, Item, Mark, Outcome, PromptKind};
use crate::theory::Pitch;

const FORM: &str = "stavelark-record";
const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
struct Record {
    form: String,
    version: u32,
    exported: Timestamp,
    learner: LearnerRecord,
    course: Option<CourseRecord>,
    settings: BTreeMap<String, String>,
    sittings: Vec<SittingRecord>,
    marks: Vec<MarkRecord>,
}

#[derive(Serialize, Deserialize)]
struct LearnerRecord {
    name: String,
    created: Timestamp,
}

#[derive(Serialize, Deserialize)]
struct CourseRecord {
    id: String,
    origin: String,
    text: Option<String>,
    chosen: Timestamp,
}

#[derive(Serialize, Deserialize)]
struct SittingRecord {
    stage: String,
    day: Date,
    started: Timestamp,
    offset: i32,
    ended: Option<Timestamp>,
    seed: u64,
    answers: Vec<AnswerRecord>,
}

#[derive(Serialize, Deserialize)]
struct AnswerRecord {
    at: Timestamp,
    stage: String,
    item: String,
    prompt: String,
    way: String,
    given: Option<Pitch>,
    outcome: String,
    response_ms: Option<u32>,
    attempt: u32,
    active_ms: u32,
    withdrawn: bool,
}

#[derive(Serialize, Deserialize)]
struct MarkRecord {
    day: Date,
    stage: String,
    at: Timestamp,
    offset: i32,
}

impl Store {
    /// A learner's whole record, in the form that stands at the head of this module. Errors: [`StoreError`].
    pub fn export(&self, learner: &Learner, now: Timestamp) -> Result<Value, StoreError> {
        let marks = self.marks(learner.id)?;
        let course = self.course(learner.id)?;
        let sittings = self.sql(|c| {
            // One reading transaction, so that sittings and answers belong together.
            let reading = c.unchecked_transaction()?;
            read_sittings(&reading, learner.id)
        })?;
        let record = Record {
            form: FORM.to_owned(),
            version: VERSION,
            exported: now,
            learner: LearnerRecord {
                name: learner.name.clone(),
                created: learner.created,
            },
            course: course.map(|course| CourseRecord {
                id: course.id,
                origin: course.origin,
                text: course.text,
                chosen: course.chosen,
            }),
            settings: self.settings(learner.id)?.into_iter().collect(),
            sittings,
            marks: marks
                .into_iter()
                .map(|mark| MarkRecord {
                    day: mark.day,
                    stage: mark.stage,
                    at: mark.at,
                    offset: mark.offset.seconds(),
                })
                .collect(),
        };
        Ok(serde_json::to_value(record).expect("a record has only text keys"))
    }

    /// Takes in a record as a new learner, `name` instead of the record's if given. `file` is for messages.
    /// Errors: [`StoreError::BadFile`], [`StoreError::LearnerExists`].
    pub fn import(
        &mut self,
        file: &Path,
        value: Value,
        name: Option<&str>,
    ) -> Result<Learner, StoreError> {
        let bad = |problem: String| StoreError::BadFile {
            file: file.to_owned(),
            problem,
        };
        if value.get("form").and_then(Value::as_str) != Some(FORM) {
            return Err(bad(
                "it is no record of a learner: `stavelark data export` writes one".to_owned(),
            ));
        }
        let version = value.get("version").and_then(Value::as_u64);
        if version != Some(u64::from(VERSION)) {
            return Err(bad(format!(
                "its version is not {VERSION}: update Stavelark, or export it again with this version"
            )));
        }
        let record: Record = serde_json::from_value(value)
            .map_err(|error| bad(format!("{error}: export the record again")))?;
        let problem = record
            .sittings
            .iter()
            .flat_map(|s| &s.answers)
            .find_map(problem_of);
        if let Some(problem) = problem {
            return Err(bad(format!("{problem}: export the record again")));
        }
        let name = checked_name(name.unwrap_or(&record.learner.name))?;
        let id = self.write(|t| insert_record(t, &name, &record))?;
        let id = id.ok_or_else(|| StoreError::LearnerExists { name: name.clone() })?;
        Ok(Learner {
            id,
            name,
            created: record.learner.created,
        })
    }
}

fn code_of<T: Copy>(word: &str, all: &[T], spell: impl Fn(T) -> &'static str) -> Option<T> {
    all.iter().copied().find(|value| spell(*value) == word)
}

/// The codes of an answer's prompt, way and outcome.
fn codes(answer: &AnswerRecord) -> Option<(i64, i64, i64)> {
    Some((
        code_of(&answer.prompt, PromptKind::ALL, PromptKind::word)?.code(),
        code_of(&answer.way, AnswerWay::ALL, AnswerWay::word)?.code(),
        code_of(&answer.outcome, Outcome::ALL, Outcome::word)?.code(),
    ))
}

fn problem_of(answer: &AnswerRecord) -> Option<String> {
    if let Err(error) = answer.item.parse::<Item>() {
        return Some(error.to_string());
    }
    codes(answer).is_none().then(|| {
        format!(
            "'{}', '{}' and '{}' are not all known as prompt, way and outcome",
            answer.prompt, answer.way, answer.outcome
        )
    })
}

fn read_sittings(c: &Connection, learner: LearnerId) -> rusqlite::Result<Vec<SittingRecord>> {
    let mut sittings = Vec::new();
    let mut select = c.prepare(
        "SELECT id, stage, day, started, \"offset\", ended, seed FROM sittings WHERE learner = ?1 ORDER BY id",
    )?;
    let mut rows = select.query([learner.0])?;
    while let Some(row) = rows.next()? {
        let day: String = row.get(2)?;
        let Some(day) = day_from_text(&day) else {
            continue;
        };
        sittings.push(SittingRecord {
            stage: row.get(1)?,
            day,
            started: from_millis(row.get(3)?),
            offset: row.get(4)?,
            ended: row.get::<_, Option<i64>>(5)?.map(from_millis),
            seed: row.get::<_, i64>(6)?.cast_unsigned(),
            answers: read_answers(c, row.get(0)?)?,
        });
    }
    Ok(sittings)
}

fn read_answers(c: &Connection, sitting: i64) -> rusqlite::Result<Vec<AnswerRecord>> {
    let mut answers = Vec::new();
    let mut select = c.prepare_cached(
        "SELECT at, stage, item, prompt, way, given, outcome, response_ms, attempt, active_ms, withdrawn
         FROM answers WHERE sitting = ?1 ORDER BY id",
    )?;
    let mut rows = select.query([sitting])?;
    while let Some(row) = rows.next()? {
        let (Some(prompt), Some(way), Some(outcome)) = (
            PromptKind::from_code(row.get(3)?),
            AnswerWay::from_code(row.get(4)?),
            Outcome::from_code(row.get(6)?),
        ) else {
            continue;
        };
        let given: Option<String> = row.get(5)?;
        answers.push(AnswerRecord {
            at: from_millis(row.get(0)?),
            stage: row.get(1)?,
            item: row.get(2)?,
            prompt: prompt.word().to_owned(),
            way: way.word().to_owned(),
            given: given.and_then(|text| text.parse().ok()),
            outcome: outcome.word().to_owned(),
            response_ms: row.get(7)?,
            attempt: row.get(8)?,
            active_ms: row.get(9)?,
            withdrawn: row.get(10)?,
        });
    }
    Ok(answers)
}

fn insert_record(
    c: &Connection,
    name: &str,
    record: &Record,
) -> rusqlite::Result<Option<LearnerId>> {
    let taken: Option<i64> = c
        .query_row("SELECT id FROM learners WHERE name = ?1", [name], |row| {
            row.get(0)
        })
        .optional()?;
    if taken.is_some() {
        return Ok(None);
    }
    c.execute(
        "INSERT INTO learners (name, created) VALUES (?1, ?2)",
        params![name, millis(record.learner.created)],
    )?;
    let learner = LearnerId(c.last_insert_rowid());
    if let Some(course) = &record.course {
        super::learners::insert_course(
            c,
            learner,
            &CourseChoice {
                id: course.id.clone(),
                origin: course.origin.clone(),
                text: course.text.clone(),
                chosen: course.chosen,
            },
        )?;
    }
    for (key, value) in &record.settings {
        c.execute(
            "INSERT INTO settings (learner, key, value) VALUES (?1, ?2, ?3)",
            params![learner.0, key, value],
        )?;
    }
    for sitting in &record.sittings {
        insert_sitting(c, learner, sitting)?;
    }
    for mark in &record.marks {
        let mark = Mark {
            day: mark.day,
            stage: mark.stage.clone(),
            at: mark.at,
            offset: Offset::from_seconds(mark.offset).unwrap_or(Offset::UTC),
        };
        insert_mark(c, learner, &mark)?;
    }
    Ok(Some(learner))
}

fn insert_sitting(
    c: &Connection,
    learner: LearnerId,
    sitting: &SittingRecord,
) -> rusqlite::Result<()> {
    c.execute(
        "INSERT INTO sittings (learner, stage, day, started, \"offset\", ended, seed) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![
            learner.0,
            sitting.stage,
            day_text(sitting.day),
            millis(sitting.started),
            sitting.offset,
            sitting.ended.map(millis),
            sitting.seed.cast_signed(),
        ],
    )?;
    let id = c.last_insert_rowid();
    let mut insert = c.prepare_cached(
        "INSERT INTO answers (learner, sitting, day, at, stage, item, prompt, way, given, outcome, response_ms, attempt, active_ms, withdrawn)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
    )?;
    for answer in &sitting.answers {
        let Some((prompt, way, outcome)) = codes(answer) else {
            continue;
        };
        insert.execute(params![
            learner.0,
            id,
            day_text(sitting.day),
            millis(answer.at),
            answer.stage,
            answer.item,
            prompt,
            way,
            answer.given.map(|pitch| pitch.to_string()),
            outcome,
            answer.response_ms,
            answer.attempt,
            answer.active_ms,
            answer.withdrawn,
        ])?;
    }
    Ok(())
}

/// Where a record's text is not of the form that stands at the head of this module, and how, in words. `None` where it
/// is, and for JSON that is no record of this version at all, which [`Store::import`] says.
pub fn misfit(text: &str) -> Option<String> {
    if let Ok(value) = serde_json::from_str::<Value>(text)
        && (value["form"] != FORM || value["version"] != VERSION)
    {
        return None;
    }
    let error = serde_json::from_str::<Record>(text).err()?;
    let line = error.line();
    let says = error.to_string();
    let field = |before: &str| says.strip_prefix(before)?.split('`').next();
    Some(match error.classify() {
        Category::Eof => format!("it ends too soon, in line {line}"),
        Category::Syntax | Category::Io => format!("line {line} is no JSON"),
        Category::Data => match field("missing field `") {
            Some(name) => format!("'{name}' is missing in what ends in line {line}"),
            None => format!("line {line} holds another kind of value than a record has there"),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_is_named_with_its_line() {
        let text = |day: &str| {
            format!(
                "{{\n\"form\": \"stavelark-record\", \"version\": 1, \"exported\": \"2026-03-02T10:00:00Z\",\n\
                 \"learner\": {{\"name\": \"Wren\", \"created\": \"2026-03-02T10:00:00Z\"}}, \"course\": null,\n\
                 \"settings\": {{}}, \"sittings\": [],\n\"marks\": [{{{day}\n\"stage\": \"treble\", \
                 \"at\": \"2026-03-02T10:00:00Z\", \"offset\": 0}}]}}"
            )
        };
        assert_eq!(misfit(&text("\"day\": \"2026-03-02\",")), None);
        assert_eq!(misfit("[1]"), None);
        for (text, says) in [
            (text(""), "'day' is missing in what ends in line 6"),
            (
                text("\"day\": \"2026-13-02\","),
                "line 5 holds another kind",
            ),
            (text("\"day\": 3,"), "line 5 holds another kind"),
            (text("\"day\" 3,"), "line 5 is no JSON"),
            ("{\n\"form\":".to_owned(), "ends too soon, in line 2"),
            ("form,".to_owned(), "line 1 is no JSON"),
        ] {
            let words = misfit(&text).unwrap();
            assert!(words.contains(says), "{says}: {words}");
        }
    }
}
