//! Notes or groups of a stage set out in rows, to be read without a computer; a second page has the answers.
//! In: a stage and a seeded generator. Out: two pages of the same rows.

use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

use super::{MARGIN, Style, document, one, set};
use crate::engrave::{Document, Event, Page, Staves, Stroke, Thing, Words};
use crate::study::{GroupRules, Item, LearnerModel, Stage, Yardstick, draw_group};
use crate::theory::Clef;

/// Notes of a row, in usual and in large print.
const NOTES: usize = 8;
const LARGE: usize = 6;

/// Groups that are drawn for a row, of which those that fit are set.
const DRAWS: usize = 12;

/// Pages of rows and their answers. Every item comes once before any comes again, and none twice running; groups are drawn
/// by the stage's rules.
pub fn rows(style: Style, stage: &Stage, whose: &str, chance: &mut ChaCha8Rng) -> Document {
    let items = &stage.items();
    let notes = if style.large { LARGE } else { NOTES };
    let space = style.space();
    let height = 17.0 * space;
    let mut pages = Vec::new();
    for (title, answered) in [
        (stage.name.clone(), false),
        (format!("{}: answers", stage.name), true),
    ] {
        let mut page = style.page();
        let top = style.heading(&mut page, &title, whose);
        pages.push((page, top, answered));
    }
    let (page, top, _) = &pages[0];
    let count = ((page.height - MARGIN - top) / height) as usize;
    let mut clefs: Vec<Clef> = items.iter().map(|item| item.clef).collect();
    clefs.sort_unstable();
    clefs.dedup();
    let rows: Vec<Vec<Vec<Item>>> = (0..count)
        .filter_map(|row| {
            // Each row keeps to one staff and one signature, as printed music does.
            let clef = clefs.get(row % clefs.len().max(1))?;
            let of_clef: Vec<Item> = items.iter().filter(|i| i.clef == *clef).copied().collect();
            let key = of_clef.get(row % of_clef.len())?.key;
            let items: Vec<Item> = of_clef.into_iter().filter(|i| i.key == key).collect();
            Some(match &stage.groups {
                Some(rules) => groups(rules, &items, notes, chance),
                None => drawn(&items, notes, chance)
                    .into_iter()
                    .map(|item| vec![item])
                    .collect(),
            })
        })
        .collect();
    for (page, top, answered) in &mut pages {
        for (row, items) in rows.iter().enumerate() {
            one_row(style, page, items, *top + height * row as f64, *answered);
        }
    }
    document(
        &stage.name,
        pages.into_iter().map(|(page, ..)| page).collect(),
    )
}

/// Groups that come to no more than `count` notes; one at least.
fn groups(
    rules: &GroupRules,
    items: &[Item],
    count: usize,
    chance: &mut ChaCha8Rng,
) -> Vec<Vec<Item>> {
    // Nothing is known of whoever reads the paper, so every interval is as likely as the rules make it.
    let nobody = LearnerModel::new(Yardstick::new(0));
    let mut groups: Vec<Vec<Item>> = Vec::new();
    let mut left = count;
    for _ in 0..DRAWS {
        let group = draw_group(rules, items, &nobody, chance);
        if group.len() <= left || groups.is_empty() {
            left = left.saturating_sub(group.len());
            groups.push(group);
        }
    }
    groups
}

fn drawn(items: &[Item], count: usize, chance: &mut ChaCha8Rng) -> Vec<Item> {
    let mut row: Vec<Item> = Vec::with_capacity(count);
    let mut left: Vec<Item> = Vec::new();
    while row.len() < count && !items.is_empty() {
        if left.is_empty() {
            left = items.to_vec();
            left.shuffle(chance);
            if left.len() > 1 && left.last() == row.last() {
                left.rotate_left(1);
            }
        }
        row.extend(left.pop());
    }
    row
}

/// A row of groups with bar lines between them; a note by itself is a group of one.
fn one_row(style: Style, page: &mut Page, groups: &[Vec<Item>], top: f64, answered: bool) {
    let items: Vec<Item> = groups.concat();
    let Some(first) = items.first() else {
        return;
    };
    let space = style.space();
    let bottom_line = f64::from(first.clef.bottom_line().diatonic()) / 2.0;
    let bottom = top + 9.5 * space;
    let said: Vec<String> = items.iter().map(|item| style.says(*item)).collect();
    let says = if answered {
        said.join(", ")
    } else {
        format!("{} notes on the {} staff", items.len(), first.clef.spoken())
    };
    // A bar line after each group ends what its accidentals hold for.
    let mut events: Vec<Event> = Vec::new();
    for group in groups {
        if !events.is_empty() {
            events.push(Event::Bar);
        }
        events.extend(group.iter().map(|item| one(item.pitch, item.clef)));
    }
    let set = set(
        Staves::One(first.clef),
        first.key,
        events,
        (MARGIN, page.width - 2.0 * MARGIN),
        bottom - (14.0 - bottom_line) * space,
        space,
        says,
    );
    page.things.push(Thing::Music(set.music));
    page.things
        .push(end_line(page.width - MARGIN, bottom, space));
    if answered {
        for (item, x) in items.iter().zip(set.heads) {
            let name = style.name(item.pitch, item.key);
            let words = Words::new(x, bottom + 5.2 * space, style.words(), name).centred();
            page.things.push(Thing::Words(words));
        }
    }
}

/// The line that ends a staff at `x`, whose lowest line is at `bottom`; as heavy as a bar line (Bravura's, in spaces).
fn end_line(x: f64, bottom: f64, space: f64) -> Thing {
    const WEIGHT: f64 = 0.16;
    let x = x - WEIGHT * space / 2.0;
    Thing::Drawing {
        strokes: vec![Stroke::Line {
            from: (x, bottom - 4.0 * space),
            to: (x, bottom),
            weight: WEIGHT * space,
            dashed: false,
        }],
        says: None,
    }
}
