//! Every command as typed: what it prints, its exit code, and what it says to bad input.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Command, Output, Stdio};

use rig::{Rig, need, sample};

/// Expects exit code 2, nothing on stdout, and every one of `words` on stderr.
fn refused(rig: &Rig, args: &[&str], words: &[&str]) {
    let output = rig.run(args);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
    assert!(output.stdout.is_empty(), "{args:?}");
    for word in words {
        assert!(
            said.contains(word),
            "{args:?} does not say '{word}': {said}"
        );
    }
    assert!(!said.contains("panicked"), "{args:?}: {said}");
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn every_command_has_help_with_examples() {
    let rig = Rig::new();
    let all = rig.ok(&["--help"]);
    let commands: Vec<&str> = all
        .split("Commands:")
        .nth(1)
        .unwrap()
        .split("Options:")
        .next()
        .unwrap()
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|&name| name != "help")
        .collect();
    for expected in [
        "practice", "progress", "course", "hear", "play", "learner", "settings", "data",
    ] {
        assert!(commands.contains(&expected), "{expected} is not listed");
    }
    for command in commands {
        let help = rig.ok(&[command, "--help"]);
        assert!(help.contains("Examples:"), "{command}: {help}");
        assert!(
            help.contains("--learner"),
            "{command} takes a learner: {help}"
        );
    }
    assert!(!rig.home().exists(), "help makes no folder");
}

#[test]
fn the_first_run_makes_folder_learner_and_course_without_asking() {
    let rig = Rig::new();
    let output = rig.run(&[]);
    assert!(output.status.success());
    let today = String::from_utf8(output.stdout.clone()).unwrap();
    assert!(today.contains("Wren, today: 3 minutes"), "{today}");
    assert!(said(&output).contains("stavelark --plain"));
    assert_eq!(rig.ok(&["learner", "list"]).trim(), "> Wren");
    assert!(rig.ok(&["course", "list"]).contains("> groundwork"));
    // Where nobody has a name, nobody is called by one.
    let unnamed = Rig::new();
    let output = unnamed.command(&[]).env_remove("USER").output().unwrap();
    let today = String::from_utf8(output.stdout).unwrap();
    assert!(today.starts_with("Today: 3 minutes"), "{today}");
    // Children's records are nobody else's to read.
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(rig.home()).unwrap().permissions().mode();
    assert_eq!(mode & 0o077, 0, "{mode:o}");
}

#[test]
fn programs_begun_at_once_the_first_time_all_find_their_learner() {
    let rig = Rig::new();
    let begun: Vec<_> = (0..4)
        .map(|_| {
            let mut command = rig.command(&["progress"]);
            let command = command.stdin(Stdio::null()).stdout(Stdio::piped());
            command.stderr(Stdio::piped()).spawn().unwrap()
        })
        .collect();
    for one in begun {
        let output = one.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
    }
    assert_eq!(rig.ok(&["learner", "list"]), "> Wren\n");
}

#[test]
fn an_input_that_ends_early_is_exit_code_one_with_the_reason() {
    let rig = Rig::new();
    let args = ["practice", "--plain", "--seed", "1", "--prompts", "5"];
    let output = rig.run(&args);
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("The input ended before the sitting did"));
    // The same five notes again with the same seed, and a learner who stops early is done.
    let first = |input: &str| {
        let output = rig.fed(&args, input);
        let text = String::from_utf8(output.stdout).unwrap();
        let prompt = text.lines().find(|line| line.starts_with("1. ")).unwrap();
        (output.status.code(), prompt.to_owned())
    };
    let (code, prompt) = first("stop\n");
    assert_eq!(code, Some(0));
    assert_eq!(first("stop\n").1, prompt);
}

