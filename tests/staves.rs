//! Generated staves held against a general-purpose engraving library: `data/staves.csv` has what verovio 6.4.1 (RISM
//! Digital Center, LGPL-3.0; with the Bravura font) made of 320 staves a clef, half of them with accidentals that
//! collide; `data/staves.md` says how the table was made. A line: clef, fifths, value, notes from the lowest, their
//! staff steps, ledger lines, stem, and each accidental's place as index:hundredths of a staff space from the heads.
#![allow(clippy::print_stderr, clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeMap;

use stavelark::engrave::{
    Event, Glyph, Mark, NoteMark, NoteValue, Part, Phrase, Point, Role, Shape, Staves,
    display_list, music_font,
};
use stavelark::theory::{Alteration, Clef, KeySignature, Pitch};

/// What is compared.
#[derive(Debug, PartialEq)]
struct Facts {
    steps: Vec<i32>,
    ledgers: usize,
    stem: String,
    /// Index of each note with an accidental, and the accidental's x in staff spaces.
    accidentals: Vec<(usize, f64)>,
}

struct Row {
    phrase: Phrase,
    pitches: Vec<Pitch>,
    theirs: Facts,
}

fn rows() -> Vec<(Clef, Row)> {
    let table = include_str!("data/staves.csv");
    table.lines().map(row).collect()
}

fn row(line: &str) -> (Clef, Row) {
    let fields: Vec<&str> = line.split(',').collect();
    let [
        clef,
        fifths,
        value,
        notes,
        steps,
        ledgers,
        stem,
        accidentals,
    ] = fields[..]
    else {
        panic!("{line}");
    };
    let clef = Clef::from_name(clef).unwrap();
    let pitches: Vec<Pitch> = notes.split(' ').map(|note| note.parse().unwrap()).collect();
    let value = match value {
        "1" => NoteValue::Whole,
        "2" => NoteValue::Half,
        "4" => NoteValue::Quarter,
        "8" => NoteValue::Eighth,
        "16" => NoteValue::Sixteenth,
        other => panic!("{other}"),
    };
    let notes = pitches
        .iter()
        .map(|&pitch| NoteMark {
            pitch,
            clef,
            role: Role::Plain,
        })
        .collect();
    let phrase = Phrase {
        staves: Staves::One(clef),
        key: KeySignature::new(fifths.parse().unwrap()).unwrap(),
        events: vec![Event::Notes {
            notes,
            value: Some(value),
        }],
    };
    let theirs = Facts {
        steps: steps.split(' ').map(|step| step.parse().unwrap()).collect(),
        ledgers: ledgers.parse().unwrap(),
        stem: stem.to_owned(),
        accidentals: accidentals
            .split(' ')
            .filter(|text| !text.is_empty())
            .map(|text| {
                let (index, x) = text.split_once(':').unwrap();
                (index.parse().unwrap(), x.parse::<f64>().unwrap() / 100.0)
            })
            .collect(),
    };
    let row = Row {
        phrase,
        pitches,
        theirs,
    };
    (clef, row)
}

fn place(mark: &Mark) -> Point {
    match mark.shape {
        Shape::Glyph { at, .. } => at,
        Shape::Line { from, .. } => from,
        Shape::Stretched { .. } => panic!("{mark:?}"),
    }
}

fn ours(row: &Row) -> Facts {
    let list = display_list(&row.phrase, 20.0).marks;
    let of = |part: Part| list.iter().filter(move |mark| mark.part == part);
    let bottom = of(Part::StaffLine)
        .map(|m| place(m).y)
        .fold(f64::MAX, f64::min);
    let step = |mark: &Mark| ((place(mark).y - bottom) * 2.0).round() as i32;
    let mut steps: Vec<i32> = of(Part::Head).map(step).collect();
    steps.sort_unstable();
    let mut ledgers: Vec<i32> = of(Part::LedgerLine).map(step).collect();
    ledgers.sort_unstable();
    ledgers.dedup();
    let stem = of(Part::Stem).next().map_or("none", |mark| {
        let Shape::Line { from, to, .. } = mark.shape else {
            panic!("{mark:?}");
        };
        let middle = of(Part::Head).map(|m| place(m).y).sum::<f64>() / steps.len() as f64;
        if to.y - middle > middle - from.y {
            "up"
        } else {
            "down"
        }
    });
    let left = of(Part::Head).map(|m| place(m).x).fold(f64::MAX, f64::min);
    let mut accidentals: Vec<(usize, f64)> = of(Part::Accidental)
        .map(|mark| {
            let index = steps.iter().position(|s| *s == step(mark)).unwrap();
            (index, place(mark).x - left)
        })
        .collect();
    accidentals.sort_by_key(|(index, _)| *index);
    Facts {
        steps,
        ledgers: ledgers.len(),
        stem: stem.to_owned(),
        accidentals,
    }
}

fn sign(pitch: Pitch) -> Glyph {
    match pitch.alteration {
        Alteration::DoubleFlat => Glyph::DoubleFlat,
        Alteration::Flat => Glyph::Flat,
        Alteration::Natural => Glyph::Natural,
        Alteration::Sharp => Glyph::Sharp,
        Alteration::DoubleSharp => Glyph::DoubleSharp,
    }
}

/// For each two accidentals that would run into each other in one column, whether the lower stands farther left.
fn order(row: &Row, facts: &Facts) -> Vec<(usize, usize, bool)> {
    let metrics = &music_font().metrics;
    let mut order = Vec::new();
    for (i, (low, low_x)) in facts.accidentals.iter().enumerate() {
        for (high, high_x) in &facts.accidentals[i + 1..] {
            let apart = f64::from(facts.steps[*high] - facts.steps[*low]) / 2.0;
            let top = metrics.bounds(sign(row.pitches[*low])).top;
            let foot = metrics.bounds(sign(row.pitches[*high])).bottom + apart;
            if foot < top {
                order.push((*low, *high, low_x < high_x));
            }
        }
    }
    order
}

#[test]
fn staves_agree_with_a_general_purpose_engraving_library() {
    let mut counts: BTreeMap<&str, [usize; 6]> = BTreeMap::new();
    let mut different = Vec::new();
    for (clef, row) in rows() {
        let ours = ours(&row);
        let theirs = &row.theirs;
        let (mine, other) = (order(&row, &ours), order(&row, theirs));
        let agree = [
            ours.steps == theirs.steps,
            ours.ledgers == theirs.ledgers,
            ours.stem == theirs.stem,
            mine == other,
        ];
        let count = counts.entry(clef.name()).or_default();
        count[0] += 1;
        count[1] += usize::from(!mine.is_empty());
        for (count, agree) in count[2..].iter_mut().zip(agree) {
            *count += usize::from(agree);
        }
        if agree.contains(&false) {
            different.push(format!(
                "{:?} {agree:?}\n  ours   {ours:?}\n  theirs {theirs:?}",
                row.pitches
            ));
        }
    }
    eprintln!(
        "clef: staves, with colliding accidentals; agreeing in step, ledger lines, stem, accidental order"
    );
    for (clef, count) in &counts {
        eprintln!("{clef}: {count:?}");
    }
    for difference in &different {
        eprintln!("{difference}");
    }
    assert_eq!(counts.len(), 5);
    for (clef, [staves, colliding, agreeing @ ..]) in counts {
        assert!(staves >= 300 && colliding * 2 >= staves - 20, "{clef}");
        for agreeing in agreeing {
            assert!(
                agreeing * 100 >= staves * 99,
                "{clef}: {agreeing} of {staves}"
            );
        }
    }
}
