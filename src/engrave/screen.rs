//! The practice screen's picture: a size is chosen for the stage, the music set, painted, and joined to the keyboard.
//! In: [`Music`], the stage's [`StageRange`], the room there is. Out: a [`CellGrid`], or the size it would need.
//! The size depends on the stage and the room alone, so that staves stand still from prompt to prompt.

use super::draw;
use super::grid::{CellGrid, CellStyle, Heights, Scale, Size, Spare, View};
use super::keyboard::{Keyboard, KeyboardMarks, LABEL, sign};
use super::layout::{
    BRACE, Frame, Layout, Presence, easy_width, ink, lay_out, least_width, usual_width,
};
use super::list::Ink;
use super::music::{Music, Reach, Role, StageRange, Staves};
use super::phrase::Phrase;
use crate::theory::{Clef, StaffStep};

/// The room is too small for the stage in any form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the staff needs {} columns and {} rows; make the window larger or its letters smaller",
    needed.columns,
    needed.rows
)]
pub struct TooSmall {
    /// The least that holds it.
    pub needed: Size,
}

/// Columns of the other staff's lines where it is only partly in the picture.
const STUB_COLUMNS: f64 = 8.0;

/// More rows than any pitch needs: octaves −1 to 9 are 77 steps, two rows each at most where it is drawn largest.
const MOST_ROWS: u16 = 1000;

/// What is tried, from the best: dots a space, whole system or one staff of it, with or without labels.
const TRIALS: [(Scale, bool, bool); 14] = [
    (Scale::Sixteen, true, true),
    (Scale::Twelve, true, true),
    (Scale::Eight, true, true),
    (Scale::Eight, true, false),
    (Scale::Six, true, true),
    (Scale::Six, true, false),
    (Scale::Eight, false, true),
    (Scale::Eight, false, false),
    (Scale::Six, false, true),
    (Scale::Six, false, false),
    (Scale::Five, true, true),
    (Scale::Five, true, false),
    (Scale::Five, false, true),
    (Scale::Five, false, false),
];

/// A size that fits.
#[derive(Debug, Clone, PartialEq)]
struct Plan {
    view: View,
    width: f64,
    /// The whole system is in the picture.
    whole: bool,
    keyboard: Keyboard,
    labels: Option<u16>,
}

fn styles(style: CellStyle, scale: Scale) -> bool {
    match style {
        CellStyle::Braille => true,
        // Fewer dots a cell: below a row a step nothing can be told apart.
        CellStyle::Quadrants | CellStyle::HalfBlocks => scale >= Scale::Eight,
        CellStyle::Ascii => scale == Scale::Eight,
    }
}

/// Columns left of the bar line.
fn brace_columns(staves: Staves, scale: Scale, style: CellStyle) -> u16 {
    match staves {
        Staves::Grand if style != CellStyle::Ascii => (BRACE * scale.dots() / 2.0).ceil() as u16,
        _ => 0,
    }
}

/// Columns a staff `width` spaces long takes, brace and bar line with it: the bar stands in the middle of its column.
fn staff_columns(staves: Staves, scale: Scale, style: CellStyle, width: f64) -> u16 {
    brace_columns(staves, scale, style) + (width * scale.dots() / 2.0 + 0.5).ceil() as u16
}

