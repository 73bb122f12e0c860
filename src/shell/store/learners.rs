//! Learners, their settings and the course each is on.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, params};

use super::error::StoreError;
use super::{Store, from_millis, millis};

/// Names a learner in the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct LearnerId(pub(super) i64);

/// A learner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Learner {
    /// Names the learner in the store.
    pub id: LearnerId,
    /// What the learner is called; case makes no difference between two.
    pub name: String,
    /// When the learner was added.
    pub created: Timestamp,
}

/// The course a learner is on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CourseChoice {
    /// The course's id.
    pub id: String,
    /// Where it came from: a file's name, or `built in`.
    pub origin: String,
    /// A copy of the file; `None` for a built-in course, which follows the program.
    pub text: Option<String>,
    /// When it was chosen.
    pub chosen: Timestamp,
}

const CURRENT: &str = "current_learner";

impl Store {
    /// All learners, in the order they were added.
    pub fn learners(&self) -> Result<Vec<Learner>, StoreError> {
        self.sql(|c| {
            c.prepare("SELECT id, name, created FROM learners ORDER BY id")?
                .query_map([], read_learner)?
                .collect()
        })
    }

    /// Adds a learner, and makes the first one current. Errors: [`StoreError::LearnerExists`], [`StoreError::BadName`].
    pub fn add_learner(&mut self, name: &str, now: Timestamp) -> Result<Learner, StoreError> {
        let name = checked_name(name)?;
        let added = self.write(|t| insert_learner(t, &name, now))?;
        added.ok_or(StoreError::LearnerExists { name })
    }

    /// The learner in use; where there is none yet, the first, called `name`. One transaction: of two programs that are
    /// begun at once, the second takes whom the first has made. Errors: [`StoreError::BadName`].
    pub fn current_or_first(&mut self, name: &str, now: Timestamp) -> Result<Learner, StoreError> {
        if let Some(learner) = self.current_learner()? {
            return Ok(learner);
        }
        let name = checked_name(name)?;
        let first = self.write(|t| match current(t)? {
            Some(learner) => Ok(Some(learner)),
            None => insert_learner(t, &name, now),
        })?;
        first.ok_or(StoreError::LearnerExists { name })
    }

    /// The learner of that name, whatever its case. Errors: [`StoreError::NoSuchLearner`] with the nearest name.
    pub fn learner(&self, name: &str) -> Result<Learner, StoreError> {
        let found = self.sql(|c| {
            c.query_row(
                "SELECT id, name, created FROM learners WHERE name = ?1",
                [name.trim()],
                read_learner,
            )
            .optional()
        })?;
        if let Some(learner) = found {
            return Ok(learner);
        }
        let lower = name.to_lowercase();
        let nearest = self
            .learners()?
            .into_iter()
            .map(|l| {
                let distance = strsim::damerau_levenshtein(&lower, &l.name.to_lowercase());
                (distance, l.name)
            })
            .min()
            .filter(|(distance, found)| *distance * 2 <= found.chars().count().max(3))
            .map(|(_, found)| found);
        Err(StoreError::NoSuchLearner {
            name: name.to_owned(),
            nearest,
        })
    }

    /// The learner in use; `None` when there is none yet.
    pub fn current_learner(&self) -> Result<Option<Learner>, StoreError> {
        self.sql(current)
    }

    /// Makes a learner the one in use. Errors: [`StoreError::NoSuchLearner`].
    pub fn use_learner(&mut self, name: &str) -> Result<Learner, StoreError> {
        let learner = self.learner(name)?;
        self.write(|t| {
            t.execute(
                "INSERT OR REPLACE INTO store_state (key, value) VALUES (?1, ?2)",
                params![CURRENT, learner.id.0.to_string()],
            )
        })?;
        Ok(learner)
    }

    /// Gives a learner another name. Errors: [`StoreError::NoSuchLearner`], [`StoreError::LearnerExists`], [`StoreError::BadName`].
    pub fn rename_learner(&mut self, from: &str, to: &str) -> Result<Learner, StoreError> {
        let learner = self.learner(from)?;
        let name = checked_name(to)?;
        let changed = self.write(|t| {
            t.execute(
                "UPDATE OR IGNORE learners SET name = ?1 WHERE id = ?2",
                params![name, learner.id.0],
            )
        })?;
        if changed == 0 {
            return Err(StoreError::LearnerExists { name });
        }
        Ok(Learner { name, ..learner })
    }

