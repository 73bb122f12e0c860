//! How long the model takes: choosing among 200 items, rebuilding from 100,000 answers.

use std::hint::black_box;
use std::time::{Duration, Instant};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};
use stavelark::study::{
    Answer, AnswerWay, Chooser, Course, Item, LearnerModel, Outcome, Pool, PromptKind, Yardstick,
};

/// Prints the median time of each.
pub fn print() {
    println!("Speed (median of the runs)");
    println!("  choosing among 200 items: {:?}", choosing());
    for count in [10_000, 100_000] {
        println!("  rebuilding from {count} answers: {:?}", rebuilding(count));
    }
}

fn items() -> Vec<Item> {
    let course = Course::built_in("groundwork").expect("groundwork is built in");
    let mut items: Vec<Item> = course.stages.iter().flat_map(|s| s.items()).collect();
    items.sort();
    items.dedup();
    items.truncate(200);
    assert_eq!(items.len(), 200);
    items
}

/// A made-up response: slower for items further on, one in twelve wrong.
fn response(n: usize) -> (bool, u32) {
    (n % 12 != 5, 700 + ((n * 7919) % 1700) as u32)
}

fn choosing() -> Duration {
    let items = items();
    let today = Date::constant(2026, 3, 2);
    let mut model = LearnerModel::new(Yardstick::new(600));
    model.begin_day(today);
    let pool = Pool {
        items: &items,
        carried: &[],
    };
    let mut chooser = Chooser::with_model(pool, model, [], Timestamp::UNIX_EPOCH, 1);
    let mut times = Vec::new();
    for n in 0..8000 {
        let began = Instant::now();
        let item = black_box(chooser.next_item());
        times.push(began.elapsed());
        let (right, ms) = response(n);
        let outcome = if right {
            Outcome::Right
        } else {
            Outcome::Wrong
        };
        chooser.record(&item.expect("there are items"), outcome, Some(ms));
    }
    assert_eq!(chooser.open().len(), 200);
    middle(times.split_off(6000))
}

fn rebuilding(count: usize) -> Duration {
    let items = items();
    let start = Timestamp::UNIX_EPOCH;
    let first = Date::constant(2026, 3, 2);
    let a_day = 100;
    let answers: Vec<(Date, Answer)> = (0..count)
        .map(|n| {
            let day = first.saturating_add(((n / a_day) as i64).days());
            let (right, ms) = response(n);
            let answer = Answer {
                at: start + SignedDuration::from_secs(n as i64 * 3),
                stage: "all".into(),
                item: items[(n * 31 + n / 200) % items.len()],
                prompt: PromptKind::Eye,
                way: AnswerWay::Letters,
                given: None,
                outcome: if right {
                    Outcome::Right
                } else {
                    Outcome::Wrong
                },
                response_ms: Some(ms),
                attempt: 1,
                active_ms: ms,
            };
            (day, answer)
        })
        .collect();
    let today = answers
        .last()
        .map_or(first, |(day, _)| day.saturating_add(1.day()));
    let run = |_| {
        let began = Instant::now();
        let dated = answers.iter().map(|(day, answer)| (*day, answer));
        black_box(LearnerModel::rebuild(Yardstick::new(600), dated, today));
        began.elapsed()
    };
    middle((0..11).map(run).collect())
}

fn middle(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}
