//! The practice screen's picture: a size is chosen for the stage, the music set, painted, and joined to the keyboard.
//! In: [`Music`], the stage's [`StageRange`], the room there is. Out: a [`CellGrid`], or the size it would need.

use super::draw;
use super::font::music_font;
use super::grid::{CellGrid, CellStyle, Size};
use super::keyboard::{Keyboard, KeyboardMarks, sign};
use super::layout::{Frame, Layout, Presence, ink, lay_out, least_width};
use super::list::{Ink, Shape};
use super::metrics::Glyph;
use super::music::{Music, NoteMark, Role, StageRange};
use super::phrase::Phrase;
use super::plan::{Manner, Plan, TooSmall, plan, question};
use crate::theory::{Clef, MidiNote, StaffStep};

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
    let mut composed = compose(phrase, range, size, manner.into())?;
    composed.write_words(phrase);
    let Composed {
        layout,
        plan,
        style,
        mut grid,
        ..
    } = composed;
    if let (Some(marks), Some(board)) = (keyboard, plan.keyboard.clone()) {
        for leader in leaders(&layout, marks, &plan, &grid) {
            draw_leader(&leader, &board, &plan, style, &mut grid);
        }
        draw::keys::paint(&board, marks, plan.labels, &mut grid);
        grid.keyboard = Some(board);
    }
    Ok(grid)
}

/// A staff set and painted in cells, without words and keyboard.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Composed {
    pub(super) layout: Layout,
    pub(super) plan: Plan,
    pub(super) grid: CellGrid,
    pub(super) style: CellStyle,
    staves: Vec<(Clef, Presence)>,
}

impl Composed {
    /// Headings, figures, and the name of a staff that is not there.
    pub(super) fn write_words(&mut self, phrase: &Phrase) {
        let (plan, style, grid) = (&self.plan, self.style, &mut self.grid);
        name_other_staff(&self.staves, plan, style, grid);
        headings(&self.layout, plan, style, grid);
        figures(phrase, &self.layout, plan, style, grid);
    }
}

/// Chooses a size, sets `phrase` in it and paints the staff. Errors: [`TooSmall`].
pub(super) fn compose(
    phrase: &Phrase,
    range: &StageRange,
    size: Size,
    manner: Manner,
) -> Result<Composed, TooSmall> {
    let plan = plan(phrase, least_width(phrase), range, size, manner)?;
    // Dots are faint beside solid pieces, which from three rows a space on draw as truly.
    let large = manner.magnified && plan.view.heights.dots_per_space() >= SOLID_FROM;
    let style = match manner.style {
        CellStyle::Braille if large => CellStyle::Quadrants,
        style => style,
    };
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
        _ => draw::cells::paint(&layout, &plan.view, style, large, &mut grid),
    }
    Ok(Composed {
        layout,
        plan,
        grid,
        style,
        staves,
    })
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

/// The way from a marked note to its key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Leader {
    pub(super) ink: Ink,
    /// Where it begins, in staff spaces from the bar line.
    pub(super) from: f64,
    /// The note's height, in staff steps above C0.
    pub(super) height: f64,
    pub(super) key: MidiNote,
}

/// The leaders that have a free way to the keyboard.
pub(super) fn leaders(
    layout: &Layout,
    marks: &KeyboardMarks,
    plan: &Plan,
    grid: &CellGrid,
) -> Vec<Leader> {
    let Some(board) = &plan.keyboard else {
        return Vec::new();
    };
    let linked = |note: &NoteMark| {
        // Notes read rightly need no leader.
        marks.marks.iter().any(|mark| {
            matches!(mark.role, Role::Asked | Role::Given)
                && mark.role == note.role
                && mark.key == note.pitch.midi()
        })
    };
    let mut found: Vec<Leader> = Vec::new();
    for placed in layout.notes.iter().rev().filter(|p| linked(&p.note)) {
        let leader = Leader {
            ink: ink(placed.note.role),
            from: placed.head.right + 0.5,
            height: f64::from(placed.note.pitch.diatonic()),
            key: placed.note.pitch.midi(),
        };
        let row = plan.view.heights.row(leader.height);
        let reach = plan.view.column(leader.from).ceil() as i32;
        // Another note in the way ends it there: it would seem to come from that one.
        let free = (reach..i32::from(board.left))
            .filter_map(|column| grid.symbol(column, row))
            .all(|symbol| symbol == ' ' || is_line(symbol) || line_of_dots(symbol).is_some());
        let taken = found
            .iter()
            .any(|other| plan.view.heights.row(other.height) == row);
        if free && !taken {
            found.push(leader);
        }
    }
    found
}

