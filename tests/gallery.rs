//! Pictures of the screens as a terminal shows them. They are written as PNG where `STAVELARK_GALLERY` says; without it
//! they are painted all the same, which fails on a symbol that no monospace font has.
#![allow(clippy::unwrap_used, clippy::panic)]

mod picture;

use picture::{Colours, DARK, LIGHT, Look, Painter, folder};
use ratatui::style::{Color, Modifier, Style};
use stavelark::engrave::{
    CellGrid, CellStyle, Column, Event, KeyMark, KeyboardMarks, Manner, Music, NoteMark, NoteValue,
    Phrase, Role, Scene, Size, Sounding, StageRange, Staves, phrase_picture, scene,
};
use stavelark::shell::term::theme::{Ground, Theme};
use stavelark::theory::{Clef, KeySignature, Pitch};

fn rgb(colour: Option<Color>) -> Option<[u8; 3]> {
    match colour? {
        Color::Rgb(r, g, b) => Some([r, g, b]),
        _ => None,
    }
}

fn look(symbol: char, style: Style) -> Look {
    Look {
        front: rgb(style.fg),
        back: rgb(style.bg),
        dim: style.add_modifier.contains(Modifier::DIM),
        bold: style.add_modifier.contains(Modifier::BOLD),
        reversed: style.add_modifier.contains(Modifier::REVERSED),
        ..Look::plain(symbol)
    }
}

fn looks(grid: &CellGrid, theme: Theme) -> Vec<Look> {
    grid.cells
        .iter()
        .map(|cell| {
            let (symbol, style) = theme.cell(cell);
            look(symbol, style)
        })
        .collect()
}

/// One picture of the gallery: notes are written `Bb1@bass`, those given with `!` before them.
struct Exhibit {
    name: &'static str,
    size: (u16, u16),
    staves: Staves,
    fifths: i8,
    /// The stage's items, from which the size follows.
    range: &'static str,
    /// Asked, or asked and given.
    notes: &'static str,
    keyboard: bool,
}

fn mark(text: &str, role: Role) -> NoteMark {
    let (pitch, clef) = text.split_once('@').unwrap();
    NoteMark {
        pitch: pitch.parse().unwrap(),
        clef: Clef::from_name(clef).unwrap(),
        role,
    }
}

impl Exhibit {
    fn grid(&self, manner: impl Into<Manner>) -> CellGrid {
        let manner = manner.into();
        let (phrase, range, size, marks) = self.parts(manner.style);
        let keyboard = self.keyboard.then_some(&marks);
        phrase_picture(&phrase, &range, size, manner, keyboard).unwrap()
    }

    fn parts(&self, style: CellStyle) -> (Phrase, StageRange, Size, KeyboardMarks) {
        let key = KeySignature::new(self.fifths).unwrap();
        let items = self.range.split(' ').map(|item| {
            let note = mark(item, Role::Plain);
            (note.pitch, note.clef, key)
        });
        let miss = self.notes.contains('!');
        let notes: Vec<NoteMark> = self
            .notes
            .split(' ')
            .map(|text| match (text.strip_prefix('!'), miss) {
                (Some(text), _) => mark(text, Role::Given),
                (None, true) => mark(text, Role::Asked),
                (None, false) => mark(text, Role::Plain),
            })
            .collect();
        let word = |note: &NoteMark| {
            let name = |p: Pitch| {
                let sign = if style == CellStyle::Ascii {
                    p.alteration.ascii()
                } else {
                    p.alteration.sign()
                };
                format!("{}{sign}{}", p.letter.as_char(), p.octave)
            };
            let word = if note.role == Role::Given {
                "given"
            } else {
                "asked"
            };
            format!("{} {word}", name(note.pitch))
        };
        let marks = KeyboardMarks {
            marks: notes
                .iter()
                .filter(|note| note.role != Role::Plain)
                .map(|note| KeyMark {
                    key: note.pitch.midi(),
                    role: note.role,
                    label: word(note),
                })
                .collect(),
        };
        let music = Music {
            staves: self.staves,
            key,
            columns: notes
                .iter()
                .map(|&note| Column { notes: vec![note] })
                .collect(),
        };
        let size = Size {
            columns: self.size.0,
            rows: self.size.1 - 3,
        };
        let range = StageRange::of(self.staves, items);
        (Phrase::from(&music), range, size, marks)
    }
}

const TREBLE: Staves = Staves::One(Clef::Treble);

