//! The program in a folder of its own, by pipes and in a real pseudo-terminal.
#![allow(dead_code)] // each test file uses its own part

pub mod at_piano;
pub mod browser;
pub mod grand;
pub mod singer;
pub mod sound_server;

use std::io::{Read, Write};
use std::num::NonZero;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};

/// The program under test.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_stavelark");

/// How long a test waits for what must come: long enough for a slow disk and a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// What the program sees of the environment, beside its folder.
const ENVIRONMENT: [(&str, &str); 5] = [
    ("LANG", "C.UTF-8"),
    ("TERM", "xterm-256color"),
    ("TZ", "UTC"),
    ("USER", "Wren"),
    // No sound server is looked for: what is tested here needs none.
    ("PULSE_SERVER", "unix:/nonexistent"),
];

/// A folder for one test.
pub struct Rig {
    folder: tempfile::TempDir,
}

impl Rig {
    /// An empty folder.
    pub fn new() -> Rig {
        Rig {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    /// Where the record is.
    pub fn home(&self) -> PathBuf {
        self.folder.path().join("home")
    }

    /// A file beside the record.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The program with `args`.
    pub fn command(&self, args: &[&str]) -> Command {
        self.wrapped(&[PROGRAM], args)
    }

    /// The program started by another, as [`dated`] gives it.
    pub fn wrapped<S: AsRef<std::ffi::OsStr>>(&self, program: &[S], args: &[&str]) -> Command {
        let mut command = Command::new(&program[0]);
        command.args(&program[1..]).args(args).env_clear();
        command.env("PATH", std::env::var_os("PATH").unwrap_or_default());
        command.envs(ENVIRONMENT).env("STAVELARK_HOME", self.home());
        command
    }

    /// Runs the program without input.
    pub fn run(&self, args: &[&str]) -> Output {
        self.command(args).stdin(Stdio::null()).output().unwrap()
    }

    /// Runs the program and expects exit code 0; gives what it printed.
    pub fn ok(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert!(
            output.status.success(),
            "{args:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    /// Runs the program with `input` on its standard input.
    pub fn fed(&self, args: &[&str], input: &str) -> Output {
        self.fed_in(&[], args, input)
    }

    /// The same where the environment says more.
    pub fn fed_in(&self, environment: &[(String, String)], args: &[&str], input: &str) -> Output {
        let mut child = self
            .command(args)
            .envs(environment.iter().cloned())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // A program that ended early has closed its end.
        let _closed = child.stdin.take().unwrap().write_all(input.as_bytes());
        child.wait_with_output().unwrap()
    }

    /// A query to the record by the `sqlite3` client.
    pub fn sql(&self, query: &str) -> String {
        let file = self.home().join("stavelark.sqlite3");
        let output = Command::new(need("sqlite3", "sqlite3"))
            .arg(file)
            .arg(query)
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    }

    /// The events written so far to `name`.
    pub fn events(&self, name: &str) -> Vec<serde_json::Value> {
        std::fs::read_to_string(self.file(name))
            .unwrap_or_default()
            .lines()
            .filter_map(|line| serde_json::from_str(line).ok())
            .collect()
    }
}

/// A file of the project.
pub fn sample(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("samples")
        .join(name);
    path.to_str().unwrap().to_owned()
}

/// Samples of one channel of 16 bits, full scale ±1, and how many there are a second.
pub fn recording(file: &Path) -> (Vec<f32>, u32) {
    let mut reader = hound::WavReader::open(file).unwrap();
    let rate = reader.spec().sample_rate;
    let samples = reader.samples::<i16>();
    let samples = samples.map(|sample| f32::from(sample.unwrap()) / 32_768.0);
    (samples.collect(), rate)
}

/// A program the test needs; without it the test fails and says how to install it.
pub fn need(program: &'static str, package: &str) -> &'static str {
    let found = Command::new("sh")
        .args(["-c", &format!("command -v {program}")])
        .output()
        .unwrap();
    assert!(
        found.status.success(),
        "this test needs {program}: sh .ci/setup tests (Debian package {package})"
    );
    program
}

/// What an HTML checker says of a page.
pub fn faults(page: &Path) -> String {
    let output = Command::new(need("tidy", "tidy"))
        .args(["-quiet", "-errors", "-utf8"])
        .arg(page)
        .output()
        .unwrap();
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The program with its clock begun at `when` (UTC), as `2026-03-02 10:00:00`, or `2026-03-02 10:00:00 x20` for twenty times
/// as fast. The library is loaded without its starter: that one refuses to start where a clock was left behind under the
/// number of its process.
pub fn dated(when: &str) -> Vec<String> {
    let folders = std::fs::read_dir("/usr/lib").into_iter().flatten();
    let library = folders
        .flatten()
        .map(|folder| folder.path().join("faketime"))
        .chain(["/usr/lib/faketime".into(), "/usr/lib64/faketime".into()])
        .map(|folder: PathBuf| folder.join("libfaketimeMT.so.1"))
        .find(|library| library.exists())
        .expect("this test needs libfaketime: sh .ci/setup tests (Debian package libfaketime)");
    vec![
        "env".to_owned(),
        format!("LD_PRELOAD={}", library.display()),
        format!("FAKETIME=@{when}"),
        PROGRAM.to_owned(),
    ]
}

/// A terminal that shows whole frames, as terminals with synchronized output do (private mode 2026).
type Emulator = vt100::Parser<Frames>;

#[derive(Default)]
struct Frames {
    /// What is shown while the next frame is on its way.
    shown: Option<vt100::Screen>,
    /// Frames that came whole.
    whole: usize,
}

impl vt100::Callbacks for Frames {
    fn unhandled_csi(
        &mut self,
        screen: &mut vt100::Screen,
        mark: Option<u8>,
        _: Option<u8>,
        params: &[&[u16]],
        end: char,
    ) {
        match (mark, params, end) {
            (Some(b'?'), [[2026]], 'h') => self.shown = Some(screen.clone()),
            (Some(b'?'), [[2026]], 'l') => self.whole += usize::from(self.shown.take().is_some()),
            _ => {}
        }
    }
}

/// The program on a screen.
pub struct Screen {
    child: Box<dyn Child + Send + Sync>,
    master: Option<Box<dyn MasterPty + Send>>,
    writer: Option<Box<dyn Write + Send>>,
    parser: Arc<Mutex<Emulator>>,
    reader: Option<JoinHandle<()>>,
    closing: Arc<AtomicBool>,
}

impl Screen {
    /// Starts `program` with `args` on a screen of `columns` × `rows`; `environment` adds to or replaces the usual.
    pub fn start(
        rig: &Rig,
        program: &[impl AsRef<std::ffi::OsStr>],
        args: &[&str],
        (columns, rows): (u16, u16),
        environment: &[(&str, &str)],
    ) -> Screen {
        let size = PtySize {
            rows,
            cols: columns,
            pixel_width: 0,
            pixel_height: 0,
        };
        let pair = native_pty_system().openpty(size).unwrap();
        let mut command = CommandBuilder::new(&program[0]);
        command.args(&program[1..]);
        command.args(args);
        command.env_clear();
        command.env("PATH", std::env::var_os("PATH").unwrap_or_default());
        for (name, value) in ENVIRONMENT.iter().chain(environment) {
            command.env(name, value);
        }
        command.env("STAVELARK_HOME", rig.home());
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let emulator =
            vt100::Parser::new_with_callbacks(some(rows), some(columns), 0, Frames::default());
        let parser = Arc::new(Mutex::new(emulator));
        let mut reader = pair.master.try_clone_reader().unwrap();
        let writer = pair.master.take_writer().unwrap();
        let seen = Arc::clone(&parser);
        let closing = Arc::new(AtomicBool::new(false));
        let closed = Arc::clone(&closing);
        let reader = std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = reader.read(&mut bytes) {
                seen.lock().unwrap().process(&bytes[..count]);
                if closed.load(Ordering::SeqCst) {
                    return;
                }
            }
        });
        Screen {
            child,
            master: Some(pair.master),
            writer: Some(writer),
            parser,
            reader: Some(reader),
            closing,
        }
    }

    /// The program itself at 80×24.
    pub fn open(rig: &Rig, args: &[&str]) -> Screen {
        Screen::start(rig, &[PROGRAM], args, (80, 24), &[])
    }

    /// Types `keys`.
    pub fn send(&mut self, keys: &str) {
        let writer = self.writer.as_mut().unwrap();
        writer.write_all(keys.as_bytes()).unwrap();
        writer.flush().unwrap();
    }

    /// What the screen shows.
    pub fn text(&self) -> String {
        self.with(vt100::Screen::contents)
    }

    /// What `look` sees on the screen, colours and all.
    pub fn with<T>(&self, look: impl FnOnce(&vt100::Screen) -> T) -> T {
        let parser = self.parser.lock().unwrap();
        look(parser.callbacks().shown.as_ref().unwrap_or(parser.screen()))
    }

    /// Whether the program has the alternate screen.
    pub fn full_screen(&self) -> bool {
        self.with(vt100::Screen::alternate_screen)
    }

    /// Whether the mouse is reported, and whether the cursor is hidden.
    pub fn held(&self) -> (bool, bool) {
        self.with(|screen| {
            let mouse = screen.mouse_protocol_mode() != vt100::MouseProtocolMode::None;
            (mouse, screen.hide_cursor())
        })
    }

    /// How many frames came whole, and whether one is on its way.
    pub fn frames(&self) -> (usize, bool) {
        let parser = self.parser.lock().unwrap();
        let frames = parser.callbacks();
        (frames.whole, frames.shown.is_some())
    }

    /// How many cells have a colour that is not the terminal's own.
    pub fn colours(&self) -> usize {
        self.with(|screen| {
            let (rows, columns) = screen.size();
            let own = vt100::Color::Default;
            (0..rows.get())
                .flat_map(|row| (0..columns.get()).map(move |column| (row, column)))
                .filter_map(|(row, column)| screen.cell(row, column))
                .filter(|cell| cell.fgcolor() != own || cell.bgcolor() != own)
                .count()
        })
    }

    /// Waits until the screen shows `text`.
    pub fn wait_for(&self, text: &str) {
        self.wait_until(&format!("'{text}' on the screen"), |screen| {
            screen.text().contains(text)
        });
    }

    /// Waits until `reached`; fails with what the screen shows.
    pub fn wait_until(&self, what: &str, reached: impl Fn(&Screen) -> bool) {
        let began = Instant::now();
        while !reached(self) {
            assert!(
                began.elapsed() < PATIENCE,
                "waited in vain for {what}; the screen shows:\n{}",
                self.text()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Changes the size of the screen.
    pub fn resize(&self, columns: u16, rows: u16) {
        self.parser
            .lock()
            .unwrap()
            .screen_mut()
            .set_size(some(rows), some(columns));
        let size = PtySize {
            rows,
            cols: columns,
            pixel_width: 0,
            pixel_height: 0,
        };
        self.master.as_ref().unwrap().resize(size).unwrap();
    }

    /// Tells the program another size and leaves the screen as it is: what is drawn for other sizes may leave anything.
    pub fn tell_size(&self, columns: u16, rows: u16) {
        let size = PtySize {
            rows,
            cols: columns,
            pixel_width: 0,
            pixel_height: 0,
        };
        self.master.as_ref().unwrap().resize(size).unwrap();
    }

    /// Waits for the end; gives the exit code.
    pub fn end(&mut self) -> u32 {
        let began = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                // What was printed last may still be on its way.
                std::thread::sleep(Duration::from_millis(50));
                return status.exit_code();
            }
            assert!(
                began.elapsed() < PATIENCE,
                "the program does not end; the screen shows:\n{}",
                self.text()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Closes the terminal, as its window would be.
    pub fn close(&mut self) {
        // A redraw wakes the reader, which holds the terminal open too.
        self.closing.store(true, Ordering::SeqCst);
        self.resize(60, 20);
        self.reader.take().unwrap().join().unwrap();
        drop(self.writer.take());
        drop(self.master.take());
    }

    /// The program's process.
    pub fn process(&self) -> u32 {
        self.child.process_id().unwrap()
    }

    /// Ends the program at once, as `kill -9`.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

/// A terminal emulator has at least one cell, even where the program is told of none.
fn some(cells: u16) -> NonZero<u16> {
    NonZero::new(cells).unwrap_or(NonZero::<u16>::MIN)
}

impl Drop for Screen {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _gone = self.child.wait();
        // What the moved clock leaves behind where it could not end well.
        if let Some(process) = self.child.process_id() {
            for name in ["sem.faketime_sem", "faketime_shm"] {
                let _left = std::fs::remove_file(format!("/dev/shm/{name}_{process}"));
            }
        }
    }
}
