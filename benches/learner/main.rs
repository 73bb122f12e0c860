//! What a learner gets for a minute of practice: rules for the next item compared on simulated learners, whether
//! *settled* can be believed, and how long the model takes. Simulated results are simulated: no person was measured.
//!
//! `cargo bench --bench learner` prints everything; `-- speed` a part of it.
#![allow(clippy::print_stdout, missing_docs)]
#![allow(dead_code)]

mod families;
mod speed;

fn main() {
    speed::print();
}
