//! Sheets and reports as others see them: PDF tools, an HTML checker, a browser.
//! With `STAVELARK_GALLERY=folder` every page is also left there to be looked at.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod rig;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use rig::browser::{self, Seen};
use rig::{Rig, dated, faults, need};

/// The day on which all of this is made.
const NOW: &str = "2026-03-27 18:00:00";

/// The program on that day.
fn on_the_day(rig: &Rig, args: &[&str]) -> std::process::Output {
    rig.wrapped(&dated(NOW), args).output().unwrap()
}

fn ok(rig: &Rig, args: &[&str]) -> String {
    let output = on_the_day(rig, args);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{args:?}: {said}");
    String::from_utf8(output.stdout).unwrap()
}

/// Three weeks of Wren, five days each, written into the record. Simulated by a rule: every note gets faster from day to
/// day, notes far from middle C later than others, and some are taken for their neighbour.
fn three_weeks(rig: &Rig) {
    rig.ok(&["learner", "add", "Wren"]);
    let notes = [
        "C4@treble",
        "D4@treble",
        "E4@treble",
        "F4@treble",
        "G4@treble",
        "A4@treble",
        "B4@treble",
        "C5@treble",
        "D5@treble",
        "E5@treble",
        "F5@treble",
        "G5@treble",
        "A5@treble",
        "F#4@treble",
        "Bb4@treble",
        "C#5@treble",
        "C4@bass",
        "B3@bass",
        "A3@bass",
        "G3@bass",
        "F3@bass",
        "E3@bass",
        "D3@bass",
        "C3@bass",
        "B2@bass",
        "A2@bass",
        "G2@bass",
        "F2@bass",
        "Eb3@bass",
        "F#3@bass",
    ];
    let mut chance = 7_u64;
    let mut random = move || {
        // Knuth's MMIX generator: anything that scatters will do.
        chance = chance
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (chance >> 33) as f64 / f64::from(1_u32 << 31)
    };
    let days: Vec<u32> = (2..=27)
        .filter(|day| (day - 2) % 7 < 5 && *day != 18)
        .collect();
    for (n, day) in days.iter().enumerate() {
        let date = format!("2026-03-{day:02}");
        // 16:00 UTC; 1 March 2026 is 20,513 days after 1 January 1970.
        let at = ((20_512 + i64::from(*day)) * 86_400 + 16 * 3600) * 1000;
        let stage = ["treble", "treble", "bass", "both"][(n / 4).min(3)];
        let mut sql = format!(
            "BEGIN;
             INSERT INTO sittings (learner, stage, day, started, \"offset\", seed)
             SELECT id, '{stage}', '{date}', {at}, 0, 1 FROM learners;\n"
        );
        let known = (6 + 2 * n).min(notes.len());
        for prompt in 0..75 {
            let place = if prompt < known {
                prompt
            } else {
                (random() * known as f64) as usize
            };
            let note = notes[place];
            let since = n as f64 - (place as f64 - 6.0).max(0.0) / 2.0;
            let hard = (place % 16) as f64 / 16.0;
            let middle = 0.95 + 0.8 * hard + (2.6 + hard) * (-since / 4.0).exp();
            let ms = (1000.0 * middle * (0.8 + 0.5 * random())) as u32;
            let wrong = random() < 0.04 + 0.14 * (-since / 3.0).exp();
            let (given, outcome) = match (wrong, note) {
                (false, _) => (note.split('@').next().unwrap(), 0),
                (true, "B2@bass") => ("G2", 1),
                (true, "F4@treble") => ("A4", 1),
                (true, _) => ("F4", 1),
            };
            sql += &format!(
                "INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
                 SELECT learner, max(id), '{date}', '{stage}', {at} + {prompt} * 3000, '{note}', 0, 0, '{given}', {outcome}, {ms}, 1, {}
                 FROM sittings;\n",
                ms + 900
            );
        }
        sql += &format!(
            "INSERT INTO marks (learner, day, stage, at, \"offset\", after_answer)
             SELECT id, '{date}', '{stage}', {at} + 300000, 0, (SELECT max(id) FROM answers) FROM learners;\n"
        );
        rig.sql(&(sql + "COMMIT;"));
    }
}

/// A sitting of `learner` by ear on 27 March: forty single notes, C, D and E right and F and G wrong; fifteen intervals,
/// all right; twenty pairs of notes, those of ten cents and more told apart. Simulated by that rule. Gives how many were
/// right.
fn by_ear(rig: &Rig, learner: &str) -> u32 {
    let at = (20_512 + 27) * 86_400_000_i64 + 17 * 3_600_000;
    let mut sql = format!(
        "BEGIN;
         INSERT INTO sittings (learner, stage, day, started, \"offset\", seed)
         SELECT id, 'find-five', '2026-03-27', {at}, 0, 1 FROM learners WHERE name = '{learner}';\n"
    );
    let mut answers: Vec<(String, String, bool)> = Vec::new();
    for n in 0..40 {
        let (note, right) = [
            ("C4", true),
            ("D4", true),
            ("E4", true),
            ("F4", false),
            ("G4", false),
        ][n % 5];
        answers.push((
            format!("{note}@treble"),
            if right { note } else { "A4" }.to_owned(),
            right,
        ));
    }
    for _ in 0..15 {
        answers.push((
            "C4@treble!interval-m3-up".to_owned(),
            "interval-m3-up".to_owned(),
            true,
        ));
    }
    for n in 0..20 {
        let tenths = [200, 50, 120, 80][n % 4];
        let right = tenths >= 100;
        let given = if right {
            format!("tune+{tenths}")
        } else {
            format!("tune-{tenths}")
        };
        answers.push((format!("A4@treble!tune+{tenths}"), given, right));
    }
    for (n, (item, given, right)) in answers.iter().enumerate() {
        sql += &format!(
            "INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
             SELECT learner, id, '2026-03-27', 'find-five', {at} + {n} * 3000, '{item}', 1, 0, '{given}', {}, 1500, 1, 2400
             FROM sittings WHERE id = (SELECT max(id) FROM sittings);\n",
            u8::from(!right)
        );
    }
    rig.sql(&(sql + "COMMIT;"));
    answers.iter().filter(|(_, _, right)| *right).count() as u32
}

/// Leaves a file in the gallery, if one is wanted.
fn show(file: &Path) {
    if let Some(folder) = std::env::var_os("STAVELARK_GALLERY") {
        fs::create_dir_all(&folder).unwrap();
        fs::copy(file, Path::new(&folder).join(file.file_name().unwrap())).unwrap();
    }
}

fn page(rig: &Rig) -> PathBuf {
    let file = rig.file("wren.html");
    ok(
        rig,
        &["progress", "--html", file.to_str().unwrap(), "--force"],
    );
    file
}

/// What a tool prints; its exit code must be 0.
fn told_by(program: &'static str, package: &str, args: &[&str]) -> String {
    let output = Command::new(need(program, package))
        .args(args)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{program} {args:?}: {text}{said}");
    text + &said
}

#[test]
fn a_report_in_a_browser_says_nothing_to_its_console_and_asks_for_nothing() {
    let rig = Rig::new();
    three_weeks(&rig);
    let page = page(&rig);
    show(&page);
    let seen = browser::open(&page, &[]);
    assert_eq!(seen.console, Vec::<String>::new());
    assert_eq!(seen.requests, Vec::<String>::new());
    assert!(seen.dom.contains("<h1>Wren</h1>"));
    // The same page with a fault of each kind planted: it is seen, so its absence means something.
    let text = fs::read_to_string(&page).unwrap();
    let (before, after) = text.split_once("<main>").unwrap();
    let policy = before.find("<meta http-equiv").unwrap();
    let rest = before[policy..].split_once('\n').unwrap().1;
    let planted = rig.file("planted.html");
    fs::write(
        &planted,
        format!(
            "{}{rest}<main><img src=\"http://example.invalid/a.png\" alt=\"\"><script>console.log('planted')</script>{after}",
            &before[..policy]
        ),
    )
    .unwrap();
    let seen = browser::open(&planted, &[]);
    assert!(
        seen.console.iter().any(|line| line.contains("planted")),
        "{seen:?}"
    );
    assert!(
        seen.requests
            .contains(&"http://example.invalid/a.png".to_owned())
    );
}

/// Opens a page in a frame so many points wide and gives what `script` finds; `frame` is the frame's document.
fn in_a_frame(rig: &Rig, page: &Path, width: u32, script: &str) -> Seen {
    let text = fs::read_to_string(page).unwrap();
    let framed = text.replace('&', "&amp;").replace('"', "&quot;");
    let wrapper = rig.file("frame.html");
    fs::write(
        &wrapper,
        format!(
            "<!DOCTYPE html><html lang=\"en\"><head><title>frame</title></head><body>\
             <iframe title=\"page\" style=\"width:{width}px;height:900px;border:0\" srcdoc=\"{framed}\"></iframe>\
             <script>addEventListener('load', () => {{ const frame = document.querySelector('iframe').contentDocument;\
             document.title = JSON.stringify((() => {{ {script} }})()); document.querySelector('iframe').remove(); }})</script>\
             </body></html>"
        ),
    )
    .unwrap();
    browser::open(&wrapper, &["--window-size=1400,1000"])
}

fn found(seen: &Seen) -> serde_json::Value {
    let title = seen.dom.split("<title>").nth(1).unwrap();
    let title = title.split("</title>").next().unwrap();
    serde_json::from_str(&title.replace("&amp;", "&").replace("&lt;", "<")).unwrap()
}

#[test]
fn a_report_fits_a_narrow_window_and_can_be_walked_through() {
    // WCAG 2.2, 1.4.10 Reflow: 320 CSS pixels without scrolling in two directions; tables and figures may scroll by
    // themselves, and then can be focused (2.1.1).
    let rig = Rig::new();
    three_weeks(&rig);
    let script = "
        const wide = [...frame.querySelectorAll('*')].filter(e => e.scrollWidth > e.clientWidth + 1
            && getComputedStyle(e).overflowX === 'auto');
        const levels = [...frame.querySelectorAll('h1,h2,h3')].map(h => Number(h.tagName[1]));
        return {
            width: frame.documentElement.scrollWidth, inner: frame.documentElement.clientWidth,
            wide: wide.length, unreachable: wide.filter(e => e.tabIndex !== 0).length,
            levels, links: [...frame.querySelectorAll('nav a')].filter(a => !frame.querySelector(a.getAttribute('href'))).length,
            unnamed: [...frame.querySelectorAll('svg:not([aria-hidden])')].filter(s => !s.getAttribute('aria-label')).length,
            small: [...frame.querySelectorAll('svg text')].filter(t => t.getBoundingClientRect().height < 9).length,
        };";
    let seen = in_a_frame(&rig, &page(&rig), 320, script);
    let found = found(&seen);
    assert!(found["inner"].as_u64().unwrap() <= 320, "{found}");
    assert_eq!(found["width"], found["inner"], "{found}");
    assert!(found["wide"].as_u64().unwrap() > 0, "{found}");
    for none in ["unreachable", "links", "unnamed", "small"] {
        assert_eq!(found[none], 0, "{none}: {found}");
    }
    let levels: Vec<u64> = found["levels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l.as_u64().unwrap())
        .collect();
    assert_eq!(levels[0], 1, "{found}");
    assert!(levels.windows(2).all(|two| two[1] <= two[0] + 1), "{found}");
}

#[test]
#[ignore = "needs the file axe.min.js of the npm package axe-core, named by AXE"]
fn axe_finds_nothing_in_light_dark_and_narrow() {
    let axe = std::env::var("AXE").expect("AXE names axe.min.js: npm install axe-core");
    let axe = fs::read_to_string(axe).unwrap();
    let rig = Rig::new();
    three_weeks(&rig);
    let text = fs::read_to_string(page(&rig)).unwrap();
    let policy = text.find("<meta http-equiv").unwrap();
    let rest = text[policy..].split_once('\n').unwrap().1;
    let with_axe = rig.file("axe.html");
    fs::write(
        &with_axe,
        format!(
            "{}{}",
            &text[..policy],
            rest.replace(
                "</body>",
                &format!(
                    "<script>{axe}</script><script>axe.run(document).then(r => {{ const p = document.createElement('pre'); p.id = 'axe';\
                     p.textContent = JSON.stringify({{passes: r.passes.length, incomplete: r.incomplete.map(i => i.id + ' ' + i.nodes.length),\
                     violations: r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 80)).join(' | '))}}); document.body.append(p); }})</script></body>"
                )
            )
        ),
    )
    .unwrap();
    for (how, arguments) in [
        (
            "light",
            [
                "--window-size=1200,1000",
                "--blink-settings=preferredColorScheme=1",
            ],
        ),
        (
            "dark",
            [
                "--window-size=1200,1000",
                "--blink-settings=preferredColorScheme=0",
            ],
        ),
        (
            "narrow",
            [
                "--window-size=500,900",
                "--blink-settings=preferredColorScheme=1",
            ],
        ),
    ] {
        let mut all = vec!["--virtual-time-budget=60000"];
        all.extend(arguments);
        let seen = browser::open(&with_axe, &all);
        let report = seen.dom.split("<pre id=\"axe\">").nth(1).unwrap();
        let report = report.split("</pre>").next().unwrap();
        println!("{how}: {report}");
        assert!(report.contains("\"violations\":[]"), "{how}: {report}");
    }
}

#[test]
fn an_html_checker_finds_no_fault_in_a_report() {
    let rig = Rig::new();
    three_weeks(&rig);
    let page = page(&rig);
    assert_eq!(faults(&page), "");
    let text = fs::read_to_string(&page).unwrap();
    let planted = rig.file("planted.html");
    fs::write(&planted, text.replace("</table>", "")).unwrap();
    assert!(faults(&planted).contains("missing </table>"));
}

#[test]
fn what_is_heard_stands_in_every_report_beside_what_is_read() {
    let rig = Rig::new();
    three_weeks(&rig);
    let right = by_ear(&rig, "Wren");
    rig.ok(&["learner", "add", "Osric"]);
    rig.ok(&["--learner", "Osric", "course", "use", "both-ways"]);
    by_ear(&rig, "Osric");
    for (whose, beside) in [("Wren", "read and heard"), ("Osric", "heard, not read yet")] {
        let of = |args: &[&str]| ok(&rig, &[&["--learner", whose], args].concat());
        let file = |ending: &str| rig.file(&format!("ear-{whose}.{ending}"));
        let week = of(&["progress", "--week"]);
        let said = format!("by ear: 75 answers, {right} right at the first try");
        assert!(week.replace('\n', " ").contains(&said), "{week}");
        of(&["progress", "--html", file("html").to_str().unwrap()]);
        assert_eq!(faults(&file("html")), "");
        show(&file("html"));
        let page = fs::read_to_string(file("html")).unwrap();
        assert!(!page.contains("Nothing is answered yet"), "{whose}");
        for words in [
            "<h2 id=\"ear\">By ear</h2>",
            "75 answers to what is only heard",
            "minor third up",
            beside,
        ] {
            assert!(page.contains(words), "{whose}: {words}");
        }
        // The same threshold as `progress` tells, which names the learner by "you".
        let told = of(&["progress"]).replace('\n', " ");
        let cents = told.split("Two notes ").nth(1).unwrap();
        let cents = cents.split(' ').next().unwrap();
        let threshold =
            format!("Two notes {cents} cents apart are told apart in 79 of 100 answers");
        assert!(page.contains(&threshold), "{threshold}");
        of(&["progress", "--pdf", file("pdf").to_str().unwrap()]);
        check_pdf(
            &file("pdf"),
            &["By ear", "75 answers to what is only heard"],
        );
    }
    // What was read three weeks long is not heard, where it was wrong each time.
    let page = fs::read_to_string(rig.file("ear-Wren.html")).unwrap();
    assert!(page.contains("Read and not heard yet: ") && !page.contains("Heard and not read yet"));
    let page = fs::read_to_string(rig.file("ear-Osric.html")).unwrap();
    let heard = "Heard and not read yet: C4 treble; D4 treble; E4 treble.";
    assert!(page.contains(heard) && !page.contains("Read and not heard yet"));
    assert!(
        page.contains("75 answers by ear on 1 practice day; nothing is read by typed letters yet.")
    );
}

/// A PDF by its file and what must be read in it.
fn check_pdf(file: &Path, words: &[&str]) {
    let name = file.to_str().unwrap();
    assert!(
        told_by("qpdf", "qpdf", &["--check", name]).contains("No syntax or stream encoding errors")
    );
    let about = told_by("pdfinfo", "poppler-utils", &[name]);
    assert!(
        about
            .lines()
            .any(|l| l.starts_with("Tagged:") && l.ends_with("yes")),
        "{about}"
    );
    assert!(
        about
            .lines()
            .any(|l| l.starts_with("Title:") && l.len() > 20),
        "{about}"
    );
    let fonts = told_by("pdffonts", "poppler-utils", &[name]);
    for font in fonts.lines().skip(2) {
        // name … emb sub uni object: embedded, a subset, with a map to Unicode.
        let columns: Vec<&str> = font.split_whitespace().rev().take(5).collect();
        assert_eq!(columns[2..], ["yes", "yes", "yes"], "{fonts}");
    }
    assert!(fonts.contains("Andika"), "{fonts}");
    let text = told_by("pdftotext", "poppler-utils", &["-layout", name, "-"]);
    for word in words {
        assert!(text.contains(word), "{word} is not in {name}: {text}");
    }
    let size = fs::metadata(file).unwrap().len();
    assert!(size < 200_000, "{name}: {size} bytes");
    show(file);
}

#[test]
fn sheets_and_the_report_are_whole_pdfs_whose_words_can_be_read() {
    let rig = Rig::new();
    three_weeks(&rig);
    // The layouts of the other two are held by the tests beside them.
    for (paper, large) in [("a4", false), ("letter", true)] {
        for (kind, stage, words) in [
            (
                "names",
                None,
                vec![
                    "Lines and spaces",
                    "Treble staff",
                    "Staves and keyboard",
                    "C4",
                ],
            ),
            (
                "days",
                None,
                vec!["Wren", "Treble staff", "groups of 3 to 5 notes"],
            ),
            ("cards", Some("treble"), vec!["octave 4"]),
            ("cards", Some("groups"), vec!["a third up"]),
            ("rows", Some("both"), vec!["answers", "Wren"]),
            ("rows", Some("groups"), vec!["Groups of notes: answers"]),
        ] {
            let size = if large { "-large" } else { "" };
            let of = stage.map_or(String::new(), |stage| format!("-{stage}"));
            let file = rig.file(&format!("{kind}{of}-{paper}{size}.pdf"));
            let mut args = vec![
                "sheet",
                kind,
                file.to_str().unwrap(),
                "--paper",
                paper,
                "--seed",
                "4",
            ];
            args.extend(large.then_some("--large"));
            if let Some(stage) = stage {
                args.extend(["--stage", stage]);
            }
            ok(&rig, &args);
            check_pdf(&file, &words);
        }
        let size = if large { "-large" } else { "" };
        let file = rig.file(&format!("wren-{paper}{size}.pdf"));
        let mut args = vec![
            "progress",
            "--pdf",
            file.to_str().unwrap(),
            "--paper",
            paper,
        ];
        args.extend(large.then_some("--large"));
        ok(&rig, &args);
        check_pdf(
            &file,
            &[
                "Wren",
                "Most improved",
                "How the figures are made",
                "Every note",
            ],
        );
    }
}

#[test]
fn a_sheet_is_printed_for_several_learners_at_once() {
    let rig = Rig::new();
    for name in ["Wren", "Osric"] {
        rig.ok(&["learner", "add", name]);
    }
    let file = rig.file("days.pdf");
    let both = ["--learner", "Wren", "--learner", "Osric"];
    ok(
        &rig,
        &[&["sheet", "days", file.to_str().unwrap()], &both[..]].concat(),
    );
    check_pdf(&file, &["Wren", "Osric"]);
    let one = rig.file("one.pdf");
    ok(
        &rig,
        &["sheet", "days", one.to_str().unwrap(), "--learner", "Osric"],
    );
    let text = told_by("pdftotext", "poppler-utils", &[one.to_str().unwrap(), "-"]);
    assert!(text.contains("Osric") && !text.contains("Wren"), "{text}");
    // Only sheets take several.
    let refused = on_the_day(&rig, &[&["progress"], &both[..]].concat());
    assert_eq!(refused.status.code(), Some(2));
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(
        said.contains("only `sheet` takes several learners"),
        "{said}"
    );
}

#[test]
fn files_are_never_written_over_unasked_and_a_folder_that_cannot_be_written_is_named() {
    let rig = Rig::new();
    rig.ok(&["learner", "add", "Wren"]);
    let there = rig.file("there.html");
    fs::write(&there, "mine").unwrap();
    let there = there.to_str().unwrap();
    let paper = rig.file("there.pdf");
    fs::write(&paper, "mine").unwrap();
    let paper = paper.to_str().unwrap();
    let nowhere = rig.file("no-such-folder/wren.pdf");
    let nowhere = nowhere.to_str().unwrap();
    let page_nowhere = rig.file("no-such-folder/wren.html");
    let page_nowhere = page_nowhere.to_str().unwrap();
    for (args, word) in [
        (["progress", "--html", there], "--force"),
        (["progress", "--pdf", paper], "--force"),
        (["progress", "--pdf", nowhere], "no-such-folder"),
        (["progress", "--html", page_nowhere], "no-such-folder"),
        (["sheet", "names", nowhere], "no-such-folder"),
    ] {
        let output = rig.run(&args);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(said.contains(word), "{args:?}: {said}");
    }
    assert_eq!(fs::read_to_string(there).unwrap(), "mine");
    rig.ok(&["progress", "--html", there, "--force"]);
    assert!(
        fs::read_to_string(there)
            .unwrap()
            .contains("Nothing is answered yet.")
    );
}

#[test]
fn phrases_stand_on_the_first_stages_sheet_alone() {
    let rig = Rig::new();
    let sheet = |rig: &Rig| {
        let file = rig.file("names.svg");
        ok(rig, &["sheet", "names", file.to_str().unwrap(), "--force"]);
        fs::read_to_string(file).unwrap()
    };
    rig.ok(&["learner", "add", "Wren"]);
    assert!(sheet(&rig).contains("Eager Geese Bring Dry Feathers"));
    ok(&rig, &["settings", "names", "fixed-solfege"]);
    assert!(!sheet(&rig).contains("Eager") && sheet(&rig).contains(">sol<"));
    let later = Rig::new();
    three_weeks(&later);
    assert!(!sheet(&later).contains("Eager"));
}

#[test]
fn a_week_is_told_in_a_few_lines() {
    let rig = Rig::new();
    three_weeks(&rig);
    let text = ok(&rig, &["progress", "--week"]);
    assert!(
        text.lines().all(|line| line.chars().count() <= 72),
        "{text}"
    );
    assert!(text.lines().count() <= 20, "{text}");
    for words in [
        "Wren, 21 Mar to 27 Mar 2026",
        "Practised on 5 of 7 days",
        "Hardest:",
        "Today counts already. Next is another day of",
    ] {
        assert!(text.replace('\n', " ").contains(words), "{words}: {text}");
    }
    // Five days of 75 answers.
    assert!(text.contains("375 answers"), "{text}");
}
