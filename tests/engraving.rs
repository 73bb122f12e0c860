//! Engraving held against the music font's own metadata, MusicXML's clef definitions, and goldens.
#![allow(clippy::unwrap_used, clippy::panic)]

use proptest::prelude::*;
use stavelark::engrave::{
    CellGrid, CellStyle, Column, Event, Glyph, KeyMark, KeyboardMarks, Mark, Music, NoteMark,
    NoteValue, Part, Phrase, Point, Rect, Role, Shape, Size, StageRange, Staves, display_list,
    music_font, needed, picture,
};
use stavelark::theory::{Clef, KeySignature, MidiNote, Pitch};

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

fn range(staves: Staves, items: &str, clefs: &[Clef]) -> StageRange {
    StageRange::of(
        staves,
        items
            .split(' ')
            .zip(clefs)
            .map(|(pitch, clef)| (pitch.parse().unwrap(), *clef, KeySignature::NONE)),
    )
}

/// A space is written instead: some terminals draw it with faint rings.
const EMPTY_BRAILLE: char = '\u{2800}';

const SMALL: Size = Size {
    columns: 80,
    rows: 21,
};

fn phrase(clef: Clef, pitch: &str, value: Option<NoteValue>) -> Phrase {
    Phrase {
        staves: Staves::One(clef),
        key: KeySignature::NONE,
        events: vec![Event::Notes {
            notes: vec![note(pitch, clef, Role::Plain)],
            value,
        }],
    }
}

fn of_part(list: &[Mark], part: Part) -> Vec<Mark> {
    list.iter().filter(|m| m.part == part).cloned().collect()
}

fn line(mark: &Mark) -> (Point, Point, f64) {
    match mark.shape {
        Shape::Line {
            from,
            to,
            thickness,
        } => (from, to, thickness),
        _ => panic!("{mark:?} is no line"),
    }
}

fn origin(mark: &Mark) -> Point {
    match mark.shape {
        Shape::Glyph { at, .. } => at,
        _ => panic!("{mark:?} is no glyph"),
    }
}

#[test]
fn every_outline_fills_the_box_its_metadata_gives() {
    // Bravura 1.392 metadata, glyphBBoxes; the outlines come from the OpenType file.
    let font = music_font();
    assert_eq!(font.metrics.font, "Bravura 1.392");
    for &glyph in Glyph::ALL {
        let stated = font.metrics.bounds(glyph);
        let points = font.outline(glyph).polygons.concat();
        let xs = points.iter().map(|p| p.x);
        let ys = points.iter().map(|p| p.y);
        let found = Rect {
            left: xs.clone().fold(f64::MAX, f64::min),
            bottom: ys.clone().fold(f64::MAX, f64::min),
            right: xs.fold(f64::MIN, f64::max),
            top: ys.fold(f64::MIN, f64::max),
        };
        for (stated, found) in [
            (stated.left, found.left),
            (stated.bottom, found.bottom),
            (stated.right, found.right),
            (stated.top, found.top),
        ] {
            assert!((stated - found).abs() < 0.01, "{glyph:?} {stated} {found}");
        }
    }
}

#[test]
fn weights_and_anchors_are_the_fonts() {
    // Bravura 1.392 engravingDefaults and glyphsWithAnchors; SMuFL: a stem is 3.5 spaces long.
    let list = display_list(&phrase(Clef::Treble, "A4", Some(NoteValue::Quarter)), 13.0).marks;
    let staff = of_part(&list, Part::StaffLine);
    assert_eq!(staff.len(), 5);
    assert!(staff.iter().all(|mark| line(mark).2 == 0.13));
    let head = origin(&of_part(&list, Part::Head)[0]);
    let (from, to, thickness) = line(&of_part(&list, Part::Stem)[0]);
    assert_eq!(thickness, 0.12);
    let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
    assert!(near(from.x + thickness / 2.0, head.x + 1.18));
    assert!(near(from.y, head.y + 0.168));
    assert!(near(to.y, head.y + 3.5));

    let list = display_list(&phrase(Clef::Treble, "C5", Some(NoteValue::Half)), 13.0).marks;
    let head = origin(&of_part(&list, Part::Head)[0]);
    let (from, to, _) = line(&of_part(&list, Part::Stem)[0]);
    assert!(near(to.x - 0.06, head.x), "a stem down stands at the left");
    assert!(near(to.y, head.y - 0.168));
    assert!(near(from.y, head.y - 3.5));

    let list = display_list(&phrase(Clef::Bass, "C4", None), 13.0).marks;
    let head = origin(&of_part(&list, Part::Head)[0]);
    let (from, to, thickness) = line(&of_part(&list, Part::LedgerLine)[0]);
    assert_eq!(thickness, 0.16);
    assert!(near(from.x, head.x - 0.4) && near(to.x, head.x + 1.18 + 0.4));
}

