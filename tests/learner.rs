//! The promises of the choice and of *settled*, on scripted learners.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{HashMap, HashSet};

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::Beta;
use statrs::statistics::Distribution;
use stavelark::study::{
    Answer, AnswerWay, Chooser, Course, Item, LearnerModel, Outcome, PromptKind, Verdict, Yardstick,
};

#[allow(dead_code)]
#[path = "../benches/learner/formulas.rs"]
mod formulas;

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
    // Plain notes about the staff come before sharps and flats.
    assert!(
        names[..28].iter().all(|name| !name.contains('#')),
        "{names:?}"
    );
    // What is known opens the way for more.
    sit(&mut chooser, 400, 1, |_| (1.0, 700));
    assert!(chooser.open().len() > first + 20);
}

fn day(n: i64) -> Date {
    Date::constant(2026, 3, 2).saturating_add(n.days())
}

fn answer(item: &str, right: bool, ms: Option<u32>) -> Answer {
    Answer {
        at: start(),
        stage: "treble".into(),
        item: item.parse().unwrap(),
        prompt: PromptKind::Eye,
        way: AnswerWay::Letters,
        given: None,
        outcome: if right {
            Outcome::Right
        } else {
            Outcome::Wrong
        },
        response_ms: ms,
        attempt: 1,
        active_ms: 1000,
    }
}

fn rebuilt(answers: &[(Date, Answer)], today: Date, timed: bool) -> LearnerModel {
    let mut yardstick = Yardstick::new(600);
    yardstick.timed = timed;
    let dated = answers.iter().map(|(day, answer)| (*day, answer));
    LearnerModel::rebuild(yardstick, dated, today)
}

/// `days` days of six answers an item, each within `ms`.
fn steady(items: &[&str], days: i64, ms: Option<u32>) -> Vec<(Date, Answer)> {
    let mut answers = Vec::new();
    for n in 0..days {
        for _ in 0..6 {
            for item in items {
                answers.push((day(n), answer(item, true, ms)));
            }
        }
    }
    answers
}

fn verdict(model: &LearnerModel, item: &str) -> Verdict {
    model.verdicts([&item.parse().unwrap()])[0]
}

#[test]
fn activation_and_spacing_agree_with_worked_values() {
    // Pavlik & Anderson 2005, Cognitive Science 29, 559: d_j = c·e^(m) + a with a 0.177, c 0.217, τ −0.704, s 0.255.
    // Worked by hand from the formulas.
    let near = |is: f64, should: f64, by: f64| assert!((is - should).abs() < by, "{is} {should}");
    near(
        formulas::strength([(0.0, 0.5)].into_iter(), 16.0).ln(),
        -1.3863,
        5e-5,
    );
    let of_two = |second: f64| {
        let first = formulas::decay(0.217, 0.0);
        near(first, 0.177, 1e-12);
        let sum = formulas::strength([(0.0, first)].into_iter(), second);
        [(0.0, first), (second, formulas::decay(0.217, sum))]
    };
    let massed = of_two(60.0);
    near(massed[1].1, 0.2821, 5e-5);
    let m = formulas::strength(massed.into_iter(), 1200.0).ln();
    near(m, -0.862, 5e-4);
    near(formulas::recall(m), 0.350, 5e-4);
    let spaced = formulas::strength(of_two(600.0).into_iter(), 1200.0).ln();
    near(formulas::recall(spaced), 0.493, 5e-4);
}

#[test]
fn simulated_times_have_the_moments_of_the_ex_gaussian() {
    // Mean μ+τ, variance σ²+τ², skew 2τ³/(σ²+τ²)^1.5 (Heathcote 1996): 800, 215.4, 1.602 for μ 600, σ 80, τ 200.
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let count = 400_000;
    let values: Vec<f64> = (0..count)
        .map(|_| 600.0 + formulas::ex_gaussian(&mut rng, 200.0))
        .collect();
    let n = f64::from(count);
    let mean = values.iter().sum::<f64>() / n;
    let moment = |power| values.iter().map(|v| (v - mean).powi(power)).sum::<f64>() / n;
    let deviation = moment(2).sqrt();
    let skew = moment(3) / deviation.powi(3);
    assert!((mean - 800.0).abs() < 1.5, "{mean}");
    assert!((deviation - 215.4).abs() < 1.5, "{deviation}");
    assert!((skew - 1.602).abs() < 0.05, "{skew}");
    let below = values
        .iter()
        .filter(|v| **v < 600.0 + 200.0 * formulas::median_of_unit());
    assert!((below.count() as f64 / n - 0.5).abs() < 0.003);
}

