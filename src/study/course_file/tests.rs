use super::*;

const GOOD: &str = "schema = 1
id = \"mine\"
[[stage]]
id = \"first\"
[[stage.notes]]
clef = \"treble\"
from = \"C4\"
to = \"G4\"
";

fn items(notes: &str) -> Vec<String> {
    let text =
        format!("schema = 1\nid = \"mine\"\n[[stage]]\nid = \"s\"\n[[stage.notes]]\n{notes}");
    let course = Course::parse("mine.toml", &text).unwrap();
    course.stages[0]
        .items()
        .iter()
        .map(Item::to_string)
        .collect()
}

#[test]
fn what_a_file_leaves_out_has_its_default() {
    let course = Course::parse("mine.toml", GOOD).unwrap();
    let stage = &course.stages[0];
    assert_eq!(
        (course.name.as_str(), stage.name.as_str()),
        ("mine", "first")
    );
    assert_eq!(
        (stage.days, stage.minutes, stage.least_answers),
        (days_for(5), 3, 30)
    );
    assert_eq!(stage.advance, Advance::Days);
    let names: Vec<String> = stage.items().iter().map(Item::to_string).collect();
    assert_eq!(
        names,
        [
            "C4@treble",
            "D4@treble",
            "E4@treble",
            "F4@treble",
            "G4@treble"
        ]
    );
}

#[test]
fn lists_of_notes_spell_out_what_they_name() {
    // Common practice: C4 stands on the first ledger line below the treble staff, B3 hangs from it, A5 is the first above.
    assert_eq!(
        items("clef = \"treble\"\nledger-above = [1, 1]\nledger-below = [1, 1]"),
        ["A5@treble", "B5@treble", "C4@treble", "B3@treble"]
    );
    assert_eq!(
        items("clef = \"bass\"\nfrom = \"E3\"\nto = \"F3\"\nalterations = [\"sharp\", \"flat\"]"),
        ["Eb3@bass", "F#3@bass"]
    );
    assert_eq!(
        items(
            "clef = \"bass\"\nfrom = \"E3\"\nto = \"F3\"\nalterations = [\"sharp\"]\nrare = true"
        ),
        ["E#3@bass", "F#3@bass"]
    );
    assert_eq!(
        items("clef = \"treble\"\nfrom = \"F4\"\nto = \"G4\"\nkeys = [1, -1]"),
        [
            "F#4@treble@1",
            "F4@treble@-1",
            "G4@treble@1",
            "G4@treble@-1"
        ]
    );
    assert_eq!(
        items("clef = \"alto\"\npitches = [\"Cb4\", \"F##4\", \"Cb4\"]"),
        ["Cb4@alto", "F##4@alto"]
    );
}

#[test]
fn staves_taken_alone_are_blocks_that_change_places_by_day() {
    let course = Course::built_in("groundwork").unwrap();
    let stage = course.stage("accidentals").unwrap();
    let first = |day: i8| {
        let day = jiff::civil::date(2026, 3, day);
        stage.blocks_on(day)[0].items[0].clef
    };
    assert_eq!(stage.blocks.len(), 2);
    assert_ne!(first(2), first(3));
    assert_eq!(first(2), first(4));
    assert_eq!(course.stage("both").unwrap().blocks.len(), 1);
}