const EXHIBITS: [Exhibit; 9] = [
    Exhibit {
        name: "40x12-miss",
        size: (40, 12),
        staves: TREBLE,
        fifths: 0,
        range: "C4@treble A5@treble",
        notes: "E4@treble !F4@treble",
        keyboard: true,
    },
    Exhibit {
        name: "80x24-miss",
        size: (80, 24),
        staves: TREBLE,
        fifths: 0,
        range: "C4@treble A5@treble F#5@treble",
        notes: "F#5@treble !F5@treble",
        keyboard: true,
    },
    Exhibit {
        name: "80x24-step",
        size: (80, 24),
        staves: TREBLE,
        fifths: 0,
        range: "C4@treble A5@treble",
        notes: "E4@treble !F4@treble",
        keyboard: true,
    },
    Exhibit {
        name: "80x24-grand",
        size: (80, 24),
        staves: Staves::Grand,
        fifths: 0,
        range: "G2@bass C4@bass C4@treble F5@treble",
        notes: "D3@bass !F3@bass",
        keyboard: true,
    },
    Exhibit {
        name: "80x24-stub",
        size: (80, 24),
        staves: Staves::Grand,
        fifths: 0,
        range: "Bb1@bass C6@treble",
        notes: "Bb1@bass !B1@bass",
        keyboard: true,
    },
    Exhibit {
        name: "100x30-grand",
        size: (100, 30),
        staves: Staves::Grand,
        fifths: -3,
        range: "C2@bass C6@treble",
        notes: "D4@treble",
        keyboard: true,
    },
    Exhibit {
        name: "120x40-grand",
        size: (120, 40),
        staves: Staves::Grand,
        fifths: 0,
        range: "Bb1@bass C6@treble",
        notes: "Bb1@bass !B1@bass",
        keyboard: true,
    },
    Exhibit {
        name: "120x40-alto",
        size: (120, 40),
        staves: Staves::One(Clef::Alto),
        fifths: 4,
        range: "C3@alto D#5@alto",
        notes: "D3@alto !D#3@alto",
        keyboard: true,
    },
    Exhibit {
        name: "200x60-grand",
        size: (200, 60),
        staves: Staves::Grand,
        fifths: 0,
        range: "Bb1@bass C6@treble",
        notes: "Bb1@bass !B1@bass",
        keyboard: true,
    },
];

const STYLES: [(CellStyle, &str); 6] = [
    (CellStyle::Braille, "braille"),
    (CellStyle::Octants, "octants"),
    (CellStyle::Sextants, "sextants"),
    (CellStyle::Quadrants, "quadrants"),
    (CellStyle::HalfBlocks, "halves"),
    (CellStyle::Ascii, "ascii"),
];

fn write(painter: &mut Painter, name: &str, cells: &[Look], width: u16, colours: Colours) {
    let png = painter.png(cells, usize::from(width), colours);
    assert!(png.len() > 500, "{name} is empty");
    if let Some(folder) = folder() {
        std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
    }
}

#[test]
fn staff_and_keyboard_in_every_style_and_size() {
    let mut painter = Painter::new();
    for exhibit in EXHIBITS {
        for (style, named) in STYLES {
            let small = matches!(
                style,
                CellStyle::Quadrants
                    | CellStyle::HalfBlocks
                    | CellStyle::Ascii
                    | CellStyle::Octants
                    | CellStyle::Sextants
            );
            if small && exhibit.size.1 < 24
                || (style != CellStyle::Braille && exhibit.name == "80x24-grand")
            {
                continue;
            }
            let grid = exhibit.grid(style);
            let dark = Theme::default().on(Ground::Dark);
            let name = format!("{}-{named}", exhibit.name);
            write(&mut painter, &name, &looks(&grid, dark), grid.width, DARK);
            if style == CellStyle::Braille {
                let light = Theme::default().on(Ground::Light);
                let cells = looks(&grid, light);
                write(
                    &mut painter,
                    &format!("{name}-light"),
                    &cells,
                    grid.width,
                    LIGHT,
                );
                let plain = Theme {
                    plain: true,
                    ground: Ground::Dark,
                };
                write(
                    &mut painter,
                    &format!("{name}-plain"),
                    &looks(&grid, plain),
                    grid.width,
                    DARK,
                );
            }
        }
    }
}

#[test]
fn one_staff_fills_the_screen_for_weak_eyes() {
    let mut painter = Painter::new();
    let dark = Theme::default().on(Ground::Dark);
    for exhibit in EXHIBITS {
        for style in [CellStyle::Braille, CellStyle::Quadrants] {
            if exhibit.size.1 < 24 && style == CellStyle::Quadrants {
                continue;
            }
            let manner = Manner {
                style,
                magnified: true,
                pixels: false,
            };
            let grid = exhibit.grid(manner);
            let name = format!("{}-magnified-{style:?}", exhibit.name).to_lowercase();
            write(&mut painter, &name, &looks(&grid, dark), grid.width, DARK);
        }
    }
}

