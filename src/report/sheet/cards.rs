//! Flash cards to cut out: the note on the front, its name and its key on the back; or a group and its names. Backs stand mirrored, so that a
//! sheet turned about its long edge has each behind its front.

use rand_chacha::ChaCha8Rng;

use super::{MARGIN, Style, document, one, set};
use crate::engrave::{Document, Page, Staves, Stroke, Thing, Words, broken, text_width};
use crate::study::{
    GroupRules, Item, LearnerModel, Stage, Yardstick, draw_group, interval_in_words,
};
use crate::theory::{Clef, Letter, Pitch};

/// Cards across and down, in usual and in large print.
const GRID: (usize, usize) = (3, 4);
const LARGE: (usize, usize) = (2, 3);

/// Length of a cut mark, outside the cards.
const CUT: f64 = 5.0;

/// The cards of a stage's items, or some groups by its rules: a page of fronts, then its page of backs, and so on.
pub fn cards(style: Style, stage: &Stage, chance: &mut ChaCha8Rng) -> Document {
    let (across, down) = if style.large { LARGE } else { GRID };
    let items: Vec<Vec<Item>> = match &stage.groups {
        Some(rules) => groups(rules, &stage.items(), across * down * GROUP_PAGES, chance),
        None => stage.items().into_iter().map(|item| vec![item]).collect(),
    };
    let mut pages = Vec::new();
    for items in items.chunks(across * down) {
        let mut front = style.page();
        let mut back = style.page();
        let edge = 12.0;
        let width = (front.width - 2.0 * edge) / across as f64;
        let height = (front.height - 2.0 * edge) / down as f64;
        for page in [&mut front, &mut back] {
            cut_marks(page, (across, down), (width, height), edge);
        }
        for (index, item) in items.iter().enumerate() {
            let (column, row) = (index % across, index / across);
            let top = edge + height * row as f64;
            let at = |column: usize| (edge + width * column as f64, top);
            one_front(style, &mut front, item, at(column), (width, height));
            one_back(
                style,
                &mut back,
                item,
                at(across - 1 - column),
                (width, height),
            );
        }
        pages.extend([front, back]);
    }
    document(&format!("Cards: {}", stage.name), pages)
}

/// Sheets of cards that a stage of groups gives: there is no end to groups.
const GROUP_PAGES: usize = 2;

/// Groups on each of the staves in turn, none twice.
fn groups(
    rules: &GroupRules,
    items: &[Item],
    count: usize,
    chance: &mut ChaCha8Rng,
) -> Vec<Vec<Item>> {
    let mut clefs: Vec<Clef> = items.iter().map(|item| item.clef).collect();
    clefs.sort_unstable();
    clefs.dedup();
    // Nothing is known of whoever turns the cards, so every interval is as likely as the rules make it.
    let nobody = LearnerModel::new(Yardstick::new(0));
    let mut groups: Vec<Vec<Item>> = Vec::new();
    // A narrow stage may have fewer groups than there is room for.
    for clef in clefs.iter().cycle().take(count * 4) {
        let of_clef: Vec<Item> = items.iter().filter(|i| i.clef == *clef).copied().collect();
        let group = draw_group(rules, &of_clef, &nobody, chance);
        if groups.len() < count && !groups.contains(&group) {
            groups.push(group);
        }
    }
    groups
}

fn cut_marks(page: &mut Page, (across, down): (usize, usize), size: (f64, f64), edge: f64) {
    let mut strokes = Vec::new();
    let mut line = |from: (f64, f64), to: (f64, f64)| {
        strokes.push(Stroke::Line {
            from,
            to,
            weight: 0.2,
            dashed: false,
        });
    };
    let (right, bottom) = (page.width - edge, page.height - edge);
    for column in 0..=across {
        let x = edge + size.0 * column as f64;
        line((x, edge - CUT - 1.0), (x, edge - 1.0));
        line((x, bottom + 1.0), (x, bottom + 1.0 + CUT));
    }
    for row in 0..=down {
        let y = edge + size.1 * row as f64;
        line((edge - CUT - 1.0, y), (edge - 1.0, y));
        line((right + 1.0, y), (right + 1.0 + CUT, y));
    }
    page.things.push(Thing::Drawing {
        strokes,
        says: None,
    });
}