#[test]
fn heads_and_ledger_lines_stand_where_the_clef_says() {
    // Derived from the clef definitions of MusicXML 4.0: step above the bottom line, and ledger lines,
    // in treble, bass, alto and tenor.
    let table = [
        ("A0", [(-25, 12), (-13, 6), (-19, 9), (-17, 8)]),
        ("C2", [(-16, 8), (-4, 2), (-10, 5), (-8, 4)]),
        ("E2", [(-14, 7), (-2, 1), (-8, 4), (-6, 3)]),
        ("G2", [(-12, 6), (0, 0), (-6, 3), (-4, 2)]),
        ("A3", [(-4, 2), (8, 0), (2, 0), (4, 0)]),
        ("C4", [(-2, 1), (10, 1), (4, 0), (6, 0)]),
        ("D4", [(-1, 0), (11, 1), (5, 0), (7, 0)]),
        ("E4", [(0, 0), (12, 2), (6, 0), (8, 0)]),
        ("B4", [(4, 0), (16, 4), (10, 1), (12, 2)]),
        ("F5", [(8, 0), (20, 6), (14, 3), (16, 4)]),
        ("G5", [(9, 0), (21, 6), (15, 3), (17, 4)]),
        ("A5", [(10, 1), (22, 7), (16, 4), (18, 5)]),
        ("C6", [(12, 2), (24, 8), (18, 5), (20, 6)]),
        ("C7", [(19, 5), (31, 11), (25, 8), (27, 9)]),
        ("C8", [(26, 9), (38, 15), (32, 12), (34, 13)]),
    ];
    let clefs = [Clef::Treble, Clef::Bass, Clef::Alto, Clef::Tenor];
    for (pitch, row) in table {
        for (clef, (step, ledgers)) in clefs.into_iter().zip(row) {
            let list = display_list(&phrase(clef, pitch, None), 13.0).marks;
            let bottom = of_part(&list, Part::StaffLine)
                .iter()
                .map(|mark| line(mark).0.y)
                .fold(f64::MAX, f64::min);
            let head = origin(&of_part(&list, Part::Head)[0]);
            assert_eq!(head.y - bottom, f64::from(step) / 2.0, "{pitch} {clef:?}");
            let drawn = of_part(&list, Part::LedgerLine).len();
            assert_eq!(drawn, ledgers, "{pitch} {clef:?}");
        }
    }
}

#[test]
fn a_clef_stands_on_its_own_pitch() {
    // MusicXML 4.0 clefs: G on line 2, F on 4, C on 3 or 4. y is half the steps above C0.
    for (clef, pitch) in [
        (Clef::Treble, "G4"),
        (Clef::Bass, "F3"),
        (Clef::Alto, "C4"),
        (Clef::Tenor, "C4"),
        (Clef::Treble8Below, "G3"),
    ] {
        let list = display_list(&phrase(clef, pitch, None), 13.0).marks;
        let sign = origin(&of_part(&list, Part::Clef)[0]);
        assert_eq!(sign.y, origin(&of_part(&list, Part::Head)[0]).y, "{clef:?}");
    }
}

#[test]
fn staves_of_a_grand_staff_share_middle_c_as_their_one_ledger_line() {
    let lower = phrase(Clef::Bass, "C4", None);
    let upper = phrase(Clef::Treble, "C4", None);
    let place = |phrase: Phrase| {
        let grand = Phrase {
            staves: Staves::Grand,
            ..phrase
        };
        let list = display_list(&grand, 13.0).marks;
        let ledgers = of_part(&list, Part::LedgerLine);
        assert_eq!(ledgers.len(), 1);
        line(&ledgers[0]).0.y
    };
    assert_eq!(place(lower), place(upper));
}

