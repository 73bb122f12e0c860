//! Groups: two to six notes read as a shape, each by what it does from the last one.
//! In: rules, the notes of a stage, what is known of the learner, a seed. Out: one group after the other.
//! Source: common practice of sight-reading tuition: same, step, skip, leap. The shares are a course's own.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::item::{InGroup, Item};
use super::learner::LearnerModel;
use crate::theory::{Clef, number_in_words};

/// How groups are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GroupRules {
    /// The fewest and the most notes.
    pub notes: (u8, u8),
    /// How often a note is the same as the last, a step, a skip (a third), or a leap from it: shares of their sum.
    pub shares: [u32; 4],
    /// The widest leap, in steps of the staff.
    pub widest: i32,
}

impl Default for GroupRules {
    fn default() -> Self {
        GroupRules {
            notes: (3, 4),
            shares: [1, 6, 4, 1],
            widest: 4,
        }
    }
}

/// What a note does from the one before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Move {
    /// The same line or space.
    Same,
    /// To the next line or space.
    Step,
    /// To the next but one: a third.
    Skip,
    /// Further.
    Leap,
}

impl Move {
    /// All, in the order of [`GroupRules::shares`].
    pub const ALL: [Move; 4] = [Move::Same, Move::Step, Move::Skip, Move::Leap];

    /// What `steps` of the staff are.
    pub fn of(steps: i32) -> Move {
        match steps.abs() {
            0 => Move::Same,
            1 => Move::Step,
            2 => Move::Skip,
            _ => Move::Leap,
        }
    }
}

/// What is learned at a stage of groups: the first note, and every interval its rules allow.
pub fn parts(rules: &GroupRules) -> Vec<Item> {
    let mut parts = vec![Item::first_of_group()];
    for steps in -rules.widest..=rules.widest {
        let place = Move::ALL.iter().position(|other| *other == Move::of(steps));
        if place.is_some_and(|place| rules.shares[place] > 0) {
            parts.push(Item::interval(steps));
        }
    }
    parts
}

/// Draws a group from `notes`. The shares of the moves are the rules'; which interval of a move it is, and where it
/// begins, goes by what `model` knows least. All notes stand under one key signature; the staff changes only where the
/// one in use has no such note. Empty without notes.
pub fn draw(
    rules: &GroupRules,
    notes: &[Item],
    model: &LearnerModel,
    rng: &mut ChaCha8Rng,
) -> Vec<Item> {
    if notes.is_empty() {
        return Vec::new();
    }
    let first = notes[rng.random_range(0..notes.len())];
    let length = rng.random_range(rules.notes.0..=rules.notes.1.max(rules.notes.0));
    let mut group = vec![within(first, 1, 0)];
    while group.len() < usize::from(length) {
        let last = group[group.len() - 1];
        // A move that leads off the stage's notes is drawn again; where none leads on, the group ends.
        let Some(next) = (0..20).find_map(|_| follow(rules, notes, model, last, rng)) else {
            break;
        };
        let steps = next.pitch.diatonic() - last.pitch.diatonic();
        group.push(within(next, group.len() as u8 + 1, steps));
    }
    group
}

fn within(note: Item, place: u8, from_last: i32) -> Item {
    Item {
        in_group: Some(InGroup {
            place,
            from_last: from_last as i8,
        }),
        ..note
    }
}

fn follow(
    rules: &GroupRules,
    notes: &[Item],
    model: &LearnerModel,
    last: Item,
    rng: &mut ChaCha8Rng,
) -> Option<Item> {
    let sum: u32 = rules.shares.iter().sum();
    let mut pick = rng.random_range(0..sum.max(1));
    let wanted = Move::ALL.into_iter().zip(rules.shares).find(|(_, share)| {
        let found = pick < *share;
        pick = pick.saturating_sub(*share);
        found
    })?;
    let mut found: Vec<(Item, f64)> = Vec::new();
    for note in notes.iter().filter(|note| note.key == last.key) {
        let steps = note.pitch.diatonic() - last.pitch.diatonic();
        if Move::of(steps) != wanted.0 || steps.abs() > rules.widest {
            continue;
        }
        let here = |clef: Clef| {
            let same = |n: &&Item| n.pitch == note.pitch && n.key == note.key;
            notes.iter().filter(same).any(|n| n.clef == clef)
        };
        if note.clef != last.clef && here(last.clef) {
            continue;
        }
        let need = 1.0 - model.probability(&Item::interval(steps));
        found.push((*note, need * need + 0.02));
    }
    let whole: f64 = found.iter().map(|(_, need)| need).sum();
    let mut pick = rng.random::<f64>() * whole;
    for (note, need) in &found {
        pick -= need;
        if pick <= 0.0 {
            return Some(*note);
        }
    }
    found.last().map(|(note, _)| *note)
}