#[test]
fn every_mistake_is_shown_with_its_place_and_remedy() {
    // Each: what is replaced in the good file, by what, then line, column, problem, remedy.
    for (from, to, line, column, problem, remedy) in [
        ("schema = 1", "schema = 2", 1, 10, "newer", "update"),
        ("schema = 1\n", "", 1, 1, "needs 'schema'", "schema = 1"),
        (
            "schema = 1",
            "schema = \"1\"",
            1,
            10,
            "not a text",
            "whole number",
        ),
        ("schema = 1", "schema 1", 1, 8, "", "TOML"),
        (
            "id = \"mine\"",
            "id = \"My Course\"",
            2,
            6,
            "cannot be an id",
            "small letters",
        ),
        (
            "id = \"first\"",
            "ident = \"first\"",
            4,
            1,
            "has no 'ident'",
            "may have: id",
        ),
        (
            "id = \"first\"",
            "id = \"first\"\nminuts = 3",
            5,
            1,
            "has no 'minuts'",
            "did you mean 'minutes'?",
        ),
        (
            "id = \"first\"",
            "id = \"first\"\nminutes = 0",
            5,
            11,
            "out of range",
            "1 to 60",
        ),
        (
            "id = \"first\"",
            "id = \"first\"\nminutes = 2.5",
            5,
            11,
            "not a fraction",
            "whole number",
        ),
        (
            "id = \"first\"",
            "id = \"first\"\nkind = \"note\"",
            5,
            8,
            "'note' is not",
            "did you mean 'notes'?",
        ),
        (
            "id = \"first\"",
            "id = \"first\"\nadvance = \"settled\"",
            5,
            11,
            "'settled' is not",
            "days-and-settled",
        ),
        (
            "\"treble\"",
            "\"trebel\"",
            6,
            8,
            "'trebel' is not",
            "did you mean 'treble'?",
        ),
        (
            "clef = \"treble\"\n",
            "",
            5,
            1,
            "needs 'clef'",
            "clef = \"treble\"",
        ),
        ("\"C4\"", "\"H4\"", 7, 8, "'H4' is no note", "A to G"),
        (
            "\"C4\"",
            "\"C5\"",
            7,
            8,
            "from C5 to G4 is empty",
            "lower note first",
        ),
        ("to = \"G4\"", "", 5, 1, "needs 'to'", "add to"),
        (
            "to = \"G4\"",
            "to = \"G4\"\nalterations = [\"shap\"]",
            9,
            16,
            "'shap' is not",
            "did you mean 'sharp'?",
        ),
        (
            "to = \"G4\"",
            "to = \"G4\"\nkeys = [9]",
            9,
            9,
            "9 signs",
            "1 to 7",
        ),
        (
            "to = \"G4\"",
            "to = \"G4\"\nledger-above = [3, 1]",
            9,
            16,
            "fewest and the most",
            "[1, 3]",
        ),
        (
            "to = \"G4\"",
            "to = \"G4\"\n[[stage]]\nid = \"first\"\n[[stage.notes]]\nclef = \"bass\"\npitches = [\"C3\"]",
            10,
            6,
            "two stages",
            "its own id",
        ),
        (
            "from = \"C4\"\nto = \"G4\"\n",
            "",
            5,
            1,
            "no note",
            "from and to",
        ),
    ] {
        assert!(GOOD.contains(from));
        let text = GOOD.replacen(from, to, 1);
        let errors = Course::read("mine.toml", &text).unwrap_err();
        // One mistake is told once, not also by what follows from it.
        assert_eq!(errors.len(), 1, "{to}: {errors:?}");
        let error = &errors[0];
        let shown = error.to_string();
        assert_eq!((error.line, error.column), (line, column), "{to}: {shown}");
        assert!(error.problem.contains(problem), "{to}: {shown}");
        assert!(error.remedy.contains(remedy), "{to}: {shown}");
        assert!(
            shown.starts_with(&format!("mine.toml:{line}:{column}: ")),
            "{shown}"
        );
    }
}