#[test]
fn events_are_lines_of_json_as_the_contract_says() {
    let rig = Rig::new();
    let file = rig.file("events.jsonl");
    let args = [
        "practice",
        "--plain",
        "--seed",
        "1",
        "--prompts",
        "2",
        "--events",
        file.to_str().unwrap(),
    ];
    let output = rig.fed(&args, "x\nC\nD\nE\nF\nG\nA\nB\nC\nD\nE\nF\nG\nA\nB\n");
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let lines = rig.events("events.jsonl");
    let kinds: Vec<&str> = lines
        .iter()
        .map(|line| line["event"].as_str().unwrap())
        .collect();
    assert_eq!((kinds[0], kinds[kinds.len() - 1]), ("prompt", "end"));
    assert_eq!(kinds.iter().filter(|kind| **kind == "prompt").count(), 2);
    for line in &lines {
        assert!(line["at_ms"].is_u64(), "{line}");
        match line["event"].as_str().unwrap() {
            "prompt" => {
                assert_eq!(line["item"]["kind"], "note");
                assert_eq!(line["item"]["clef"], "treble");
                assert!(
                    line["item"]["pitch"]
                        .as_str()
                        .unwrap()
                        .ends_with(|c: char| c.is_ascii_digit())
                );
            }
            "answer" => {
                let outcome = line["outcome"].as_str().unwrap();
                assert!(["right", "wrong", "not_sure"].contains(&outcome));
                // Letters tell the name alone, and no time is taken in words.
                assert_eq!(line["given"].as_str().unwrap().len(), 1);
                assert!(line["response_ms"].is_null(), "{line}");
            }
            _ => {}
        }
    }
    refused(&rig, &args, &["is there already", "--force"]);
}

#[test]
fn what_is_unknown_is_named_with_the_nearest_match() {
    let rig = Rig::new();
    rig.ok(&["learner", "add", "Wren"]);
    rig.ok(&["learner", "add", "Osric"]);
    let evening = sample("evening.toml");
    let evenin = evening.replace("evening", "evenin");
    let cases: [(&[&str], &[&str]); 14] = [
        (
            &["play", "H4", "--wav", "x.wav"],
            &["'H4' is no note", "did you mean B4?"],
        ),
        (
            &["play", "C#", "--wav", "x.wav"],
            &["'C#' is no note", "did you mean C#4?"],
        ),
        (&["play", "sol3", "--wav", "x.wav"], &["did you mean G3?"]),
        (
            &["hear", &sample("grand/A44.wav")],
            &["there is no file", "did you mean 'A4.wav'?"],
        ),
        (&["hear", "/nowhere/at/all.wav"], &["nor its folder"]),
        (
            &["practice", "--stage", "trebel"],
            &["no stage 'trebel'", "did you mean 'treble'?"],
        ),
        (
            &["course", "use", "groundwrok"],
            &["no course 'groundwrok'", "did you mean 'groundwork'?"],
        ),
        (
            &["course", "check", &evenin],
            &["there is no file", "did you mean 'evening.toml'?"],
        ),
        (
            &["settings", "nams"],
            &["no setting 'nams'", "did you mean 'names'?"],
        ),
        (
            &["settings", "names", "klingon"],
            &["'klingon' is no value of names", "german"],
        ),
        (
            &["learner", "use", "Osrik"],
            &["no learner 'Osrik'", "did you mean 'Osric'?"],
        ),
        (
            &["--learner", "Wern", "progress"],
            &["no learner 'Wern'", "did you mean 'Wren'?"],
        ),
        (
            &["data", "restore", &evenin],
            &["there is no file", "did you mean"],
        ),
        (&["practise"], &["practise", "practice"]),
    ];
    for (args, words) in cases {
        refused(&rig, args, words);
    }
}

#[test]
fn a_wav_that_is_empty_truncated_or_none_at_all_gets_a_plain_reason() {
    let rig = Rig::new();
    let whole = fs::read(sample("grand/A4.wav")).unwrap();
    let cases: [(&str, &[u8], &str); 4] = [
        ("empty.wav", b"", "is empty"),
        (
            "words.wav",
            b"These are words and no sound at all, whatever the name says.",
            "no WAV file",
        ),
        ("head.wav", &whole[..30], "no WAV file"),
        ("silent.wav", &whole[..44], "no sound"),
    ];
    for (name, bytes, reason) in cases {
        let file = rig.file(name);
        fs::write(&file, bytes).unwrap();
        let path = file.to_str().unwrap();
        refused(&rig, &["hear", path], &[reason, name]);
        refused(
            &rig,
            &["practice", "--answer-by", "piano", "--input", path],
            &[reason, name],
        );
    }
    // A recording that was cut off is heard as far as it goes, and said to be cut.
    let file = rig.file("cut.wav");
    fs::write(&file, &whole[..whole.len() / 2]).unwrap();
    let output = rig.run(&["hear", file.to_str().unwrap()]);
    assert!(output.status.success());
    assert!(said(&output).contains("cut off"));
    assert!(String::from_utf8_lossy(&output.stdout).contains(",69,A4,"));
}

