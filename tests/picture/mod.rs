//! Pictures of a screen as a terminal shows it.
//! Fonts: DejaVu Sans Mono for letters and signs, and, as a terminal falls back, DejaVu Sans fitted to the cell's width
//! for the Braille that the monospace face lacks. They come from Debian's fonts-dejavu-core and are not kept here. Blocks and box lines are drawn to the cell's edges,
//! as terminals draw them.
#![allow(dead_code)] // each test file uses its own part

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use tiny_skia::{Color, FillRule, Paint, PathBuilder, Pixmap, Rect, Transform};

/// Pixels of a cell: DejaVu Sans Mono advances 9 pixels at 15 pixels an em.
pub const CELL: (f32, f32) = (9.0, 18.0);
const EM: f32 = 15.0;
/// From a cell's top to the baseline.
const BASELINE: f32 = 14.0;

pub type Rgb = [u8; 3];

/// One cell as a terminal holds it; colours left out are the terminal's own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    pub symbol: char,
    pub front: Option<Rgb>,
    pub back: Option<Rgb>,
    pub dim: bool,
    pub bold: bool,
    pub reversed: bool,
}

impl Look {
    pub fn plain(symbol: char) -> Look {
        Look {
            symbol,
            front: None,
            back: None,
            dim: false,
            bold: false,
            reversed: false,
        }
    }
}

/// A terminal's own colours: ground and foreground.
#[derive(Debug, Clone, Copy)]
pub struct Colours {
    pub ground: Rgb,
    pub front: Rgb,
}

pub const DARK: Colours = Colours {
    ground: [0x1c, 0x1c, 0x1c],
    front: [0xe4, 0xe4, 0xe4],
};
pub const LIGHT: Colours = Colours {
    ground: [0xfa, 0xfa, 0xfa],
    front: [0x20, 0x20, 0x20],
};

/// Where pictures are written, if anywhere.
pub fn folder() -> Option<PathBuf> {
    let folder = PathBuf::from(std::env::var_os("STAVELARK_GALLERY")?);
    std::fs::create_dir_all(&folder).unwrap();
    Some(folder)
}

struct Font {
    face: ttf_parser::Face<'static>,
    /// Pixels a unit, across and up.
    scale: (f32, f32),
}

impl Font {
    fn open(name: &str) -> Font {
        let path = Path::new("/usr/share/fonts/truetype/dejavu").join(name);
        assert!(path.exists(), "this test needs {name}: sh .ci/setup tests");
        let bytes: &'static [u8] = Box::leak(std::fs::read(path).unwrap().into_boxed_slice());
        let face = ttf_parser::Face::parse(bytes, 0).unwrap();
        let up = EM / f32::from(face.units_per_em());
        let widest = if name.contains("Mono") { 'M' } else { '⣿' };
        let advance = face
            .glyph_index(widest)
            .and_then(|id| face.glyph_hor_advance(id));
        let scale = (CELL.0 / f32::from(advance.unwrap()), up);
        Font { face, scale }
    }

    fn path(&self, symbol: char) -> Option<tiny_skia::Path> {
        let id = self.face.glyph_index(symbol)?;
        let mut pen = Pen(PathBuilder::new(), self.scale.0, self.scale.1);
        self.face.outline_glyph(id, &mut pen)?;
        pen.0.finish()
    }
}

/// Path, and pixels a unit across and up.
struct Pen(PathBuilder, f32, f32);

impl ttf_parser::OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.0.move_to(x * self.1, BASELINE - y * self.2);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.0.line_to(x * self.1, BASELINE - y * self.2);
    }
    fn quad_to(&mut self, a: f32, b: f32, x: f32, y: f32) {
        let (s, t) = (self.1, self.2);
        self.0
            .quad_to(a * s, BASELINE - b * t, x * s, BASELINE - y * t);
    }
    fn curve_to(&mut self, a: f32, b: f32, c: f32, d: f32, x: f32, y: f32) {
        let (s, t) = (self.1, self.2);
        let up = |y: f32| BASELINE - y * t;
        self.0.cubic_to(a * s, up(b), c * s, up(d), x * s, up(y));
    }
    fn close(&mut self) {
        self.0.close();
    }
}

/// Draws screens with fonts opened once.
pub struct Painter {
    fonts: [Font; 2],
    bold: Font,
    paths: HashMap<(char, bool), Option<tiny_skia::Path>>,
}

