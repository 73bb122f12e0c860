//! The learner's plain reaction: what an answer takes when nothing has to be read.
//! In: times of answering shown names, or of the items read best. Out: milliseconds, erring low.
//! Source: choice reaction grows with the logarithm of the set (Hick 1952, Hyman 1953), about 150 ms a doubling.
//!
//! A floor that is too low makes *settled* strict and late; one too high makes it false, so every rule here errs low.

use std::fmt;

use super::answer::AnswerWay;
use super::item::Item;

/// Names answered in half a minute that make a floor: fewer say too little.
const LEAST_TIMES: usize = 8;
/// The first names are spent on finding the keys.
const WARM_UP: usize = 2;
/// A time this far above the median was an interruption.
const INTERRUPTED: f64 = 3.0;
/// Milliseconds for each doubling of the number of possible answers.
const PER_DOUBLING_MS: f64 = 150.0;
/// Nobody answers faster.
const LEAST_MS: f64 = 150.0;

/// A measured plain reaction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Floor {
    /// What an answer takes.
    pub ms: u32,
    /// How many different answers there were to choose from.
    pub answers: u32,
}

impl fmt::Display for Floor {
    /// `620 ms of 7`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ms of {}", self.ms, self.answers)
    }
}

impl Floor {
    /// Reads what [`Floor`] writes; `None` for anything else.
    pub fn parse(text: &str) -> Option<Floor> {
        let (ms, answers) = text.split_once(" ms of ")?;
        let floor = Floor {
            ms: ms.parse().ok()?,
            answers: answers.parse().ok()?,
        };
        (floor.ms > 0 && floor.answers > 0).then_some(floor)
    }

    /// The floor for a number of possible answers.
    pub fn for_size(self, answers: u32) -> u32 {
        floor_for_size(self.ms, self.answers, answers)
    }
}

/// The plain reaction that is assumed before one was measured: ours, no source, low.
pub fn assumed_floor_ms(way: AnswerWay) -> u32 {
    match way {
        AnswerWay::Letters => 600,
        AnswerWay::Piano => 700,
        // A tone is there sooner than a finger, but is told later.
        AnswerWay::Voice => 500,
    }
}

/// The plain reaction from the times of answering shown names one after the other; `None` if there are fewer than eight.
///
/// The median less its standard error (of the middle half's width, so that a few slow answers do not matter).
pub fn measured_floor_ms(times_ms: &[u32]) -> Option<u32> {
    if times_ms.len() < LEAST_TIMES {
        return None;
    }
    let mut times: Vec<f64> = times_ms[WARM_UP..]
        .iter()
        .map(|ms| f64::from(*ms))
        .collect();
    times.sort_by(f64::total_cmp);
    let limit = INTERRUPTED * quantile(&times, 0.5);
    times.retain(|ms| *ms <= limit);
    // For a normal spread the middle half is 1.349 deviations wide, and the median's error 1.2533 of the mean's.
    let deviation = (quantile(&times, 0.75) - quantile(&times, 0.25)) / 1.349;
    let error = 1.2533 * deviation / (times.len() as f64).sqrt();
    Some((quantile(&times, 0.5) - error).max(LEAST_MS).round() as u32)
}

/// A floor measured with `measured_size` possible answers, for `size` of them: lower for fewer, and the same for more,
/// because how much more is not known of this learner.
pub fn floor_for_size(floor_ms: u32, measured_size: u32, size: u32) -> u32 {
    let doublings = f64::from(measured_size.max(1)).log2() - f64::from(size.max(1)).log2();
    let lower = f64::from(floor_ms) - PER_DOUBLING_MS * doublings.max(0.0);
    lower.max(LEAST_MS).round() as u32
}

/// How many different answers there are to `items`: names, or keys.
pub fn answers_to(items: &[Item], way: AnswerWay) -> u32 {
    let mut answers: Vec<i32> = items
        .iter()
        .map(|item| match way {
            AnswerWay::Letters => {
                let name = item.pitch.spelling();
                name.letter.index() * 8 + name.alteration as i32
            }
            AnswerWay::Piano => i32::from(item.pitch.midi().0),
            AnswerWay::Voice => item.pitch.midi().pitch_class(),
        })
        .collect();
    answers.sort_unstable();
    answers.dedup();
    answers.len() as u32
}

/// The value below which `share` of the sorted, non-empty values lie, between neighbours in proportion.
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let (below, above) = (place.floor() as usize, place.ceil() as usize);
    sorted[below] + (sorted[above] - sorted[below]) * place.fract()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_floor_is_a_little_below_the_middle_of_the_times() {
        let times: Vec<u32> = (0..30).map(|n| 500 + 10 * (n % 7)).collect();
        let floor = measured_floor_ms(&times).unwrap();
        assert!((510..530).contains(&floor), "{floor}");
    }

    #[test]
    fn warming_up_and_interruptions_do_not_raise_it() {
        let mut times = vec![500; 20];
        times[0] = 4000;
        times[1] = 3000;
        times[9] = 9000;
        assert_eq!(measured_floor_ms(&times), Some(500));
        assert_eq!(measured_floor_ms(&[500; 7]), None);
        assert_eq!(measured_floor_ms(&[0; 9]), Some(150));
    }

    #[test]
    fn a_measured_floor_reads_back_and_damage_is_none() {
        let floor = Floor {
            ms: 620,
            answers: 7,
        };
        assert_eq!(Floor::parse(&floor.to_string()), Some(floor));
        for text in [
            "",
            "620",
            "620 ms of",
            "0 ms of 7",
            "-3 ms of 7",
            "620 ms of 0",
        ] {
            assert_eq!(Floor::parse(text), None, "{text}");
        }
    }

    #[test]
    fn fewer_answers_to_choose_from_lower_it_by_the_published_slope() {
        // Hick 1952, Hyman 1953: about 150 ms a bit.
        assert_eq!(floor_for_size(700, 88, 11), 250);
        assert_eq!(floor_for_size(600, 14, 7), 450);
        assert_eq!(floor_for_size(600, 7, 88), 600);
        assert_eq!(floor_for_size(600, 7, 7), 600);
    }
}
