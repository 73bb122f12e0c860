//! The rules of a stage's groups, from a course file. In: the stage's table. Out: rules, or what is wrong and where.

use super::course::StageKind;
use super::course_fields::{Fields, Source};
use super::group::{GroupRules, Move};

/// The fields of a stage that only groups have.
const FIELDS: [&str; 6] = ["length", "same", "step", "skip", "leap", "widest-leap"];

/// Reads the rules; none for a stage of another kind. `None` when something is wrong with them, which is taken down.
pub(super) fn read_groups(
    source: &Source,
    fields: &Fields,
    kind: StageKind,
) -> Option<Option<GroupRules>> {
    let before = source.count();
    let wrong = |key: &str, problem: String, remedy: &str| {
        source.keep::<()>(Err(source.error(
            fields.span_of(key),
            problem,
            remedy.to_owned(),
        )));
    };
    if !kind.in_groups() {
        for key in FIELDS.into_iter().filter(|key| fields.has(key)) {
            wrong(
                key,
                format!("only groups and melodies have '{key}'"),
                "add kind = \"groups\" to this stage, or take the line out",
            );
        }
        return (source.count() == before).then_some(None);
    }
    let usual = GroupRules::default();
    let mut shares = usual.shares;
    for (share, key) in shares.iter_mut().zip(["same", "step", "skip", "leap"]) {
        if let Some(given) = source.keep(fields.count(key, 0..=100)).flatten() {
            *share = given;
        }
    }
    if shares.iter().sum::<u32>() == 0 {
        wrong(
            "step",
            "the shares of same, step, skip and leap are all 0".to_owned(),
            "give at least one of them a share, as in step = 6",
        );
    }
    let widest = source.keep(fields.count("widest-leap", 1..=14)).flatten();
    let widest = widest.map_or(usual.widest, |steps| steps as i32);
    let narrowest_leap = 3;
    if shares[Move::Leap as usize] > 0 && widest < narrowest_leap {
        wrong(
            "widest-leap",
            format!("a leap is wider than {widest} steps"),
            "make widest-leap 3 or more, or add leap = 0",
        );
    }
    let mut notes = usual.notes;
    if let Some(given) = source.keep(fields.integers("length")).flatten() {
        let values: Vec<i64> = given.iter().map(|(value, _)| *value).collect();
        match values[..] {
            [few, most] if (2..=6).contains(&few) && (few..=6).contains(&most) => {
                notes = (few as u8, most as u8);
            }
            _ => wrong(
                "length",
                "'length' is the fewest and the most notes of a group, 2 to 6".to_owned(),
                "write it as in length = [3, 4]",
            ),
        }
    }
    (source.count() == before).then_some(Some(GroupRules {
        notes,
        shares,
        widest,
    }))
}

#[cfg(test)]
mod tests {
    use crate::study::{Course, CourseError, GroupRules};

    fn read(stage: &str) -> Result<Course, CourseError> {
        let text = format!(
            "schema = 1\nid = \"mine\"\n[[stage]]\nid = \"shapes\"\n{stage}\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"E4\"\nto = \"F5\"\n"
        );
        Course::parse("mine.toml", &text)
    }

    #[test]
    fn a_stage_of_groups_states_its_rules_or_has_the_usual_ones() {
        let course = read("kind = \"groups\"").unwrap();
        assert_eq!(course.stages[0].groups, Some(GroupRules::default()));
        let course = read(
            "kind = \"groups\"\nlength = [2, 6]\nsame = 0\nstep = 3\nskip = 2\nleap = 1\nwidest-leap = 7",
        );
        let rules = course.unwrap().stages[0].groups.unwrap();
        assert_eq!(
            (rules.notes, rules.shares, rules.widest),
            ((2, 6), [0, 3, 2, 1], 7)
        );
        assert_eq!(read("").unwrap().stages[0].groups, None);
    }

    #[test]
    fn every_mistake_in_the_rules_names_its_line_and_a_remedy() {
        for (stage, line, says) in [
            ("step = 3", 5, "only groups and melodies have 'step'"),
            ("kind = \"groups\"\nlength = [1, 4]", 6, "2 to 6"),
            ("kind = \"groups\"\nlength = [5, 3]", 6, "length = [3, 4]"),
            ("kind = \"groups\"\nlength = [3]", 6, "2 to 6"),
            (
                "kind = \"groups\"\nsame = 0\nstep = 0\nskip = 0\nleap = 0",
                7,
                "at least one",
            ),
            ("kind = \"groups\"\nwidest-leap = 2", 6, "leap = 0"),
            ("kind = \"groups\"\nwidest-leap = 40", 6, "14"),
            ("kind = \"groups\"\nskip = -1", 6, "0"),
        ] {
            let error = read(stage).unwrap_err();
            let text = error.to_string();
            assert_eq!(error.line, line, "{text}");
            assert!(text.contains(says), "{text}");
        }
    }
}
