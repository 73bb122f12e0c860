//! Practice time until every item is truly settled, rule by rule.

use crate::families::{Family, Simulated, TYPES, Type};
use crate::places::Place;
use crate::rules::{Rule, make};

/// Answer time of a day, s.
const DAY_S: f64 = 180.0;
/// A learner who is not through by then counts as through at its end, which pulls ratios towards 1.
const DAYS: u32 = 100;
/// How often the truth is looked at, in prompts.
const EVERY: u32 = 10;

/// What one learner came to.
#[derive(Debug, Clone, Copy)]
struct Run {
    /// Minutes of answer time until all items are truly settled.
    minutes: f64,
    /// Cut off before.
    cut: bool,
    /// Share of items truly settled on the morning after the fifth day.
    after_five: f64,
}

fn run(rule: Rule, family: Family, kind: Type, places: &[Place], seed: u64) -> Run {
    let mut learner = Simulated::new(family, kind, places, seed);
    let mut choice = make(rule, places, learner.observed_floor_s(), seed ^ 0x5eed);
    let (mut total, mut prompts) = (0.0, 0);
    let mut after_five = 1.0;
    for day in 0..DAYS {
        choice.begin_day(day);
        let mut today = 0.0;
        while today < DAY_S {
            let item = choice.next();
            let (right, seconds) = learner.answer(item);
            choice.record(item, right, seconds);
            today += seconds;
            prompts += 1;
            if prompts % EVERY == 0 && (0..places.len()).all(|n| learner.settled_tomorrow(n)) {
                return Run {
                    minutes: (total + today) / 60.0,
                    cut: false,
                    after_five,
                };
            }
        }
        total += today;
        if day == 4 {
            let settled = (0..places.len()).filter(|n| learner.settled_tomorrow(*n));
            after_five = settled.count() as f64 / places.len() as f64;
        }
        learner.sleep();
    }
    Run {
        minutes: total / 60.0,
        cut: true,
        after_five,
    }
}

struct Cell {
    family: usize,
    kind: usize,
    size: usize,
    /// Log minutes of each rule, learner by learner.
    logs: Vec<[f64; 4]>,
    cut: [u32; 4],
    after_five: [f64; 4],
}

/// Runs and prints all cells with `learners` each, from `seed` on.
pub fn print(learners: u64, seed: u64) {
    let stages = [Place::stage_of_28(), Place::stage_of_66()];
    let mut cells = Vec::new();
    for (size, places) in stages.iter().enumerate() {
        for (f, family) in Family::ALL.into_iter().enumerate() {
            for (t, kind) in TYPES.into_iter().enumerate() {
                let mut cell = Cell {
                    family: f,
                    kind: t,
                    size,
                    logs: Vec::new(),
                    cut: [0; 4],
                    after_five: [0.0; 4],
                };
                for n in 0..learners {
                    let runs = Rule::ALL.map(|rule| run(rule, family, kind, places, seed + n));
                    cell.logs.push(runs.map(|run| run.minutes.ln()));
                    for (rule, run) in runs.iter().enumerate() {
                        cell.cut[rule] += u32::from(run.cut);
                        cell.after_five[rule] += run.after_five / learners as f64;
                    }
                }
                cells.push(cell);
            }
        }
    }
    println!(
        "\nSimulated minutes until all items are truly settled: own rule ÷ other, geometric mean ± its 95 % half-width\n\
         ({learners} simulated learners a cell, seeds from {seed}; paired: the same seed is the same learner)\n"
    );
    println!(
        "{:<12} {:<9} {:>5}  {:>12} {:>12} {:>12}  share settled after five days; cut off after {DAYS} days (uniform, robin, published, own)",
        "family", "type", "items", "uniform", "round robin", "published"
    );
    for cell in &cells {
        row(
            Family::ALL[cell.family].name(),
            TYPES[cell.kind].name,
            [28, 66][cell.size],
            &[cell],
        );
    }
    println!("\nPooled");
    let pick = |wanted: &dyn Fn(&Cell) -> bool| -> Vec<&Cell> {
        cells.iter().filter(|cell| wanted(cell)).collect()
    };
    for (size, items) in [28, 66].into_iter().enumerate() {
        for (t, kind) in TYPES.into_iter().enumerate() {
            row(
                "first three",
                kind.name,
                items,
                &pick(&|c| c.size == size && c.kind == t && c.family < 3),
            );
        }
    }
    for (t, kind) in TYPES.into_iter().enumerate() {
        row(
            "first three",
            kind.name,
            0,
            &pick(&|c| c.kind == t && c.family < 3),
        );
        row("all four", kind.name, 0, &pick(&|c| c.kind == t));
    }
    for (f, family) in Family::ALL.into_iter().enumerate() {
        for (size, items) in [28, 66].into_iter().enumerate() {
            row(
                family.name(),
                "all",
                items,
                &pick(&|c| c.family == f && c.size == size),
            );
        }
        row(family.name(), "all", 0, &pick(&|c| c.family == f));
    }
    row("first three", "all", 0, &pick(&|c| c.family < 3));
    row("all four", "all", 0, &pick(&|_| true));
}

fn row(family: &str, kind: &str, items: u32, cells: &[&Cell]) {
    let items = if items == 0 {
        "both".to_owned()
    } else {
        items.to_string()
    };
    let ratio = |other: usize| {
        let logs: Vec<f64> = cells
            .iter()
            .flat_map(|cell| &cell.logs)
            .map(|logs| logs[3] - logs[other])
            .collect();
        let count = logs.len() as f64;
        let mean = logs.iter().sum::<f64>() / count;
        let variance = logs.iter().map(|log| (log - mean).powi(2)).sum::<f64>() / (count - 1.0);
        let half = 1.96 * (variance / count).sqrt();
        format!("{:.3} ±{:.3}", mean.exp(), mean.exp() * half)
    };
    let of_rules = |value: &dyn Fn(usize) -> String| -> String {
        let words: Vec<String> = (0..4).map(value).collect();
        words.join(" ")
    };
    let cut = of_rules(&|rule| {
        let sum: u32 = cells.iter().map(|cell| cell.cut[rule]).sum();
        sum.to_string()
    });
    let after_five = of_rules(&|rule| {
        let sum: f64 = cells.iter().map(|cell| cell.after_five[rule]).sum();
        format!("{:.2}", sum / cells.len() as f64)
    });
    println!(
        "{family:<12} {kind:<9} {items:>5}  {:>12} {:>12} {:>12}  {after_five}  {cut}",
        ratio(0),
        ratio(1),
        ratio(2),
    );
}
