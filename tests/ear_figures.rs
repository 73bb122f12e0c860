//! Figures of the live ear for the developers' notes, and ten minutes of playing: by hand, on a quiet machine.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod rig;

use std::time::{Duration, Instant};

use rig::at_piano::{STORE, asked, count, sit, up, wait_for};
use rig::grand::Grand;
use rig::sound_server::{Player, SoundServer};
use rig::{Rig, Screen};
use stavelark::theory::MidiNote;

/// Processor time of a process so far, in seconds. Source: proc(5); a tick is a hundredth of a second on Linux.
fn processor_time(process: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap()
        .split_whitespace()
        .collect();
    let ticks: f64 = fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap();
    ticks / 100.0
}

/// The feedback line.
fn feedback(screen: &Screen) -> String {
    screen
        .text()
        .lines()
        .rev()
        .find(|line| line.contains('✓') || line.contains('✗'))
        .unwrap_or_default()
        .trim()
        .to_owned()
}

/// Figures for the developers' notes; they depend on the machine, so nothing but their being there is asserted.
#[test]
#[ignore = "measures; run with: cargo test --release --test ear_figures figures -- --ignored"]
fn figures_of_the_live_ear() {
    let server = SoundServer::start();
    let grand = Grand::load();
    let rig = Rig::new();
    let screen = sit(&rig, &server, &["--prompts", "200"]);
    let store = Duration::from_millis(30);
    let player = Player::sit_down(&server, store);
    screen.wait_for("Play any note to begin");
    // After ten seconds of silence the loudspeaker rests.
    std::thread::sleep(Duration::from_secs(12));
    let spent = processor_time(screen.process());
    std::thread::sleep(Duration::from_secs(10));
    let idle = (processor_time(screen.process()) - spent) / 10.0;
    player.strike(grand.strike(MidiNote(60)));
    wait_for(&rig, &screen, "first prompt", |e| count(e, "prompt") == 1);

    let (mut right, mut wrong) = (Vec::new(), Vec::new());
    for turn in 0..120 {
        std::thread::sleep(Duration::from_millis(500));
        let key = asked(&rig.events("events.jsonl"));
        let neighbour = turn % 3 == 2;
        let before = feedback(&screen);
        let struck = player.strike(grand.strike(up(key, i16::from(neighbour))));
        while feedback(&screen) == before && struck.elapsed() < Duration::from_secs(2) {
            std::thread::sleep(Duration::from_millis(1));
        }
        let ms = struck.elapsed().as_millis();
        if key.0 >= 48 && ms < 2_000 {
            if neighbour { &mut wrong } else { &mut right }.push(ms);
        }
    }
    let spent = processor_time(screen.process());
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(10) {
        player.strike(grand.strike(MidiNote(69)));
        std::thread::sleep(Duration::from_millis(333));
    }
    let playing = (processor_time(screen.process()) - spent) / began.elapsed().as_secs_f64();
    let spread = |times: &mut Vec<u128>| {
        times.sort_unstable();
        let at = |share: usize| times[(times.len() - 1) * share / 100];
        format!(
            "{} notes: least {}, median {}, 95 of 100 within {}, most {} ms",
            times.len(),
            at(0),
            at(50),
            at(95),
            at(100)
        )
    };
    let text = format!(
        "player's store {} ms included\nright, from C3: {}\nwrong, from C3: {}\nload: {:.1} % in silence, {:.1} % at three notes a second\n",
        store.as_millis(),
        spread(&mut right),
        spread(&mut wrong),
        100.0 * idle,
        100.0 * playing
    );
    std::fs::write(
        concat!(env!("CARGO_TARGET_TMPDIR"), "/ear-figures.txt"),
        &text,
    )
    .unwrap();
    assert!(right.len() > 20 && wrong.len() > 10, "{text}");
}

/// Ten minutes at three notes a second: every sample arrives.
#[test]
#[ignore = "takes ten minutes; run with: cargo test --release --test ear_figures ten_minutes -- --ignored --nocapture"]
fn ten_minutes_of_playing_lose_no_sound() {
    let server = SoundServer::start();
    let grand = Grand::load();
    let rig = Rig::new();
    let player = Player::sit_down(&server, STORE);
    let mut hearing = rig
        .command(&["hear", "--microphone", "--json", "--for", "600"])
        .envs(server.environment())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let output = std::io::BufReader::new(hearing.stdout.take().unwrap());
    let rows = std::thread::spawn(move || std::io::BufRead::lines(output).count());
    let mut struck = 0;
    while hearing.try_wait().unwrap().is_none() {
        player.strike(grand.strike(MidiNote(48 + struck * 7 % 36)));
        struck += 1;
        std::thread::sleep(Duration::from_millis(333));
    }
    let output = hearing.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    println!("{struck} struck, {} heard; {said}", rows.join().unwrap());
    assert!(output.status.success() && !said.contains("lost"), "{said}");
}
