//! The days kept: practice days, day marks, and where a learner stands in a course.
//! In: instants, zones, answers counted and marks kept. Out: verdicts and places. No clock is read here.
//! Source: common practice; the figures (04:00, 6 h, 31 days) are ours and stated beside them.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use super::answer::{Answer, Outcome};
use super::course::{Advance, Course, Stage};

/// The hour at which a practice day begins: whoever practises after midnight is still at the evening before.
pub const ROLLOVER_HOUR: i8 = 4;
/// Two marked sittings lie at least this far apart, so that a late evening and an early morning are not two days.
pub const REST: SignedDuration = SignedDuration::from_hours(6);
/// A clock that stands further than this before the last mark is taken to be right and that mark ahead of its time.
/// A month covers a wrongly typed day or month; a flat battery or a wrong year is far beyond it.
pub const DOUBT: SignedDuration = SignedDuration::from_hours(31 * 24);

/// The practice day of an instant: the local date, of the day before until `rollover_hour`.
pub fn practice_day(at: Timestamp, zone: &TimeZone, rollover_hour: i8) -> Date {
    let local = zone.to_datetime(at);
    if local.hour() < rollover_hour {
        local.date().yesterday().unwrap_or(local.date())
    } else {
        local.date()
    }
}

/// The part of a time from a prompt to the next that counts as practice.
pub fn active_ms(elapsed_ms: u64, cap_ms: u32) -> u32 {
    u32::try_from(elapsed_ms).unwrap_or(u32::MAX).min(cap_ms)
}

/// Proof that a stage was practised long enough on one practice day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// The practice day, one mark each.
    pub day: Date,
    /// The id of the stage.
    pub stage: String,
    /// When it was earned.
    pub at: Timestamp,
    /// The local clock's offset then.
    pub offset: Offset,
}

/// What was done on one stage on one practice day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Practised {
    /// Active time.
    pub active_ms: u64,
    /// Prompts answered.
    pub answers: u32,
}

/// The practice days on which anything was answered, with what was practised, oldest first. What was `taken_back` (the
/// practice day and active time of each, ms) took its time, and is no answer.
pub fn practised_days(
    answers: &[(Date, Answer)],
    taken_back: &[(Date, u32)],
) -> Vec<(Date, Practised)> {
    let mut days: BTreeMap<Date, Practised> = BTreeMap::new();
    for same_day in answers.chunk_by(|a, b| a.0 == b.0) {
        let day = days.entry(same_day[0].0).or_default();
        for (_, answer) in same_day {
            day.active_ms += u64::from(answer.active_ms);
            let counts = answer.attempt == 1 && answer.outcome != Outcome::NotSure;
            day.answers += u32::from(counts);
        }
    }
    for (day, active_ms) in taken_back {
        days.entry(*day).or_default().active_ms += u64::from(*active_ms);
    }
    days.into_iter().collect()
}

/// What is known when a mark is asked for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Ledger {
    /// All marks of the learner, in the order in which they were recorded (not of their dates).
    pub marks: Vec<Mark>,
    /// Practice days on which answers were recorded after the last recorded mark.
    pub practised_since: Vec<Date>,
}

/// Whether a mark is earned, and if not, what it lacks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MarkVerdict {
    /// Record it.
    Earned(Mark),
    /// Practice is lacking.
    NotYet {
        /// Active time still to come.
        active_ms: u64,
        /// Answers still to come.
        answers: u32,
    },
    /// This practice day has its mark.
    AlreadyToday,
    /// Less than [`REST`] after the last marked sitting.
    TooSoon {
        /// From then on.
        until: Timestamp,
    },
    /// The clock stands before the last mark: earlier days cannot be filled in.
    ClockBehind {
        /// When the last mark was earned, by the clock of that time.
        last: Timestamp,
    },
}

