//! Days kept: what clocks, zones, midnight and a second program may do to a day mark. The rule is common practice
//! (one mark a practice day); zone facts are the IANA time zone database's.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::process::{Command, Stdio};
use std::sync::Barrier;

use jiff::civil::date;
use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp, ToSpan};
use proptest::prelude::*;
use stavelark::shell::paths::Paths;
use stavelark::shell::store::{NewSitting, Store};
use stavelark::study::{
    Advance, Answer, AnswerWay, Block, Course, Doubt, Item, Ledger, Mark, MarkVerdict, Outcome,
    Phrases, Practised, PromptKind, ROLLOVER_HOUR, Stage, StageKind, doubts, earn, practice_day,
    standing,
};

/// Enough practice for any stage here.
const ENOUGH: Practised = Practised {
    active_ms: 3 * 60_000,
    answers: 30,
};

fn stage(id: &str) -> Stage {
    let item: Item = "C4@treble".parse().unwrap();
    Stage {
        id: id.to_owned(),
        name: id.to_owned(),
        kind: StageKind::Notes,
        blocks: vec![Block { items: vec![item] }],
        days: 2,
        minutes: 3,
        least_answers: 30,
        advance: Advance::Days,
        groups: None,
        tasks: Vec::new(),
        fluent_ms: 800,
    }
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

fn utc(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// A learner who always practises enough.
#[derive(Default)]
struct Diary {
    ledger: Ledger,
}

impl Diary {
    /// A sitting that begins and ends at `now` in `zone`.
    fn practise(&mut self, now: Timestamp, zone: &TimeZone) -> MarkVerdict {
        let day = practice_day(now, zone, ROLLOVER_HOUR);
        self.practise_on(day, now, zone)
    }

    fn practise_on(
        &mut self,
        day: jiff::civil::Date,
        now: Timestamp,
        zone: &TimeZone,
    ) -> MarkVerdict {
        self.ledger.practised_since.push(day);
        let offset = zone.to_offset(now);
        let verdict = earn(&stage("treble"), ENOUGH, day, now, offset, &self.ledger);
        if let MarkVerdict::Earned(mark) = &verdict {
            self.ledger.marks.push(mark.clone());
            self.ledger.practised_since.clear();
        }
        verdict
    }

    fn earns(&mut self, now: &str, zone: &TimeZone) -> bool {
        matches!(self.practise(utc(now), zone), MarkVerdict::Earned(_))
    }
}

#[test]
fn a_practice_day_lasts_from_four_to_four() {
    let berlin = zone("Europe/Berlin");
    let day = |text| practice_day(utc(text), &berlin, ROLLOVER_HOUR);
    assert_eq!(day("2026-06-10T23:59:00+02:00"), date(2026, 6, 10));
    assert_eq!(day("2026-06-11T00:00:00+02:00"), date(2026, 6, 10));
    assert_eq!(day("2026-06-11T03:59:59+02:00"), date(2026, 6, 10));
    assert_eq!(day("2026-06-11T04:00:00+02:00"), date(2026, 6, 11));
    let midnight = |text| practice_day(utc(text), &berlin, 0);
    assert_eq!(midnight("2026-06-11T00:00:00+02:00"), date(2026, 6, 11));
}

#[test]
fn every_practice_day_of_a_year_is_met_once_and_in_order_in_every_zone_with_clock_changes() {
    // IANA: Berlin and New York change by an hour, Lord Howe by half an hour, Kathmandu not at all.
    for name in [
        "Europe/Berlin",
        "America/New_York",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
    ] {
        let zone = zone(name);
        let mut days = Vec::new();
        for quarters in 0..365 * 24 * 4 {
            let at = utc("2026-01-01T12:00:00Z") + (15 * quarters).minutes();
            days.push(practice_day(at, &zone, ROLLOVER_HOUR));
        }
        days.dedup();
        for (before, after) in days.iter().zip(&days[1..]) {
            assert_eq!(before.tomorrow().unwrap(), *after, "{name}");
        }
    }
}

#[test]
fn a_mark_takes_the_minutes_and_the_answers() {
    let now = utc("2026-03-02T17:00:00Z");
    let ask = |practised| {
        let day = date(2026, 3, 2);
        earn(
            &stage("treble"),
            practised,
            day,
            now,
            Offset::UTC,
            &Ledger::default(),
        )
    };
    let lacking = |active_ms, answers| MarkVerdict::NotYet { active_ms, answers };
    assert_eq!(ask(Practised::default()), lacking(180_000, 30));
    assert_eq!(
        ask(Practised {
            active_ms: 179_999,
            ..ENOUGH
        }),
        lacking(1, 0)
    );
    assert_eq!(
        ask(Practised {
            answers: 29,
            ..ENOUGH
        }),
        lacking(0, 1)
    );
    assert!(matches!(ask(ENOUGH), MarkVerdict::Earned(_)));
}

#[test]
fn a_day_gives_one_mark_and_the_next_day_another() {
    let berlin = zone("Europe/Berlin");
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T10:00:00+01:00", &berlin));
    assert_eq!(
        diary.practise(utc("2026-03-02T19:00:00+01:00"), &berlin),
        MarkVerdict::AlreadyToday
    );
    assert!(diary.earns("2026-03-03T10:00:00+01:00", &berlin));
}

#[test]
fn a_late_evening_and_an_early_morning_are_six_hours_apart_or_one_mark() {
    let berlin = zone("Europe/Berlin");
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-03T01:00:00+01:00", &berlin));
    assert_eq!(
        diary.practise(utc("2026-03-03T06:59:59+01:00"), &berlin),
        MarkVerdict::TooSoon {
            until: utc("2026-03-03T07:00:00+01:00")
        }
    );
    assert!(diary.earns("2026-03-03T07:00:00+01:00", &berlin));
}

#[test]
fn midnight_and_four_in_the_morning_take_nothing_from_a_sitting() {
    // The sitting's day is that of its beginning, so what it earns after four belongs to the evening before.
    let berlin = zone("Europe/Berlin");
    for (begins, ends) in [
        ("2026-03-02T23:58:30+01:00", "2026-03-03T00:01:30+01:00"),
        ("2026-03-03T03:58:30+01:00", "2026-03-03T04:01:30+01:00"),
    ] {
        let mut diary = Diary::default();
        let day = practice_day(utc(begins), &berlin, ROLLOVER_HOUR);
        let MarkVerdict::Earned(mark) = diary.practise_on(day, utc(ends), &berlin) else {
            panic!("the mark of {begins} is lost");
        };
        assert_eq!(mark.day, date(2026, 3, 2));
        // The new day's mark is not taken either.
        assert!(diary.earns("2026-03-03T17:00:00+01:00", &berlin));
    }
}

#[test]
fn clock_changes_in_spring_and_autumn_neither_lose_nor_double_a_mark() {
    // IANA Europe/Berlin: 02:00 to 03:00 on 2026-03-29, 03:00 back to 02:00 on 2026-10-25.
    let berlin = zone("Europe/Berlin");
    for days in [
        [
            "2026-03-28T22:30:00+01:00",
            "2026-03-29T22:30:00+02:00",
            "2026-03-30T22:30:00+02:00",
        ],
        [
            "2026-10-24T22:30:00+02:00",
            "2026-10-25T22:30:00+01:00",
            "2026-10-26T22:30:00+01:00",
        ],
        // 02:30 exists twice; both belong to the evening before.
        [
            "2026-10-24T02:30:00+02:00",
            "2026-10-25T02:30:00+02:00",
            "2026-10-25T22:30:00+01:00",
        ],
    ] {
        let mut diary = Diary::default();
        for day in days {
            assert!(diary.earns(day, &berlin), "{day}");
        }
    }
    let mut diary = Diary::default();
    assert!(diary.earns("2026-10-25T02:30:00+02:00", &berlin));
    assert!(!diary.earns("2026-10-25T02:30:00+01:00", &berlin));
}

#[test]
fn a_flight_neither_loses_nor_doubles_a_mark() {
    let (auckland, honolulu) = (zone("Pacific/Auckland"), zone("Pacific/Honolulu"));
    // East over the date line: Tuesday is met twice and marked once.
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-03T09:00:00+13:00", &auckland));
    assert!(!diary.earns("2026-03-03T09:00:00-10:00", &honolulu));
    assert!(diary.earns("2026-03-04T09:00:00-10:00", &honolulu));
    // The same flight of someone whose Monday had no mark: the hours have passed, Monday is met again and is marked.
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-03T09:00:00+13:00", &auckland));
    assert!(diary.earns("2026-03-02T20:00:00-10:00", &honolulu));
    // West over the date line: a day is skipped and nothing is asked for it.
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T09:00:00-10:00", &honolulu));
    assert!(diary.earns("2026-03-04T09:00:00+13:00", &auckland));
}

#[test]
fn a_civil_day_met_twice_gives_one_mark_and_a_skipped_one_none() {
    // IANA Pacific/Apia: 4 July 1892 came twice; 30 December 2011 never came.
    let apia = zone("Pacific/Apia");
    let noons = |from: &str, count: i64| {
        let from = utc(from);
        (0..count).map(move |day| from + (24 * day).hours())
    };
    let mut diary = Diary::default();
    let days: Vec<_> = noons("1892-07-03T00:00:00Z", 4)
        .map(|at| practice_day(at, &apia, ROLLOVER_HOUR))
        .collect();
    assert_eq!(days[1], days[2], "the day that came twice");
    let earned = noons("1892-07-03T00:00:00Z", 4)
        .filter(|at| matches!(diary.practise(*at, &apia), MarkVerdict::Earned(_)))
        .count();
    assert_eq!(earned, 3);

    let mut diary = Diary::default();
    let earned = noons("2011-12-29T00:00:00Z", 4)
        .filter(|at| matches!(diary.practise(*at, &apia), MarkVerdict::Earned(_)))
        .count();
    assert_eq!(earned, 4);
    assert!(
        diary
            .ledger
            .marks
            .iter()
            .all(|m| m.day != date(2011, 12, 30))
    );
}

#[test]
fn earlier_days_cannot_be_filled_in_and_the_clock_set_right_goes_on() {
    let zone = TimeZone::UTC;
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T17:00:00Z", &zone));
    assert!(diary.earns("2026-03-05T17:00:00Z", &zone));
    assert_eq!(
        diary.practise(utc("2026-03-04T17:00:00Z"), &zone),
        MarkVerdict::ClockBehind {
            last: utc("2026-03-05T17:00:00Z")
        }
    );
    assert!(!diary.earns("2026-03-01T17:00:00Z", &zone));
    assert!(!diary.earns("2026-03-05T20:00:00Z", &zone));
    assert!(diary.earns("2026-03-06T17:00:00Z", &zone));
    let now = utc("2026-03-06T18:00:00Z");
    assert_eq!(doubts(&diary.ledger.marks, now), [Doubt::None; 3]);
}

#[test]
fn a_clock_that_ran_a_year_ahead_costs_no_later_mark_and_is_shown() {
    let zone = TimeZone::UTC;
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T17:00:00Z", &zone));
    assert!(diary.earns("2027-03-03T17:00:00Z", &zone));
    let now = utc("2026-03-04T17:00:00Z");
    assert_eq!(
        doubts(&diary.ledger.marks, now),
        [Doubt::None, Doubt::Future]
    );
    for day in ["2026-03-04T17:00:00Z", "2026-03-05T17:00:00Z"] {
        assert!(diary.earns(day, &zone), "{day}");
    }
    let later = utc("2028-01-01T17:00:00Z");
    assert_eq!(
        doubts(&diary.ledger.marks, later),
        [Doubt::None, Doubt::OutOfOrder, Doubt::None, Doubt::None]
    );
}

#[test]
fn a_clock_that_ran_three_days_ahead_costs_one_mark_at_most() {
    // Nobody can tell it from a clock that was put back, until practice goes on for another day.
    let zone = TimeZone::UTC;
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T17:00:00Z", &zone));
    assert!(diary.earns("2026-03-06T17:00:00Z", &zone));
    assert!(!diary.earns("2026-03-03T17:00:00Z", &zone));
    assert!(diary.earns("2026-03-04T17:00:00Z", &zone));
    assert!(diary.earns("2026-03-05T17:00:00Z", &zone));
    assert!(!diary.earns("2026-03-06T17:00:00Z", &zone));
    assert!(diary.earns("2026-03-07T17:00:00Z", &zone));
}

#[test]
fn a_clock_that_starts_at_the_beginning_of_its_time_still_earns_a_mark() {
    let zone = TimeZone::UTC;
    let mut diary = Diary::default();
    assert!(diary.earns("2026-03-02T17:00:00Z", &zone));
    assert!(diary.earns("2000-01-01T00:03:00Z", &zone));
    assert!(diary.earns("2026-03-04T17:00:00Z", &zone));
    let now = utc("2026-03-04T18:00:00Z");
    assert_eq!(
        doubts(&diary.ledger.marks, now),
        [Doubt::None, Doubt::OutOfOrder, Doubt::None]
    );
}

proptest! {
    #[test]
    fn whatever_the_clock_does_no_day_is_marked_twice_and_no_two_marks_are_near(
        jumps in prop::collection::vec((-100_i64..140, 0_usize..3), 1..60)
    ) {
        let zones = [zone("Europe/Berlin"), zone("Pacific/Auckland"), zone("Pacific/Honolulu")];
        let mut diary = Diary::default();
        let mut now = utc("2026-03-02T17:00:00Z");
        for (hours, place) in jumps {
            now += hours.hours();
            diary.practise(now, &zones[place]);
        }
        let marks = &diary.ledger.marks;
        for (place, mark) in marks.iter().enumerate() {
            for other in &marks[..place] {
                prop_assert_ne!(mark.day, other.day);
                let apart = mark.at.duration_until(other.at).abs();
                prop_assert!(apart >= SignedDuration::from_hours(6));
            }
        }
    }

    #[test]
    fn a_clock_that_is_never_touched_earns_a_mark_on_every_practice_day(
        hours in prop::collection::vec(7_i64..21, 1..60)
    ) {
        let berlin = zone("Europe/Berlin");
        let mut diary = Diary::default();
        for (day, hour) in (0..).zip(&hours) {
            let local = date(2026, 3, 1).checked_add(i64::from(day).days()).unwrap().at(*hour as i8, 0, 0, 0);
            let now = berlin.to_timestamp(local).unwrap();
            prop_assert!(matches!(diary.practise(now, &berlin), MarkVerdict::Earned(_)));
        }
    }
}

fn mark(stage: &str, day: i8) -> Mark {
    Mark {
        day: date(2026, 3, day),
        stage: stage.to_owned(),
        at: utc("2026-03-01T17:00:00Z") + (24 * i64::from(day)).hours(),
        offset: Offset::UTC,
    }
}

#[test]
fn an_edited_course_keeps_the_marks_of_its_stages() {
    let course = |stages: &[(&str, u32)]| {
        let mut text = "schema = 1\nid = \"mine\"\n".to_owned();
        for (id, days) in stages {
            text += &format!(
                "[[stage]]\nid = \"{id}\"\ndays = {days}\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"C4\"\nto = \"G4\"\n"
            );
        }
        Course::parse("mine.toml", &text).unwrap()
    };
    let marks = [mark("a", 1), mark("a", 2), mark("b", 3)];
    let stands = |stages: &[(&str, u32)]| {
        let course = course(stages);
        let standing = standing(&course, &marks, |_| true);
        (
            standing.stage.map(|s| course.stages[s].id.clone()),
            standing.marks,
        )
    };
    let at = |id: &str, marks| (Some(id.to_owned()), marks);
    assert_eq!(stands(&[("a", 2), ("b", 2)]), at("b", 1));
    // Moved, renamed in name alone, put in between, taken out, made longer, made shorter.
    assert_eq!(stands(&[("b", 2), ("a", 2)]), at("b", 1));
    assert_eq!(stands(&[("a", 2), ("new", 1), ("b", 2)]), at("new", 0));
    assert_eq!(stands(&[("b", 2)]), at("b", 1));
    assert_eq!(stands(&[("a", 3), ("b", 2)]), at("a", 2));
    assert_eq!(stands(&[("a", 1), ("b", 1)]), (None, 0));
}

#[test]
fn a_stage_that_asks_for_settled_items_waits_for_them() {
    let mut waiting = stage("a");
    waiting.advance = Advance::DaysAndSettled;
    let course = Course {
        id: "mine".to_owned(),
        name: "Mine".to_owned(),
        enter: None,
        phrases: Phrases::default(),
        stages: vec![waiting, stage("b")],
    };
    let marks = [mark("a", 1), mark("a", 2)];
    assert_eq!(standing(&course, &marks, |_| false).stage, Some(0));
    assert_eq!(standing(&course, &marks, |_| true).stage, Some(1));
}

/// Asks for today's mark through `store`, as a program does after an answer.
fn ask(store: &mut Store, name: &str) -> MarkVerdict {
    let learner = store.learner(name).unwrap().id;
    let now = utc("2026-03-02T17:00:00Z");
    let day = date(2026, 3, 2);
    store
        .keep_mark(learner, |ledger| {
            earn(&stage("treble"), ENOUGH, day, now, Offset::UTC, ledger)
        })
        .unwrap()
}

#[test]
fn two_programs_at_once_in_one_process_earn_one_mark() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let mut store = Store::open(&paths).unwrap();
    for round in 0..20 {
        let name = format!("Wren {round}");
        let learner = store
            .add_learner(&name, utc("2026-03-02T16:00:00Z"))
            .unwrap()
            .id;
        let barrier = Barrier::new(4);
        let verdicts: Vec<MarkVerdict> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..4)
                .map(|_| {
                    scope.spawn(|| {
                        let mut store = Store::open(&paths).unwrap();
                        barrier.wait();
                        ask(&mut store, &name)
                    })
                })
                .collect();
            threads.into_iter().map(|t| t.join().unwrap()).collect()
        });
        let earned = verdicts
            .iter()
            .filter(|v| matches!(v, MarkVerdict::Earned(_)));
        assert_eq!(earned.count(), 1);
        let refused = verdicts.iter().filter(|v| **v == MarkVerdict::AlreadyToday);
        assert_eq!(refused.count(), 3);
        assert_eq!(store.marks(learner).unwrap().len(), 1);
    }
}

