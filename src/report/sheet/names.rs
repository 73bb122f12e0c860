//! The sheet of names: every line and space of both staves, their ledger notes and landmarks, phrases to remember them
//! by, sharps and flats, and the grand staff beside a keyboard whose white keys are level with its lines and spaces.

use super::{MARGIN, Set, Style, document, one, set, spoken};
use crate::engrave::{
    Document, Event, NoteMark, Page, Part, Role, Shape, Staves, Stroke, Thing, Words, broken,
};
use crate::study::{Item, PhraseFor, Phrases};
use crate::theory::{Alteration, Clef, KeySignature, Letter, Pitch, StaffStep};

/// Notes from which others are found by a step or two; common practice of teaching.
const LANDMARKS: [&str; 7] = ["C2", "F3", "C3", "C4", "G4", "C5", "C6"];

/// The sheet for one learner: treble and bass staff, and whatever other staves `items` stand on; `phrases` only for whoever
/// begins.
pub fn names(style: Style, whose: &str, items: &[Item], phrases: Option<&Phrases>) -> Document {
    let mut pages: Vec<Page> = Vec::new();
    let mut y = 0.0;
    let clefs = Clef::ALL.into_iter().filter(|clef| {
        matches!(clef, Clef::Treble | Clef::Bass) || items.iter().any(|item| item.clef == *clef)
    });
    for (place, clef) in clefs.enumerate() {
        // In large print each staff takes a page of its own.
        if style.large || place % 2 == 0 {
            let mut page = style.page();
            y = style.heading(&mut page, "Lines and spaces", whose);
            pages.push(page);
        }
        if let Some(page) = pages.last_mut() {
            y = one_staff(style, page, clef, y, phrases);
            let foot = page.height - MARGIN;
            page.things
                .push(ring(MARGIN + style.words(), foot, style.words()));
            let words = "a landmark: a note from which others are found by a step or two";
            let at = MARGIN + style.words() * 2.2;
            let size = style.words() * 0.85;
            if place % 2 == 0 || style.large {
                for (row, line) in broken(words, size, page.width - MARGIN - at)
                    .iter()
                    .rev()
                    .enumerate()
                {
                    let y = foot - size * 1.2 * row as f64;
                    page.things
                        .push(Thing::Words(Words::new(at, y, size, line)));
                }
            }
        }
    }
    let mut page = style.page();
    let y = style.heading(&mut page, "Staves and keyboard", whose);
    beside_keyboard(style, &mut page, y);
    pages.push(page);
    document("Lines and spaces", pages)
}

fn is_landmark(pitch: Pitch) -> bool {
    LANDMARKS.iter().any(|name| *name == pitch.to_string())
}

/// Lines, spaces and ledger notes of one staff with their names, and its phrases; gives the height below it.
fn one_staff(
    style: Style,
    page: &mut Page,
    clef: Clef,
    top: f64,
    phrases: Option<&Phrases>,
) -> f64 {
    let (space, size) = (style.space() * 1.1, style.words());
    let width = page.width - 2.0 * MARGIN;
    let bottom_line = f64::from(clef.bottom_line().diatonic()) / 2.0;
    let title = match clef {
        Clef::Treble => "Treble staff",
        Clef::Bass => "Bass staff",
        Clef::Alto => "Alto staff",
        Clef::Tenor => "Tenor staff",
        Clef::Treble8Below => "Treble staff, an octave lower",
    };
    let mut y = top + size * 1.8;
    let heading = Words::new(MARGIN, y, size * 1.2, title);
    page.things.push(Thing::Heading(2, heading));
    let groups = [
        ("Lines", (0..5).map(|i| 2 * i).collect::<Vec<i32>>()),
        ("Spaces", (0..4).map(|i| 2 * i + 1).collect()),
        ("Beyond the staff", vec![-4, -3, -2, -1, 9, 10, 11, 12]),
    ];
    for (group, (title, steps)) in groups.into_iter().enumerate() {
        let pitches: Vec<Pitch> = steps.iter().map(|s| StaffStep(*s).pitch(clef)).collect();
        // Two ledger lines above and below, with the names' own row.
        let (above, below) = if group == 2 { (4.5, 8.5) } else { (3.0, 6.0) };
        // What a title is for lies nearer to it than the names above.
        y += size * if group == 0 { 1.3 } else { 1.9 };
        page.things
            .push(Thing::Words(Words::new(MARGIN, y, size, title)));
        let bottom = y + (above + 4.0) * space;
        let middle_c = bottom - (14.0 - bottom_line) * space;
        let said: Vec<String> = pitches
            .iter()
            .map(|p| spoken(*p, KeySignature::NONE, style.names))
            .collect();
        let says = format!(
            "{title} of the {} staff: {}",
            clef.spoken(),
            said.join(", ")
        );
        let columns = f64::from(pitches.len() as u32).mul_add(0.085, 0.2) * width;
        let events = pitches.iter().map(|p| one(*p, clef)).collect();
        let Set { music, heads } = set(
            Staves::One(clef),
            KeySignature::NONE,
            events,
            (MARGIN, columns),
            middle_c,
            space,
            says,
        );
        page.things.push(Thing::Music(music));
        let names_at = bottom + (below - 2.6) * space;
        for (pitch, x) in pitches.iter().zip(heads) {
            let name = style.name(*pitch, KeySignature::NONE);
            let words = Words::new(x, names_at, size, name).centred();
            page.things.push(Thing::Words(words));
            if is_landmark(*pitch) {
                let at = page.things.len() - 1;
                page.things.insert(at, ring(x, names_at, size));
            }
        }
        let part = PhraseFor::ALL.get(group);
        if let Some(text) = part.and_then(|part| phrases?.get(clef, *part, style.names)) {
            let at = (MARGIN + columns + 4.0, bottom - 2.0 * space);
            phrase(style, page, at, text);
        }
        y = names_at;
    }
    y + size
}