impl Painter {
    pub fn new() -> Painter {
        Painter {
            fonts: [
                Font::open("DejaVuSansMono.ttf"),
                Font::open("DejaVuSans.ttf"),
            ],
            bold: Font::open("DejaVuSansMono-Bold.ttf"),
            paths: HashMap::new(),
        }
    }

    fn glyph(&mut self, symbol: char, bold: bool) -> Option<tiny_skia::Path> {
        let (fonts, heavy) = (&self.fonts, &self.bold);
        self.paths
            .entry((symbol, bold))
            .or_insert_with(|| {
                let first = if bold { heavy.path(symbol) } else { None };
                first.or_else(|| fonts.iter().find_map(|font| font.path(symbol)))
            })
            .clone()
    }

    /// A screen of `width` columns as PNG bytes. Panics on a symbol that neither font has.
    pub fn png(&mut self, cells: &[Look], width: usize, colours: Colours) -> Vec<u8> {
        self.pixmap(cells, width, colours).encode_png().unwrap()
    }

    pub fn pixmap(&mut self, cells: &[Look], width: usize, colours: Colours) -> Pixmap {
        let rows = cells.len() / width;
        let mut map =
            Pixmap::new(width as u32 * CELL.0 as u32, rows as u32 * CELL.1 as u32).unwrap();
        map.fill(colour(colours.ground));
        for (index, cell) in cells.iter().enumerate() {
            let left = (index % width) as f32 * CELL.0;
            let top = (index / width) as f32 * CELL.1;
            let mut front = cell.front.unwrap_or(colours.front);
            let mut back = cell.back.unwrap_or(colours.ground);
            if cell.reversed {
                (front, back) = (back, front);
            }
            if cell.dim {
                front = mix(back, front, 0.6);
            }
            if back != colours.ground {
                fill(&mut map, left, top, CELL.0, CELL.1, back, 1.0);
            }
            if cell.symbol == ' ' {
                continue;
            }
            if let Some(boxes) = blocks(cell.symbol) {
                for (x, y, w, h, cover) in boxes {
                    fill(&mut map, left + x, top + y, w, h, front, cover);
                }
                continue;
            }
            let path = self
                .glyph(cell.symbol, cell.bold)
                .unwrap_or_else(|| panic!("no font has {:?}", cell.symbol));
            let mut paint = Paint::default();
            paint.set_color(colour(front));
            let at = Transform::from_translate(left, top);
            map.fill_path(&path, &paint, FillRule::Winding, at, None);
        }
        map
    }
}

fn colour(c: Rgb) -> Color {
    Color::from_rgba8(c[0], c[1], c[2], 255)
}

fn mix(a: Rgb, b: Rgb, t: f32) -> Rgb {
    std::array::from_fn(|i| (f32::from(a[i]) * (1.0 - t) + f32::from(b[i]) * t).round() as u8)
}

fn fill(map: &mut Pixmap, x: f32, y: f32, w: f32, h: f32, front: Rgb, cover: f32) {
    let mut paint = Paint::default();
    let mut c = colour(front);
    c.set_alpha(cover);
    paint.set_color(c);
    if let Some(rect) = Rect::from_xywh(x, y, w, h) {
        map.fill_rect(rect, &paint, Transform::identity(), None);
    }
}

/// Source: Unicode 16, Symbols for Legacy Computing Supplement.
const OLDER_OCTANTS: [u32; 26] = [
    0, 1, 2, 3, 5, 10, 15, 20, 40, 63, 64, 80, 85, 90, 95, 128, 160, 165, 170, 175, 192, 240, 245,
    250, 252, 255,
];

type Boxed = (f32, f32, f32, f32, f32);