#[test]
fn a_reader_that_has_had_enough_is_no_error() {
    let rig = Rig::new();
    let mut child = rig
        .command(&["course", "show", "groundwork", "--json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Let go of the pipe after a line.
    let mut reader = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    reader.read_line(&mut line).unwrap();
    drop(reader);
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(output.stderr.is_empty(), "{}", said(&output));
}

#[test]
fn a_terminal_that_cannot_be_drawn_on_is_told_of_the_text_mode() {
    let rig = Rig::new();
    let output = rig.run(&["practice"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("stavelark practice --plain"));
}

#[test]
fn a_locale_without_utf_8_is_spoken_to_in_ascii() {
    let rig = Rig::new();
    for args in [
        &["progress"][..],
        &["practice", "--plain", "--prompts", "1"],
        &["course", "show"],
    ] {
        let output = rig
            .command(args)
            .env("LC_ALL", "C")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        assert!(
            output.stdout.is_ascii(),
            "{}",
            String::from_utf8_lossy(&output.stdout)
        );
        assert!(output.stderr.is_ascii(), "{}", said(&output));
        assert!(!output.stdout.is_empty());
    }
}

#[test]
fn a_course_file_edited_midway_keeps_its_marks_and_a_bad_edit_names_the_line() {
    let rig = Rig::new();
    let text = fs::read_to_string(sample("evening.toml")).unwrap();
    let file = rig.file("mine.toml");
    let path = file.to_str().unwrap();
    fs::write(&file, &text).unwrap();
    rig.ok(&["course", "use", path]);
    let stage = rig.ok(&["course", "show", "--json"]);
    let stage: serde_json::Value = serde_json::from_str(stage.lines().next().unwrap()).unwrap();
    let id = stage["id"].as_str().unwrap();
    let learner = rig.sql("SELECT id FROM learners");
    rig.sql(&format!(
        "INSERT INTO marks (learner, day, stage, at, \"offset\", after_answer) VALUES ({learner}, '2026-03-02', '{id}', 1772467200000, 0, 0)"
    ));
    assert!(rig.ok(&["progress"]).contains("1 of 2 days"));
    // More days, same stage: the mark stays.
    fs::write(&file, text.replacen("days = 2", "days = 3", 1)).unwrap();
    rig.ok(&["course", "use", path]);
    assert!(rig.ok(&["progress"]).contains("1 of 3 days"));
    // A mistake changes nothing and is shown where it stands.
    fs::write(&file, text.replacen("days = 2", "days = \"two\"", 1)).unwrap();
    let line = text
        .lines()
        .position(|line| line.contains("days = 2"))
        .unwrap()
        + 1;
    let check = rig.run(&["course", "check", path]);
    assert_eq!(check.status.code(), Some(1));
    assert!(
        said(&check).contains(&format!("mine.toml:{line}:")),
        "{}",
        said(&check)
    );
    refused(
        &rig,
        &["course", "use", path],
        &[&format!("mine.toml:{line}:")],
    );
    assert!(rig.ok(&["progress"]).contains("1 of 3 days"));
    // Mistakes are all shown, in the order of the lines.
    let twice = text.replacen("days = 2", "days = \"two\"", 1);
    fs::write(
        &file,
        format!("{twice}\n[[stage]]\nid = \"last\"\nminuts = 3\n"),
    )
    .unwrap();
    let check = said(&rig.run(&["course", "check", path]));
    let [first, second, third] =
        ["'days'", "'notes'", "'minuts'"].map(|word| check.find(word).unwrap());
    assert!(first < second && second < third, "{check}");
    assert!(check.contains("3 mistakes"), "{check}");
}

#[test]
fn a_course_from_a_file_can_be_gone_back_to_without_the_file() {
    let rig = Rig::new();
    let file = rig.file("mine.toml");
    fs::copy(sample("evening.toml"), &file).unwrap();
    rig.ok(&["course", "use", file.to_str().unwrap()]);
    fs::remove_file(&file).unwrap();
    rig.ok(&["course", "use", "landmarks"]);
    let list = rig.ok(&["course", "list"]);
    assert!(
        list.contains("> landmarks") && list.contains("  evening"),
        "{list}"
    );
    assert!(list.contains("from a file"), "{list}");
    refused(
        &rig,
        &["course", "use", "evenin"],
        &["did you mean 'evening'?"],
    );
    rig.ok(&["course", "use", "evening"]);
    assert!(rig.ok(&["course", "list"]).contains("> evening"));
    assert!(
        rig.ok(&["course", "list", "--json"])
            .contains("\"id\":\"evening\",\"in_use\":true")
    );
}

#[test]
fn a_file_that_was_written_is_named() {
    let rig = Rig::new();
    for (name, args) in [
        ("names.svg", vec!["sheet", "names"]),
        ("wren.html", vec!["progress", "--html"]),
        ("a.wav", vec!["play", "A4", "--for", "0.1", "--wav"]),
    ] {
        let file = rig.file(name);
        let args = [args, vec![file.to_str().unwrap()]].concat();
        assert_eq!(rig.ok(&args), format!("Wrote '{}'.\n", file.display()));
    }
}

#[test]
fn a_recording_that_cannot_be_read_is_left_out_and_the_others_are_reported() {
    let rig = Rig::new();
    let bad = rig.file("bad.wav");
    fs::write(&bad, "no sound").unwrap();
    let (bad, good) = (bad.to_str().unwrap(), sample("grand/A4.wav"));
    let output = rig.run(&["tuning", "--do-not-keep", "--input", bad, &good]);
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("Left out: '") && said(&output).contains("bad.wav"));
    let report = String::from_utf8(output.stdout).unwrap();
    // One key says nothing of a piano: no curve, no evenness, and no list of the 87 others.
    assert!(
        report.contains("Read, in cents") && report.contains("A4 "),
        "{report}"
    );
    for words in ["Evenness", "Not played", "C1  "] {
        assert!(!report.contains(words), "{report}");
    }
    refused(&rig, &["tuning", "--input", bad], &["no WAV file"]);
    refused(
        &rig,
        &["tuning", "--input", "/nowhere/a.wav"],
        &["there is no file"],
    );
}

#[test]
fn a_recording_without_a_note_says_so_beside_its_empty_rows() {
    let rig = Rig::new();
    let file = rig.file("silent.wav");
    silence(&file);
    let output = rig.run(&["hear", file.to_str().unwrap()]);
    assert!(output.status.success());
    assert!(
        said(&output).contains("the recording is silent"),
        "{}",
        said(&output)
    );
    assert_eq!(String::from_utf8(output.stdout).unwrap().lines().count(), 1);
}

/// A second of silence.
fn silence(file: &std::path::Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(file, spec).unwrap();
    for _ in 0..44_100 {
        writer.write_sample(0_i16).unwrap();
    }
    writer.finalize().unwrap();
}

#[test]
fn a_silent_recording_among_others_is_named_and_figures_go_to_a_file_that_is_named() {
    let rig = Rig::new();
    let silent = rig.file("silent.wav");
    silence(&silent);
    let (figures, table) = (rig.file("check.json"), rig.file("check.csv"));
    let (silent, good) = (silent.to_str().unwrap(), sample("grand/A4.wav"));
    let path = figures.to_str().unwrap();
    let kept = ["tuning", "--do-not-keep", "--json", path, "--input"];
    let output = rig.run(&[&kept[..], &[silent, &good]].concat());
    assert_eq!(output.status.code(), Some(1));
    assert!(
        said(&output).contains("no struck key is heard in") && said(&output).contains("silent.wav"),
        "{}",
        said(&output)
    );
    // The report is told in words, the figures stand in the file.
    assert!(String::from_utf8_lossy(&output.stdout).contains("Read, in cents"));
    let read: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&figures).unwrap()).unwrap();
    assert_eq!(read["keys"][0]["midi"], 69);
    let path = table.to_str().unwrap();
    rig.run(&["tuning", "--do-not-keep", "--input", &good, "--csv", path]);
    assert_eq!(fs::read_to_string(&table).unwrap().lines().count(), 2);
}

