//! Notes on their staves, coloured by reading time, with the time and a sign under each.
//! In: figures of items. Out: strips of up to eight notes, and what colours and signs mean.

use std::collections::BTreeMap;

use super::{Facts, Figure};
use crate::engrave::{
    Colour, DisplayList, Glyph, Ink, Mark, Part, Point, PrintedMusic, Shape, Staves, Stroke, Thing,
    Words, music_font, text_width,
};
use crate::report::sheet::{Set, one, set, spoken};
use crate::study::ItemFigures;
use crate::theory::{Clef, KeySignature};

/// Notes of a strip at most: its letters stay readable on a narrow screen.
const NOTES: usize = 8;
/// Width of a strip without its clef.
const FOR_NOTES: f64 = 70.0;
/// A staff space, millimetres.
const SPACE: f64 = 2.2;
/// Width of a strip: two of them stand side by side on paper.
pub(super) const WIDTH: f64 = 88.0;
/// Height of the letters under the notes.
const LETTERS: f64 = 3.3;

/// How quickly a note is read, by the learner's own measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pace {
    /// Within what counts as fluent.
    Quick,
    /// Within twice that.
    Slower,
    /// Beyond, or often missed.
    Slow,
}

impl Pace {
    pub(super) const ALL: [Pace; 3] = [Pace::Quick, Pace::Slower, Pace::Slow];

    /// `None` without a time. What is quick only when it is not missed is not quick.
    pub(super) fn of(figures: &ItemFigures) -> Option<Pace> {
        if figures.often_missed() {
            return Some(Pace::Slow);
        }
        let (median, ..) = figures.morning_s()?;
        let fluent = figures.why.criteria.as_ref()?.fluent_s;
        Some(if median <= fluent {
            Pace::Quick
        } else if median <= 2.0 * fluent {
            Pace::Slower
        } else {
            Pace::Slow
        })
    }

    /// Of Okabe and Ito's set: at least 3 to 1 on white and on the page's dark ground.
    pub(super) fn colour(self) -> Colour {
        match self {
            Pace::Quick => Colour(0x00, 0x9e, 0x73),
            Pace::Slower => Colour(0x00, 0x72, 0xb2),
            Pace::Slow => Colour(0xd5, 0x5e, 0x00),
        }
    }

    /// Dots under the note.
    fn dots(self) -> u32 {
        match self {
            Pace::Quick => 1,
            Pace::Slower => 2,
            Pace::Slow => 3,
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Pace::Quick => "quick",
            Pace::Slower => "slower",
            Pace::Slow => "slow or missed",
        }
    }
}

/// The strips of all notes that were answered, staff by staff; what groups do is no note.
pub(super) fn strips(facts: &Facts) -> Vec<Figure> {
    let mut rows: BTreeMap<(Clef, i8, bool), Vec<&ItemFigures>> = BTreeMap::new();
    for one in facts.figures {
        let item = one.item;
        if !item.is_single_note() {
            continue;
        }
        // What has a sign of its own stands apart, so that no note needs a natural to cancel another's sign.
        let signed = item.key.needs_accidental(item.pitch.spelling());
        rows.entry((item.clef, item.key.fifths(), signed))
            .or_default()
            .push(one);
    }
    // As many as the names have room for: syllables are wider than letters.
    let names = facts.figures.iter().map(|one| facts.short(one.item));
    let widest = names
        .map(|name| text_width(&name, LETTERS))
        .fold(1.0, f64::max);
    let most = ((FOR_NOTES / (widest + 1.2)) as usize).clamp(4, NOTES);
    let mut strips = Vec::new();
    for ((clef, ..), mut notes) in rows {
        notes.sort_by_key(|one| (one.item.pitch.diatonic(), one.item.pitch.midi()));
        for some in even(&notes, most) {
            strips.push(strip(facts, clef, some, most));
        }
    }
    strips
}

/// Pieces of nearly the same length.
fn even<'a, 'b>(
    notes: &'a [&'b ItemFigures],
    most: usize,
) -> std::slice::Chunks<'a, &'b ItemFigures> {
    let pieces = notes.len().div_ceil(most).max(1);
    notes.chunks(notes.len().div_ceil(pieces).max(1))
}

fn strip(facts: &Facts, clef: Clef, notes: &[&ItemFigures], most: usize) -> Figure {
    let key = notes.first().map_or(KeySignature::NONE, |one| one.item.key);
    let events = notes
        .iter()
        .map(|figures| one(figures.item.pitch, clef))
        .collect();
    let said: Vec<String> = notes
        .iter()
        .map(|one| {
            format!(
                "{} {}",
                spoken(one.item.pitch, one.item.key, facts.names),
                said(one)
            )
        })
        .collect();
    let says = format!("{} staff. {}.", titled(clef.spoken()), said.join("; "));
    // Room for a note more than there are, so that short strips look like the others.
    let share = (notes.len() as f64 + 1.6) / (most as f64 + 1.6);
    let Set { mut music, heads } = set(
        Staves::One(clef),
        key,
        events,
        (0.5, (WIDTH - 1.0) * share.min(1.0)),
        0.0,
        SPACE,
        says.clone(),
    );
    music.heads = notes
        .iter()
        .map(|one| Pace::of(one).map(Pace::colour))
        .collect();
    let (top, bottom) = reach(&music);
    let lift = 1.0 - top;
    music.zero += lift;
    let mut y = bottom + lift + LETTERS * 1.2;
    let mut things = vec![Thing::Music(music)];
    let mut dots = Vec::new();
    for (one, x) in notes.iter().zip(heads) {
        let words = |y: f64, text: String| Thing::Words(Words::new(x, y, LETTERS, text).centred());
        things.push(words(y, facts.short(one.item)));
        things.push(words(y + LETTERS * 1.25, under_note(one)));
        dots.extend(sign(one, x, y + LETTERS * 1.85));
    }
    y += LETTERS * 2.4;
    things.push(Thing::Drawing {
        strokes: dots,
        says: None,
    });
    Figure {
        things,
        size: (WIDTH, y),
        says,
    }
}

