//! What a note's place in a group costs, beside what its interval takes: the third note may wait for an eye that has not
//! gone ahead. In: places and log times against what the interval usually takes. Out: a factor a place.
//! The second note is the measure; the first has no interval and is learned by itself.

/// Places that are told apart; the last also stands for what comes behind it.
const PLACES: usize = 8;
/// Answers that *no difference* is worth beside those of a place.
const PRIOR_ANSWERS: f64 = 8.0;
/// Weight of earlier answers when one is added.
const FADE: f64 = 0.98;

/// The places of one learner's groups.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    /// Fading sum of log differences and fading count, from the third place on.
    sums: [(f64, f64); PLACES],
}

/// What one place costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceCost {
    /// 3 for the third note.
    pub place: u8,
    /// Times as long as the same interval at the second note.
    pub factor: f64,
}

fn index(place: u8) -> Option<usize> {
    (place >= 3).then(|| usize::from(place).min(PLACES) - 1)
}

impl Places {
    /// What the place adds to the logarithm of the time.
    pub(super) fn offset(&self, place: u8) -> f64 {
        index(place).map_or(0.0, |index| {
            let (sum, count) = self.sums[index];
            sum / (count + PRIOR_ANSWERS)
        })
    }

    /// Takes a right answer's log time less that of its interval.
    pub(super) fn take(&mut self, place: u8, difference: f64) {
        if let Some(index) = index(place) {
            let (sum, count) = &mut self.sums[index];
            *sum = *sum * FADE + difference;
            *count = *count * FADE + 1.0;
        }
    }

    /// The places that were answered.
    pub(super) fn costs(&self) -> Vec<PlaceCost> {
        (3..=PLACES as u8)
            .filter(|place| index(*place).is_some_and(|index| self.sums[index].1 > 0.0))
            .map(|place| PlaceCost {
                place,
                factor: self.offset(place).exp(),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_place_costs_is_found_and_nothing_is_made_of_little() {
        let mut places = Places::default();
        places.take(3, 0.4);
        assert!(places.offset(3) < 0.05, "one answer tells little");
        for _ in 0..400 {
            places.take(3, 1.2_f64.ln());
            places.take(4, 0.8_f64.ln());
            places.take(2, 1.0);
        }
        let factor = |place| places.offset(place).exp();
        // Fifty answers' worth of memory against eight of none.
        assert!((factor(3) - 1.17).abs() < 0.02, "{}", factor(3));
        assert!((factor(4) - 0.82).abs() < 0.02, "{}", factor(4));
        assert_eq!(places.offset(2), 0.0);
        let told: Vec<u8> = places.costs().iter().map(|cost| cost.place).collect();
        assert_eq!(told, [3, 4]);
    }
}