#[test]
fn a_name_that_promises_another_form_is_refused_before_anything_is_written() {
    let rig = Rig::new();
    let file = |name: &str| rig.file(name).to_str().unwrap().to_owned();
    for (command, option, name, better) in [
        ("progress", "--pdf", "wren.html", "wren.pdf"),
        ("progress", "--html", "wren.pdf", "wren.html"),
        ("tuning", "--html", "piano.svg", "piano.html"),
        ("tuning", "--json", "piano.csv", "piano.json"),
    ] {
        refused(&rig, &[command, option, &file(name)], &[option, better]);
        assert!(!rig.file(name).exists());
    }
    rig.ok(&["progress", "--html", &file("wren.htm")]);
    rig.ok(&["progress", "--html", &file("of-week.2")]);
}

#[test]
fn what_the_system_says_is_told_in_plain_words() {
    let rig = Rig::new();
    fs::write(rig.file("file"), "no folder").unwrap();
    let inside = rig.file("file").join("wren.html");
    let output = rig.run(&["progress", "--html", inside.to_str().unwrap()]);
    let words = said(&output);
    assert!(
        words.contains("no folder") && !words.contains("os error"),
        "{words}"
    );
    refused(
        &rig,
        &["progress", "--html", "/nowhere/wren.html"],
        &[
            "check that the folder exists",
            "there is no such file or folder",
        ],
    );
}

