//! What a report says, part by part. In: facts. Out: sections in reading order.

use jiff::civil::Date;

use super::{
    Block, Facts, Section, Table, chart, counted, ear, long_date, next, of_hundred, short_date,
    staff, tries,
};
use crate::study::{AnswerWay, SURE, Span};

/// Rows of a list that is only to give an idea.
const FEW: usize = 8;
/// Weeks of practice days that are shown.
const WEEKS: i64 = 8;

/// The whole report.
pub fn sections(facts: &Facts) -> Vec<Section> {
    let mut sections = vec![at_a_glance(facts)];
    if !facts.figures.is_empty() {
        sections.extend(notes(facts));
        sections.extend([days(facts), changes(facts)]);
    }
    sections.extend(
        [
            ear::by_ear(facts),
            course(facts),
            all_notes(facts),
            how(facts),
        ]
        .into_iter()
        .flatten(),
    );
    sections
}

pub(super) fn section(id: &'static str, heading: impl Into<String>, blocks: Vec<Block>) -> Section {
    Section {
        id,
        heading: heading.into(),
        blocks,
    }
}

fn at_a_glance(facts: &Facts) -> Section {
    let mut blocks = Vec::new();
    if facts.figures.is_empty() {
        blocks.push(Block::Words(nothing_yet(facts)));
    } else {
        blocks.push(Block::Words(so_far(facts)));
    }
    blocks.push(Block::List(next::steps(facts)));
    section("next", "Where it stands, and what comes next", blocks)
}

/// What there is where nothing was answered that the figures could rest on.
fn nothing_yet(facts: &Facts) -> String {
    let days = counted(facts.practised.len() as u32, "practice day");
    if facts.practised.is_empty() {
        "Nothing is answered yet.".to_owned()
    } else if !facts.heard && !facts.by_ear.tries.is_empty() {
        let all = counted(facts.by_ear.tries.len() as u32, "answer");
        format!(
            "{all} by ear on {days}; nothing is read {} yet.",
            by(facts.way)
        )
    } else {
        format!(
            "Practised on {days}; nothing of what this stage asks is answered {} yet.",
            by(facts.way)
        )
    }
}

fn by(way: AnswerWay) -> &'static str {
    match way {
        AnswerWay::Letters => "by typed letters",
        AnswerWay::Piano => "at the piano",
        AnswerWay::Voice => "by singing",
    }
}

/// Answers, days and what is settled, in two sentences.
fn so_far(facts: &Facts) -> String {
    let (all, right) = tries(facts.figures);
    let settled = facts.figures.iter().filter(|one| one.settled()).count();
    let days = facts.practised.len() as u32;
    format!(
        "{}{} on {}, {} right at the first try ({}). {settled} of {} settled: {} quickly and surely, and kept over night.",
        counted(all, "answer"),
        if facts.heard { " by ear" } else { "" },
        counted(days, "practice day"),
        right,
        of_hundred(right, all),
        counted(
            facts.figures.len() as u32,
            if facts.heard { "item" } else { "note" }
        ),
        if facts.heard { "named" } else { "read" },
    )
}

/// `None` for whoever only reads groups.
fn notes(facts: &Facts) -> Option<Section> {
    let strips = staff::strips(facts);
    if strips.is_empty() {
        return None;
    }
    let legend = staff::legend(facts);
    let words = match legend {
        Some(_) if facts.heard => {
            "Each note with the time it is named in by ear on a new day, coloured and dotted by this learner's own measure."
        }
        Some(_) => {
            "Each note with the time it is read in on a new day, coloured and dotted by this learner's own measure."
        }
        None => "Each note with how many of its first tries were right.",
    };
    let figures = legend.into_iter().chain(strips).collect();
    let blocks = vec![Block::Words(words.to_owned()), Block::Figures(figures)];
    Some(section("staff", "Notes on the staff", blocks))
}

