//! What a learner waits for, measured from outside on the built program in a real pseudo-terminal:
//! start to first frame, key to drawn verdict (its commit included), memory; and how fast `hear` goes through a recording.
//!
//! `cargo bench --bench practice`
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use std::io::{Read, Write};
use std::path::Path;
use std::process::Command;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};

const PROGRAM: &str = env!("CARGO_BIN_EXE_stavelark");
const STARTS: usize = 60;
const KEYS: usize = 1000;

/// The program on a screen, and when each piece of its output came.
struct Screen {
    child: Box<dyn Child + Send + Sync>,
    writer: Box<dyn Write + Send>,
    output: Receiver<(Instant, Vec<u8>)>,
    _master: Box<dyn MasterPty + Send>,
}

impl Screen {
    fn start(home: &Path, args: &[&str]) -> Screen {
        let size = PtySize {
            rows: 24,
            cols: 80,
            pixel_width: 0,
            pixel_height: 0,
        };
        let pair = native_pty_system().openpty(size).unwrap();
        let mut command = CommandBuilder::new(PROGRAM);
        command.args(args);
        command.env_clear();
        command.env("LANG", "C.UTF-8");
        command.env("TERM", "xterm-256color");
        command.env("USER", "Wren");
        command.env("STAVELARK_HOME", home);
        let mut reader = pair.master.try_clone_reader().unwrap();
        let writer = pair.master.take_writer().unwrap();
        let (sender, output) = channel();
        std::thread::spawn(move || {
            let mut bytes = [0; 65536];
            while let Ok(count @ 1..) = reader.read(&mut bytes) {
                if sender
                    .send((Instant::now(), bytes[..count].to_vec()))
                    .is_err()
                {
                    return;
                }
            }
        });
        let child = pair.slave.spawn_command(command).unwrap();
        Screen {
            child,
            writer,
            output,
            _master: pair.master,
        }
    }

    /// When `text` has come, counted from the call on.
    fn wait(&self, text: &str) -> Instant {
        let mut seen = Vec::new();
        loop {
            let (at, bytes) = self.output.recv_timeout(Duration::from_secs(10)).unwrap();
            seen.extend(bytes);
            if String::from_utf8_lossy(&seen).contains(text) {
                return at;
            }
        }
    }

    fn send(&mut self, key: &[u8]) -> Instant {
        let at = Instant::now();
        self.writer.write_all(key).unwrap();
        self.writer.flush().unwrap();
        at
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

fn told(what: &str, mut times: Vec<Duration>) {
    times.sort();
    let at =
        |share: f64| times[((times.len() - 1) as f64 * share).round() as usize].as_secs_f64() * 1e3;
    println!(
        "{what}: median {:.1} ms, 95th percentile {:.1} ms, 99th {:.1} ms, longest {:.1} ms ({} times)",
        at(0.5),
        at(0.95),
        at(0.99),
        at(1.0),
        times.len()
    );
}

fn resident_mb(process: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .unwrap();
    let kb: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kb / 1024.0
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("home");

    let starts = (0..STARTS)
        .map(|_| {
            let began = Instant::now();
            let screen = Screen::start(&home, &[]);
            screen.wait("Esc leave").duration_since(began)
        })
        .collect();
    told("start to the home screen's first frame", starts);

    let mut screen = Screen::start(&home, &["practice", "--minutes", "120"]);
    screen.wait("Esc rest");
    std::thread::sleep(Duration::from_millis(300));
    let mut keys = Vec::new();
    for number in 0..KEYS {
        while screen.output.try_recv().is_ok() {}
        let pressed = screen.send(&[b"cdefgab"[number % 7]]);
        let (drawn, _) = screen.output.recv_timeout(Duration::from_secs(10)).unwrap();
        keys.push(drawn.duration_since(pressed));
        // What follows is drawn, and the clock's own redraw does not fall into the next measurement.
        std::thread::sleep(Duration::from_millis(15));
    }
    told("key to drawn verdict, answer committed", keys);
    println!(
        "resident memory after {KEYS} answers: {:.1} MB",
        resident_mb(screen.child.process_id().unwrap())
    );
    drop(screen);

    let file = folder.path().join("long.wav");
    let seconds = long_recording(&file);
    let began = Instant::now();
    let output = Command::new(PROGRAM)
        .arg("hear")
        .arg(&file)
        .output()
        .unwrap();
    assert!(output.status.success());
    let took = began.elapsed().as_secs_f64();
    println!(
        "hear: {seconds:.0} s of recorded notes in {took:.2} s, {:.0} times real time",
        seconds / took
    );
}

/// The recorded notes one after another, several times over.
fn long_recording(file: &Path) -> f64 {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/grand");
    let mut names: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "wav"))
        .collect();
    names.sort();
    let spec = hound::WavReader::open(&names[0]).unwrap().spec();
    let mut writer = hound::WavWriter::create(file, spec).unwrap();
    let mut count = 0;
    for _ in 0..4 {
        for name in &names {
            for sample in hound::WavReader::open(name).unwrap().into_samples::<i32>() {
                writer.write_sample(sample.unwrap()).unwrap();
                count += 1;
            }
        }
    }
    writer.finalize().unwrap();
    f64::from(count) / f64::from(spec.sample_rate)
}