/// An interval on the staff in words: "a third up", "the same note".
pub fn interval_in_words(steps: i32) -> String {
    if steps == 0 {
        return "the same note".to_owned();
    }
    let way = if steps > 0 { "up" } else { "down" };
    match number_in_words(steps.abs() + 1) {
        Some(name) => {
            let article = if matches!(steps.abs(), 7 | 10) {
                "an"
            } else {
                "a"
            };
            format!("{article} {name} {way}")
        }
        None => format!("{} steps {way}", steps.abs()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{Course, Yardstick};
    use jiff::civil::Date;
    use rand::SeedableRng;

    fn notes() -> Vec<Item> {
        let course = Course::built_in("groundwork").unwrap();
        course.stage("both").unwrap().items()
    }

    fn drawn(rules: &GroupRules, model: &LearnerModel, count: usize) -> Vec<Vec<Item>> {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        (0..count)
            .map(|_| draw(rules, &notes(), model, &mut rng))
            .collect()
    }

    #[test]
    fn groups_keep_to_the_rules_they_state() {
        let rules = GroupRules {
            notes: (2, 6),
            shares: [1, 4, 3, 2],
            widest: 5,
        };
        let model = LearnerModel::new(Yardstick::new(600));
        let groups = drawn(&rules, &model, 3000);
        let mut counts = [0_u32; 4];
        for group in &groups {
            assert!((2..=6).contains(&group.len()));
            for (place, pair) in (2..).zip(group.windows(2)) {
                let steps = pair[1].pitch.diatonic() - pair[0].pitch.diatonic();
                let within = pair[1].in_group.unwrap();
                assert_eq!((within.place, i32::from(within.from_last)), (place, steps));
                assert!(steps.abs() <= 5 && pair[0].key == pair[1].key);
                assert!(notes().contains(&pair[1].alone()));
                counts[Move::of(steps) as usize] += 1;
            }
        }
        let all = f64::from(counts.iter().sum::<u32>());
        for (count, share) in counts.into_iter().zip(rules.shares) {
            let is = f64::from(count) / all;
            let asked = f64::from(share) / 10.0;
            // Moves off the staff's ends are drawn again, which shifts a share a little.
            assert!((is - asked).abs() < 0.03, "{is} for {asked}");
        }
        assert_eq!(drawn(&rules, &model, 20), drawn(&rules, &model, 20));
    }

    #[test]
    fn an_interval_that_is_not_read_yet_comes_more_often_than_one_that_is() {
        let rules = GroupRules {
            shares: [0, 0, 1, 0],
            ..GroupRules::default()
        };
        let mut model = LearnerModel::new(Yardstick::new(600));
        model.begin_day(Date::constant(2026, 3, 2));
        for _ in 0..12 {
            model.learn(Item::interval(2), true, Some(700));
            model.learn(Item::interval(-2), true, Some(3000));
        }
        let groups = drawn(&rules, &model, 500);
        let moves: Vec<i8> = groups
            .iter()
            .flat_map(|group| &group[1..])
            .map(|note| note.in_group.unwrap().from_last)
            .collect();
        let down = moves.iter().filter(|steps| **steps < 0).count();
        assert!(down * 10 > moves.len() * 6, "{down} of {}", moves.len());
    }

    #[test]
    fn parts_are_the_first_note_and_what_the_rules_allow() {
        let rules = GroupRules {
            shares: [0, 1, 1, 0],
            ..GroupRules::default()
        };
        assert_eq!(parts(&rules).len(), 1 + 4);
        assert_eq!(parts(&GroupRules::default()).len(), 1 + 9);
        assert_eq!(interval_in_words(2), "a third up");
        assert_eq!(interval_in_words(-7), "an octave down");
        assert_eq!(interval_in_words(0), "the same note");
    }
}
