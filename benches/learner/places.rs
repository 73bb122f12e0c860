//! Places on the staff as simulated learners see them: how hard each is, and which are near each other.

/// A note of a stage: staff, position from the bottom line, accidental (−1, 0, 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    pub bass: bool,
    pub position: i32,
    pub accidental: i32,
}

impl Place {
    /// Both staves, natural notes: 28.
    pub fn stage_of_28() -> Vec<Place> {
        Place::grid(-3..=10, &[0])
    }

    /// Both staves with sharps and flats: 66.
    pub fn stage_of_66() -> Vec<Place> {
        Place::grid(-1..=9, &[0, 1, -1])
    }

    fn grid(positions: std::ops::RangeInclusive<i32>, accidentals: &[i32]) -> Vec<Place> {
        let mut places = Vec::new();
        for bass in [false, true] {
            for position in positions.clone() {
                for accidental in accidentals {
                    places.push(Place {
                        bass,
                        position,
                        accidental: *accidental,
                    });
                }
            }
        }
        places
    }

    /// Common difficulty, before what is the learner's own.
    pub fn difficulty(self) -> f64 {
        let beyond = if self.position < 0 {
            -self.position
        } else {
            (self.position - 8).max(0)
        };
        let ledgers = beyond / 2;
        let middle_c = if self.bass { 10 } else { -2 };
        let landmark = [0, 4, 8, middle_c]
            .into_iter()
            .map(|l| (self.position - l).abs())
            .min()
            .unwrap_or(0);
        0.22 * f64::from(ledgers)
            + 0.06 * f64::from(landmark)
            + 0.25 * f64::from(self.accidental.abs())
    }

    pub fn near(self, other: Place) -> bool {
        let apart = (self.position - other.position).abs();
        let staff = self.bass == other.bass;
        let same_sign = self.accidental == other.accidental;
        match (staff, same_sign) {
            (true, true) => apart == 1 || apart == 2,
            (true, false) | (false, true) => apart == 0,
            (false, false) => false,
        }
    }
}