#[test]
fn a_new_signature_cancels_the_old_one_with_naturals() {
    // Common practice; signs of a signature stand on their own letters.
    let key = |fifths| KeySignature::new(fifths).unwrap();
    for (old, new, naturals, signs) in [(3, -2, 3, 2), (3, 1, 2, 1), (-4, 0, 4, 0), (1, 4, 0, 4)] {
        let phrase = Phrase {
            staves: Staves::One(Clef::Treble),
            key: key(old),
            events: vec![Event::Key(key(new))],
        };
        let list = display_list(&phrase, 13.0).marks;
        let drawn = of_part(&list, Part::KeySignature);
        let is_natural = |mark: &&Mark| {
            matches!(
                mark.shape,
                Shape::Glyph {
                    glyph: Glyph::Natural,
                    ..
                }
            )
        };
        assert_eq!(drawn.iter().filter(is_natural).count(), naturals);
        let all = drawn.len() - usize::from(old.unsigned_abs());
        assert_eq!(all, naturals + signs, "{old} {new}");
    }
}

/// Boxes of what must not run into each other.
fn boxes(list: &[Mark]) -> Vec<(Part, Rect)> {
    list.iter()
        .filter(|mark| {
            matches!(
                mark.part,
                Part::Clef | Part::KeySignature | Part::Accidental | Part::Head | Part::Flag
            )
        })
        .map(|mark| (mark.part, mark.bounds(&music_font().metrics)))
        .collect()
}

fn any_pitch(clef: Clef) -> impl Strategy<Value = Pitch> {
    let bottom = clef.bottom_line().diatonic();
    (-8..=16, 0..5_usize).prop_map(move |(step, alteration)| {
        Pitch::from_diatonic(bottom + step).with(stavelark::theory::Alteration::ALL[alteration])
    })
}

fn any_value() -> impl Strategy<Value = Option<NoteValue>> {
    prop_oneof![
        Just(None),
        Just(Some(NoteValue::Whole)),
        Just(Some(NoteValue::Half)),
        Just(Some(NoteValue::Quarter)),
        Just(Some(NoteValue::Eighth)),
        Just(Some(NoteValue::Sixteenth)),
    ]
}

fn any_notes(clefs: Vec<Clef>) -> impl Strategy<Value = Vec<NoteMark>> {
    let note = proptest::sample::select(clefs).prop_flat_map(|clef| {
        let role = prop_oneof![4 => Just(Role::Plain), 1 => Just(Role::Given)];
        (any_pitch(clef), role).prop_map(move |(pitch, role)| NoteMark { pitch, clef, role })
    });
    proptest::collection::vec(note, 1..5).prop_map(|mut notes| {
        notes.sort_by_key(|n| (n.clef, n.pitch));
        notes.dedup_by_key(|n| (n.clef, n.pitch));
        notes
    })
}

fn any_phrase() -> impl Strategy<Value = Phrase> {
    let staves = prop_oneof![
        Just(Staves::Grand),
        proptest::sample::select(Clef::ALL.to_vec()).prop_map(Staves::One),
    ];
    let key = || (-7..=7_i8).prop_map(|fifths| KeySignature::new(fifths).unwrap());
    (staves, key()).prop_flat_map(move |(staves, first)| {
        let notes = (any_notes(staves.clefs()), any_value())
            .prop_map(|(notes, value)| Event::Notes { notes, value });
        let event = prop_oneof![6 => notes, 1 => Just(Event::Bar), 1 => key().prop_map(Event::Key)];
        proptest::collection::vec(event, 0..6).prop_map(move |events| Phrase {
            staves,
            key: first,
            events,
        })
    })
}