fn one_front(style: Style, page: &mut Page, items: &[Item], at: (f64, f64), size: (f64, f64)) {
    let Some(item) = items.first() else { return };
    // Four ledger lines on both sides of the staff leave a margin at this size.
    let space = (size.1 / 15.0).min(style.space() * 1.5);
    let width = size.0 - 12.0;
    let bottom_line = f64::from(item.clef.bottom_line().diatonic()) / 2.0;
    let bottom = at.1 + size.1 / 2.0 + 2.0 * space;
    let set = set(
        Staves::One(item.clef),
        item.key,
        items.iter().map(|i| one(i.pitch, i.clef)).collect(),
        (at.0 + 6.0, width),
        bottom - (14.0 - bottom_line) * space,
        space,
        format!("{} on the {} staff", said(style, items), item.clef.spoken()),
    );
    page.things.push(Thing::Music(set.music));
}

fn said(style: Style, items: &[Item]) -> String {
    let said: Vec<String> = items.iter().map(|item| style.says(*item)).collect();
    said.join(", ")
}

/// The names of a group, and what each note does from the one before.
fn group_back(style: Style, page: &mut Page, items: &[Item], at: (f64, f64), size: (f64, f64)) {
    let middle = at.0 + size.0 / 2.0;
    let names: Vec<String> = items.iter().map(|i| style.name(i.pitch, i.key)).collect();
    let names = names.join("  ");
    let room = size.0 - MARGIN;
    let letters = (style.words() * 1.8).min(room / text_width(&names, 1.0));
    let words = Words::new(middle, at.1 + size.1 * 0.36, letters, names).centred();
    page.things.push(Thing::Words(words));
    let moves: Vec<String> = items
        .iter()
        .filter_map(|item| item.in_group.filter(|within| within.place > 1))
        .map(|within| interval_in_words(i32::from(within.from_last)))
        .collect();
    let letters = style.words() * 0.85;
    for (row, line) in broken(&moves.join(", "), letters, room)
        .into_iter()
        .enumerate()
    {
        let y = at.1 + size.1 * 0.5 + letters * 1.4 * row as f64;
        page.things
            .push(Thing::Words(Words::new(middle, y, letters, line).centred()));
    }
}

fn one_back(style: Style, page: &mut Page, items: &[Item], at: (f64, f64), size: (f64, f64)) {
    let [item] = items else {
        return group_back(style, page, items, at, size);
    };
    let letters = style.words() * 2.6;
    let middle = at.0 + size.0 / 2.0;
    let name = style.name(item.pitch, item.key);
    let words = Words::new(middle, at.1 + size.1 * 0.42, letters, name).centred();
    page.things.push(Thing::Words(words));
    let which = format!("octave {}", item.pitch.octave);
    let words = Words::new(middle, at.1 + size.1 * 0.55, style.words() * 0.85, which).centred();
    page.things.push(Thing::Words(words));
    let says = format!("The key of {}", style.says(*item));
    page.things.push(Thing::Drawing {
        strokes: keys(
            item.pitch,
            (at.0 + size.0 * 0.15, at.1 + size.1 * 0.63),
            (size.0 * 0.7, size.1 * 0.25),
        ),
        says: Some(says),
    });
}

/// One octave of keys with a mark on the pitch's own.
fn keys(pitch: Pitch, corner: (f64, f64), size: (f64, f64)) -> Vec<Stroke> {
    let width = size.0 / 7.0;
    let whites = (0..7).map(|i| Stroke::Box {
        corner: (corner.0 + width * f64::from(i), corner.1),
        size: (width, size.1),
        fill: 0.0,
        edge: 0.25,
    });
    let black = |index: i32| Stroke::Box {
        corner: (corner.0 + width * (f64::from(index) + 0.71), corner.1),
        size: (0.58 * width, size.1 * 0.6),
        fill: 0.85,
        edge: 0.0,
    };
    let blacks = (0..7)
        .filter(|i| !matches!(Letter::from_index(*i), Letter::E | Letter::B))
        .map(black);
    let mut strokes: Vec<Stroke> = whites.chain(blacks).collect();
    // Pitch classes of the white keys from C.
    let class = pitch.midi().pitch_class();
    let white = (0..7).find(|i| Letter::from_index(*i).semitones() == class);
    let (x, y, fill) = match white {
        Some(index) => (width * (f64::from(index) + 0.5), size.1 * 0.8, 1.0),
        None => {
            let below = (0..7)
                .filter(|i| Letter::from_index(*i).semitones() < class)
                .max()
                .unwrap_or_default();
            (width * f64::from(below + 1), size.1 * 0.45, 0.0)
        }
    };
    strokes.push(Stroke::Oval {
        middle: (corner.0 + x, corner.1 + y),
        radii: (width * 0.2, width * 0.2),
        fill,
        edge: 0.0,
    });
    strokes
}