    /// Removes a learner with all records, after a backup whose path is given back. Errors: [`StoreError::NoSuchLearner`].
    pub fn remove_learner(&mut self, name: &str) -> Result<std::path::PathBuf, StoreError> {
        let learner = self.learner(name)?;
        let backup = self.backup_as("before-removal")?;
        // What is removed is overwritten, not only unlinked.
        self.sql(|c| c.pragma_update(None, "secure_delete", true))?;
        self.write(|t| t.execute("DELETE FROM learners WHERE id = ?1", [learner.id.0]))?;
        self.sql(|c| c.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)"))?;
        Ok(backup)
    }

    /// A learner's setting.
    pub fn setting(&self, learner: LearnerId, key: &str) -> Result<Option<String>, StoreError> {
        self.sql(|c| {
            c.query_row(
                "SELECT value FROM settings WHERE learner = ?1 AND key = ?2",
                params![learner.0, key],
                |row| row.get(0),
            )
            .optional()
        })
    }

    /// All settings of a learner, by key.
    pub fn settings(&self, learner: LearnerId) -> Result<Vec<(String, String)>, StoreError> {
        self.sql(|c| {
            c.prepare("SELECT key, value FROM settings WHERE learner = ?1 ORDER BY key")?
                .query_map([learner.0], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })
    }

    /// Sets a learner's setting; `None` goes back to the default.
    pub fn set_setting(
        &mut self,
        learner: LearnerId,
        key: &str,
        value: Option<&str>,
    ) -> Result<(), StoreError> {
        self.write(|t| {
            match value {
                Some(value) => t.execute(
                    "INSERT OR REPLACE INTO settings (learner, key, value) VALUES (?1, ?2, ?3)",
                    params![learner.0, key, value],
                ),
                None => t.execute(
                    "DELETE FROM settings WHERE learner = ?1 AND key = ?2",
                    params![learner.0, key],
                ),
            }
            .map(|_| ())
        })
    }

    /// The course a learner is on; `None` before one was chosen.
    pub fn course(&self, learner: LearnerId) -> Result<Option<CourseChoice>, StoreError> {
        self.sql(|c| {
            c.query_row(
                "SELECT id, origin, text, chosen FROM courses WHERE learner = ?1",
                [learner.0],
                |row| {
                    Ok(CourseChoice {
                        id: row.get(0)?,
                        origin: row.get(1)?,
                        text: row.get(2)?,
                        chosen: from_millis(row.get(3)?),
                    })
                },
            )
            .optional()
        })
    }

    /// Puts a learner on a course; marks of stages whose ids it shares go on counting.
    pub fn choose_course(
        &mut self,
        learner: LearnerId,
        course: &CourseChoice,
    ) -> Result<(), StoreError> {
        self.write(|t| insert_course(t, learner, course))
    }
}

fn current(connection: &Connection) -> rusqlite::Result<Option<Learner>> {
    connection
        .query_row(
            "SELECT id, name, created FROM learners
             ORDER BY id = (SELECT CAST(value AS INTEGER) FROM store_state WHERE key = ?1) DESC, id
             LIMIT 1",
            [CURRENT],
            read_learner,
        )
        .optional()
}

/// Adds a learner, and makes the first one current; `None` when the name is taken.
fn insert_learner(
    connection: &Connection,
    name: &str,
    now: Timestamp,
) -> rusqlite::Result<Option<Learner>> {
    let added = connection.execute(
        "INSERT OR IGNORE INTO learners (name, created) VALUES (?1, ?2)",
        params![name, millis(now)],
    )?;
    if added == 0 {
        return Ok(None);
    }
    let id = connection.last_insert_rowid();
    connection.execute(
        "INSERT OR IGNORE INTO store_state (key, value) VALUES (?1, ?2)",
        params![CURRENT, id.to_string()],
    )?;
    Ok(Some(Learner {
        id: LearnerId(id),
        name: name.to_owned(),
        created: from_millis(millis(now)),
    }))
}

pub(super) fn insert_course(
    connection: &Connection,
    learner: LearnerId,
    course: &CourseChoice,
) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT OR REPLACE INTO courses (learner, id, origin, text, chosen) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![
            learner.0,
            course.id,
            course.origin,
            course.text,
            millis(course.chosen)
        ],
    )?;
    Ok(())
}

fn read_learner(row: &Row) -> rusqlite::Result<Learner> {
    Ok(Learner {
        id: LearnerId(row.get(0)?),
        name: row.get(1)?,
        created: from_millis(row.get(2)?),
    })
}

pub(super) fn checked_name(name: &str) -> Result<String, StoreError> {
    let name = name.trim();
    let count = name.chars().count();
    if !(1..=60).contains(&count) || name.chars().any(char::is_control) {
        return Err(StoreError::BadName {
            name: name.escape_debug().to_string(),
        });
    }
    Ok(name.to_owned())
}