#[test]
fn every_mistake_of_a_file_is_told_in_the_order_of_its_lines() {
    let text = "schema = 1
id = \"Mine\"
days = 0
[phrases]
treble = [\"Every goose flies away\", \"Fish\"]
[[stage]]
id = \"first\"
minuts = 3
advance = \"never\"
[[stage.notes]]
clef = \"treble\"
from = \"H4\"
to = \"G9x\"
keys = [9, 1, 10]
[[stage.notes]]
clef = \"bas\"
[[stage]]
id = \"first\"
[[stage]]
id = \"ear\"
kind = \"degrees\"
degrees = [0, 1, 8]
length = [3, 4]
[[stage.notes]]
clef = \"treble\"
from = \"C4\"
to = \"C5\"
";
    let errors = Course::read("mine.toml", text).unwrap_err();
    let lines: Vec<usize> = errors.iter().map(|error| error.line).collect();
    assert_eq!(
        lines,
        [2, 3, 5, 5, 8, 9, 12, 13, 14, 14, 15, 16, 17, 18, 22, 22, 23],
        "{errors:#?}"
    );
    assert_eq!(Course::parse("mine.toml", text).unwrap_err(), errors[0]);
}

#[test]
fn no_mistake_hides_another() {
    let text = "title = \"Mine\"
enter = \"last\"
[[stage]]
id = \"first\"
[[stage.notes]]
clef = \"trebel\"
from = \"H4\"
to = \"G4\"
[[stage]]
id = \"first\"
minutes = 0
[[stage.notes]]
clef = \"bass\"
pitches = [\"C3\", \"X3\"]
[[stage]]
id = \"ear\"
kind = \"intervals\"
intervals = [\"M5\", \"m3\"]
along = [\"upp\", \"doon\"]
[[stage.notes]]
clef = \"treble\"
from = \"C4\"
to = \"C5\"
[[stage]]
id = \"degrees\"
kind = \"degrees\"
mode = \"dorian\"
degrees = [0, 1, 9]
[[stage.notes]]
clef = \"treble\"
from = \"C4\"
to = \"C5\"
";
    let errors = Course::read("mine.toml", text).unwrap_err();
    let told: Vec<(usize, &str)> = errors
        .iter()
        .map(|error| (error.line, error.problem.as_str()))
        .collect();
    assert_eq!(
        told,
        [
            (1, "a course has no 'title'"),
            (1, "a course needs 'schema'"),
            (1, "a course needs 'id'"),
            (2, "'last' is not the id of a stage"),
            (6, "'trebel' is not a value of clef"),
            (7, "'H4' is no note"),
            (10, "two stages have the id 'first'"),
            (11, "minutes = 0 is out of range"),
            (14, "'X3' is no note"),
            (18, "'M5' is no interval"),
            (19, "'upp' is not a way along the notes"),
            (19, "'doon' is not a way along the notes"),
            (27, "'dorian' is not a value of mode"),
            (28, "a scale has no degree 0"),
            (28, "a scale has no degree 9"),
        ],
        "{errors:#?}"
    );
}

#[test]
fn a_slip_that_asks_for_thousands_of_items_is_refused() {
    let everything = "from = \"C-1\"\nto = \"B9\"\nalterations = [\"natural\", \"sharp\"]\nkeys = [1, 2, 3, 4, 5, 6, 7, -1, -2, -3, -4, -5, -6, -7]\n";
    let text = GOOD.replace("from = \"C4\"\nto = \"G4\"\n", everything);
    let error = Course::parse("mine.toml", &text).unwrap_err();
    assert!(error.problem.contains("1000"), "{error}");
}

#[test]
fn columns_count_characters_and_a_byte_order_mark_or_crlf_does_no_harm() {
    let text = GOOD.replace(
        "\"first\"",
        "\"first\"\nname = \"Flöten ♭\"\nkind = { ä = 1 }",
    );
    let error = Course::parse("mine.toml", &text).unwrap_err();
    assert!(error.line == 6, "{error}");
    let windows = format!("\u{feff}{}", GOOD.replace('\n', "\r\n"));
    Course::parse("mine.toml", &windows).unwrap();
}

proptest::proptest! {
    #[test]
    fn any_text_is_read_or_refused_with_a_place(text in "(schema|id|stage|notes|clef|from|\\[|\\]|=|\"| |\n|1|C4|ä|#){0,40}") {
        if let Err(error) = Course::parse("x", &text) {
            let lines = text.matches('\n').count() + 1;
            proptest::prop_assert!((1..=lines).contains(&error.line));
            proptest::prop_assert!(!error.remedy.is_empty());
        }
    }

    #[test]
    fn a_damaged_course_never_breaks_the_reader(cut in 0..2000_usize, put in "\\PC{0,3}") {
        let text = Course::built_in_text("groundwork").unwrap();
        let mut cut = cut.min(text.len());
        while !text.is_char_boundary(cut) { cut -= 1; }
        let damaged = format!("{}{put}{}", &text[..cut], &text[cut..]);
        if let Err(error) = Course::parse("x", &damaged) {
            proptest::prop_assert!(error.line >= 1 && error.column >= 1);
        }
    }
}
