//! Engraving held against the music font's own metadata, MusicXML's clef definitions, and goldens.
#![allow(clippy::unwrap_used, clippy::panic)]

use stavelark::engrave::{
    CellStyle, Column, Glyph, KeyMark, KeyboardMarks, Music, NoteMark, Role, Size, StageRange,
    Staves, music_font, picture,
};
use stavelark::theory::{Clef, KeySignature, Pitch};

fn note(pitch: &str, clef: Clef, role: Role) -> NoteMark {
    NoteMark {
        pitch: pitch.parse().unwrap(),
        clef,
        role,
    }
}

fn music(staves: Staves, fifths: i8, notes: &[NoteMark]) -> Music {
    Music {
        staves,
        key: KeySignature::new(fifths).unwrap(),
        columns: notes
            .iter()
            .map(|&note| Column { notes: vec![note] })
            .collect(),
    }
}

fn marks(notes: &[NoteMark]) -> KeyboardMarks {
    KeyboardMarks {
        marks: notes
            .iter()
            .map(|note| KeyMark {
                key: note.pitch.midi(),
                role: note.role,
                label: note.pitch.to_string(),
            })
            .collect(),
    }
}

const SMALL: Size = Size {
    columns: 80,
    rows: 21,
};

fn treble_range() -> StageRange {
    let items = ["D4", "G5", "F#5"].map(|p| {
        (
            p.parse::<Pitch>().unwrap(),
            Clef::Treble,
            KeySignature::NONE,
        )
    });
    StageRange::of(Staves::One(Clef::Treble), items)
}

#[test]
fn every_outline_fills_the_box_its_metadata_gives() {
    // Bravura 1.392 metadata, glyphBBoxes; outlines come from the OpenType file, a second source.
    let font = music_font();
    for &glyph in Glyph::ALL {
        let stated = font.metrics.bounds(glyph);
        let points = font.outline(glyph).polygons.concat();
        let xs = points.iter().map(|p| p.x);
        let ys = points.iter().map(|p| p.y);
        let near = |a: f64, b: f64| (a - b).abs() < 0.01;
        assert!(
            near(xs.clone().fold(f64::MAX, f64::min), stated.left),
            "{glyph:?}"
        );
        assert!(near(xs.fold(f64::MIN, f64::max), stated.right), "{glyph:?}");
        assert!(
            near(ys.clone().fold(f64::MAX, f64::min), stated.bottom),
            "{glyph:?}"
        );
        assert!(near(ys.fold(f64::MIN, f64::max), stated.top), "{glyph:?}");
    }
}

#[test]
fn a_miss_in_letters_and_signs() {
    let notes = [
        note("F#5", Clef::Treble, Role::Asked),
        note("F5", Clef::Treble, Role::Given),
    ];
    let grid = picture(
        &music(Staves::One(Clef::Treble), 0, &notes),
        &treble_range(),
        SMALL,
        CellStyle::Ascii,
        Some(&marks(&notes)),
    )
    .unwrap();
    insta::assert_snapshot!(grid.to_text());
}