proptest! {
    #[test]
    fn nothing_runs_into_anything(phrase in any_phrase(), width in 5.0..40.0_f64) {
        let list = display_list(&phrase, width).marks;
        let boxes = boxes(&list);
        for (i, (part, a)) in boxes.iter().enumerate() {
            for (other, b) in &boxes[i + 1..] {
                // Heads about a stem share its thickness; signs of a signature tuck under each other.
                let slack = match (part, other) {
                    (Part::Head, Part::Head) => 0.12,
                    (Part::KeySignature, Part::KeySignature) => 0.1,
                    (Part::Head, Part::Flag) | (Part::Flag, Part::Head) => continue,
                    _ => 0.0,
                };
                let narrowed = Rect { left: a.left + slack + 1e-6, right: a.right - slack - 1e-6,
                    bottom: a.bottom + 1e-6, top: a.top - 1e-6 };
                prop_assert!(!narrowed.overlaps(*b), "{part:?} {a:?} {other:?} {b:?}");
            }
        }
        let end = of_part(&list, Part::StaffLine).iter().map(|m| line(m).1.x).fold(0.0, f64::max);
        for (part, a) in boxes {
            prop_assert!(a.left > 0.0 && a.right < end, "{part:?} {a:?} {end}");
        }
    }

    #[test]
    fn a_picture_is_drawn_where_there_is_the_room_it_asks_for(
        pitches in proptest::collection::vec(any_pitch(Clef::Treble), 1..4),
        given in any_pitch(Clef::Bass),
        fifths in -7..=7_i8,
        style in 0..4_usize,
        columns in 0..200_u16,
        rows in 0..70_u16,
    ) {
        let style = [CellStyle::Braille, CellStyle::Quadrants, CellStyle::HalfBlocks, CellStyle::Ascii][style];
        let key = KeySignature::new(fifths).unwrap();
        let items = pitches.iter().map(|&pitch| (pitch, Clef::Treble, key));
        let range = StageRange::of(Staves::Grand, items);
        let notes = [
            NoteMark { pitch: pitches[0], clef: Clef::Treble, role: Role::Asked },
            NoteMark { pitch: given, clef: Clef::Bass, role: Role::Given },
        ];
        let music = music(Staves::Grand, fifths, &notes);
        let draw = |size| picture(&music, &range, size, style, Some(&marks(&notes)));
        let size = Size { columns, rows };
        let least = needed(&range, style);
        match draw(size) {
            Ok(grid) => {
                prop_assert_eq!((grid.width, grid.height), (columns, rows));
                prop_assert!(!grid.to_text().contains(EMPTY_BRAILLE));
                prop_assert!(columns >= least.columns && rows >= least.rows);
            }
            Err(too_small) => {
                let needed = too_small.needed;
                prop_assert!(columns < needed.columns || rows < needed.rows);
                prop_assert!(draw(needed).is_ok(), "{:?}", needed);
            }
        }
    }
}

fn miss(
    style: CellStyle,
    size: Size,
    staves: Staves,
    range: &StageRange,
    notes: &[NoteMark],
) -> CellGrid {
    picture(
        &music(staves, 0, notes),
        range,
        size,
        style,
        Some(&marks(notes)),
    )
    .unwrap()
}

#[test]
fn a_miss_in_letters_and_signs() {
    let notes = [
        note("F#5", Clef::Treble, Role::Asked),
        note("F5", Clef::Treble, Role::Given),
    ];
    let staves = Staves::One(Clef::Treble);
    let range = range(staves, "D4 F#5", &[Clef::Treble; 2]);
    let grid = miss(CellStyle::Ascii, SMALL, staves, &range, &notes);
    insta::assert_snapshot!(grid.to_text());
}

#[test]
fn a_grand_staff_too_tall_shows_the_other_staff_as_a_stub() {
    let notes = [
        note("Bb1", Clef::Bass, Role::Asked),
        note("B1", Clef::Bass, Role::Given),
    ];
    let range = range(Staves::Grand, "Bb1 C6", &[Clef::Bass, Clef::Treble]);
    let grid = miss(CellStyle::Braille, SMALL, Staves::Grand, &range, &notes);
    insta::assert_snapshot!(grid.to_text());
}

#[test]
fn a_whole_grand_staff_at_forty_rows() {
    let notes = [
        note("C4", Clef::Treble, Role::Asked),
        note("E4", Clef::Treble, Role::Given),
    ];
    let size = Size {
        columns: 120,
        rows: 37,
    };
    let range = range(Staves::Grand, "E2 A5", &[Clef::Bass, Clef::Treble]);
    let grid = miss(CellStyle::Quadrants, size, Staves::Grand, &range, &notes);
    insta::assert_snapshot!(grid.to_text());
}

#[test]
fn a_click_on_a_row_of_the_keyboard_is_the_key_level_with_it() {
    let notes = [note("E4", Clef::Treble, Role::Asked)];
    let staves = Staves::One(Clef::Treble);
    let range = range(staves, "D4 G5", &[Clef::Treble; 2]);
    let grid = miss(CellStyle::Braille, SMALL, staves, &range, &notes);
    let keys = |text: &str| -> Vec<MidiNote> {
        (0..grid.height)
            .rev()
            .filter(|&row| {
                let line: String = (0..grid.width)
                    .filter_map(|column| grid.cell(column, row))
                    .map(|cell| cell.symbol)
                    .collect();
                line.contains(text)
            })
            .filter_map(|row| {
                (0..grid.width)
                    .rev()
                    .find_map(|column| grid.key_at(column, row))
            })
            .collect()
    };
    // MIDI 1.0: C4 is 60, E4 is 64.
    assert_eq!(keys("C4"), [MidiNote(60)]);
    assert_eq!(keys("▸ E4"), [MidiNote(64)]);
    assert_eq!(grid.key_at(0, 0), None);
}