/// What must be seen when only the staff of `clef` is drawn whole: all its notes, or those on `side` of its middle.
fn window(range: &StageRange, clef: Clef, side: Option<Side>, rows_only: bool) -> Reach {
    let staff = StageRange::staff(clef, rows_only);
    let Some(notes) = range.notes(clef, rows_only) else {
        return staff;
    };
    match side {
        None => staff.with(notes),
        Some(Side::Above) => staff.with(Reach {
            low: staff.low,
            high: notes.high,
        }),
        Some(Side::Below) => staff.with(Reach {
            low: notes.low,
            high: staff.high,
        }),
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Above,
    Below,
}

/// The staff in question and the side of it its first note lies on.
fn question(phrase: &Phrase) -> (Clef, Side) {
    let first = phrase.notes().next();
    let clef = first.map_or(phrase.staves.clefs()[0], |note| note.clef);
    let step = first.map_or(4, |note| StaffStep::of(note.pitch, note.clef).0);
    (clef, if step < 4 { Side::Below } else { Side::Above })
}

fn heights(
    range: &StageRange,
    (scale, whole): (Scale, bool),
    rows: u16,
    style: CellStyle,
    (clef, side): (Clef, Side),
) -> Option<Heights> {
    let rows_only = style == CellStyle::Ascii;
    let line = clef.bottom_line().diatonic();
    if whole {
        let reach = range.whole(rows_only);
        return Heights::fit(scale, line, reach.low, reach.high, rows, Spare::Both);
    }
    let spare = match (range.staves(), clef) {
        (Staves::Grand, Clef::Bass) => Spare::Above,
        (Staves::Grand, _) => Spare::Below,
        _ => Spare::Both,
    };
    [None, Some(side)].into_iter().find_map(|side| {
        let reach = window(range, clef, side, rows_only);
        Heights::fit(scale, line, reach.low, reach.high, rows, spare)
    })
}

/// Whether every item of the stage fits: a size that suits only some would make the staff jump.
fn holds_stage(range: &StageRange, trial: (Scale, bool), rows: u16, style: CellStyle) -> bool {
    range.staves().clefs().into_iter().all(|clef| {
        [Side::Above, Side::Below]
            .into_iter()
            .all(|side| heights(range, trial, rows, style, (clef, side)).is_some())
    })
}

fn plan(
    least_width: f64,
    question: (Clef, Side),
    range: &StageRange,
    size: Size,
    style: CellStyle,
    trial: (Scale, bool, bool),
) -> Option<Plan> {
    let (scale, whole, labelled) = trial;
    if !styles(style, scale) || !holds_stage(range, (scale, whole), size.rows, style) {
        return None;
    }
    let heights = heights(range, (scale, whole), size.rows, style, question)?;
    let (back, front) = Keyboard::widths(scale.dots(), style);
    // A blank column each side of the keyboard; the right one holds its edge.
    let beside = 1 + back + front + 1 + if labelled { LABEL } else { 0 };
    let columns = |width: f64| staff_columns(range.staves(), scale, style, width);
    let least = columns(least_width);
    let room = size.columns.checked_sub(beside).filter(|r| *r >= least)?;
    let staff = columns(easy_width(range)).max(least).min(room);
    let left = (size.columns - staff - beside) / 2;
    let brace = brace_columns(range.staves(), scale, style);
    let end = left + staff;
    Some(Plan {
        view: View {
            heights,
            bar: usize::from(left + brace),
            end: usize::from(end),
        },
        width: (f64::from(staff - brace) - 0.5) * 2.0 / scale.dots(),
        whole,
        keyboard: Keyboard {
            left: end + 1,
            back,
            front,
            rows: size.rows,
            heights,
            style,
        },
        labels: labelled.then_some(end + 1 + back + front + 1),
    })
}

/// The least size in which [`picture`] draws the stage's items, with accidentals on half a group's notes.
pub fn needed(range: &StageRange, style: CellStyle) -> Size {
    least_size(range, style, usual_width(range))
}

fn least_size(range: &StageRange, style: CellStyle, width: f64) -> Size {
    let rows_for = |scale: Scale, whole: bool| {
        (1..MOST_ROWS).find(|&rows| holds_stage(range, (scale, whole), rows, style))
    };
    TRIALS
        .iter()
        .filter(|(scale, ..)| styles(style, *scale))
        .filter_map(|&(scale, whole, _)| {
            let (back, front) = Keyboard::widths(scale.dots(), style);
            Some(Size {
                columns: staff_columns(range.staves(), scale, style, width) + back + front + 2,
                rows: rows_for(scale, whole)?,
            })
        })
        .min_by_key(|size| (size.rows, size.columns))
        .expect("every style has a scale, and no pitch lies farther off")
}

/// Draws `music` beside the keyboard in `size` cells. Without `keyboard` its place stays empty, so that the staff
/// does not move when it is shown. Errors: [`TooSmall`] when the stage fits in no form.
pub fn picture(
    music: &Music,
    range: &StageRange,
    size: Size,
    style: CellStyle,
    keyboard: Option<&KeyboardMarks>,
) -> Result<CellGrid, TooSmall> {
    phrase_picture(&Phrase::from(music), range, size, style, keyboard)
}

/// The same for music with note values, bars and changes of key. Errors: [`TooSmall`].
pub fn phrase_picture(
    phrase: &Phrase,
    range: &StageRange,
    size: Size,
    style: CellStyle,
    keyboard: Option<&KeyboardMarks>,
) -> Result<CellGrid, TooSmall> {
    let least_width = usual_width(range).max(least_width(phrase));
    let question = question(phrase);
    let plan = TRIALS
        .iter()
        .find_map(|&trial| plan(least_width, question, range, size, style, trial))
        .ok_or_else(|| TooSmall {
            needed: least_size(range, style, least_width),
        })?;
    let mut grid = CellGrid::new(size);
    let staves = presences(phrase, question.0, &plan);
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
        _ => draw::cells::paint(&layout, &plan.view, style, &mut grid),
    }
    name_other_staff(&staves, &plan, style, &mut grid);
    headings(&layout, &plan, style, &mut grid);
    if let Some(marks) = keyboard {
        leaders(&layout, marks, &plan, style, &mut grid);
        draw::keys::paint(&plan.keyboard, marks, plan.labels, &mut grid);
        grid.keyboard = Some(plan.keyboard);
    }
    Ok(grid)
}

/// How much of each staff is drawn: the other one only as a stub in a window, and not at all where a note's ledger
/// lines stand in its place.
fn presences(phrase: &Phrase, asked: Clef, plan: &Plan) -> Vec<(Clef, Presence)> {
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
            let presence = if several && across(clef) {
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

/// From a marked note to its key: along the note's row, then up or down to the key's.
fn leaders(
    layout: &Layout,
    marks: &KeyboardMarks,
    plan: &Plan,
    style: CellStyle,
    grid: &mut CellGrid,
) {
    let end = i32::from(plan.keyboard.left);
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
            matches!(grid.symbol(column, row), Some(' ' | '─' | '-' | '╌'))
        };
        // Another note in the way ends it there: it would seem to come from that one.
        if (reach..end).any(|column| !free(grid, column)) {
            continue;
        }
        // On a staff line the line itself is recoloured, and runs on to the keyboard.
        let lined = (reach..end)
            .filter_map(|column| grid.symbol(column, row))
            .find(|symbol| matches!(symbol, '─' | '-'));
        let dash = if style == CellStyle::Ascii {
            '.'
        } else {
            '╌'
        };
        for column in reach..end {
            grid.put(column, row, lined.unwrap_or(dash), ink);
        }
        let to = plan.keyboard.sign_row(key);
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
