//! The part of a report on what is only heard. In: facts. Out: a section, where anything was answered by ear.

use super::sections::{HEAD, figures_row, section};
use super::{Block, Facts, Section, Table, counted, long_date, of_hundred};
use crate::study::{Beside, CONVERGES_AT, Item, Tries};

/// Answers by ear, what is heard beside what is read, tasks of the ear, and how fine it is.
pub(super) fn by_ear(facts: &Facts) -> Option<Section> {
    let tries = facts.by_ear.tries;
    if tries.is_empty() {
        return None;
    }
    let (all, right) = (
        tries.len() as u32,
        tries.iter().filter(|(_, right)| *right).count() as u32,
    );
    let mut blocks = vec![Block::Words(format!(
        "{} to what is only heard, {right} right at the first try ({}).",
        counted(all, "answer"),
        of_hundred(right, all)
    ))];
    let heard = || {
        facts
            .by_ear
            .notes
            .iter()
            .filter(|(_, note)| note.was_heard())
    };
    let points: Vec<String> = [
        (
            "Heard and not read yet",
            listed(facts, heard(), |note| note.ear.known() && !note.eye.known()),
        ),
        (
            "Read and not heard yet",
            listed(facts, heard(), |note| note.eye.known() && !note.ear.known()),
        ),
    ]
    .into_iter()
    .filter_map(|(what, notes)| Some(format!("{what}: {}.", notes?)))
    .collect();
    if !points.is_empty() {
        blocks.push(Block::List(points));
    }
    let rows: Vec<Vec<String>> = heard()
        .map(|(item, note)| {
            vec![
                facts.called(*item),
                share(&note.eye),
                share(&note.ear),
                note.in_words().to_owned(),
            ]
        })
        .collect();
    if !rows.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "Heard beside read: right of first tries".to_owned(),
            head: ["Note", "By eye", "By ear", ""].map(str::to_owned).to_vec(),
            rows,
            words: vec![0, 3],
        }));
    }
    if !facts.by_ear.tasks.is_empty() {
        let mut head = HEAD.map(str::to_owned).to_vec();
        "Task".clone_into(&mut head[0]);
        blocks.push(Block::Table(Table {
            caption: "Named and reached by ear, slowest of each kind first".to_owned(),
            head,
            rows: facts
                .by_ear
                .tasks
                .iter()
                .map(|one| figures_row(facts, one))
                .collect(),
            words: vec![0, 5],
        }));
    }
    if let Some((day, found)) = facts.by_ear.threshold {
        blocks.push(Block::Words(format!(
            "Two notes {:.1} cents apart are told apart in {:.0} of 100 answers ({:.1} to {:.1}, from {}), on {}.",
            found.cents,
            CONVERGES_AT * 100.0,
            found.cents / found.factor,
            found.cents * found.factor,
            counted(found.answers as u32, "answer"),
            long_date(day)
        )));
    }
    Some(section("ear", "By ear", blocks))
}

/// Those among `notes` that are `wanted`, by name; `None` where none is.
fn listed<'a>(
    facts: &Facts,
    notes: impl Iterator<Item = (&'a Item, &'a Beside)>,
    wanted: impl Fn(&Beside) -> bool,
) -> Option<String> {
    let names: Vec<String> = notes
        .filter(|(_, note)| wanted(note))
        .map(|(item, _)| facts.called(*item))
        .collect();
    (!names.is_empty()).then(|| names.join("; "))
}

/// `8 of 10`; nothing for nothing.
fn share(tries: &Tries) -> String {
    match tries.tally() {
        (0, _) => "-".to_owned(),
        (all, right) => format!("{right} of {all}"),
    }
}
