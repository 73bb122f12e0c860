//! What a learner gets for a minute of practice: rules for the next item compared on simulated learners, whether
//! *settled* can be believed, and how long the model takes. Simulated results are simulated: no person was measured.
//!
//! `cargo bench --bench learner` prints everything; `-- speed` a part of it.
#![allow(clippy::print_stdout, missing_docs)]
#![allow(dead_code)]

mod families;
mod formulas;
mod places;
mod rules;
mod settled;
mod speed;
mod time;

/// Learners in each cell, unless `--learners` says otherwise.
const LEARNERS: u64 = 100;
/// The first seed, unless `--seed` says otherwise; rules were tuned on none from here on.
const SEED: u64 = 500_000;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, default: u64| {
        let place = words.iter().position(|word| word == name);
        place
            .and_then(|place| words.get(place + 1)?.parse().ok())
            .unwrap_or(default)
    };
    let (learners, seed) = (number("--learners", LEARNERS), number("--seed", SEED));
    let parts = ["speed", "time", "settled"];
    let asked = |part: &str| {
        let any = words.iter().any(|word| parts.contains(&word.as_str()));
        !any || words.iter().any(|word| word == part)
    };
    if asked("speed") {
        speed::print();
    }
    if asked("time") {
        time::print(learners, seed);
    }
    if asked("settled") {
        settled::print(learners, seed);
    }
}