#[test]
fn a_microphone_that_is_not_there_is_kept_and_said_to_be_missing() {
    let rig = Rig::new();
    let output = rig.run(&["settings", "microphone", "no such device"]);
    assert!(output.status.success());
    assert!(
        said(&output).contains("is called 'no such device' just now"),
        "{}",
        said(&output)
    );
    assert!(
        rig.ok(&["settings", "microphone"])
            .starts_with("microphone = no such device")
    );
    let output = rig.run(&["settings", "microphone", "default"]);
    assert_eq!(said(&output), "");
    // What stands for a value is none.
    refused(&rig, &["settings", "microphone", "DEVICE"], &["no value"]);
    refused(&rig, &["settings", "voice", "LOWEST-HIGHEST"], &["C4-A4"]);
}

#[test]
fn commands_of_the_text_mode_are_told_when_asked_for() {
    let rig = Rig::new();
    let output = rig.fed(
        &["--plain"],
        "?\nhelp\nsettings names klingon\nset names german\nsettings names\nnames\nbegin\n?\nstop\nleave\n",
    );
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(
        text.matches("why NOTE: why a note comes").count(),
        2,
        "{text}"
    );
    assert!(text.contains("'klingon' is no value of names"), "{text}");
    assert!(
        text.contains("names = german: what notes are called"),
        "{text}"
    );
    assert_eq!(text.matches("sung-octave =").count(), 0, "{text}");
    assert!(
        text.contains("'names' is not known here. A line with ?"),
        "{text}"
    );
    assert_eq!(text.matches("Answer with a name").count(), 2, "{text}");
    // Without a sound output nobody is told to start low.
    let (fault, low) = (
        text.find("No sound output is there"),
        text.find("start low"),
    );
    assert!(fault.is_some() && low.is_none(), "{text}");
}

