//! Tuning checks of the piano, kept: what each key was found at, so that practice can go by it and checks be compared.

use jiff::Timestamp;
use jiff::tz::Offset;
use rusqlite::{Row, params};

use super::error::StoreError;
use super::{Store, from_millis, millis};
use crate::signal::tuning::{ClockError, Instrument, Kept, Remark, Unison};
use crate::theory::{Cents, Hz, MidiNote, Reference};

/// A check as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct TuningCheck {
    /// When it was made.
    pub at: Timestamp,
    /// The local clock's offset then.
    pub offset: Offset,
    /// Relative humidity of the room in percent, where it was told.
    pub humidity: Option<f64>,
    /// The piano. What is read back has no partials; remarks and mute keys only from the fifth form of the record on.
    pub instrument: Instrument,
}

impl Store {
    /// Keeps a check, in the place of the one of that number if there is one; gives its number.
    pub fn keep_check(
        &mut self,
        check: &TuningCheck,
        instead: Option<i64>,
    ) -> Result<i64, StoreError> {
        self.write(|t| {
            if let Some(old) = instead {
                t.execute("DELETE FROM checks WHERE id = ?1", [old])?;
            }
            let clock = check.instrument.clock;
            t.execute(
                "INSERT INTO checks (at, \"offset\", reference, clock, clock_se, humidity) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    millis(check.at),
                    check.offset.seconds(),
                    check.instrument.reference.hz().0,
                    clock.map(|clock| clock.ppm),
                    clock.map(|clock| clock.ppm_se),
                    check.humidity,
                ],
            )?;
            let id = t.last_insert_rowid();
            let mut insert = t.prepare(
                "INSERT INTO check_keys (\"check\", key, hz, cents_se, inharmonicity, inharmonicity_se, unison, unison_se,
                 unison_beats, remarks) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )?;
            for struck in check.instrument.keys.values() {
                let kept = Kept::from(struck);
                insert.execute(params![
                    id,
                    kept.key.0,
                    kept.first.0,
                    kept.first_se.0,
                    kept.inharmonicity,
                    kept.inharmonicity_se,
                    kept.unison.map(|u| u.spread.0),
                    kept.unison.map(|u| u.spread_se.0),
                    kept.unison.map(|u| u.beats),
                    struck.remarks.iter().fold(0, |sum, remark| sum | bit(*remark)),
                ])?;
            }
            let mut mute = t.prepare("INSERT INTO check_mute (\"check\", key) VALUES (?1, ?2)")?;
            for key in &check.instrument.mute {
                mute.execute(params![id, key.0])?;
            }
            Ok(id)
        })
    }

    /// The newest `most` checks, newest first.
    pub fn checks(&self, most: u32) -> Result<Vec<TuningCheck>, StoreError> {
        self.sql(|c| {
            let heads: Vec<(i64, Head)> = c
                .prepare(
                    "SELECT id, at, \"offset\", reference, clock, clock_se, humidity FROM checks ORDER BY id DESC LIMIT ?1",
                )?
                .query_map([most], read_head)?
                .collect::<rusqlite::Result<_>>()?;
            let mut keys = c.prepare(
                "SELECT key, hz, cents_se, inharmonicity, inharmonicity_se, unison, unison_se, unison_beats, remarks
                 FROM check_keys WHERE \"check\" = ?1 ORDER BY key",
            )?;
            let mut mute = c.prepare("SELECT key FROM check_mute WHERE \"check\" = ?1 ORDER BY key")?;
            let mut checks = Vec::with_capacity(heads.len());
            for (id, head) in heads {
                let kept: Vec<(Kept, i64)> = keys.query_map([id], read_key)?.collect::<rusqlite::Result<_>>()?;
                let mut check = head.with(kept);
                check.instrument.mute = mute
                    .query_map([id], |row| row.get(0).map(MidiNote))?
                    .collect::<rusqlite::Result<_>>()?;
                checks.push(check);
            }
            Ok(checks)
        })
    }

    /// Takes the newest check out of the record; whether there was one.
    pub fn forget_check(&mut self) -> Result<bool, StoreError> {
        let gone = self.write(|t| {
            t.execute(
                "DELETE FROM checks WHERE id = (SELECT max(id) FROM checks)",
                [],
            )
        })?;
        Ok(gone > 0)
    }
}

struct Head {
    at: Timestamp,
    offset: Offset,
    reference: Reference,
    clock: Option<ClockError>,
    humidity: Option<f64>,
}

impl Head {
    fn with(self, keys: Vec<(Kept, i64)>) -> TuningCheck {
        let mut instrument = Instrument::new(self.reference);
        instrument.clock = self.clock;
        for (key, bits) in keys {
            let mut struck = key.struck(self.reference);
            struck.remarks = remarks(bits, key.unison);
            instrument.add(struck);
        }
        TuningCheck {
            at: self.at,
            offset: self.offset,
            humidity: self.humidity,
            instrument,
        }
    }
}

fn read_head(row: &Row) -> rusqlite::Result<(i64, Head)> {
    let (ppm, ppm_se): (Option<f64>, Option<f64>) = (row.get(4)?, row.get(5)?);
    let head = Head {
        at: from_millis(row.get(1)?),
        offset: Offset::from_seconds(row.get(2)?).unwrap_or(Offset::UTC),
        reference: Reference::new(row.get(3)?).unwrap_or_default(),
        clock: ppm
            .zip(ppm_se)
            .map(|(ppm, ppm_se)| ClockError { ppm, ppm_se }),
        humidity: row.get(6)?,
    };
    Ok((row.get(0)?, head))
}

/// Remarks that are kept, in the order in which they are made. That strings disagree stands in its own columns.
const REMARKS: [(i64, Remark); 6] = [
    (1, Remark::Soft),
    (2, Remark::Brief),
    (4, Remark::FewPartials),
    (8, Remark::FalseBeat),
    (16, Remark::Clipped),
    (32, Remark::OverAnother),
];

/// What a remark is kept as: a power of two, or 0.
fn bit(remark: Remark) -> i64 {
    let kept = REMARKS.iter().find(|(_, kept)| *kept == remark);
    kept.map_or(0, |(bit, _)| *bit)
}

/// The remarks of which `bits` are kept about a key with this `unison`.
fn remarks(bits: i64, unison: Option<Unison>) -> Vec<Remark> {
    let kept = |(bit, remark): &(i64, Remark)| (bits & bit != 0).then_some(*remark);
    let (before, after) = REMARKS.split_at(3);
    let unison = unison.map(|unison| Remark::Unison(unison.spread));
    let all = before.iter().filter_map(kept).chain(unison);
    all.chain(after.iter().filter_map(kept)).collect()
}

fn read_key(row: &Row) -> rusqlite::Result<(Kept, i64)> {
    let spread: Option<f64> = row.get(5)?;
    let spread_se: Option<f64> = row.get(6)?;
    let beats: Option<f64> = row.get(7)?;
    let kept = Kept {
        key: MidiNote(row.get(0)?),
        first: Hz(row.get(1)?),
        first_se: Cents(row.get(2)?),
        inharmonicity: row.get(3)?,
        inharmonicity_se: row.get(4)?,
        unison: spread
            .zip(spread_se)
            .zip(beats)
            .map(|((spread, spread_se), beats)| Unison {
                spread: Cents(spread),
                spread_se: Cents(spread_se),
                beats,
            }),
    };
    Ok((kept, row.get(8)?))
}
