//! Time of a full redraw of the practice screen's picture; the screen's own limit is 4 ms a frame.
#![allow(missing_docs, clippy::unwrap_used)]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use stavelark::engrave::{
    CellStyle, Column, KeyMark, KeyboardMarks, Music, NoteMark, Phrase, Role, Size, StageRange,
    Staves, picture, scene,
};
use stavelark::theory::{Clef, KeySignature, Pitch};

fn note(pitch: &str, clef: Clef, role: Role) -> NoteMark {
    NoteMark {
        pitch: pitch.parse().unwrap(),
        clef,
        role,
    }
}

fn exhibit() -> (Music, StageRange, KeyboardMarks) {
    let key = KeySignature::new(4).unwrap();
    let notes = [
        note("Bb1", Clef::Bass, Role::Asked),
        note("B1", Clef::Bass, Role::Given),
    ];
    let music = Music {
        staves: Staves::Grand,
        key,
        columns: notes.map(|note| Column { notes: vec![note] }).to_vec(),
    };
    let items = [("Bb1", Clef::Bass), ("C#6", Clef::Treble)]
        .map(|(pitch, clef)| (pitch.parse::<Pitch>().unwrap(), clef, key));
    let range = StageRange::of(Staves::Grand, items);
    let keyboard = KeyboardMarks {
        marks: notes
            .iter()
            .map(|note| KeyMark {
                key: note.pitch.midi(),
                role: note.role,
                label: note.pitch.to_string(),
            })
            .collect(),
    };
    (music, range, keyboard)
}

const SIZES: [(&str, u16, u16); 3] = [("80x21", 80, 21), ("120x37", 120, 37), ("200x57", 200, 57)];

fn redraw(c: &mut Criterion) {
    let (music, range, keyboard) = exhibit();
    for (name, columns, rows) in SIZES {
        let size = Size { columns, rows };
        for (style, named) in [(CellStyle::Braille, "braille"), (CellStyle::Ascii, "ascii")] {
            c.bench_function(&format!("grand staff, miss, {name} {named}"), |b| {
                b.iter(|| picture(black_box(&music), &range, size, style, Some(&keyboard)));
            });
        }
    }
}

fn pixels(c: &mut Criterion) {
    let (music, range, keyboard) = exhibit();
    let phrase = Phrase::from(&music);
    for (name, columns, rows) in SIZES {
        let size = Size { columns, rows };
        c.bench_function(&format!("grand staff, miss, {name} pixels"), |b| {
            b.iter(|| {
                let scene = scene(black_box(&phrase), &range, size, false, Some(&keyboard));
                scene.unwrap().paint((9, 18))
            });
        });
    }
}

criterion_group!(benches, redraw, pixels);
criterion_main!(benches);