/// Whether a cell holds a piece of a staff line and nothing else.
fn is_line(symbol: char) -> bool {
    matches!(symbol, '─' | '━' | '-')
}

/// The same in dots, where keys are narrower than a row: in which of the cell's four rows of dots, from above.
fn line_of_dots(symbol: char) -> Option<u32> {
    let line = ROWS_OF_DOTS.iter().position(|row| *row == symbol)?;
    u32::try_from(line).ok()
}

/// A cell's rows of dots, from above.
const ROWS_OF_DOTS: [char; 4] = ['⠉', '⠒', '⠤', '⣀'];

/// The staff line in row `line` of a cell with a dash of a leader in row `level` of it.
fn beside_line(line: u32, level: u32) -> char {
    let level = match level {
        level if level != line => level,
        0 => 1,
        level => level - 1,
    };
    let bits = |row: u32| ROWS_OF_DOTS[row as usize] as u32;
    char::from_u32(bits(line) | bits(level)).unwrap_or(' ')
}

/// Along the note's row, then up or down to the key's.
fn draw_leader(
    leader: &Leader,
    board: &Keyboard,
    plan: &Plan,
    style: CellStyle,
    grid: &mut CellGrid,
) {
    let end = i32::from(board.left);
    let row = plan.view.heights.row(leader.height);
    let reach = plan.view.column(leader.from).ceil() as i32;
    // On a staff line it has to stand out from the line without colour too: heavier dashes, on to the keyboard.
    let lined = (reach..end)
        .filter_map(|column| grid.symbol(column, row))
        .any(is_line);
    let dash = match (style == CellStyle::Ascii, lined) {
        (true, true) => '=',
        (true, false) => '.',
        (false, true) => '╍',
        (false, false) => '╌',
    };
    // Notes on lines have even heights.
    let on_line = leader.height % 2.0 == 0.0;
    let level = plan.view.heights.dot(leader.height) - 4.0 * f64::from(row);
    let level = level.floor().clamp(0.0, 3.0) as u32;
    for column in reach..end {
        let symbol = match grid.symbol(column, row).and_then(line_of_dots) {
            None => dash,
            Some(_) if on_line => '╍',
            // The row is the line's as well, which goes on.
            Some(line) if column % 2 == 0 => beside_line(line, level),
            Some(line) => ROWS_OF_DOTS[line as usize],
        };
        grid.put(column, row, symbol, leader.ink);
    }
    let to = board.sign_row(leader.key);
    if to != row && style != CellStyle::Ascii {
        let down = to > row;
        grid.put(end - 1, row, if down { '┐' } else { '┘' }, leader.ink);
        for between in (row.min(to) + 1)..row.max(to) {
            grid.put(end - 1, between, '│', leader.ink);
        }
        grid.put(end - 1, to, if down { '└' } else { '┌' }, leader.ink);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engrave::keyboard::KeyMark;
    use crate::engrave::music::{Column, Staves};
    use crate::theory::{KeySignature, Pitch};

    #[test]
    fn every_note_of_a_small_grand_staff_is_joined_to_its_key() {
        let notes = (16..=40).map(Pitch::from_diatonic);
        let notes: Vec<(Pitch, Clef)> = notes
            .map(|pitch| {
                let below = pitch.diatonic() < 28;
                (pitch, if below { Clef::Bass } else { Clef::Treble })
            })
            .collect();
        let signed = |(pitch, clef): &(Pitch, Clef)| (*pitch, *clef, KeySignature::NONE);
        let range = StageRange::of(Staves::Grand, notes.iter().map(signed));
        let size = Size {
            columns: 80,
            rows: 21,
        };
        for (pitch, clef) in notes {
            let role = Role::Asked;
            let mark = NoteMark { pitch, clef, role };
            let music = Music {
                staves: Staves::Grand,
                key: KeySignature::NONE,
                columns: vec![Column { notes: vec![mark] }],
            };
            let marks = KeyboardMarks {
                marks: vec![KeyMark {
                    key: pitch.midi(),
                    role,
                    label: String::new(),
                }],
            };
            let without = picture(&music, &range, size, CellStyle::Braille, None).unwrap();
            let with = picture(&music, &range, size, CellStyle::Braille, Some(&marks)).unwrap();
            let board = with.keyboard.clone().unwrap();
            let row = board.heights.row(f64::from(pitch.diatonic()));
            let changed = (0..i32::from(board.left))
                .filter(|column| with.symbol(*column, row) != without.symbol(*column, row))
                .count();
            assert!(changed > 3, "{pitch}: {changed}");
        }
    }
}