#[test]
fn accuracy_has_the_mean_and_deviation_of_a_beta_distribution() {
    // statrs 0.19, Beta.
    let mut model = LearnerModel::new(Yardstick::new(600));
    model.begin_day(day(0));
    let item: Item = "C4@treble".parse().unwrap();
    let (mut right, mut wrong, mut share) = (0.0, 0.0, (9.0, 10.0));
    for n in 0..12 {
        let is_right = n % 4 != 1;
        model.learn(item, is_right, Some(1000));
        right = 0.85 * right + f64::from(u8::from(is_right));
        wrong = 0.85 * wrong + f64::from(u8::from(!is_right));
        share = (
            0.99 * share.0 + f64::from(u8::from(is_right)),
            0.99 * share.1 + 1.0,
        );
        let prior = 4.0 * share.0 / share.1;
        let beta = Beta::new(right + prior, wrong + 4.0 - prior).unwrap();
        let (mean, deviation) = model.accuracy(&item).unwrap();
        assert!((mean - beta.mean().unwrap()).abs() < 1e-12);
        assert!((deviation - beta.std_dev().unwrap()).abs() < 1e-12);
    }
}

#[test]
fn an_exponential_practice_curve_is_recovered_from_its_series() {
    // RT = A + B·e^(−kN), Heathcote, Brown & Mewhort 2000: simulated series with ex-Gaussian noise, one item a learner.
    let (a, b, k) = (0.9, 2.0, 0.08);
    let item: Item = "C4@treble".parse().unwrap();
    for after in [30, 80] {
        let ratios: f64 = (0..200)
            .map(|seed| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let mut model = LearnerModel::new(Yardstick::new(600));
                model.begin_day(day(0));
                for n in 0..after {
                    let curve = a + b * (-k * f64::from(n)).exp();
                    let seconds = curve * (1.0 + 0.1 * formulas::normal(&mut rng));
                    model.learn(item, true, Some((seconds * 1000.0) as u32));
                }
                let (median, _) = model.criteria(&item).unwrap().median_s.unwrap();
                let curve = a + b * (-k * f64::from(after)).exp();
                (median / curve).ln()
            })
            .sum();
        // A fading mean lags behind a falling curve; it must not run ahead of it, nor lag by more than a fifth.
        let ratio = (ratios / 200.0).exp();
        assert!((0.98..1.2).contains(&ratio), "after {after}: {ratio}");
    }
}

#[test]
fn the_same_answers_always_build_the_same_model() {
    let answers = steady(&["C4@treble", "D4@treble", "E4@treble"], 4, Some(900));
    let (one, other) = (
        rebuilt(&answers, day(5), true),
        rebuilt(&answers, day(5), true),
    );
    for (_, answer) in &answers {
        assert_eq!(one.why(&answer.item), other.why(&answer.item));
        assert_eq!(
            one.probability(&answer.item),
            other.probability(&answer.item)
        );
    }
}

#[test]
fn settled_takes_speed_sureness_and_two_mornings_and_can_be_lost() {
    let fast = steady(&["C4@treble"], 1, Some(800));
    assert_eq!(
        verdict(&rebuilt(&fast, day(1), true), "C4@treble"),
        Verdict::Open
    );
    let mut fast = steady(&["C4@treble"], 3, Some(800));
    assert_eq!(
        verdict(&rebuilt(&fast, day(3), true), "C4@treble"),
        Verdict::Settled
    );
    let slow = steady(&["C4@treble"], 3, Some(2500));
    assert_eq!(
        verdict(&rebuilt(&slow, day(3), true), "C4@treble"),
        Verdict::Open
    );
    // A miss on a later morning takes it away again, and two good mornings bring it back.
    fast.push((day(3), answer("C4@treble", false, Some(800))));
    assert_eq!(
        verdict(&rebuilt(&fast, day(4), true), "C4@treble"),
        Verdict::Open
    );
    for n in 4..7 {
        for _ in 0..6 {
            fast.push((day(n), answer("C4@treble", true, Some(800))));
        }
    }
    assert_eq!(
        verdict(&rebuilt(&fast, day(7), true), "C4@treble"),
        Verdict::Settled
    );
}

