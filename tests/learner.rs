//! The promises of the choice and of *settled*, on scripted learners.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{HashMap, HashSet};

use jiff::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stavelark::study::{Chooser, Course, Item, Outcome};

/// Others between a miss and its return, as the program promises.
const RETURN: std::ops::RangeInclusive<usize> = 2..=5;

fn start() -> Timestamp {
    "2026-03-02T17:00:00Z".parse().unwrap()
}

fn stage_items(id: &str) -> Vec<Item> {
    let course = Course::built_in("groundwork").unwrap();
    course.stage(id).unwrap().items()
}

/// One prompt of a simulated sitting.
#[derive(Debug, Clone, Copy)]
struct Shown {
    item: Item,
    right: bool,
    open: usize,
}

/// A simulated sitting: `ability` gives an item's share right and its response time.
fn sit(
    chooser: &mut Chooser,
    prompts: usize,
    seed: u64,
    ability: impl Fn(Item) -> (f64, u32),
) -> Vec<Shown> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..prompts)
        .map(|_| {
            let item = chooser.next_item().unwrap();
            let (share, ms) = ability(item);
            let right = rng.random_bool(share);
            let outcome = if right {
                Outcome::Right
            } else {
                Outcome::Wrong
            };
            chooser.record(&item, outcome, Some(ms));
            let open = chooser.open().len();
            Shown { item, right, open }
        })
        .collect()
}

fn fresh(id: &str, seed: u64) -> Chooser {
    Chooser::new(&stage_items(id), &[], start(), 600, seed)
}

#[test]
fn the_same_item_never_comes_twice_running() {
    for share in [0.0, 0.3, 0.8, 1.0] {
        for count in [2, 3, 5, 24] {
            let items = &stage_items("both")[..count];
            let mut chooser = Chooser::new(items, &[], start(), 600, 1);
            let shown = sit(&mut chooser, 500, 2, |_| (share, 1500));
            for pair in shown.windows(2) {
                assert_ne!(pair[0].item, pair[1].item, "{share} of {count}");
            }
        }
    }
    let mut lone = Chooser::new(&stage_items("both")[..1], &[], start(), 600, 1);
    assert_eq!(sit(&mut lone, 3, 2, |_| (1.0, 900)).len(), 3);
    assert_eq!(Chooser::new(&[], &[], start(), 600, 1).next_item(), None);
}

#[test]
fn a_missed_item_returns_after_two_to_five_others() {
    for (stage, share) in [("both", 0.5), ("both", 0.85), ("all", 0.7), ("all", 0.95)] {
        for seed in 0..10 {
            let shown = sit(&mut fresh(stage, seed), 600, seed, |_| (share, 1500));
            let mut misses = 0;
            for (place, prompt) in shown[..590].iter().enumerate() {
                if prompt.right {
                    continue;
                }
                misses += 1;
                let others = shown[place + 1..]
                    .iter()
                    .position(|later| later.item == prompt.item);
                assert!(
                    others.is_some_and(|n| RETURN.contains(&n)),
                    "{stage} {share} seed {seed}: {others:?} others"
                );
            }
            assert!(misses > 5);
        }
    }
}

#[test]
fn nothing_open_waits_longer_than_four_times_the_open_items() {
    // Half of the items are fluent and half slow, so that the fluent ones would starve by score alone.
    for (stage, share) in [("treble", 0.9), ("both", 0.5), ("both", 0.95), ("all", 0.8)] {
        for seed in 0..4 {
            let mut chooser = fresh(stage, seed);
            let shown = sit(&mut chooser, 1500, seed, |item| {
                if item.pitch.diatonic() % 2 == 0 {
                    (1.0, 700)
                } else {
                    (share, 3000)
                }
            });
            let mut last: HashMap<Item, usize> = HashMap::new();
            for (place, prompt) in shown.iter().enumerate() {
                last.insert(prompt.item, place);
                for (item, since) in &last {
                    let wait = place - since;
                    assert!(wait <= 4 * prompt.open, "{stage} {seed} {item}: {wait}");
                }
            }
            assert_eq!(last.len(), chooser.open().len());
        }
    }
}

#[test]
fn whoever_misses_everything_still_meets_every_open_item() {
    let mut chooser = fresh("both", 3);
    let shown = sit(&mut chooser, 600, 3, |_| (0.0, 3000));
    let met: HashSet<Item> = shown.iter().map(|s| s.item).collect();
    assert_eq!(met.len(), chooser.open().len());
}

#[test]
fn missed_and_slow_items_come_more_often() {
    let weak: Item = "D4@treble".parse().unwrap();
    let slow: Item = "B4@treble".parse().unwrap();
    let mut counts: HashMap<Item, usize> = HashMap::new();
    for seed in 0..10 {
        let shown = sit(&mut fresh("treble", seed), 300, seed, |item| {
            if item == weak {
                (0.5, 1200)
            } else if item == slow {
                (1.0, 3000)
            } else {
                (1.0, 800)
            }
        });
        for prompt in shown {
            *counts.entry(prompt.item).or_default() += 1;
        }
    }
    let others: usize = counts
        .iter()
        .filter(|(i, _)| **i != weak && **i != slow)
        .map(|(_, n)| n)
        .sum();
    let usual = others / 10;
    assert!(
        counts[&weak] > 3 * usual / 2,
        "{} against {usual}",
        counts[&weak]
    );
    assert!(
        counts[&slow] > 3 * usual / 2,
        "{} against {usual}",
        counts[&slow]
    );
}

#[test]
fn the_same_seed_and_answers_choose_the_same_items() {
    let items = |seed| -> Vec<Item> {
        let shown = sit(&mut fresh("all", seed), 200, 9, |_| (0.8, 1500));
        shown.into_iter().map(|s| s.item).collect()
    };
    assert_eq!(items(7), items(7));
    assert_ne!(items(7), items(8));
}

#[test]
fn new_items_open_a_few_at_a_time_and_landmarks_first() {
    let mut chooser = fresh("all", 1);
    chooser.next_item().unwrap();
    let first = chooser.open().len();
    assert!((8..=60).contains(&first), "{first}");
    let names: Vec<String> = chooser.open().iter().map(Item::to_string).collect();
    for landmark in ["C4@treble", "G4@treble", "C5@treble", "F3@bass", "C3@bass"] {
        assert!(names[..12].contains(&landmark.to_owned()), "{names:?}");
    }
    assert!(names.iter().all(|name| !name.contains('#')), "{names:?}");
    // What is known opens the way for more.
    sit(&mut chooser, 400, 1, |_| (1.0, 700));
    assert!(chooser.open().len() > first + 20);
}
