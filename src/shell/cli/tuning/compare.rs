//! A check beside an earlier one: what moved as a whole, which keys moved against it, and what the season has to do with it.

use std::path::Path;

use anyhow::Context;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use serde_json::Value;

use crate::shell::store::TuningCheck;
use crate::signal::tuning::{Findings, Instrument};
use crate::theory::MidiNote;

/// Percent of humidity by which two rooms are alike.
const ALIKE_AIR: f64 = 5.0;

/// Keys named that moved against the whole.
const NAMED: usize = 3;

/// An earlier check, as far as it is compared.
pub(super) struct Earlier {
    name: String,
    day: Option<Date>,
    humidity: Option<f64>,
    reference: f64,
    offset: f64,
    cents: Vec<(i16, f64)>,
}

fn day_of(at: Timestamp, offset: Offset) -> Date {
    offset.to_datetime(at).date()
}

impl Earlier {
    /// From a file that was written with `--json`.
    pub(super) fn read(path: &Path) -> anyhow::Result<Earlier> {
        let name = path.display().to_string();
        let wrong = || format!("'{name}' is no earlier check: name a file kept with tuning --json");
        let text = std::fs::read_to_string(path).with_context(wrong)?;
        let value: Value = serde_json::from_str(&text).with_context(wrong)?;
        let number = |value: &Value| value.as_f64().with_context(wrong);
        let cents = value["keys"]
            .as_array()
            .with_context(wrong)?
            .iter()
            .map(|key| {
                let midi = key["midi"].as_i64().with_context(wrong)?;
                Ok((
                    i16::try_from(midi).with_context(wrong)?,
                    number(&key["cents"])?,
                ))
            })
            .collect::<anyhow::Result<Vec<(i16, f64)>>>()?;
        let at: Option<Timestamp> = value["at"].as_str().and_then(|at| at.parse().ok());
        Ok(Earlier {
            day: at.map(|at| day_of(at, Offset::UTC)),
            humidity: value["humidity_percent"].as_f64(),
            reference: number(&value["reference_hz"])?,
            offset: number(&value["summary"]["offset_cents"])?,
            name: format!("'{name}'"),
            cents,
        })
    }

    /// From the record.
    pub(super) fn of_check(check: &TuningCheck) -> Earlier {
        let instrument = &check.instrument;
        let day = day_of(check.at, check.offset);
        Earlier {
            name: format!("the check of {day}"),
            day: Some(day),
            humidity: check.humidity,
            reference: instrument.reference.hz().0,
            offset: instrument.findings().offset,
            cents: instrument
                .keys
                .iter()
                .map(|(key, struck)| (*key, struck.cents.0))
                .collect(),
        }
    }

    /// What moved since, and what the air has to do with it.
    pub(super) fn words(&self, now: &TuningCheck, findings: &Findings) -> String {
        let day = day_of(now.at, now.offset);
        format!(
            "Since {}: {} {}",
            self.name,
            self.moved(&now.instrument, findings),
            air(self.day.zip(Some(day)), self.humidity.zip(now.humidity))
        )
    }

    fn moved(&self, instrument: &Instrument, findings: &Findings) -> String {
        // Cents were counted from another reference.
        let moved = 1200.0 * (self.reference / instrument.reference.hz().0).log2();
        let whole = findings.offset - self.offset - moved;
        let mut changes: Vec<(i16, f64)> = self
            .cents
            .iter()
            .filter_map(|(key, before)| {
                let now = instrument.keys.get(key)?.cents.0;
                Some((*key, now - before - moved - whole))
            })
            .collect();
        changes.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        let most: Vec<String> = changes
            .iter()
            .take(NAMED)
            .map(|(key, change)| {
                let name = MidiNote(*key).spelled_with_sharps();
                format!("{name} {change:+.1}")
            })
            .collect();
        format!(
            "the whole moved by {whole:+.1} cents; most against it: {}.",
            if most.is_empty() {
                "no key in common".to_owned()
            } else {
                most.join(", ")
            }
        )
    }
}

/// What season and humidity say of a change between two days. That pianos rise in damp air and fall in dry, the middle
/// most, is common practice among technicians.
fn air(days: Option<(Date, Date)>, humidity: Option<(f64, f64)>) -> String {
    let by_hygrometer = humidity.map(|(before, now)| {
        let so = if (now - before).abs() <= ALIKE_AIR {
            "about as humid: the air is no reason for what moved"
        } else if now > before {
            "more humid, which lets the pitch rise"
        } else {
            "drier, which lets the pitch fall"
        };
        format!("The room was at {before:.0} % and is at {now:.0} %: {so}.")
    });
    let by_season = days.map(|(before, now)| {
        let apart = (i16::from(before.month()) - i16::from(now.month())).rem_euclid(12);
        if apart.min(12 - apart) <= 1 {
            "It is the same season, so the checks can be compared as they are."
        } else {
            "It is another season: wooden pianos rise in damp months and fall in dry ones, the middle by several cents; \
             compare like seasons before judging the strings."
        }
    });
    let said: Vec<String> = by_hygrometer
        .into_iter()
        .chain(by_season.map(str::to_owned))
        .collect();
    let first = if said.is_empty() {
        "Wooden pianos rise in damp months and fall in dry ones: compare like seasons.".to_owned()
    } else {
        said.join(" ")
    };
    format!("{first} Even air, between 40 and 60 % humid, keeps a piano in tune longest.")
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn season_and_air_are_named_as_far_as_they_are_known() {
        let spring = date(2026, 3, 20);
        let same = air(Some((date(2025, 4, 2), spring)), None);
        assert!(same.contains("same season"), "{same}");
        assert!(air(Some((date(2025, 12, 30), date(2026, 1, 4))), None).contains("same season"));
        let other = air(Some((date(2025, 9, 1), spring)), Some((62.0, 35.0)));
        assert!(
            other.contains("another season") && other.contains("drier"),
            "{other}"
        );
        assert!(air(None, Some((40.0, 55.0))).contains("more humid"));
        assert!(air(None, Some((40.0, 43.0))).contains("no reason"));
        assert!(air(None, None).contains("like seasons"));
    }
}
