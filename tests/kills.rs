//! The program is killed at any moment: no answer whose verdict was written is lost.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::io::{Read, Write};
use std::process::Stdio;
use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rig::{Rig, Screen, sample};

/// Verdicts written to a text sitting's output.
fn verdicts(output: &str) -> usize {
    output.matches('✓').count() + output.matches('✗').count()
}

#[test]
fn kills_at_any_moment_in_words_lose_no_answer_whose_verdict_was_written() {
    let rig = Rig::new();
    rig.ok(&["course", "use", &sample("evening.toml")]);
    rig.ok(&["settings", "sound", "off"]);
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let answers: String = "C\nD\nE\nF\nG\n".repeat(2000);
    let mut written = 0;
    let (mut kills, mut cut_short) = (0, 0);
    let mut latest = 70;
    while kills < 180 || cut_short <= 60 {
        assert!(
            kills < 2000,
            "only {cut_short} of {kills} kills fell into a running sitting"
        );
        let mut child = rig
            .command(&["practice", "--plain", "--prompts", "5000"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut stdin = child.stdin.take().unwrap();
        let text = answers.clone();
        let feeding = std::thread::spawn(move || {
            // The pipe breaks when the program is killed.
            let _broken = stdin.write_all(text.as_bytes());
        });
        std::thread::sleep(Duration::from_millis(random.random_range(5..latest)));
        child.kill().unwrap();
        let mut output = String::new();
        child
            .stdout
            .take()
            .unwrap()
            .read_to_string(&mut output)
            .unwrap();
        assert!(!child.wait().unwrap().success());
        feeding.join().unwrap();
        let seen = verdicts(&output);
        written += seen;
        kills += 1;
        cut_short += usize::from(seen > 0);
        // A busy machine takes longer to begin.
        if 2 * cut_short < kills {
            latest += 5;
        }
        let kept: usize = rig.sql("SELECT count(*) FROM answers").parse().unwrap();
        assert!(
            kept >= written,
            "{written} verdicts were written, {kept} answers are kept"
        );
        // At most one answer a run was committed and not yet told.
        written = kept;
    }
    assert!(rig.ok(&["data", "check"]).contains("is whole"));
}

#[test]
fn twenty_kills_on_a_screen_lose_no_answer_whose_verdict_was_drawn() {
    let rig = Rig::new();
    rig.ok(&["course", "use", &sample("evening.toml")]);
    rig.ok(&["settings", "sound", "off"]);
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    let mut kept_before = 0;
    for _ in 0..20 {
        let mut screen = Screen::open(&rig, &["practice", "--prompts", "5000"]);
        screen.wait_for("Which note is this?");
        for _ in 0..random.random_range(1..12) {
            screen.send("c");
            std::thread::sleep(Duration::from_millis(random.random_range(0..15)));
        }
        screen.kill();
        let text = screen.text();
        let drawn = usize::from(text.contains('✓') || text.contains("That was"));
        let kept: usize = rig.sql("SELECT count(*) FROM answers").parse().unwrap();
        assert!(kept >= kept_before + drawn, "{text}");
        kept_before = kept;
    }
    assert!(kept_before > 20, "only {kept_before} answers were given");
}
