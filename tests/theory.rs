//! Pitches, staff places, key signatures and intervals against a general-purpose music library.
//! The tables say how they were made.
#![allow(clippy::unwrap_used, clippy::panic)]

use stavelark::study::degree_of;
use stavelark::theory::{
    Chord, Clef, Interval, KeySignature, Mode, Pitch, Reference, StaffStep, Temperament, cadence,
};

fn rows(table: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    table
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').collect())
}

const PITCHES: &str = include_str!("data/music_library.csv");
const INTERVALS: &str = include_str!("data/music_library_intervals.csv");
const CHORDS: &str = include_str!("data/music_library_chords.csv");

#[test]
fn keys_frequencies_and_staff_places_are_those_of_a_music_library() {
    let temperament = Temperament::equal();
    let mut compared = 0;
    for row in rows(PITCHES).filter(|row| row.len() == 8 && row[0] != "pitch") {
        let pitch: Pitch = row[0].parse().unwrap();
        assert_eq!(pitch.midi().0.to_string(), row[1], "{pitch}");
        let hz = temperament.frequency(pitch.midi(), Reference::default()).0;
        let expected: f64 = row[2].parse().unwrap();
        // The table has six decimals.
        assert!((hz - expected).abs() < 1e-6, "{pitch}: {hz} {expected}");
        for (clef, step) in Clef::ALL.into_iter().zip(&row[3..]) {
            assert_eq!(
                StaffStep::of(pitch, clef).0.to_string(),
                *step,
                "{pitch} {clef:?}"
            );
        }
        compared += 1;
    }
    assert_eq!(
        compared, 257,
        "every spelling within double signs of the 88 keys"
    );
}

#[test]
fn key_signatures_are_those_of_a_music_library() {
    let mut compared = 0;
    for row in rows(PITCHES).filter(|row| row.len() == 2 && row[0] != "sharps") {
        let key = KeySignature::new(row[0].parse().unwrap()).unwrap();
        let altered: Vec<String> = key
            .letters()
            .into_iter()
            .map(|letter| {
                let alteration = key.alteration(letter);
                format!("{}{}", letter.as_char(), alteration.ascii())
            })
            .collect();
        assert_eq!(altered.join(" "), row[1], "{}", row[0]);
        compared += 1;
    }
    assert_eq!(compared, 15);
}

#[test]
fn intervals_are_those_of_a_music_library() {
    let mut compared = 0;
    for row in rows(INTERVALS).filter(|row| row[0] != "lower") {
        let (low, high): (Pitch, Pitch) = (row[0].parse().unwrap(), row[1].parse().unwrap());
        assert_eq!(
            Interval::between(low, high).to_string(),
            row[2],
            "{low} {high}"
        );
        assert_eq!((high.midi().0 - low.midi().0).to_string(), row[3]);
        compared += 1;
    }
    assert_eq!(compared, 149);
}

#[test]
fn intervals_reach_the_notes_of_a_music_library() {
    let mut compared = 0;
    for row in rows(INTERVALS).filter(|row| row[0] != "lower") {
        let (low, high): (Pitch, Pitch) = (row[0].parse().unwrap(), row[1].parse().unwrap());
        // Triply altered intervals are not read.
        let Ok(interval) = row[2].parse::<Interval>() else {
            continue;
        };
        assert_eq!(interval.semitones().to_string(), row[3], "{}", row[2]);
        assert_eq!(interval.above(low), Some(high), "{low} {}", row[2]);
        assert_eq!(interval.below(high), Some(low), "{high} {}", row[2]);
        compared += 1;
    }
    assert!(compared >= 140, "{compared}");
}

#[test]
fn chords_are_spelled_as_by_a_music_library() {
    let mut compared = 0;
    for row in rows(CHORDS).filter(|row| row.len() == 3 && Chord::from_word(row[0]).is_some()) {
        let chord = Chord::from_word(row[0]).unwrap();
        let pitches = chord.over(row[1].parse().unwrap()).unwrap();
        let names: Vec<String> = pitches.iter().map(ToString::to_string).collect();
        assert_eq!(names.join(" "), row[2], "{} over {}", row[0], row[1]);
        compared += 1;
    }
    assert_eq!(
        compared, 186,
        "nine qualities over 21 roots, but for triple signs"
    );
}

#[test]
fn cadences_and_degrees_are_those_of_a_music_library_in_every_key() {
    let mut compared = 0;
    for row in rows(CHORDS).filter(|row| matches!(row[1], "major" | "minor")) {
        let key = KeySignature::new(row[0].parse().unwrap()).unwrap();
        let mode = if row[1] == "major" {
            Mode::Major
        } else {
            Mode::Minor
        };
        let chords = cadence(key, mode).map(|chord| {
            assert!(
                chord.windows(2).all(|pair| pair[0].midi() < pair[1].midi()),
                "{row:?}"
            );
            chord.map(|pitch| pitch.spelling().to_string()).join(" ")
        });
        assert_eq!(chords.join("|"), row[2], "{} {}", row[0], row[1]);
        // What its degrees are called: 1 3 5, 1 4 6, 7 2 5 (in minor the leading note), 1 3 5.
        let degrees: Vec<Vec<Option<u8>>> = row[2]
            .split('|')
            .map(|chord| {
                let names = chord.split(' ').map(|name| format!("{name}4"));
                names
                    .map(|name| degree_of(name.parse().unwrap(), key, mode))
                    .collect()
            })
            .collect();
        let expected = [[1, 3, 5], [1, 4, 6], [7, 2, 5], [1, 3, 5]].map(|c| c.map(Some).to_vec());
        assert_eq!(degrees, expected, "{} {}", row[0], row[1]);
        compared += 1;
    }
    assert_eq!(compared, 30);
}