/// Decides whether `practised` on `stage` earns the mark of `day`.
///
/// `day` is the practice day on which the sitting began, so that 04:00 in its midst takes nothing from it.
///
/// A clock that was put back stands before the last mark and earns nothing until it has caught up, else one day would
/// give two marks. But the last mark may have been made by a clock that ran ahead; nobody can prove which. It is taken
/// to have been ahead when it is more than [`DOUBT`] away, or when practice went on for an earlier day already: then
/// the days are marked again and [`doubts`] shows the mark.
pub fn earn(
    stage: &Stage,
    practised: Practised,
    day: Date,
    now: Timestamp,
    offset: Offset,
    ledger: &Ledger,
) -> MarkVerdict {
    if ledger.marks.iter().any(|mark| mark.day == day) {
        return MarkVerdict::AlreadyToday;
    }
    let near = ledger
        .marks
        .iter()
        .filter(|mark| mark.at.duration_until(now).abs() < REST)
        .map(|mark| mark.at)
        .max();
    if let Some(last) = near {
        return MarkVerdict::TooSoon {
            until: last.saturating_add(REST).unwrap_or(Timestamp::MAX),
        };
    }
    // A mark after which one with an earlier date was recorded has been taken to be ahead already.
    let mut earliest_later = Timestamp::MAX;
    let mut last = None;
    for mark in ledger.marks.iter().rev() {
        if mark.at > now && mark.at < earliest_later {
            last = last.max(Some(mark.at));
        }
        earliest_later = earliest_later.min(mark.at);
    }
    if let Some(last) = last {
        let far = now.duration_until(last) > DOUBT;
        let went_on = ledger.practised_since.iter().any(|other| *other < day);
        if !far && !went_on {
            return MarkVerdict::ClockBehind { last };
        }
    }
    let asked_ms = u64::from(stage.minutes) * 60_000;
    if practised.active_ms < asked_ms || practised.answers < stage.least_answers {
        return MarkVerdict::NotYet {
            active_ms: asked_ms.saturating_sub(practised.active_ms),
            answers: stage.least_answers.saturating_sub(practised.answers),
        };
    }
    MarkVerdict::Earned(Mark {
        day,
        stage: stage.id.clone(),
        at: now,
        offset,
    })
}

/// How far a mark's date can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// Nothing speaks against it.
    None,
    /// It lies after now.
    Future,
    /// It does not fit into the order in which the marks were recorded: its clock was set wrong.
    OutOfOrder,
}

/// For each mark, in recorded order, whether its clock was set wrong. Such a mark counts, and is shown as such.
///
/// The longest run of marks whose dates rise in the order of recording, up to now, is believed; among equal ones that
/// with the smallest gaps.
pub fn doubts(marks: &[Mark], now: Timestamp) -> Vec<Doubt> {
    // For each mark and, last, for now: the length of the longest run that ends there, and the mark before it.
    let mut runs: Vec<(usize, Option<usize>)> = Vec::with_capacity(marks.len() + 1);
    for at in marks.iter().map(|mark| mark.at).chain([now]) {
        let before = (0..runs.len())
            .filter(|other| marks[*other].at <= at)
            .max_by_key(|other| (runs[*other].0, marks[*other].at));
        runs.push((before.map_or(1, |other| runs[other].0 + 1), before));
    }
    let mut doubts: Vec<Doubt> = marks
        .iter()
        .map(|mark| {
            if mark.at > now {
                Doubt::Future
            } else {
                Doubt::OutOfOrder
            }
        })
        .collect();
    let mut place = runs.last().and_then(|run| run.1);
    while let Some(believed) = place {
        doubts[believed] = Doubt::None;
        place = runs[believed].1;
    }
    doubts
}

/// Where a learner stands in a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// The current stage's place in the course; `None` when all are done.
    pub stage: Option<usize>,
    /// Its marks so far.
    pub marks: u32,
}

/// The first stage that is not done. Marks belong to stage ids, so an edited course keeps them; `settled` says whether
/// a stage's items are settled and is asked only where the course asks it.
pub fn standing(course: &Course, marks: &[Mark], settled: impl Fn(&Stage) -> bool) -> Standing {
    standing_from(course, 0, marks, settled)
}

/// The same for a learner who entered the course at its stage `from`: what comes before is taken as read.
pub fn standing_from(
    course: &Course,
    from: usize,
    marks: &[Mark],
    settled: impl Fn(&Stage) -> bool,
) -> Standing {
    let marks_of = |stage: &Stage| marks.iter().filter(|mark| mark.stage == stage.id).count();
    let open = (from..course.stages.len()).find(|place| {
        let stage = &course.stages[*place];
        marks_of(stage) < stage.days as usize
            || (stage.advance == Advance::DaysAndSettled && !settled(stage))
    });
    Standing {
        stage: open,
        marks: open.map_or(0, |place| marks_of(&course.stages[place]) as u32),
    }
}