const HOME: &str = "STAVELARK_MARKS_TEST_HOME";

#[test]
#[ignore = "is the second program of the next test"]
fn another_program_asks_for_the_mark() {
    let home = std::env::var_os(HOME).unwrap_or_else(|| panic!("{HOME} names the store's folder"));
    let mut store = Store::open(&Paths::in_folder(home.as_ref())).unwrap();
    let verdict = ask(&mut store, "Wren");
    assert!(matches!(verdict, MarkVerdict::Earned(_)), "{verdict:?}");
}

#[test]
fn two_processes_at_once_earn_one_mark() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&Paths::in_folder(folder.path())).unwrap();
    let learner = store
        .add_learner("Wren", utc("2026-03-02T16:00:00Z"))
        .unwrap()
        .id;
    let programs: Vec<_> = (0..4)
        .map(|_| {
            Command::new(std::env::current_exe().unwrap())
                .args(["--exact", "another_program_asks_for_the_mark", "--ignored"])
                .env(HOME, folder.path())
                .stdout(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    let outputs: Vec<String> = programs
        .into_iter()
        .map(|program| String::from_utf8(program.wait_with_output().unwrap().stdout).unwrap())
        .collect();
    let ran = outputs
        .iter()
        .filter(|text| text.contains("running 1 test"));
    assert_eq!(ran.count(), 4);
    let earned = outputs
        .iter()
        .filter(|text| text.contains("1 passed"))
        .count();
    let refused = outputs.iter().filter(|text| text.contains("AlreadyToday"));
    assert_eq!(refused.count(), 3);
    assert_eq!(earned, 1);
    assert_eq!(store.marks(learner).unwrap().len(), 1);
}

#[test]
fn answers_and_sittings_of_a_day_add_up_to_its_mark() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&Paths::in_folder(folder.path())).unwrap();
    let learner = store
        .add_learner("Wren", utc("2026-03-02T16:00:00Z"))
        .unwrap()
        .id;
    let day = date(2026, 3, 2);
    let mut now = utc("2026-03-02T17:00:00Z");
    let mut verdict = None;
    for part in 0..2 {
        let sitting = NewSitting {
            stage: "treble".to_owned(),
            day,
            started: now,
            offset: Offset::UTC,
            seed: part,
        };
        let sitting = store.begin_sitting(learner, &sitting).unwrap();
        for _ in 0..18 {
            now += 5.seconds();
            let answer = Answer {
                at: now,
                stage: "treble".into(),
                item: "C4@treble".parse().unwrap(),
                prompt: PromptKind::Eye,
                way: AnswerWay::Letters,
                given: Some("C4".parse().unwrap()),
                outcome: Outcome::Right,
                response_ms: Some(4000),
                attempt: 1,
                active_ms: 5000,
            };
            store.save_answer(sitting, &answer).unwrap();
        }
        let practised = store.practised(learner, "treble", day).unwrap();
        verdict = Some(
            store
                .keep_mark(learner, |ledger| {
                    earn(&stage("treble"), practised, day, now, Offset::UTC, ledger)
                })
                .unwrap(),
        );
        if part == 0 {
            let lacking = MarkVerdict::NotYet {
                active_ms: 90_000,
                answers: 12,
            };
            assert_eq!(verdict, Some(lacking));
        }
    }
    assert!(matches!(verdict, Some(MarkVerdict::Earned(_))));
}
