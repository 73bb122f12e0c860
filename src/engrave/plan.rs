//! A size for the stage: how many dots a staff space, the whole system or one staff of it, with which company.
//! In: the stage's [`StageRange`], the room there is. Out: a [`Plan`], or the size it would need.
//! The size depends on the stage and the room alone, so that staves stand still from prompt to prompt.

use super::grid::{CellStyle, Heights, Scale, Size, Spare, View};
use super::keyboard::{Keyboard, LABEL};
use super::layout::{BRACE, easy_width, usual_width};
use super::music::{Reach, StageRange, Staves};
use super::phrase::Phrase;
use crate::theory::{Clef, StaffStep};

/// How a picture is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Manner {
    /// What it is made of.
    pub style: CellStyle,
    /// For weak eyes: the staff in question alone, as large as the window allows; the keyboard only where it still fits.
    pub magnified: bool,
    /// To be painted in pixels: fine enough for every size.
    pub pixels: bool,
}

impl From<CellStyle> for Manner {
    fn from(style: CellStyle) -> Manner {
        Manner {
            style,
            magnified: false,
            pixels: false,
        }
    }
}

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

/// More rows than any pitch needs: octaves −1 to 9 are 77 steps, five rows each at most where it is drawn largest.
const MOST_ROWS: u16 = 1000;

/// What stands beside the staff.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Company {
    /// Nothing.
    None,
    /// The keyboard.
    Keyboard,
    /// The keyboard and words beside its keys.
    Labels,
}

/// Dots a space, the whole system or one staff of it, and what stands beside it.
type Trial = (Scale, bool, Company);

const BOTH: [Company; 2] = [Company::Labels, Company::Keyboard];

/// What is tried, from the best.
fn trials(manner: Manner) -> Vec<Trial> {
    let several = |scales: &[(Scale, bool)], companies: &[Company]| -> Vec<Trial> {
        scales
            .iter()
            .flat_map(|&(scale, whole)| companies.iter().map(move |&c| (scale, whole, c)))
            .collect()
    };
    if manner.magnified {
        let scales = [
            Scale::FORTY,
            Scale::THIRTY_TWO,
            Scale::TWENTY_FOUR,
            Scale::TWENTY,
            Scale::SIXTEEN,
            Scale::TWELVE,
            Scale::EIGHT,
            Scale::SIX,
            Scale::FIVE,
        ];
        let all = [Company::Labels, Company::Keyboard, Company::None];
        return several(&scales.map(|scale| (scale, false)), &all);
    }
    let mut trials = several(
        &[(Scale::SIXTEEN, true), (Scale::TWELVE, true)],
        &[Company::Labels],
    );
    let scales = [
        (Scale::EIGHT, true),
        (Scale::SEVEN, true),
        (Scale::SIX, true),
        (Scale::EIGHT, false),
        (Scale::SIX, false),
        (Scale::FIVE, true),
        (Scale::FIVE, false),
    ];
    let scales: Vec<(Scale, bool)> = scales
        .into_iter()
        .filter(|(scale, _)| manner.pixels || *scale != Scale::SEVEN)
        .collect();
    trials.extend(several(&scales, &BOTH));
    // A long group may take the keyboard's columns.
    trials.extend(several(&scales, &[Company::None]));
    trials
}

/// A size that fits.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plan {
    pub(super) view: View,
    /// The first column, of the brace where there is one.
    pub(super) left: u16,
    /// Staff spaces from the bar line to the end of the staff.
    pub(super) width: f64,
    /// The whole system is in the picture.
    pub(super) whole: bool,
    pub(super) keyboard: Option<Keyboard>,
    pub(super) labels: Option<u16>,
}

fn suits(style: CellStyle, scale: Scale) -> bool {
    match style {
        CellStyle::Braille | CellStyle::Octants => true,
        // Fewer dots a cell: below a row a step nothing can be told apart.
        CellStyle::Sextants | CellStyle::Quadrants | CellStyle::HalfBlocks => scale >= Scale::EIGHT,
        CellStyle::Ascii => scale == Scale::EIGHT,
    }
}

/// Columns left of the bar line.
fn brace_columns(staves: Staves, scale: Scale, manner: Manner) -> u16 {
    match staves {
        Staves::Grand if manner.style != CellStyle::Ascii && !manner.magnified => {
            (BRACE * scale.dots() / 2.0).ceil() as u16
        }
        _ => 0,
    }
}

/// Columns a staff `width` spaces long takes, brace and bar line with it: the bar stands in the middle of its column.
fn staff_columns(staves: Staves, scale: Scale, manner: Manner, width: f64) -> u16 {
    brace_columns(staves, scale, manner) + (width * scale.dots() / 2.0 + 0.5).ceil() as u16
}