fn days(facts: &Facts) -> Section {
    let (span, spans) = chart::spans(facts);
    let word = chart::span_word(span);
    let each = match span {
        Span::Day => "One mark a day of practice; pauses are left out.".to_owned(),
        Span::Week | Span::Month => format!("One mark a {word}."),
    };
    let shown = if spans.iter().any(|span| span.median_s.is_some()) {
        "Above: half of the right first looks came within the time at the round mark; the bar holds the middle half. Below: first looks that were right."
    } else {
        "The bars are first looks that were right."
    };
    let mut blocks = vec![Block::Words(format!(
        "What was kept shows at the first look of a day. {shown} {each}"
    ))];
    blocks.extend(chart::chart(span, &spans).map(|figure| Block::Figures(vec![figure])));
    blocks.push(Block::Table(chart::table(span, &spans)));
    section("days", "Day by day", blocks)
}

fn changes(facts: &Facts) -> Section {
    let mut blocks = Vec::new();
    let hardest: Vec<Vec<String>> = facts
        .hardest()
        .into_iter()
        .take(FEW)
        .map(|one| figures_row(facts, one))
        .collect();
    if !hardest.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "Hardest: often missed, then slowest".to_owned(),
            head: HEAD.map(str::to_owned).to_vec(),
            rows: hardest,
            words: vec![0, 5],
        }));
    }
    let gains: Vec<Vec<String>> = facts
        .gains
        .iter()
        .take(FEW)
        .map(|gain| {
            vec![
                facts.called(gain.item),
                format!("{:.1}", gain.from_s),
                format!("{:.1}", gain.to_s),
            ]
        })
        .collect();
    if gains.is_empty() {
        blocks.push(Block::Words(
            "Most improved: this takes eight right answers to a note, four at first and four now."
                .to_owned(),
        ));
    } else {
        blocks.push(Block::Table(Table {
            caption: "Most improved".to_owned(),
            head: ["Note", "At first, s", "Now, s"]
                .map(str::to_owned)
                .to_vec(),
            rows: gains,
            words: vec![0],
        }));
    }
    let confusions: Vec<Vec<String>> = facts
        .confusions
        .iter()
        .take(FEW)
        .map(|one| {
            vec![
                facts.called(one.item),
                facts.answered(one.item, one.given),
                one.times.to_string(),
            ]
        })
        .collect();
    if !confusions.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "Taken for another".to_owned(),
            head: ["Note", "Answered", "Times"].map(str::to_owned).to_vec(),
            rows: confusions,
            words: vec![0, 1],
        }));
    }
    section("changes", "Hardest and most improved", blocks)
}

pub(super) const HEAD: [&str; 6] = [
    "Note",
    "Morning, s",
    "Likely, s",
    "Half within, s",
    "Right",
    "",
];

pub(super) fn figures_row(facts: &Facts, one: &crate::study::ItemFigures) -> Vec<String> {
    let none = || "-".to_owned();
    let morning = one.morning_s();
    vec![
        facts.called(one.item),
        morning.map_or_else(none, |(middle, ..)| format!("{middle:.1}")),
        morning.map_or_else(none, |(_, low, high)| format!("{low:.1} to {high:.1}")),
        one.median_ms
            .map_or_else(none, |ms| format!("{:.1}", f64::from(ms) / 1000.0)),
        format!("{} of {}", one.right, one.tries),
        if one.settled() {
            "settled".to_owned()
        } else {
            String::new()
        },
    ]
}

fn course(facts: &Facts) -> Option<Section> {
    let stages = facts
        .course
        .stages
        .iter()
        .zip(facts.marks)
        .enumerate()
        .map(|(place, (stage, marks))| {
            vec![
                stage.name.clone(),
                format!("{} of {}", marks.min(&stage.days), stage.days),
                if *marks >= stage.days && facts.stage != Some(place) {
                    "done".to_owned()
                } else if facts.stage == Some(place) {
                    "now".to_owned()
                } else {
                    String::new()
                },
            ]
        })
        .collect();
    Some(section(
        "course",
        format!("Course: {}", facts.course.name),
        vec![
            Block::Words(
                "A day counts when its stage was practised for its minutes; at most one a day, and a missed day costs nothing."
                    .to_owned(),
            ),
            Block::Table(calendar(facts)),
            Block::Table(Table {
                caption: "Stages and the days that count".to_owned(),
                head: ["Stage", "Days", "State"].map(str::to_owned).to_vec(),
                rows: stages,
                words: vec![0, 2],
            }),
        ],
    ))
}