/// What a terminal draws itself: x, y, width, height and cover of each piece.
fn blocks(symbol: char) -> Option<Vec<Boxed>> {
    let (w, h) = CELL;
    let (mx, my) = ((w / 2.0).floor(), (h / 2.0).floor());
    let left = (0.0, my, mx + 1.0, 1.0, 1.0);
    let right = (mx, my, w - mx, 1.0, 1.0);
    let up = (mx, 0.0, 1.0, my + 1.0, 1.0);
    let down = (mx, my, 1.0, h - my, 1.0);
    let code = symbol as u32;
    let grid = |across: u32, down: u32, bits: u32| -> Vec<Boxed> {
        let edge = |i: u32, of: u32, size: f32| (size * i as f32 / of as f32).round();
        (0..across * down)
            .filter(|i| bits & (1 << i) != 0)
            .map(|i| {
                let (x, y) = (i % across, i / across);
                let (x0, x1) = (edge(x, across, w), edge(x + 1, across, w));
                let (y0, y1) = (edge(y, down, h), edge(y + 1, down, h));
                (x0, y0, x1 - x0, y1 - y0, 1.0)
            })
            .collect()
    };
    Some(match symbol {
        '─' => vec![left, right],
        '│' => vec![up, down],
        '┌' => vec![right, down],
        '┐' => vec![left, down],
        '└' => vec![right, up],
        '┘' => vec![left, up],
        '├' => vec![right, up, down],
        '┤' => vec![left, up, down],
        '┬' => vec![left, right, down],
        '┴' => vec![left, right, up],
        '┼' => vec![left, right, up, down],
        '╌' => vec![(1.0, my, 3.0, 1.0, 1.0), (5.0, my, 3.0, 1.0, 1.0)],
        '┊' => (0..4)
            .map(|i| (mx, 1.0 + 4.5 * i as f32, 1.0, 2.0, 1.0))
            .collect(),
        '▔' => vec![(0.0, 0.0, w, (h / 8.0).round(), 1.0)],
        '▀' => vec![(0.0, 0.0, w, h / 2.0, 1.0)],
        '▐' => vec![(w / 2.0, 0.0, w / 2.0, h, 1.0)],
        '░' => vec![(0.0, 0.0, w, h, 0.25)],
        '▒' => vec![(0.0, 0.0, w, h, 0.5)],
        '▓' => vec![(0.0, 0.0, w, h, 0.75)],
        '▁'..='█' => {
            let part = ((code - 0x2580) as f32 * h / 8.0).round();
            vec![(0.0, h - part, w, part, 1.0)]
        }
        '▉'..='▏' => vec![(0.0, 0.0, ((0x2590 - code) as f32 * w / 8.0).round(), h, 1.0)],
        '▖'..='▟' => {
            let bits = [4, 8, 1, 13, 9, 7, 11, 2, 6, 14][(code - 0x2596) as usize];
            grid(2, 2, bits)
        }
        '━' => vec![(0.0, my - 1.0, w, 3.0, 1.0)],
        '┃' => vec![(mx - 1.0, 0.0, 3.0, h, 1.0)],
        '┏' => vec![
            (mx - 1.0, my - 1.0, 3.0, h - my + 1.0, 1.0),
            (mx, my - 1.0, w - mx, 3.0, 1.0),
        ],
        '┗' => vec![
            (mx - 1.0, 0.0, 3.0, my + 2.0, 1.0),
            (mx, my - 1.0, w - mx, 3.0, 1.0),
        ],
        '┣' => vec![
            (mx - 1.0, 0.0, 3.0, h, 1.0),
            (mx, my - 1.0, w - mx, 3.0, 1.0),
        ],
        '\u{1CD00}'..='\u{1CDE5}' => {
            // Octants leave out the pieces that are older characters.
            let bits = (0..=255).filter(|bits| !OLDER_OCTANTS.contains(bits));
            grid(
                2,
                4,
                bits.into_iter().nth((code - 0x1CD00) as usize).unwrap(),
            )
        }
        '\u{1CEA8}' => grid(2, 4, 1),
        '\u{1CEAB}' => grid(2, 4, 2),
        '\u{1FB82}' => grid(2, 4, 3),
        '\u{1FBE6}' => grid(2, 4, 20),
        '\u{1FBE7}' => grid(2, 4, 40),
        '\u{1FB85}' => grid(2, 4, 63),
        '\u{1CEA3}' => grid(2, 4, 64),
        '\u{1CEA0}' => grid(2, 4, 128),
        '\u{1FB00}'..='\u{1FB3B}' => {
            // Sextants leave out the pieces that are half blocks already.
            let n = code - 0x1FB00 + 1;
            let bits = n + u32::from(n >= 21) + u32::from(n + u32::from(n >= 21) >= 42);
            grid(2, 3, bits)
        }
        _ => return None,
    })
}
