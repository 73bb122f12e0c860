//! The practice screen's picture: a size is chosen for the stage, the music set, painted, and joined to the keyboard.
//! In: [`Music`], the stage's [`StageRange`], the room there is. Out: a [`CellGrid`], or the size it would need.

use super::draw;
use super::font::music_font;
use super::grid::{CellGrid, CellStyle, Size};
use super::keyboard::{KeyboardMarks, sign};
use super::layout::{Frame, Layout, Presence, ink, lay_out, least_width};
use super::list::{Ink, Shape};
use super::metrics::Glyph;
use super::music::{Music, Role, StageRange};
use super::phrase::Phrase;
use super::plan::{Manner, Plan, TooSmall, plan, question};
use crate::theory::{Clef, StaffStep};

/// Columns of the other staff's lines where it is only partly in the picture.
const STUB_COLUMNS: f64 = 8.0;

/// Draws `music` beside the keyboard in `size` cells. Without `keyboard` its place stays empty, so that the staff
/// does not move when it is shown. Errors: [`TooSmall`] when the stage fits in no form.
pub fn picture(
    music: &Music,
    range: &StageRange,
    size: Size,
    manner: impl Into<Manner>,
    keyboard: Option<&KeyboardMarks>,
) -> Result<CellGrid, TooSmall> {
    phrase_picture(&Phrase::from(music), range, size, manner, keyboard)
}

/// The same for music with note values, bars and changes of key. Errors: [`TooSmall`].
pub fn phrase_picture(
    phrase: &Phrase,
    range: &StageRange,
    size: Size,
    manner: impl Into<Manner>,
    keyboard: Option<&KeyboardMarks>,
) -> Result<CellGrid, TooSmall> {
    let manner = manner.into();
    let plan = plan(phrase, least_width(phrase), range, size, manner)?;
    // Dots are faint beside solid pieces, which from three rows a space on draw as truly.
    let style = match manner.style {
        CellStyle::Braille
            if manner.magnified && plan.view.heights.dots_per_space() >= SOLID_FROM =>
        {
            CellStyle::Quadrants
        }
        style => style,
    };
    let heavy = manner.magnified && plan.view.heights.dots_per_space() >= SOLID_FROM;
    let mut grid = CellGrid::new(size);
    let staves = presences(phrase, question(phrase).0, &plan, manner);
    let heights = &plan.view.heights;
    let bottom = heights.height(4.0 * f64::from(size.rows));
    let frame = Frame {
        width: plan.width,
        staves: staves.clone(),
        columns: range.columns(),
        visible: (bottom / 2.0, heights.height(0.0) / 2.0),
    };
    let layout = lay_out(phrase, &frame);
    match style {
        CellStyle::Ascii => draw::ascii::paint(&layout, &plan.view, &mut grid),
        _ => draw::cells::paint(&layout, &plan.view, style, heavy, &mut grid),
    }
    name_other_staff(&staves, &plan, style, &mut grid);
    headings(&layout, &plan, style, &mut grid);
    figures(phrase, &layout, &plan, style, &mut grid);
    if let (Some(marks), Some(board)) = (keyboard, plan.keyboard.clone()) {
        leaders(&layout, marks, &plan, style, &mut grid);
        draw::keys::paint(&board, marks, plan.labels, &mut grid);
        grid.keyboard = Some(board);
    }
    Ok(grid)
}

/// Dots a staff space from which solid pieces stand for Braille in the magnified picture.
const SOLID_FROM: f64 = 12.0;

/// How much of each staff is drawn: the other one only as a stub in a window, and not at all where a note's ledger
/// lines stand in its place.
fn presences(phrase: &Phrase, asked: Clef, plan: &Plan, manner: Manner) -> Vec<(Clef, Presence)> {
    // Middle C is the last ledger line between the staves; beyond it lie the other staff's places.
    let across = |clef: Clef| {
        phrase.notes().any(|note| {
            let step = StaffStep::of(note.pitch, note.clef).0;
            note.clef != clef
                && match note.clef {
                    Clef::Treble => step < -2,
                    _ => step > 10,
                }
        })
    };
    let clefs = phrase.staves.clefs();
    let several = clefs.len() > 1;
    clefs
        .into_iter()
        .map(|clef| {
            let alone = manner.magnified && clef != asked;
            let presence = if several && (alone || across(clef)) {
                Presence::Absent
            } else if several && !plan.whole && clef != asked {
                Presence::Stub(STUB_COLUMNS * 2.0 / plan.view.heights.dots_per_space())
            } else {
                Presence::Whole
            };
            (clef, presence)
        })
        .collect()
}

/// Names a staff that is not drawn whole, and says where it lies.
fn name_other_staff(
    staves: &[(Clef, Presence)],
    plan: &Plan,
    style: CellStyle,
    grid: &mut CellGrid,
) {
    for &(clef, presence) in staves {
        if presence == Presence::Whole {
            continue;
        }
        let above = clef == Clef::Treble;
        let arrow = match (above, style == CellStyle::Ascii) {
            (true, false) => '↑',
            (false, false) => '↓',
            (true, true) => '^',
            (false, true) => 'v',
        };
        let text = format!("{} staff {arrow}", clef.name());
        let indent = match presence {
            Presence::Stub(_) => STUB_COLUMNS as i32 + 1,
            _ => 2,
        };
        let column = plan.view.bar as i32 + indent;
        let rows = i32::from(grid.height);
        let columns = column - 1..column + text.chars().count() as i32 + 1;
        let mut order: Vec<i32> = (1..rows - 1).collect();
        if !above {
            order.reverse();
        }
        if let Some(row) = order
            .into_iter()
            .find(|&row| grid.is_free(columns.clone(), row))
        {
            grid.write(column, row, &text, Ink::Dim);
        }
    }
}