#[test]
fn untimed_practice_settles_by_sureness_and_two_mornings_alone() {
    let answers = steady(&["C4@treble"], 3, None);
    assert_eq!(
        verdict(&rebuilt(&answers, day(3), false), "C4@treble"),
        Verdict::Settled
    );
    assert_eq!(
        verdict(&rebuilt(&answers, day(3), true), "C4@treble"),
        Verdict::Open
    );
    let one_day = steady(&["C4@treble"], 1, None);
    assert_eq!(
        verdict(&rebuilt(&one_day, day(1), false), "C4@treble"),
        Verdict::Open
    );
}

#[test]
fn settled_items_come_back_after_two_four_and_eight_days() {
    let item: Item = "C4@treble".parse().unwrap();
    let mut model = LearnerModel::new(Yardstick::new(600));
    let mut shown = Vec::new();
    for n in 0..30 {
        model.begin_day(day(n));
        // Two first mornings, then only when it is due.
        if n < 2 || model.review_due(&item) {
            shown.push(n);
            for _ in 0..4 {
                model.learn(item, true, Some(800));
            }
        }
    }
    let gaps: Vec<i64> = shown.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert_eq!(gaps, [1, 2, 4, 8]);
}

#[test]
fn a_learner_who_slips_everywhere_does_not_hang_in_a_stage() {
    let names = ["C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5"];
    let items: Vec<Item> = names
        .iter()
        .map(|name| format!("{name}@treble").parse().unwrap())
        .collect();
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut model = LearnerModel::new(Yardstick::new(600));
    let mut through = None;
    for n in 0..20 {
        model.begin_day(day(n));
        for _ in 0..8 {
            for item in &items {
                // One answer in eight slips, whatever the note.
                model.learn(*item, rng.random_bool(0.88), Some(850));
            }
        }
        if model.all_settled(&items) {
            through.get_or_insert(n);
        }
    }
    assert!(through.is_some_and(|day| day <= 15), "{through:?}");
    let right = model.slips().unwrap();
    assert!((0.82..0.93).contains(&right), "{right}");
}

#[test]
fn odd_answers_change_nothing_but_their_own_item() {
    let answers = steady(&["C4@treble", "D4@treble"], 3, Some(800));
    let before = rebuilt(&answers, day(3), true);
    let other: Item = "D4@treble".parse().unwrap();
    for ms in [0, 3_600_000, u32::MAX] {
        let mut odd = answers.clone();
        odd.insert(20, (day(1), answer("C4@treble", true, Some(ms))));
        let after = rebuilt(&odd, day(3), true);
        assert_eq!(verdict(&after, "D4@treble"), Verdict::Settled);
        assert_eq!(after.why(&other).answers, before.why(&other).answers);
        let (now, then) = (after.probability(&other), before.probability(&other));
        assert!((now - then).abs() < 0.01, "{ms}: {now} {then}");
        let own: Item = "C4@treble".parse().unwrap();
        let (median, _) = after.criteria(&own).unwrap().median_s.unwrap();
        assert!((0.5..2.0).contains(&median), "{ms}: {median}");
    }
}

#[test]
fn a_clock_that_jumps_costs_a_night_and_no_more() {
    let answers = steady(&["C4@treble"], 3, Some(800));
    let item: Item = "C4@treble".parse().unwrap();
    let usual = rebuilt(&answers, day(3), true).probability(&item);
    // Days recorded far ahead and then back again, in the middle of a record.
    for jump in [-4000, -1, 400, 4000] {
        let mut jumped = answers.clone();
        for (on, _) in &mut jumped[6..12] {
            *on = on.saturating_add(i64::from(jump).days());
        }
        let model = rebuilt(&jumped, day(3), true);
        let now = model.probability(&item);
        assert!(
            now.is_finite() && (usual - now).abs() < 0.3,
            "{jump}: {now} {usual}"
        );
        assert_eq!(model.why(&item).answers, 18);
        assert_ne!(verdict(&model, "C4@treble"), Verdict::ButForSlips);
    }
}

#[test]
fn an_item_that_left_the_course_is_remembered_and_not_asked() {
    let course = Course::built_in("groundwork").unwrap();
    let all = course.stage("treble").unwrap().items();
    let kept = &all[..all.len() / 2];
    let history: Vec<Answer> = all
        .iter()
        .map(|item| answer(&item.to_string(), true, Some(900)))
        .collect();
    let mut chooser = Chooser::new(kept, &history, start() + 24.hours(), 600, 1);
    for shown in sit(&mut chooser, 200, 1, |_| (0.9, 900)) {
        assert!(kept.contains(&shown.item));
    }
    assert!(chooser.model().knows(&all[all.len() - 1]));
}
