//! The course as a strip to pin up: a row a stage, with what it trains in words and on a small staff, and a head for
//! each day on one line, a bar for each week of five; days already kept are filled in.

use super::{MARGIN, Style, document, one, set};
use crate::engrave::{Document, Page, Staves, Stroke, Thing, Words, broken};
use crate::study::{Item, Stage, StageKind};
use crate::theory::{Alteration, Clef, KeySignature};

/// A stage and how many of its days are kept.
#[derive(Debug, Clone, PartialEq)]
pub struct StageDays {
    /// The stage.
    pub stage: Stage,
    /// Days kept so far.
    pub kept: u32,
}

/// Practice days of a week, after each of which a bar stands.
const WEEK: u32 = 5;

/// The strip for one learner.
pub fn days(style: Style, course: &str, stages: &[StageDays], whose: &str) -> Document {
    let size = style.words();
    let space = style.space() * 0.75;
    let row = (14.0 * space).max(size * 5.0);
    let mut pages: Vec<Page> = Vec::new();
    let mut y = f64::MAX;
    let mut day = 0;
    for one_stage in stages {
        let full = pages
            .last()
            .is_none_or(|page: &Page| y + row > page.height - MARGIN);
        if full {
            let mut page = style.page();
            y = style.heading(&mut page, course, whose) + size;
            pages.push(page);
        }
        if let Some(page) = pages.last_mut() {
            stage_row(style, page, one_stage, (y, space), &mut day);
        }
        y += row;
    }
    document(course, pages)
}

fn stage_row(
    style: Style,
    page: &mut Page,
    days: &StageDays,
    (top, space): (f64, f64),
    day: &mut u32,
) {
    let size = style.words();
    let stage = &days.stage;
    let staff_width = 16.0 * space;
    let items = stage.items();
    let words_at = MARGIN + staff_width + 4.0;
    let heading = Words::new(words_at, top + size, size * 1.1, &stage.name);
    page.things.push(Thing::Heading(2, heading));
    small_staff((style, page), &items, (top, space), staff_width);
    let width = page.width - MARGIN - words_at;
    let mut y = top + size * 2.3;
    for line in broken(&trains(stage, &items), size * 0.85, width) {
        page.things
            .push(Thing::Words(Words::new(words_at, y, size * 0.85, line)));
        y += size * 1.05;
    }
    let kept = days.kept.min(stage.days);
    let says = format!("{kept} of {} days kept", stage.days);
    let line_at = y + size * 0.35;
    let radius = size * 0.42;
    let pitch = (radius * 4.0).min(width / f64::from(stage.days.max(1)));
    let mut strokes = vec![Stroke::Line {
        from: (words_at, line_at),
        to: (words_at + pitch * f64::from(stage.days), line_at),
        weight: 0.25,
        dashed: false,
    }];
    for index in 0..stage.days {
        let x = words_at + pitch * (f64::from(index) + 0.5);
        strokes.push(Stroke::Oval {
            middle: (x, line_at),
            radii: (radius * 1.15, radius * 0.85),
            fill: if index < kept { 1.0 } else { 0.0 },
            edge: 0.35,
        });
        *day += 1;
        if day.is_multiple_of(WEEK) {
            let bar = words_at + pitch * f64::from(index + 1);
            strokes.push(Stroke::Line {
                from: (bar, line_at - radius * 1.6),
                to: (bar, line_at + radius * 1.6),
                weight: 0.3,
                dashed: false,
            });
        }
    }
    page.things.push(Thing::Drawing {
        strokes,
        says: Some(says),
    });
}

/// The lowest and the highest note of a stage under its first signature: on the grand staff if it has both of its staves,
/// else on its first staff.
fn small_staff(
    (style, page): (Style, &mut Page),
    items: &[Item],
    (top, space): (f64, f64),
    width: f64,
) {
    let Some(first) = items.first() else { return };
    let on = |clef: Clef| items.iter().any(|item| item.clef == clef);
    let grand = on(Clef::Treble) && on(Clef::Bass);
    let mut items: Vec<&Item> = items
        .iter()
        .filter(|item| item.key == first.key && (grand || item.clef == first.clef))
        .collect();
    items.sort_by_key(|item| (item.pitch.diatonic(), item.pitch.midi()));
    let (Some(low), Some(high)) = (items.first(), items.last()) else {
        return;
    };
    // Heights of middle C: the grand staff reaches as far above it as below.
    let (staves, space, middle_c) = if grand {
        let space = space * 0.75;
        (Staves::Grand, space, top + 9.0 * space)
    } else {
        let bottom_line = f64::from(first.clef.bottom_line().diatonic()) / 2.0;
        let below = 14.0 - bottom_line;
        (Staves::One(first.clef), space, top + (9.0 - below) * space)
    };
    let left = if grand { MARGIN + space } else { MARGIN };
    let set = set(
        staves,
        first.key,
        vec![one(low.pitch, low.clef), one(high.pitch, high.clef)],
        (left, width - (left - MARGIN)),
        middle_c,
        space,
        format!("From {} to {}", style.says(**low), style.says(**high)),
    );
    page.things.push(Thing::Music(set.music));
}

/// What a stage trains, in words.
fn trains(stage: &Stage, items: &[Item]) -> String {
    let mut clefs: Vec<Clef> = items.iter().map(|item| item.clef).collect();
    clefs.sort_unstable();
    clefs.dedup();
    let clefs: Vec<&str> = clefs.into_iter().map(Clef::spoken).collect();
    let signed = |wanted: &[Alteration]| {
        items.iter().any(|item| {
            let written = item.key.needs_accidental(item.pitch.spelling());
            written && wanted.contains(&item.pitch.alteration)
        })
    };
    let signs = match (
        signed(&[Alteration::Sharp, Alteration::DoubleSharp]),
        signed(&[Alteration::Flat, Alteration::DoubleFlat]),
    ) {
        (true, true) => ", with sharps and flats",
        (true, false) => ", with sharps",
        (false, true) => ", with flats",
        (false, false) => "",
    };
    let keys = if items.iter().any(|i| i.key != KeySignature::NONE) {
        ", under key signatures"
    } else {
        ""
    };
    let by_ear = match stage.kind {
        StageKind::Notes | StageKind::Groups => None,
        StageKind::Find => Some("notes found by ear"),
        StageKind::Melodies => Some("short melodies by ear"),
        StageKind::Intervals => Some("intervals by ear"),
        StageKind::Reach => Some("by ear, notes that lie an interval away"),
        StageKind::Chords => Some("chords by ear"),
        StageKind::Degrees => Some("degrees of the scale by ear"),
        StageKind::InTune => Some("by ear, the higher of two notes"),
        StageKind::Beats => Some("beats of two strings, by ear"),
    };
    if let Some(what) = by_ear {
        return what.to_owned();
    }
    let what = match &stage.groups {
        Some(rules) => {
            let (least, most) = rules.notes;
            if least == most {
                format!("groups of {least} notes")
            } else {
                format!("groups of {least} to {most} notes")
            }
        }
        None => format!("{} notes", items.len()),
    };
    let staves = if clefs.len() > 1 { "staves" } else { "staff" };
    format!("{what}, {} {staves}{signs}{keys}", clefs.join(" and "))
}
