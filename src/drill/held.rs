//! How steadily notes were held, in coarse kinds. In: cents of drift and of wavering of each. Out: what it was, and a count.
//!
//! Limits: untrained listeners need 34 to 51 cents to hear a difference, amateurs in a melody about 10 (Hill & Summers 2007,
//! JASA 121, 2376): nothing finer than that is told. The figures are ours.

/// How far a note may move from beginning to end and still be steady, cents.
const DRIFT: i16 = 25;
/// How far it may stray about that, root mean square, cents.
const WAVER: i16 = 12;

/// A note that was sung right, from when it was told to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldNote {
    /// It rose by so many cents.
    pub drift_cents: i16,
    /// It strayed by so many about that, without its vibrato.
    pub waver_cents: i16,
}

/// What a held note did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steadiness {
    /// It stood still.
    Steady,
    /// It sank.
    Sank,
    /// It rose.
    Rose,
    /// It wavered.
    Wavered,
}

impl HeldNote {
    /// What it did.
    pub fn steadiness(self) -> Steadiness {
        match self.drift_cents {
            drift if drift < -DRIFT => Steadiness::Sank,
            drift if drift > DRIFT => Steadiness::Rose,
            _ if self.waver_cents > WAVER => Steadiness::Wavered,
            _ => Steadiness::Steady,
        }
    }
}

/// Held notes counted. The one that ends a sitting is not among them: the sitting is over before the note is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldNotes {
    /// All.
    pub notes: u32,
    /// Steady ones.
    pub steady: u32,
    /// Those that sank.
    pub sank: u32,
    /// Those that rose.
    pub rose: u32,
}

impl HeldNotes {
    /// Of each note that was held; `None` for fewer than three.
    pub fn of(held: &[HeldNote]) -> Option<HeldNotes> {
        let count = |what| held.iter().filter(|h| h.steadiness() == what).count() as u32;
        (held.len() >= 3).then(|| HeldNotes {
            notes: held.len() as u32,
            steady: count(Steadiness::Steady),
            sank: count(Steadiness::Sank),
            rose: count(Steadiness::Rose),
        })
    }

    /// Those that wavered.
    pub fn wavered(self) -> u32 {
        self.notes - self.steady - self.sank - self.rose
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn held_notes_are_told_in_coarse_kinds() {
        let note = |drift_cents, waver_cents| HeldNote {
            drift_cents,
            waver_cents,
        };
        assert_eq!(note(10, 5).steadiness(), Steadiness::Steady);
        assert_eq!(note(-25, 12).steadiness(), Steadiness::Steady);
        assert_eq!(note(-40, 20).steadiness(), Steadiness::Sank);
        assert_eq!(note(40, 5).steadiness(), Steadiness::Rose);
        assert_eq!(note(-10, 20).steadiness(), Steadiness::Wavered);
        let counted = HeldNotes::of(&[note(0, 0), note(-40, 3), note(0, 30), note(1, 1)]).unwrap();
        assert_eq!((counted.notes, counted.steady, counted.sank), (4, 2, 1));
        assert_eq!((counted.rose, counted.wavered()), (0, 1));
        assert_eq!(HeldNotes::of(&[note(0, 0); 2]), None);
    }
}