/// `▸ asked` and `✗ given` above their columns, with an arrow where the note lies out of the picture.
fn headings(layout: &Layout, plan: &Plan, style: CellStyle, grid: &mut CellGrid) {
    let ascii = style == CellStyle::Ascii;
    let last = i32::from(grid.height) - 1;
    for placed in &layout.notes {
        let word = match placed.note.role {
            Role::Asked => " asked",
            Role::Given => " given",
            Role::Right | Role::Now => "",
            Role::Plain | Role::Later => continue,
        };
        let row = plan
            .view
            .heights
            .row(f64::from(placed.note.pitch.diatonic()));
        let arrow = match (row < 0, row > last) {
            (true, _) => [" ↑", " ^"][usize::from(ascii)],
            (_, true) => [" ↓", " v"][usize::from(ascii)],
            _ => "",
        };
        let text = format!("{}{word}{arrow}", sign(placed.note.role, style));
        let width = text.chars().count() as i32;
        let middle = plan
            .view
            .column((placed.head.left + placed.head.right) / 2.0);
        // The sign stands over the head where the word has room to its right.
        let column = (middle.floor() as i32 - i32::from(!word.is_empty()) * 2)
            .min(plan.view.end as i32 - width)
            .max(0);
        let columns = column..column + width;
        let order = [0, 1, last, last - 1];
        let row = order
            .into_iter()
            .find(|&row| grid.is_free(columns.clone(), row))
            .unwrap_or(0);
        grid.write(column, row, &text, ink(placed.note.role));
    }
}

/// How far each sounding pitch is off, beside its point; what lies out of the picture is told at its edge.
fn figures(phrase: &Phrase, layout: &Layout, plan: &Plan, style: CellStyle, grid: &mut CellGrid) {
    let metrics = &music_font().metrics;
    let ascii = style == CellStyle::Ascii;
    let last = i32::from(grid.height) - 1;
    for sounding in phrase.sounding() {
        let mark = layout.list.marks.iter().find(|mark| {
            matches!(mark.shape, Shape::Glyph { glyph: Glyph::Diamond, at } if at.y * 2.0 == sounding.height())
        });
        let row = plan.view.heights.row(sounding.height());
        let arrow = match (row < 0, row > last) {
            (true, _) => [" ↑", " ^"][usize::from(ascii)],
            (_, true) => [" ↓", " v"][usize::from(ascii)],
            _ => "",
        };
        let text = sounding.figure(ascii) + arrow;
        let width = text.chars().count() as i32;
        let beside = mark.map_or(0, |mark| {
            plan.view.column(mark.bounds(metrics).right).ceil() as i32 + 2
        });
        let column = match mark {
            Some(_) => beside,
            None => plan.view.end as i32 - width,
        };
        let column = column.min(plan.view.end as i32 - width).max(0);
        grid.write(column, row.clamp(0, last), &text, Ink::Sounding);
    }
}

/// From a marked note to its key: along the note's row, then up or down to the key's.
fn leaders(
    layout: &Layout,
    marks: &KeyboardMarks,
    plan: &Plan,
    style: CellStyle,
    grid: &mut CellGrid,
) {
    let Some(board) = &plan.keyboard else {
        return;
    };
    let end = i32::from(board.left);
    for placed in layout.notes.iter().rev() {
        let key = placed.note.pitch.midi();
        // Notes read rightly need no leader.
        let linked = marks.marks.iter().any(|mark| {
            matches!(mark.role, Role::Asked | Role::Given)
                && mark.role == placed.note.role
                && mark.key == key
        });
        if !linked {
            continue;
        }
        let row = plan
            .view
            .heights
            .row(f64::from(placed.note.pitch.diatonic()));
        let ink = ink(placed.note.role);
        let reach = plan.view.column(placed.head.right + 0.5).ceil() as i32;
        let free = |grid: &CellGrid, column: i32| {
            matches!(grid.symbol(column, row), Some(' ' | '─' | '━' | '-' | '╌'))
        };
        // Another note in the way ends it there: it would seem to come from that one.
        if (reach..end).any(|column| !free(grid, column)) {
            continue;
        }
        // On a staff line the line itself is recoloured, and runs on to the keyboard.
        let lined = (reach..end)
            .filter_map(|column| grid.symbol(column, row))
            .find(|symbol| matches!(symbol, '─' | '━' | '-'));
        let dash = if style == CellStyle::Ascii {
            '.'
        } else {
            '╌'
        };
        for column in reach..end {
            grid.put(column, row, lined.unwrap_or(dash), ink);
        }
        let to = board.sign_row(key);
        if to != row && style != CellStyle::Ascii {
            let down = to > row;
            grid.put(end - 1, row, if down { '┐' } else { '┘' }, ink);
            for between in (row.min(to) + 1)..row.max(to) {
                grid.put(end - 1, between, '│', ink);
            }
            grid.put(end - 1, to, if down { '└' } else { '┌' }, ink);
        }
    }
}
