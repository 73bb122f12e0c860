//! The order in which new items are opened: first those a reader finds the others from.
//! In: an item. Out: a rank, lowest first. The landmarks are common practice: the Cs, the line a clef names, the outer lines.

use super::item::Item;
use crate::theory::{Alteration, Clef, Letter, StaffStep, ledger_lines};

/// Sorts landmarks to the front: notes about the staff before far ledger lines, plain before altered, then by steps from
/// the nearest landmark.
pub(super) fn landmark_rank(item: &Item) -> (bool, bool, i32, i32) {
    let step = StaffStep::of(item.pitch, item.clef);
    let beyond = ledger_lines(step) > 1;
    let altered = item.pitch.alteration != Alteration::Natural;
    let distance = (-14..=22)
        .filter(|other| is_landmark(StaffStep(*other), item.clef))
        .map(|other| (other - step.0).abs())
        .min()
        .unwrap_or(i32::MAX);
    (beyond, altered, distance, (step.0 - 4).abs())
}

/// Any C, the line the clef names, an outer line with F or G on it.
fn is_landmark(step: StaffStep, clef: Clef) -> bool {
    let letter = step.pitch(clef).letter;
    let clef_line = match clef {
        Clef::Treble | Clef::Treble8Below => 2,
        Clef::Bass | Clef::Tenor => 6,
        Clef::Alto => 4,
    };
    letter == Letter::C
        || step.0 == clef_line
        || (matches!(step.0, 0 | 8) && matches!(letter, Letter::F | Letter::G))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn landmarks_of_each_clef_come_first() {
        // Common practice: G4, F3 and C4 are the lines the clefs name; F5 and G2 are the outer lines of treble and bass.
        for (clef, landmarks) in [
            ("treble", ["C4", "G4", "C5", "F5"].as_slice()),
            ("bass", &["G2", "C3", "F3", "C4"]),
            ("alto", &["F3", "C4", "G4"]),
            ("tenor", &["C3", "C4"]),
        ] {
            let clef = Clef::from_name(clef).unwrap();
            let mut items: Vec<Item> = (-3..=11)
                .map(|step| Item::note(StaffStep(step).pitch(clef), clef))
                .collect();
            items.sort_by_key(landmark_rank);
            let first: Vec<String> = items
                .iter()
                .take_while(|item| landmark_rank(item).2 == 0)
                .map(|item| item.pitch.to_string())
                .collect();
            for landmark in landmarks {
                assert!(
                    first.contains(&(*landmark).to_owned()),
                    "{clef:?}: {first:?}"
                );
            }
        }
    }
}
