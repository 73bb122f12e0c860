//! Memory phrases for the lines and the spaces of a staff: the words begin with the notes' letters, from below.
//! In: a clef. Out: words of our own. They stand on the first sheets only: later they keep counting alive.

use crate::theory::Clef;

/// For the lines, then for the spaces.
pub fn phrases(clef: Clef) -> [&'static str; 2] {
    match clef {
        Clef::Treble | Clef::Treble8Below => [
            "Eager geese bring dry feathers",
            "Foxes admire chilly evenings",
        ],
        Clef::Bass => [
            "Gentle bears dance for apples",
            "Ants carry enormous grains",
        ],
        Clef::Alto => ["Four ants crossed every garden", "Grey birds dream first"],
        Clef::Tenor => ["Ducks follow a calm eel", "Every goat bakes dumplings"],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::StaffStep;

    #[test]
    fn every_word_begins_with_its_notes_letter() {
        // Clefs by MusicXML 4.0; the step's letter follows from the clef.
        for clef in Clef::ALL {
            for (phrase, first, count) in phrases(clef)
                .into_iter()
                .zip([0, 1])
                .zip([5, 4])
                .map(|((phrase, first), count)| (phrase, first, count))
            {
                let letters: String = (0..count)
                    .map(|i| StaffStep(first + 2 * i).pitch(clef).letter.as_char())
                    .collect();
                let initials: String = phrase
                    .split(' ')
                    .filter_map(|word| word.chars().next())
                    .map(|letter| letter.to_ascii_uppercase())
                    .collect();
                assert_eq!(initials, letters, "{clef:?}");
            }
        }
    }
}