/// What stands under a note: its time, or how many of its tries were right.
fn under_note(one: &ItemFigures) -> String {
    match one.morning_s() {
        Some((median, ..)) if !one.often_missed() => format!("{median:.1} s"),
        _ => format!("{}/{}", one.right, one.tries),
    }
}

fn said(one: &ItemFigures) -> String {
    let settled = if one.settled() { ", settled" } else { "" };
    match (one.morning_s(), Pace::of(one)) {
        (Some((median, ..)), Some(pace)) if !one.often_missed() => {
            format!("{median:.1} s, {}{settled}", pace.words())
        }
        _ => format!("{} of {} right{settled}", one.right, one.tries),
    }
}

/// Dots for the pace; a tick for what is settled.
fn sign(one: &ItemFigures, x: f64, y: f64) -> Vec<Stroke> {
    if one.settled() {
        return tick(x, y);
    }
    let dots = Pace::of(one).map_or(0, Pace::dots);
    row_of_dots(dots, x, y)
}

pub(super) fn row_of_dots(dots: u32, x: f64, y: f64) -> Vec<Stroke> {
    let left = x - f64::from(dots.saturating_sub(1)) * 0.75;
    (0..dots)
        .map(|n| Stroke::Oval {
            middle: (left + f64::from(n) * 1.5, y),
            radii: (0.5, 0.5),
            fill: 1.0,
            edge: 0.0,
        })
        .collect()
}

pub(super) fn tick(x: f64, y: f64) -> Vec<Stroke> {
    let line = |from, to| Stroke::Line {
        from,
        to,
        weight: 0.5,
        dashed: false,
    };
    vec![
        line((x - 1.3, y), (x - 0.4, y + 0.9)),
        line((x - 0.4, y + 0.9), (x + 1.4, y - 1.1)),
    ]
}

/// The lowest and the highest y of a staff's ink.
fn reach(music: &PrintedMusic) -> (f64, f64) {
    let metrics = &music_font().metrics;
    music
        .list
        .marks
        .iter()
        .map(|mark| mark.bounds(metrics))
        .fold((f64::MAX, f64::MIN), |(top, bottom), bounds| {
            (
                top.min(music.zero - bounds.top * music.space),
                bottom.max(music.zero - bounds.bottom * music.space),
            )
        })
}

/// What colours and signs mean, as a picture of its own.
pub(super) fn legend(facts: &Facts) -> Option<Figure> {
    let timed = facts.figures.iter().filter(|one| one.morning_s().is_some());
    let fluent = timed
        .filter_map(|one| Some(one.why.criteria.as_ref()?.fluent_s))
        .next()?;
    let size = LETTERS;
    let mut things = Vec::new();
    let mut said = Vec::new();
    let mut strokes = Vec::new();
    let ranges = [
        format!("up to {fluent:.1} s"),
        format!("up to {:.1} s", 2.0 * fluent),
        "longer, or less than 3 of 4 right".to_owned(),
    ];
    let mut y = size;
    for (pace, range) in Pace::ALL.into_iter().zip(ranges) {
        things.push(Thing::Music(head(2.0, y - size * 0.35, pace.colour())));
        strokes.extend(row_of_dots(pace.dots(), 9.0, y - size * 0.35));
        let words = format!("{}: {range}", pace.words());
        things.push(Thing::Words(Words::new(13.0, y, size, words.clone())));
        said.push(words);
        y += size * 1.5;
    }
    strokes.extend(tick(9.0, y - size * 0.35));
    let words = "settled: quick, sure, and kept over night";
    things.push(Thing::Words(Words::new(13.0, y, size, words)));
    said.push(words.to_owned());
    things.push(Thing::Drawing {
        strokes,
        says: None,
    });
    Some(Figure {
        things,
        size: (WIDTH, y + size * 0.5),
        says: format!("What colours and signs mean. {}", said.join("; ")),
    })
}

/// A head by itself.
fn head(x: f64, y: f64, colour: Colour) -> PrintedMusic {
    let mark = Mark {
        part: Part::Head,
        ink: Ink::Note,
        shape: Shape::Glyph {
            glyph: Glyph::HeadBlack,
            at: Point { x: 0.0, y: 0.0 },
        },
    };
    PrintedMusic {
        list: DisplayList { marks: vec![mark] },
        x,
        zero: y,
        space: SPACE,
        says: String::new(),
        heads: vec![Some(colour)],
    }
}

fn titled(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}