#[test]
fn who_has_no_name_is_told_how_to_give_one_and_a_name_that_is_taken_has_a_way_round() {
    let rig = Rig::new();
    let unnamed = |args: &[&str]| {
        let output = rig.command(args).env_remove("USER").output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    unnamed(&[]);
    let list = unnamed(&["learner", "list"]);
    assert!(
        list.contains("stavelark learner rename learner NAME"),
        "{list}"
    );
    let used = unnamed(&["course", "use", "landmarks"]);
    assert!(used.starts_with("Practice now follows"), "{used}");
    let mine = rig.file("mine.json");
    let told = unnamed(&["data", "export", mine.to_str().unwrap()]);
    assert!(told.starts_with("Wrote the record to '"), "{told}");
    rig.ok(&["learner", "rename", "learner", "Wren"]);
    assert_eq!(rig.ok(&["learner", "list"]), "> Wren\n");
    let file = rig.file("wren.json");
    let path = file.to_str().unwrap();
    rig.ok(&["data", "export", path]);
    refused(&rig, &["data", "import", path], &["'Wren'", "--name NAME"]);
}

#[test]
fn courses_are_listed_in_columns() {
    let rig = Rig::new();
    let list = rig.ok(&["course", "list"]);
    let columns: Vec<usize> = list
        .lines()
        .map(|line| line.chars().take(line.find(" stages").unwrap()).count())
        .collect();
    assert!(
        columns.len() >= 4 && columns.iter().all(|at| *at == columns[0]),
        "{list}"
    );
    let file = rig.file("groundwork.toml");
    let told = rig.ok(&["course", "new", file.to_str().unwrap()]);
    assert!(told.contains("Its id is 'groundwork-own'"), "{told}");
}

#[test]
fn a_damaged_record_is_refused_with_its_line() {
    let rig = Rig::new();
    let file = rig.file("wren.json");
    let path = file.to_str().unwrap();
    rig.ok(&["learner", "add", "Wren"]);
    rig.ok(&["data", "export", path]);
    let text = fs::read_to_string(&file).unwrap();
    let created = text
        .lines()
        .position(|line| line.contains("\"created\""))
        .unwrap()
        + 1;
    for (text, says) in [
        (
            text.replacen("\"created\": \"2", "\"created\": \"x", 1),
            format!("line {created} holds"),
        ),
        (
            text.replacen("\"created\"", "\"made\"", 1),
            "'created' is missing".to_owned(),
        ),
        (
            text[..text.len() / 2].to_owned(),
            "it ends too soon, in line".to_owned(),
        ),
    ] {
        fs::write(&file, text).unwrap();
        refused(
            &rig,
            &["data", "import", path, "--name", "Osric"],
            &[&says, "`stavelark data export` writes one"],
        );
    }
}

#[test]
fn settings_go_where_they_belong_and_options_come_first() {
    let rig = Rig::new();
    rig.ok(&["learner", "add", "Wren"]);
    rig.ok(&["learner", "add", "Osric"]);
    rig.ok(&["--learner", "Osric", "settings", "names", "german"]);
    let names = |learner| rig.ok(&["--learner", learner, "settings", "names"]);
    assert!(names("Osric").starts_with("names = german\n"));
    assert!(names("Wren").starts_with("names = english\n"));
    rig.ok(&["settings", "sound", "off"]);
    let file = fs::read_to_string(rig.home().join("settings.toml")).unwrap();
    assert!(file.contains("sound = \"off\""), "{file}");
    assert!(
        file.lines().filter(|line| line.starts_with('#')).count() >= 3,
        "{file}"
    );
    // A file spoilt by hand is named with its place, and not touched.
    fs::write(rig.home().join("settings.toml"), "sound = = off\n").unwrap();
    refused(
        &rig,
        &["settings"],
        &["settings.toml", "line 1", "Mend the file"],
    );
    let kept = fs::read_to_string(rig.home().join("settings.toml")).unwrap();
    assert_eq!(kept, "sound = = off\n");
}

#[test]
fn a_record_goes_to_another_machine_and_a_learner_goes_with_the_backups() {
    let (here, there) = (Rig::new(), Rig::new());
    let answers = "C\nD\nE\nF\nG\nA\nB\n".repeat(3);
    let practised = here.fed(&["practice", "--plain", "--prompts", "2"], &answers);
    assert!(practised.status.success(), "{}", said(&practised));
    let file = here.file("wren.json");
    let path = file.to_str().unwrap();
    here.ok(&["data", "export", path]);
    refused(
        &here,
        &["data", "export", path],
        &["is there already", "--force"],
    );
    there.ok(&["data", "import", path, "--name", "Wren of the hill"]);
    let count = "SELECT count(*) FROM answers";
    assert_eq!(here.sql(count), there.sql(count));
    refused(
        &there,
        &["data", "import", &sample("evening.toml")],
        &["is no record of a learner"],
    );
    refused(&here, &["learner", "remove", "Wren"], &["--yes"]);
    here.ok(&["learner", "remove", "Wren", "--yes", "--purge-backups"]);
    assert_eq!(here.sql("SELECT count(*) FROM learners"), "0");
    let left = fs::read_dir(here.home().join("backups")).map_or(0, Iterator::count);
    assert_eq!(left, 0);
}

#[test]
fn a_damaged_record_is_found_and_the_way_back_is_told() {
    let rig = Rig::new();
    rig.ok(&["learner", "add", "Wren"]);
    rig.ok(&["data", "backup", rig.file("good.sqlite3").to_str().unwrap()]);
    assert!(rig.ok(&["data", "check"]).contains("is whole"));
    let file = rig.home().join("stavelark.sqlite3");
    fs::write(
        &file,
        "no database at all, but long enough to be read as one".repeat(100),
    )
    .unwrap();
    let check = rig.run(&["data", "check"]);
    assert_ne!(check.status.code(), Some(0));
    assert!(
        said(&check).contains("stavelark data restore"),
        "{}",
        said(&check)
    );
    refused(&rig, &["progress"], &["stavelark data restore"]);
    rig.ok(&[
        "data",
        "restore",
        rig.file("good.sqlite3").to_str().unwrap(),
    ]);
    assert_eq!(rig.ok(&["learner", "list"]).trim(), "> Wren");
}

/// Runs `script` with its record on a file system of 600 kB in memory. Root mounts it; anyone else in a name space.
fn on_a_small_disk(rig: &Rig, script: &str) -> Output {
    let disk = rig.file("disk");
    fs::create_dir(&disk).unwrap();
    let disk = disk.to_str().unwrap();
    let whole = format!(
        "mount -t tmpfs -o size=600k none {disk} && trap 'umount -l {disk}' EXIT && export STAVELARK_HOME={disk}/home && {script}"
    );
    let root = Command::new("id").arg("-u").output().unwrap().stdout == b"0\n";
    let (program, args): (&[&str], &[&str]) = if root {
        (&["sh"], &["-c", &whole])
    } else {
        (
            &[need("unshare", "util-linux")],
            &["-rm", "sh", "-c", &whole],
        )
    };
    rig.wrapped(program, args)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[test]
fn a_disk_that_fills_during_practice_stops_with_its_name_and_keeps_what_was_saved() {
    let rig = Rig::new();
    let program = rig::PROGRAM;
    let script = format!(
        "{program} learner add Wren >/dev/null && yes E | head -c 4000 | {program} practice --plain --prompts 1 >/dev/null; \
         before=$({program} progress --json | wc -l); dd if=/dev/zero of=$STAVELARK_HOME/../fill bs=1k 2>/dev/null; \
         yes E | head -c 40000 | {program} practice --plain --minutes 100 >/dev/null; code=$?; \
         rm $STAVELARK_HOME/../fill; after=$({program} progress --json | wc -l); {program} data check && echo $code $before $after"
    );
    let output = on_a_small_disk(&rig, &script);
    let out = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(out.contains("is whole"), "{out} {}", said(&output));
    assert!(
        said(&output).contains("no room is left on the disk"),
        "{}",
        said(&output)
    );
    let last: Vec<u32> = out
        .lines()
        .last()
        .unwrap()
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    assert_eq!(last[0], 2, "{}", said(&output));
    assert!(last[2] >= last[1]);
}

#[test]
fn everything_is_had_in_words() {
    let rig = Rig::new();
    rig.ok(&["settings", "names", "english"]);
    let lines = [
        "set timed off",
        "set timed sideways",
        "settings",
        "why E4",
        "why H9",
        "place",
        "no name",
        "C",
        "stop",
        "begin",
        "C",
        "stop",
        "progress",
        "what",
        "leave",
    ];
    let output = rig.fed(&["--plain"], &(lines.join("\n") + "\n"));
    assert!(output.status.success(), "{}", said(&output));
    let words = String::from_utf8(output.stdout).unwrap();
    for expected in [
        "today: 3 minutes of \u{201c}Treble staff\u{201d}, day 1 of 3.",
        "In the last four weeks 0 days counted.",
        "Treble staff: 0 of 3 days, now",
        "'sideways' is no value of timed",
        "timed = off: ",
        "E4 (treble staff: bottom line)",
        "'H9' is no item of this course",
        "'no name' is no note name",
        "1. treble staff: ",
        "Stopped; everything answered is kept.",
        "1 note answered",
        "Slowest first",
        "'what' is not known here.",
    ] {
        let found = words.to_lowercase().contains(&expected.to_lowercase());
        assert!(found, "'{expected}' is missing in:\n{words}");
    }
    // Nothing is drawn: a Braille display would show dots as letters.
    assert!(
        !words
            .chars()
            .any(|sign| ('\u{2800}'..='\u{28ff}').contains(&sign))
    );
    assert_eq!(rig.sql("select count(*) from answers"), "1");
}

#[test]
fn notes_are_given_as_the_learner_names_them_and_scientific_names_always() {
    let rig = Rig::new();
    let key_of = |note: &str| {
        let file = rig.file("note.wav");
        rig.ok(&[
            "play",
            note,
            "--for",
            "1",
            "--wav",
            file.to_str().unwrap(),
            "--force",
        ]);
        let heard = rig.ok(&["hear", file.to_str().unwrap()]);
        let row = heard.lines().nth(1).unwrap_or_default().to_owned();
        row.split(',').nth(2).unwrap_or_default().to_owned()
    };
    // MIDI 1.0: C4 is 60, B4 71; common practice: German B is B flat, H is B.
    assert_eq!(key_of("B4"), "71");
    refused(&rig, &["play", "H4"], &["did you mean B4?"]);
    rig.ok(&["settings", "names", "german"]);
    for (note, key) in [
        ("H4", "71"),
        ("B4", "70"),
        ("Bb4", "70"),
        ("fis4", "66"),
        ("F#4", "66"),
    ] {
        assert_eq!(key_of(note), key, "{note}");
    }
    rig.ok(&["settings", "voice", "H2-E4"]);
    assert!(
        rig.ok(&["settings", "voice"])
            .starts_with("voice = H2-E4\n")
    );
    rig.ok(&["settings", "voice", "B2-E4"]);
    assert!(
        rig.ok(&["settings", "voice"])
            .starts_with("voice = B2-E4\n")
    );
    rig.ok(&["settings", "names", "english"]);
    assert!(
        rig.ok(&["settings", "voice"])
            .starts_with("voice = Bb2-E4\n")
    );
    rig.ok(&["settings", "names", "fixed-solfege"]);
    for (note, key) in [("do4", "60"), ("sib4", "70"), ("B4", "71")] {
        assert_eq!(key_of(note), key, "{note}");
    }
    refused(&rig, &["play", "H4"], &["'H4' is no note"]);
    // The drone is read before it is looked for a screen or a microphone.
    refused(
        &rig,
        &["hear", "--watch", "--drone", "H3"],
        &["'H3' is no note"],
    );
}

#[test]
fn why_is_asked_by_the_name_that_is_shown() {
    let rig = Rig::new();
    // In groundwork's first stages B4 is natural; B flat comes with the black keys.
    let why = |note: &str| {
        let output = rig.run(&["progress", "--why", note]);
        String::from_utf8(output.stdout).unwrap()
    };
    rig.ok(&["settings", "names", "german"]);
    for (note, first) in [
        ("H4@treble", "H4 "),
        ("H4", "H4 "),
        ("B4@treble", "B4 "),
        ("B4 treble", "B4 "),
        ("Fis4", "Fis4 "),
        ("F#4@treble", "Fis4 "),
    ] {
        let told = why(note);
        assert!(told.starts_with(first), "{note}: {told}");
    }
    rig.ok(&["settings", "names", "fixed-solfege"]);
    assert!(why("si4").starts_with("si4 "), "{}", why("si4"));
    assert!(why("si4@treble").starts_with("si4 "));
    rig.ok(&["settings", "names", "movable-solfege"]);
    assert!(
        why("ti4@treble").starts_with("ti4 "),
        "{}",
        why("ti4@treble")
    );
}

#[test]
fn what_hear_would_not_heed_is_refused_with_the_remedy() {
    let rig = Rig::new();
    let take = sample("grand/A4.wav");
    for option in [["--for", "2"], ["--drone", "A3"]] {
        let args = [&["hear", take.as_str()], &option[..]].concat();
        refused(&rig, &args, &["--microphone"]);
    }
    refused(
        &rig,
        &["hear"],
        &["stavelark hear take.wav", "--microphone", "--watch"],
    );
}
