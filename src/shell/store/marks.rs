//! Day marks in the store.

use jiff::tz::Offset;
use rusqlite::{Connection, Row, params};

use super::error::StoreError;
use super::learners::LearnerId;
use super::{Store, day_from_text, day_text, from_millis, millis};
use crate::study::{Ledger, Mark, MarkVerdict};

impl Store {
    /// A learner's marks in the order in which they were recorded.
    pub fn marks(&self, learner: LearnerId) -> Result<Vec<Mark>, StoreError> {
        self.sql(|c| read_marks(c, learner))
    }

    /// Lets `decide` (see [`crate::study::earn`]) look at the learner's ledger and records the mark if it is earned, all
    /// in one transaction: two programs at once cannot earn two.
    pub fn keep_mark(
        &mut self,
        learner: LearnerId,
        decide: impl FnOnce(&Ledger) -> MarkVerdict,
    ) -> Result<MarkVerdict, StoreError> {
        self.write(|t| {
            let verdict = decide(&read_ledger(t, learner)?);
            if let MarkVerdict::Earned(mark) = &verdict {
                insert_mark(t, learner, mark)?;
            }
            Ok(verdict)
        })
    }
}

pub(super) fn insert_mark(
    connection: &Connection,
    learner: LearnerId,
    mark: &Mark,
) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT INTO marks (learner, day, stage, at, \"offset\", after_answer)
         VALUES (?1, ?2, ?3, ?4, ?5, (SELECT coalesce(max(id), 0) FROM answers))",
        params![
            learner.0,
            day_text(mark.day),
            mark.stage,
            millis(mark.at),
            mark.offset.seconds(),
        ],
    )?;
    Ok(())
}

fn read_marks(connection: &Connection, learner: LearnerId) -> rusqlite::Result<Vec<Mark>> {
    let marks: Vec<Option<Mark>> = connection
        .prepare("SELECT day, stage, at, \"offset\" FROM marks WHERE learner = ?1 ORDER BY id")?
        .query_map([learner.0], read_mark)?
        .collect::<rusqlite::Result<_>>()?;
    Ok(marks.into_iter().flatten().collect())
}

fn read_ledger(connection: &Connection, learner: LearnerId) -> rusqlite::Result<Ledger> {
    let days: Vec<String> = connection
        .prepare(
            "SELECT DISTINCT day FROM answers WHERE learner = ?1
             AND id > (SELECT coalesce(max(after_answer), 0) FROM marks WHERE learner = ?1)",
        )?
        .query_map([learner.0], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    Ok(Ledger {
        marks: read_marks(connection, learner)?,
        practised_since: days.iter().filter_map(|day| day_from_text(day)).collect(),
    })
}

fn read_mark(row: &Row) -> rusqlite::Result<Option<Mark>> {
    let day: String = row.get(0)?;
    Ok(day_from_text(&day).map(|day| Mark {
        day,
        stage: row.get(1).unwrap_or_default(),
        at: from_millis(row.get(2).unwrap_or_default()),
        offset: Offset::from_seconds(row.get(3).unwrap_or_default()).unwrap_or(Offset::UTC),
    }))
}