#[test]
fn the_staff_stands_still_from_prompt_to_prompt() {
    let staves = Staves::One(Clef::Treble);
    let range = range(staves, "A3 F#5 C6", &[Clef::Treble; 3]);
    let clef = |pitch: &str| -> Vec<char> {
        let notes = [note(pitch, Clef::Treble, Role::Plain)];
        let grid = picture(
            &music(staves, 0, &notes),
            &range,
            SMALL,
            CellStyle::Braille,
            None,
        )
        .unwrap();
        let rows = grid.cells.chunks(80);
        rows.flat_map(|row| row[..14].iter().map(|cell| cell.symbol))
            .collect()
    };
    assert_eq!(clef("A3"), clef("C6"));
    assert!(clef("A3").iter().any(|symbol| ('⠁'..='⣿').contains(symbol)));
}

#[test]
fn a_note_of_the_other_staffs_places_is_drawn_without_that_staff() {
    let range = range(
        Staves::Grand,
        "A3 A5 E2",
        &[Clef::Treble, Clef::Treble, Clef::Bass],
    );
    let notes = [note("A3", Clef::Treble, Role::Asked)];
    let size = Size {
        columns: 120,
        rows: 40,
    };
    let text = miss(CellStyle::Braille, size, Staves::Grand, &range, &notes).to_text();
    assert!(text.contains("bass staff ↓"), "{text}");
    assert_eq!(
        text.lines()
            .filter(|line| line.contains("──────────────"))
            .count(),
        5,
        "{text}"
    );
}

#[test]
fn a_note_given_outside_the_picture_is_told_by_an_arrow() {
    let notes = [
        note("E4", Clef::Treble, Role::Asked),
        note("C8", Clef::Treble, Role::Given),
    ];
    let staves = Staves::One(Clef::Treble);
    let range = range(staves, "D4 G5", &[Clef::Treble; 2]);
    for (style, heading, label) in [
        (CellStyle::Braille, "✗ given ↑", "✗ C8 ↑"),
        (CellStyle::Ascii, "x given ^", "x C8 ^"),
    ] {
        let text = miss(style, SMALL, staves, &range, &notes).to_text();
        assert!(text.contains(heading) && text.contains(label), "{text}");
    }
}

#[test]
fn letters_and_signs_are_ascii_throughout() {
    let notes = [
        note("Bb3", Clef::Bass, Role::Asked),
        note("B#3", Clef::Bass, Role::Given),
    ];
    let range = range(Staves::Grand, "E2 A5", &[Clef::Bass, Clef::Treble]);
    for rows in [15, 21, 40] {
        let size = Size { columns: 90, rows };
        let text = miss(CellStyle::Ascii, size, Staves::Grand, &range, &notes).to_text();
        assert!(text.is_ascii(), "{text}");
        assert!(
            text.contains("> asked") && text.contains("x given"),
            "{text}"
        );
    }
}

#[test]
fn a_miss_at_every_size_in_dots_and_in_letters() {
    // Rows of the picture in windows of 60, 40, 24, 12, 5 and no rows.
    let sizes = [(200, 57), (120, 37), (80, 21), (40, 9), (20, 2), (0, 0)];
    let staves = Staves::One(Clef::Treble);
    let range = range(staves, "C4 A5", &[Clef::Treble; 2]);
    let notes = [
        note("E4", Clef::Treble, Role::Asked),
        note("F4", Clef::Treble, Role::Given),
    ];
    for (columns, rows) in sizes {
        let size = Size { columns, rows };
        for style in [CellStyle::Braille, CellStyle::Ascii] {
            let music = music(staves, 0, &notes);
            let text = match picture(&music, &range, size, style, Some(&marks(&notes))) {
                Ok(grid) => grid.to_text(),
                Err(too_small) => too_small.to_string(),
            };
            let name = format!("miss-{columns}x{rows}-{style:?}").to_lowercase();
            insta::assert_snapshot!(name, text);
        }
    }
}
