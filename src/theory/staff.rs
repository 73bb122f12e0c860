//! Places on a staff.

use super::clef::Clef;
use super::pitch::Pitch;

/// Height on a staff in half spaces above the bottom line: 0 is that line, 8 the top line; even is a line, odd a space.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StaffStep(pub i32);

impl StaffStep {
    /// Where `pitch` is written under `clef`; its accidental does not move it.
    pub fn of(pitch: Pitch, clef: Clef) -> StaffStep {
        StaffStep(pitch.diatonic() - clef.bottom_line().diatonic())
    }

    /// The natural pitch written here under `clef`.
    pub fn pitch(self, clef: Clef) -> Pitch {
        Pitch::from_diatonic(self.0 + clef.bottom_line().diatonic())
    }

    /// On a line (of the staff, or a ledger line), not in a space.
    pub fn is_line(self) -> bool {
        self.0.rem_euclid(2) == 0
    }
}

/// Ledger lines a note at `step` needs; a note may hang beyond the last one.
pub fn ledger_lines(step: StaffStep) -> u32 {
    (if step.0 < 0 {
        -step.0 / 2
    } else {
        (step.0 - 8).max(0) / 2
    }) as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived from the clef definitions of MusicXML 4.0 (G on line 2, F on 4, C on 3 and 4):
    /// note, then step and ledger lines in treble, bass, alto, tenor.
    const TABLE: [(&str, [(i32, u32); 4]); 12] = [
        ("A0", [(-25, 12), (-13, 6), (-19, 9), (-17, 8)]),
        ("C2", [(-16, 8), (-4, 2), (-10, 5), (-8, 4)]),
        ("E2", [(-14, 7), (-2, 1), (-8, 4), (-6, 3)]),
        ("G2", [(-12, 6), (0, 0), (-6, 3), (-4, 2)]),
        ("A3", [(-4, 2), (8, 0), (2, 0), (4, 0)]),
        ("C4", [(-2, 1), (10, 1), (4, 0), (6, 0)]),
        ("E4", [(0, 0), (12, 2), (6, 0), (8, 0)]),
        ("B4", [(4, 0), (16, 4), (10, 1), (12, 2)]),
        ("F5", [(8, 0), (20, 6), (14, 3), (16, 4)]),
        ("A5", [(10, 1), (22, 7), (16, 4), (18, 5)]),
        ("C6", [(12, 2), (24, 8), (18, 5), (20, 6)]),
        ("C8", [(26, 9), (38, 15), (32, 12), (34, 13)]),
    ];

    #[test]
    fn steps_and_ledger_lines_follow_the_clefs() {
        for (name, row) in TABLE {
            let pitch: Pitch = name.parse().unwrap();
            for (clef, expected) in Clef::ALL.into_iter().zip(row) {
                let step = StaffStep::of(pitch, clef);
                assert_eq!((step.0, ledger_lines(step)), expected, "{name} {clef:?}");
                assert_eq!(step.pitch(clef), pitch);
            }
        }
    }

    #[test]
    fn a_note_just_outside_the_staff_hangs_without_a_ledger_line() {
        let at = |name: &str, clef| StaffStep::of(name.parse().unwrap(), clef);
        assert_eq!(ledger_lines(at("D4", Clef::Treble)), 0);
        assert_eq!(ledger_lines(at("B3", Clef::Bass)), 0);
    }
}