/// The ring around the name of a landmark.
fn ring(x: f64, baseline: f64, size: f64) -> Thing {
    Thing::Drawing {
        strokes: vec![Stroke::Oval {
            middle: (x, baseline - size * 0.36),
            radii: (size * 0.62, size * 0.62),
            fill: 0.0,
            edge: 0.3,
        }],
        says: None,
    }
}

/// A phrase beside its staff; every word begins with a capital, which is its note's letter.
fn phrase(style: Style, page: &mut Page, at: (f64, f64), text: &str) {
    let size = style.words();
    let width = page.width - MARGIN - at.0;
    let words: Vec<String> = text.split_whitespace().map(capital).collect();
    let lines = broken(&words.join(" "), size, width);
    for (row, line) in lines.iter().enumerate() {
        let y = at.1 + size * 1.25 * row as f64;
        page.things
            .push(Thing::Words(Words::new(at.0, y, size, line)));
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The keys' range: two ledger lines below the bass staff to two above the treble staff.
const LOWEST: i32 = 14;
const HIGHEST: i32 = 42;

fn beside_keyboard(style: Style, page: &mut Page, top: f64) {
    let size = style.words();
    let rows = f64::from(HIGHEST - LOWEST + 1);
    // The whole range fills what is left of the page but for a few lines of words.
    let step = (page.height - MARGIN - top - 7.0 * size) / rows;
    let staff_width = page.width - 2.0 * MARGIN - 62.0;
    // As large as the page allows, down and across: two columns of notes with their signs take 13 spaces.
    let space = (2.0 * step).min(staff_width / 13.0);
    let step = space / 2.0;
    let first = top + size;
    let y = |height: f64| first + (f64::from(HIGHEST) + 0.5 - height) * step;
    let middle_c = y(28.0);
    let columns = [["F#4", "F#3"], ["Bb4", "Bb2"]].map(|names| {
        let pitches = names
            .into_iter()
            .filter_map(|name| name.parse::<Pitch>().ok());
        pitches.zip([Clef::Treble, Clef::Bass]).collect::<Vec<_>>()
    });
    let pitches: Vec<Pitch> = columns.iter().flatten().map(|(pitch, _)| *pitch).collect();
    let said: Vec<String> = pitches
        .iter()
        .map(|pitch| spoken(*pitch, KeySignature::NONE, style.names))
        .collect();
    let events = columns
        .iter()
        .map(|column| Event::Notes {
            notes: column
                .iter()
                .map(|(pitch, clef)| NoteMark {
                    pitch: *pitch,
                    clef: *clef,
                    role: Role::Plain,
                })
                .collect(),
            value: None,
        })
        .collect();
    let Set { music, .. } = set(
        Staves::Grand,
        KeySignature::NONE,
        events,
        (MARGIN + space, staff_width - space),
        middle_c,
        space,
        format!(
            "Treble and bass staff with {}, each joined to its key",
            said.join(", ")
        ),
    );
    // Where a head ends, by its height: no two stand at the same.
    let head_ends = |pitch: Pitch| {
        let height = f64::from(pitch.diatonic()) / 2.0;
        let head = music.list.marks.iter().find_map(|mark| match mark.shape {
            Shape::Glyph { at, .. } if mark.part == Part::Head && at.y == height => Some(at.x),
            _ => None,
        });
        music.x + (head.unwrap_or_default() + 1.6) * space
    };
    let staff_end = MARGIN + staff_width;
    let ends: Vec<f64> = pitches.iter().map(|pitch| head_ends(*pitch)).collect();
    page.things.push(Thing::Music(music));
    let left = MARGIN + staff_width + 4.0;
    page.things.push(Thing::Drawing {
        strokes: keyboard(left, &y),
        says: Some(
            "A keyboard standing upright, each white key level with its line or space".to_owned(),
        ),
    });
    let mut strokes = Vec::new();
    for (pitch, x) in pitches.iter().zip(ends) {
        let note = y(f64::from(pitch.diatonic()));
        let key = y(key_height(*pitch));
        // On a staff line the way is a white dash within its black, as far as the line goes.
        let lined = pitch.diatonic() % 2 == 0;
        let from = if lined { staff_end } else { x };
        strokes.push(Stroke::Line {
            from: (from, note),
            to: (left - 2.0, note),
            weight: 0.3,
            dashed: true,
        });
        let mut dash = x;
        while lined && dash < staff_end - 1.0 {
            strokes.push(Stroke::Box {
                corner: (dash, note - 0.2),
                size: (1.0, 0.4),
                fill: 0.0,
                edge: 0.0,
            });
            dash += 2.0;
        }
        strokes.push(Stroke::Line {
            from: (left - 2.0, note),
            to: (left + 2.0, key),
            weight: 0.3,
            dashed: false,
        });
    }
    page.things.push(Thing::Drawing {
        strokes,
        says: None,
    });
    for height in LOWEST..=HIGHEST {
        let pitch = Pitch::from_diatonic(height);
        let name = style.name(pitch, KeySignature::NONE);
        let name = if pitch.letter == Letter::C {
            format!("{name}{}", pitch.octave)
        } else {
            name
        };
        let words = Words::new(
            left + 50.0,
            y(f64::from(height)) + step * 0.3,
            step * 0.85,
            name,
        );
        page.things.push(Thing::Words(words));
    }
    let foot = y(f64::from(LOWEST)) + step + size * 1.4;
    let words = "Each line and each space is a white key: what stands higher is further up on the drawn keyboard, which at a piano is to the right. A sharp is the next key to the right, a flat the next to the left, black or white.";
    for (row, line) in broken(words, size, page.width - 2.0 * MARGIN)
        .iter()
        .enumerate()
    {
        let y = foot + size * 1.35 * row as f64;
        page.things
            .push(Thing::Words(Words::new(MARGIN, y, size, line)));
    }
}

/// The height of a pitch's key: black keys lie between the white ones.
fn key_height(pitch: Pitch) -> f64 {
    let shift = match pitch.alteration {
        Alteration::Sharp => 0.5,
        Alteration::Flat => -0.5,
        _ => 0.0,
    };
    f64::from(pitch.diatonic()) + shift
}

/// White keys with their edges, and the black ones between.
fn keyboard(left: f64, y: &impl Fn(f64) -> f64) -> Vec<Stroke> {
    let (length, back) = (48.0, 30.0);
    let step = y(0.0) - y(1.0);
    let mut strokes: Vec<Stroke> = (LOWEST..=HIGHEST)
        .map(|height| Stroke::Box {
            corner: (left, y(f64::from(height) + 0.5)),
            size: (length, step),
            fill: 0.0,
            edge: 0.25,
        })
        .collect();
    let blacks = (LOWEST..HIGHEST)
        .filter(|height| !matches!(Letter::from_index(*height), Letter::E | Letter::B));
    strokes.extend(blacks.map(|height| Stroke::Box {
        corner: (left, y(f64::from(height) + 0.5) - 0.29 * step),
        size: (back, 0.58 * step),
        fill: 0.85,
        edge: 0.0,
    }));
    strokes
}
