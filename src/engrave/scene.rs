//! The practice screen's picture for terminals that show pixels: the same size, layout and words as in cells.
//! In: as for [`picture`](super::picture). Out: a [`Scene`]: words in cells, and the staff and keyboard painted at will.

use super::draw::keys;
use super::draw::pixel_keys;
use super::draw::pixels::{self, Pixels, Sheet};
use super::grid::{CellGrid, CellStyle, Size};
use super::keyboard::{Keyboard, KeyboardMarks, white_key};
use super::list::Ink;
use super::music::StageRange;
use super::phrase::Phrase;
use super::plan::{Manner, TooSmall};
use super::screen::{Composed, Leader, compose, leaders};

/// A picture set and not yet painted.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// What is written over the picture; blank where the picture shows.
    pub words: CellGrid,
    composed: Composed,
    keyboard: Option<KeyboardMarks>,
    leaders: Vec<Leader>,
    magnified: bool,
}

/// Sets `phrase` as a scene in `size` cells. Errors: [`TooSmall`].
pub fn scene(
    phrase: &Phrase,
    range: &StageRange,
    size: Size,
    magnified: bool,
    keyboard: Option<&KeyboardMarks>,
) -> Result<Scene, TooSmall> {
    let manner = Manner {
        style: CellStyle::Braille,
        magnified,
        pixels: true,
    };
    let mut composed = compose(phrase, range, size, manner)?;
    let bare = composed.grid.clone();
    composed.write_words(phrase);
    let mut found = Vec::new();
    if let (Some(marks), Some(board)) = (keyboard, &composed.plan.keyboard) {
        found = leaders(&composed.layout, marks, &composed.plan, &composed.grid);
        for row in 0..board.rows {
            keys::name(board, marks, row, &mut composed.grid);
        }
        if let Some(column) = composed.plan.labels {
            keys::write_labels(board, marks, i32::from(column), &mut composed.grid);
        }
    }
    let mut words = CellGrid::new(size);
    for (word, (new, old)) in words
        .cells
        .iter_mut()
        .zip(composed.grid.cells.iter().zip(&bare.cells))
    {
        if new != old {
            *word = *new;
        }
    }
    if let (Some(marks), Some(board)) = (keyboard, &composed.plan.keyboard) {
        colour_names(board, marks, &mut words);
    }
    words.keyboard = keyboard.and(composed.plan.keyboard.clone());
    Ok(Scene {
        words,
        composed,
        keyboard: keyboard.cloned(),
        leaders: found,
        magnified,
    })
}

/// Names lie on their keys, marked or not.
fn colour_names(board: &Keyboard, marks: &KeyboardMarks, words: &mut CellGrid) {
    for height in (0..9).map(|octave| 7 * octave) {
        let Ok(row) = usize::try_from(board.heights.row(f64::from(height))) else {
            continue;
        };
        let width = usize::from(words.width);
        let ground = Ink::WhiteKey(marks.ink(white_key(height)));
        for cell in words.cells.iter_mut().skip(row * width).take(width) {
            if cell.ink == Ink::KeyName {
                cell.ground = ground;
            }
        }
    }
}

impl Scene {
    /// The grid's columns that the painted picture covers, in all its rows.
    pub fn columns(&self) -> std::ops::Range<u16> {
        let plan = &self.composed.plan;
        let end = match (&plan.keyboard, &self.keyboard) {
            (Some(board), Some(_)) => board.left + board.width() + 1,
            _ => plan.view.end as u16 + 1,
        };
        plan.left..end.min(self.words.width)
    }

    /// Paints staff and keyboard for cells `cell` pixels wide and high.
    pub fn paint(&self, cell: (u16, u16)) -> Pixels {
        let plan = &self.composed.plan;
        let columns = self.columns();
        let mut into = Pixels::new(
            columns.len() * usize::from(cell.0),
            usize::from(self.words.height) * usize::from(cell.1),
        );
        let sheet = Sheet {
            view: &plan.view,
            cell: (f64::from(cell.0), f64::from(cell.1)),
            left: f64::from(columns.start),
        };
        let least_line = if self.magnified { 3.0 } else { 1.0 };
        pixels::staff(&self.composed.layout, &sheet, least_line, &mut into);
        if let (Some(marks), Some(board)) = (&self.keyboard, &plan.keyboard) {
            pixel_keys::paint(board, marks, &sheet, &mut into);
            pixel_keys::leaders(&self.leaders, board, &sheet, &mut into);
        }
        into
    }
}
