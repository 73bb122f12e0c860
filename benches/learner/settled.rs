//! Whether *settled* can be believed: what the model declares at the end of each day against the truth of the next morning.

use stavelark::study::Verdict;

use crate::families::{Family, Simulated, TYPES, Type};
use crate::places::Place;
use crate::rules::{Choice, Own};

/// Answer time of a day, s.
const DAY_S: f64 = 180.0;

/// Counts over items and days.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    /// First declarations, those untrue, and those grossly untrue.
    first: u32,
    first_false: u32,
    first_gross: u32,
    /// Item-days declared, and those untrue.
    declared: u32,
    declared_false: u32,
    /// Item-days true, and those declared.
    truth: u32,
    found: u32,
    /// Days from the first true one to the first declaration, as a histogram.
    delays: [u32; 24],
    never: u32,
    /// After five days: items, those true, those declared.
    fifth: (u32, u32, u32),
}

impl Tally {
    fn add(&mut self, other: &Tally) {
        self.first += other.first;
        self.first_false += other.first_false;
        self.first_gross += other.first_gross;
        self.declared += other.declared;
        self.declared_false += other.declared_false;
        self.truth += other.truth;
        self.found += other.found;
        for (here, there) in self.delays.iter_mut().zip(other.delays) {
            *here += there;
        }
        self.never += other.never;
        self.fifth.0 += other.fifth.0;
        self.fifth.1 += other.fifth.1;
        self.fifth.2 += other.fifth.2;
    }

    fn median_delay(&self) -> String {
        let all = self.delays.iter().sum::<u32>() + self.never;
        let mut sum = 0;
        for (days, count) in self.delays.iter().enumerate() {
            sum += count;
            if 2 * sum >= all {
                return days.to_string();
            }
        }
        "never".to_owned()
    }

    fn row(&self, name: &str, kind: &str, items: &str) {
        let share = |a: u32, b: u32| f64::from(a) / f64::from(b.max(1));
        println!(
            "{name:<12} {kind:<9} {items:>5}  {:.3} of {:<6} {:.3}  {:.3}  {:.2}  {:>5}  {:.2} of {:.2}",
            share(self.first_false, self.first),
            self.first,
            share(self.first_gross, self.first),
            share(self.declared_false, self.declared),
            share(self.found, self.truth),
            self.median_delay(),
            share(self.fifth.2, self.fifth.0),
            share(self.fifth.1, self.fifth.0),
        );
    }
}

fn follow(family: Family, kind: Type, places: &[Place], days: u32, seed: u64) -> Tally {
    let mut learner = Simulated::new(family, kind, places, seed);
    let mut own = Own::new(places, learner.observed_floor_s(), seed ^ 0x5eed);
    let mut tally = Tally::default();
    let mut first_true: Vec<Option<u32>> = vec![None; places.len()];
    let mut first_declared: Vec<Option<u32>> = vec![None; places.len()];
    for day in 0..days {
        own.begin_day(day);
        let mut today = 0.0;
        while today < DAY_S {
            let item = own.next();
            let (right, seconds) = learner.answer(item);
            own.record(item, right, seconds);
            today += seconds;
        }
        for (item, verdict) in own.verdicts().into_iter().enumerate() {
            let truth = learner.settled_tomorrow(item);
            let declared = verdict != Verdict::Open;
            if truth {
                tally.truth += 1;
                tally.found += u32::from(declared);
                first_true[item].get_or_insert(day);
            }
            if declared {
                tally.declared += 1;
                tally.declared_false += u32::from(!truth);
                if first_declared[item].is_none() {
                    first_declared[item] = Some(day);
                    tally.first += 1;
                    tally.first_false += u32::from(!truth);
                    tally.first_gross += u32::from(learner.grossly_not(item));
                }
            }
            if day == 4 {
                tally.fifth.0 += 1;
                tally.fifth.1 += u32::from(truth);
                tally.fifth.2 += u32::from(declared);
            }
        }
        learner.sleep();
    }
    for (truth, declared) in first_true.into_iter().zip(first_declared) {
        match (truth, declared) {
            (Some(truth), Some(declared)) => {
                tally.delays[(declared.saturating_sub(truth) as usize).min(23)] += 1;
            }
            (Some(_), None) => tally.never += 1,
            _ => {}
        }
    }
    tally
}

/// Runs and prints all cells with `learners` each, from `seed` on.
pub fn print(learners: u64, seed: u64) {
    println!(
        "\nSettled, simulated: declared at the end of a day, true the next morning\n\
         ({learners} simulated learners a cell, seeds from {seed}; 15 days of 28 items, 20 of 66)\n\n\
         {:<12} {:<9} {:>5}  {:<16} gross  stand  found delay  declared of true after five days",
        "family", "type", "items", "first, false"
    );
    let stages = [
        (Place::stage_of_28(), 15, "28"),
        (Place::stage_of_66(), 20, "66"),
    ];
    let mut tallies = Vec::new();
    for (places, days, items) in &stages {
        for (f, family) in Family::ALL.into_iter().enumerate() {
            for (t, kind) in TYPES.into_iter().enumerate() {
                let mut tally = Tally::default();
                for n in 0..learners {
                    tally.add(&follow(family, kind, places, *days, seed + n));
                }
                tally.row(family.name(), kind.name, items);
                tallies.push((f, t, tally));
            }
        }
    }
    println!();
    let pooled = |wanted: &dyn Fn(usize, usize) -> bool| {
        let mut sum = Tally::default();
        for (f, t, tally) in &tallies {
            if wanted(*f, *t) {
                sum.add(tally);
            }
        }
        sum
    };
    for (t, kind) in TYPES.into_iter().enumerate() {
        pooled(&|_, other| other == t).row("all four", kind.name, "both");
    }
    for (f, family) in Family::ALL.into_iter().enumerate() {
        pooled(&|other, _| other == f).row(family.name(), "all", "both");
    }
    pooled(&|f, _| f < 3).row("first three", "all", "both");
    pooled(&|_, _| true).row("all four", "all", "both");
}