/// Minutes practised on each day of the last weeks, those that count with a sign.
fn calendar(facts: &Facts) -> Table {
    let monday = Span::Week.first(facts.day);
    let rows = (0..WEEKS)
        .rev()
        .map(|back| {
            let start = monday.saturating_sub(jiff::Span::new().days(7 * back));
            let mut row = vec![short_date(start)];
            row.extend((0..7).map(|n| {
                let day = start.saturating_add(jiff::Span::new().days(n));
                one_day(facts, day)
            }));
            row
        })
        .collect();
    Table {
        caption: "Minutes of practice; \u{2713} a day that counts".to_owned(),
        head: ["Week from", "Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        words: vec![0],
    }
}

fn one_day(facts: &Facts, day: Date) -> String {
    if day > facts.day {
        return String::new();
    }
    let counts = if facts.marked.contains(&day) {
        "\u{2713}"
    } else {
        ""
    };
    match facts.practised.binary_search_by_key(&day, |(day, _)| *day) {
        Ok(at) => {
            let minutes = facts.practised[at].1.active_ms as f64 / 60_000.0;
            format!("{minutes:.0}{counts}")
        }
        Err(_) if counts.is_empty() => "\u{b7}".to_owned(),
        Err(_) => counts.to_owned(),
    }
}

fn all_notes(facts: &Facts) -> Option<Section> {
    if facts.figures.is_empty() {
        return None;
    }
    let table = Table {
        caption: "Every note that was answered, slowest first".to_owned(),
        head: HEAD.map(str::to_owned).to_vec(),
        rows: facts
            .figures
            .iter()
            .map(|one| figures_row(facts, one))
            .collect(),
        words: vec![0, 5],
    };
    Some(section("notes", "Every note", vec![Block::Table(table)]))
}

fn how(facts: &Facts) -> Option<Section> {
    let by = by(facts.way);
    let put = if facts.heard { "only heard" } else { "shown" };
    let (floor, measured) = facts.floor;
    let mut points = vec![
        format!(
            "Only answers given {by} to what is {put} are used: times given in another way are never mixed in, and nobody is compared with anyone else."
        ),
        "Right counts the first try at a note alone; answers that were not heard surely count for nothing.".to_owned(),
        "A time runs from the drawn note to the answer, of right first tries. \u{201c}Half within\u{201d} is their median.".to_owned(),
        "\u{201c}Morning\u{201d} is what the median is thought to be at a day's first look: recent answers count most, and later answers of a day are raised by this learner's usual morning loss. \u{201c}Likely\u{201d} is one standard error either way.".to_owned(),
        format!(
            "Plain reaction: {:.1} s, {}. What a note may take to count as quick is that and what the stage allows for reading.",
            f64::from(floor) / 1000.0,
            if measured { "measured" } else { "assumed until it is measured" }
        ),
        format!(
            "Settled: surely quick on a new day, right in at least {:.0} of 100, and right at the first look of two practice days running.",
            SURE * 100.0
        ),
        "Most improved compares the medians of the first and the last four right answers to a note.".to_owned(),
        "The middle half of a day's times leaves out the quickest and the slowest quarter. Few answers make it wide and unsteady.".to_owned(),
    ];
    if !facts.by_ear.tries.is_empty() {
        points.push("By ear: every answer to what is only heard, however it was given. A note is read, or heard, when of its last five first tries, three at least, no more than one was wrong.".to_owned());
    }
    if facts.taken_back > 0 {
        points.push(format!(
            "{} taken out of the record by hand, as misheard or mistyped.",
            counted(facts.taken_back, "verdict")
        ));
    }
    points.push(format!(
        "Made on {} from the record on this machine. A child's record belongs to the child: ask before you pass it on, and follow your local rules.",
        long_date(facts.day)
    ));
    Some(section(
        "how",
        "How the figures are made",
        vec![Block::List(points)],
    ))
}
