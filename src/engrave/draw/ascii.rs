//! The plain twin: letters and signs, a row a staff step, of the same meaning as the drawn picture.
//! In: a layout and its view. Out: cells of a [`CellGrid`]. The pictures of the clefs are ours.

use crate::engrave::font::music_font;
use crate::engrave::grid::{CellGrid, View};
use crate::engrave::layout::Layout;
use crate::engrave::list::{Ink, Part, Shape};
use crate::engrave::metrics::Glyph;
use crate::engrave::music::ACCIDENTAL_GAP;

/// A clef's rows from the top, and how many rows the first lies above the clef's own pitch. A dot is left open.
const G_CLEF: (&[&str], i32) = (
    &[
        "    __", "   /..\\", "  |....|", "  |...|", "  |../", "  |./", "  /|", " /.|__",
        "|..|..\\", "|.(@)..|", ".\\.|../", "..`+-'", "   |", "(__/",
    ],
    9,
);
const F_CLEF: (&[&str], i32) = (
    &[
        ".,--.",
        "/....\\.o",
        "(@)...|",
        "......|.o",
        "...../",
        "..../",
        "...'",
    ],
    2,
);
const C_CLEF: (&[&str], i32) = (
    &[
        "[].,-.", "[].o..)", "[]....)", "[]...'", "[]--<", "[]...,", "[]....)", "[].o..)", "[].`-'",
    ],
    4,
);

/// What stands for a glyph in one row.
fn text(glyph: Glyph) -> Option<&'static str> {
    Some(match glyph {
        Glyph::HeadBlack => "(@)",
        Glyph::HeadX => "(x)",
        Glyph::Diamond => "<*>",
        Glyph::HeadHalf | Glyph::HeadWhole => "( )",
        Glyph::Sharp => "#",
        Glyph::Flat => "b",
        Glyph::Natural => "n",
        Glyph::DoubleSharp => "##",
        Glyph::DoubleFlat => "bb",
        _ => return None,
    })
}

fn art(glyph: Glyph) -> Option<(&'static [&'static str], i32)> {
    match glyph {
        Glyph::GClef | Glyph::GClef8Below => Some(G_CLEF),
        Glyph::FClef => Some(F_CLEF),
        Glyph::CClef => Some(C_CLEF),
        _ => None,
    }
}

/// A stroke a flag, from the stem's tip on.
fn flag(glyph: Glyph, column: i32, tip: i32, ink: Ink, grid: &mut CellGrid) {
    let (stroke, rows) = match glyph {
        Glyph::Flag8Up => ('\\', 0..1),
        Glyph::Flag16Up => ('\\', 0..2),
        Glyph::Flag8Down => ('/', 0..1),
        _ => ('/', -1..1),
    };
    for row in rows {
        grid.put(column, tip + row, stroke, ink);
    }
}

/// Paints `layout` into `grid`.
pub(in crate::engrave) fn paint(layout: &Layout, view: &View, grid: &mut CellGrid) {
    let row = |y: f64| view.heights.row(2.0 * y);
    for mark in &layout.list.marks {
        match mark.shape {
            Shape::Line { from, to, .. } if from.x == to.x => {
                let column = view.column(from.x) as i32;
                for y in row(to.y)..=row(from.y) {
                    // A head is three columns wide and holds the stem's own.
                    let taken = !matches!(grid.symbol(column, y), Some(' ' | '-'));
                    if !(mark.part == Part::Stem && taken) {
                        grid.put(column, y, '|', mark.ink);
                    }
                }
            }
            Shape::Line { from, to, .. } => {
                let columns = view.column(from.x).floor() as i32..view.column(to.x).round() as i32;
                for x in columns.start..columns.end.min(view.end as i32) {
                    grid.put(x, row(from.y), '-', mark.ink);
                }
            }
            Shape::Glyph { glyph, at } => {
                let left = view.column(at.x).floor() as i32;
                if let Some((lines, above)) = art(glyph) {
                    let top = row(at.y) - above;
                    for (y, line) in (top..).zip(lines.iter()) {
                        for (x, symbol) in (left..).zip(line.chars()) {
                            if symbol != '.' && symbol != ' ' {
                                grid.put(x, y, symbol, mark.ink);
                            }
                        }
                    }
                    if glyph == Glyph::GClef8Below {
                        grid.put(left + 3, top + lines.len() as i32, '8', mark.ink);
                    }
                } else if mark.part == Part::Flag {
                    flag(glyph, left + 1, row(at.y), mark.ink, grid);
                } else if let Some(text) = text(glyph) {
                    // An accidental's sign is narrower than the glyph: it keeps to the head's side, a column off.
                    let right = at.x + music_font().metrics.bounds(glyph).right + ACCIDENTAL_GAP;
                    let left = match mark.part {
                        Part::Accidental => {
                            view.column(right).floor() as i32 - 1 - text.len() as i32
                        }
                        _ => left,
                    };
                    grid.write(left, row(at.y), text, mark.ink);
                }
            }
            Shape::Stretched { .. } => {}
        }
    }
}