/// What must be seen when only the staff of `clef` is drawn whole: all its notes, or those on `side` of its middle.
fn window(range: &StageRange, clef: Clef, side: Option<Side>, manner: Manner) -> Reach {
    let rows_only = manner.style == CellStyle::Ascii;
    // Magnified, a clef may be cut: its middle says enough, and the notes gain the rows.
    let staff = StageRange::staff(clef, rows_only || manner.magnified);
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
pub(super) enum Side {
    Above,
    Below,
}

/// The staff in question and the side of it its first note lies on.
pub(super) fn question(phrase: &Phrase) -> (Clef, Side) {
    let note = phrase.notes().next().map(|note| (note.pitch, note.clef));
    let sounding = phrase
        .sounding()
        .next()
        .map(|point| (point.pitch, point.clef));
    let first = note.or(sounding);
    let clef = first.map_or(phrase.staves.clefs()[0], |(_, clef)| clef);
    let step = first.map_or(4, |(pitch, clef)| StaffStep::of(pitch, clef).0);
    (clef, if step < 4 { Side::Below } else { Side::Above })
}

fn heights(
    range: &StageRange,
    (scale, whole): (Scale, bool),
    rows: u16,
    manner: Manner,
    (clef, side): (Clef, Side),
) -> Option<Heights> {
    let rows_only = manner.style == CellStyle::Ascii;
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
        let reach = window(range, clef, side, manner);
        Heights::fit(scale, line, reach.low, reach.high, rows, spare)
    })
}

/// Whether every item of the stage fits: a size that suits only some would make the staff jump.
fn holds_stage(range: &StageRange, trial: (Scale, bool), rows: u16, manner: Manner) -> bool {
    range.staves().clefs().into_iter().all(|clef| {
        [Side::Above, Side::Below]
            .into_iter()
            .all(|side| heights(range, trial, rows, manner, (clef, side)).is_some())
    })
}

/// Columns of the keyboard, with a blank column each side (the right one holds its edge), and of labels.
fn beside(company: Company, scale: Scale, style: CellStyle) -> u16 {
    let (back, front) = Keyboard::widths(scale.dots(), style);
    match company {
        Company::None => 0,
        Company::Keyboard => back + front + 2,
        Company::Labels => back + front + 2 + LABEL,
    }
}

fn fit(
    least_width: f64,
    question: (Clef, Side),
    range: &StageRange,
    size: Size,
    manner: Manner,
    trial: Trial,
) -> Option<Plan> {
    let (scale, whole, company) = trial;
    let style = manner.style;
    if !suits(style, scale) || !holds_stage(range, (scale, whole), size.rows, manner) {
        return None;
    }
    let heights = heights(range, (scale, whole), size.rows, manner, question)?;
    let beside = beside(company, scale, style);
    let columns = |width: f64| staff_columns(range.staves(), scale, manner, width);
    let least = columns(least_width);
    let room = size.columns.checked_sub(beside).filter(|r| *r >= least)?;
    let staff = columns(easy_width(range)).max(least).min(room);
    let left = (size.columns - staff - beside) / 2;
    let brace = brace_columns(range.staves(), scale, manner);
    let end = left + staff;
    let (back, front) = Keyboard::widths(scale.dots(), style);
    Some(Plan {
        left,
        view: View {
            heights,
            bar: usize::from(left + brace),
            end: usize::from(end),
        },
        width: (f64::from(staff - brace) - 0.5) * 2.0 / scale.dots(),
        whole,
        keyboard: (company != Company::None).then_some(Keyboard {
            left: end + 1,
            back,
            front,
            rows: size.rows,
            heights,
            style,
        }),
        labels: (company == Company::Labels).then_some(end + 1 + back + front + 1),
    })
}

/// The best size for `phrase`, which itself takes `least_width` staff spaces. Errors: [`TooSmall`].
pub(super) fn plan(
    phrase: &Phrase,
    least_width: f64,
    range: &StageRange,
    size: Size,
    manner: Manner,
) -> Result<Plan, TooSmall> {
    let least_width = usual_width(range).max(least_width);
    let question = question(phrase);
    trials(manner)
        .into_iter()
        .find_map(|trial| fit(least_width, question, range, size, manner, trial))
        .ok_or_else(|| TooSmall {
            needed: least_size(range, manner, least_width),
        })
}

/// The least size in which a picture of the stage's items is drawn, with accidentals on half a group's notes.
pub fn needed(range: &StageRange, manner: impl Into<Manner>) -> Size {
    least_size(range, manner.into(), usual_width(range))
}

fn least_size(range: &StageRange, manner: Manner, width: f64) -> Size {
    let style = manner.style;
    let rows_for = |scale: Scale, whole: bool| {
        (1..MOST_ROWS).find(|&rows| holds_stage(range, (scale, whole), rows, manner))
    };
    trials(manner)
        .into_iter()
        .filter(|(scale, ..)| suits(style, *scale))
        .filter_map(|(scale, whole, company)| {
            let staff = staff_columns(range.staves(), scale, manner, width);
            Some(Size {
                columns: staff + beside(company, scale, style),
                rows: rows_for(scale, whole)?,
            })
        })
        .min_by_key(|size| (size.rows, size.columns))
        .expect("every style has a scale, and no pitch lies farther off")
}