#[test]
fn groups_chords_and_a_sounding_point() {
    let mut painter = Painter::new();
    let dark = Theme::default().on(Ground::Dark);
    let key = KeySignature::new(2).unwrap();
    let value = |value, notes: &str| Event::Notes {
        notes: notes
            .split(' ')
            .map(|text| mark(text, Role::Plain))
            .collect(),
        value: Some(value),
    };
    let group = Phrase {
        staves: TREBLE,
        key,
        events: vec![
            value(NoteValue::Quarter, "D5@treble"),
            value(NoteValue::Eighth, "F4@treble"),
            value(NoteValue::Sixteenth, "E5@treble"),
            value(NoteValue::Half, "G4@treble A#4@treble"),
            value(NoteValue::Whole, "Bb4@treble C#5@treble Eb5@treble"),
        ],
    };
    let sounding = |pitch: &str, clef, cents| Phrase {
        staves: Staves::One(clef),
        key: KeySignature::NONE,
        events: vec![Event::Sounding(Sounding {
            pitch: pitch.parse().unwrap(),
            clef,
            cents,
        })],
    };
    let mut range = StageRange::new(TREBLE).with_stems().with_columns(5);
    for note in ["D4", "F4", "E5", "G5", "Bb4"] {
        range.include(note.parse().unwrap(), Clef::Treble, key);
    }
    let bass = StageRange::of(
        Staves::One(Clef::Bass),
        ["C2", "C4"].map(|p| (p.parse().unwrap(), Clef::Bass, KeySignature::NONE)),
    );
    let alone = StageRange::new(TREBLE);
    for (name, phrase, range) in [
        ("group", &group, &range),
        (
            "sounding-treble",
            &sounding("A4", Clef::Treble, -23.0),
            &alone,
        ),
        ("sounding-bass", &sounding("E2", Clef::Bass, 31.0), &bass),
    ] {
        for (columns, rows) in [(92, 21), (120, 37)] {
            for style in [CellStyle::Braille, CellStyle::Ascii] {
                let size = Size { columns, rows };
                let grid = phrase_picture(phrase, range, size, style, None).unwrap();
                let name = format!("{name}-{columns}-{style:?}").to_lowercase();
                write(&mut painter, &name, &looks(&grid, dark), grid.width, DARK);
            }
        }
    }
}

/// A scene as a terminal with pictures shows it: its pixels, and words over them.
fn shown(
    painter: &mut Painter,
    scene: &Scene,
    theme: Theme,
    colours: Colours,
) -> tiny_skia::Pixmap {
    let cell = (picture::CELL.0 as u16, picture::CELL.1 as u16);
    let pixels = scene.paint(cell);
    let words = looks(&scene.words, theme);
    let width = usize::from(scene.words.width);
    let mut map = painter.pixmap(&words, width, colours);
    let palette = theme.palette(Some((colours.front, colours.ground)));
    let left = usize::from(scene.columns().start) * usize::from(cell.0);
    let across = map.width() as usize;
    for (at, place) in pixels.places.iter().enumerate() {
        let (x, y) = (at % pixels.width + left, at / pixels.width);
        let word = words[y / usize::from(cell.1) * width + x / usize::from(cell.0)];
        if word.symbol == ' ' {
            let [r, g, b] = palette[usize::from(*place)];
            let colour = tiny_skia::PremultipliedColorU8::from_rgba(r, g, b, 255).unwrap();
            map.pixels_mut()[y * across + x] = colour;
        }
    }
    map
}

#[test]
fn the_same_pictures_in_pixels() {
    let mut painter = Painter::new();
    for exhibit in EXHIBITS {
        for (magnified, named) in [(false, ""), (true, "-magnified")] {
            let (phrase, range, size, marks) = exhibit.parts(CellStyle::Braille);
            let keyboard = exhibit.keyboard.then_some(&marks);
            let scene = scene(&phrase, &range, size, magnified, keyboard).unwrap();
            for (ground, colours, light) in
                [(Ground::Dark, DARK, ""), (Ground::Light, LIGHT, "-light")]
            {
                let map = shown(&mut painter, &scene, Theme::default().on(ground), colours);
                if let Some(folder) = folder() {
                    let name = format!("{}-pixels{named}{light}.png", exhibit.name);
                    std::fs::write(folder.join(name), map.encode_png().unwrap()).unwrap();
                }
            }
        }
    }
}
