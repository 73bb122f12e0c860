//! A sound server of the test's own, without any sound card: what is played into its sink is what the microphone hears.
//! And a piano to play into it, and an ear beside the program's.

use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::grand::RATE;
use super::{PROGRAM, Rig, Screen, need};

/// A private PulseAudio server with one null sink, whose monitor is the default source.
pub struct SoundServer {
    folder: tempfile::TempDir,
    process: Option<Child>,
}

/// One room at a time: what is played or sung live must be listened to as it comes.
pub fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

impl SoundServer {
    /// Starts it and waits until it answers.
    pub fn start() -> SoundServer {
        need("pulseaudio", "pulseaudio");
        need("pactl", "pulseaudio-utils");
        let folder = tempfile::Builder::new().prefix("sound").tempdir().unwrap();
        let mut server = SoundServer {
            folder,
            process: None,
        };
        server.bring_back();
        server
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What a client must see in its environment.
    pub fn environment(&self) -> Vec<(String, String)> {
        let text = |path: PathBuf| path.to_str().unwrap().to_owned();
        vec![
            (
                "PULSE_SERVER".to_owned(),
                format!("unix:{}", text(self.path("native"))),
            ),
            ("PULSE_RUNTIME_PATH".to_owned(), text(self.path(""))),
            ("HOME".to_owned(), text(self.path(""))),
        ]
    }

    /// The program with `args` on a screen of `size` in this room.
    pub fn screen(&self, rig: &Rig, args: &[&str], size: (u16, u16)) -> Screen {
        let environment = self.environment();
        let environment: Vec<(&str, &str)> = environment
            .iter()
            .map(|(name, value)| (name.as_str(), value.as_str()))
            .collect();
        Screen::start(rig, &[PROGRAM], args, size, &environment)
    }

    fn client(&self, program: &'static str) -> Command {
        let mut command = Command::new(need(program, "pulseaudio-utils"));
        command.envs(self.environment());
        command
    }

    /// Starts the server, for the first time or again.
    pub fn bring_back(&mut self) {
        let script = self.path("start.pa");
        // Without rewinds a stream starts within 50 ms instead of two seconds.
        let text = format!(
            ".fail\n\
             load-module module-native-protocol-unix socket={} auth-anonymous=1\n\
             load-module module-null-sink sink_name=room rate=48000 channels=2 format=float32le norewinds=1\n\
             set-default-sink room\n\
             set-default-source room.monitor\n",
            self.path("native").display()
        );
        std::fs::write(&script, text).unwrap();
        let log = std::fs::File::create(self.path("log")).unwrap();
        let process = Command::new("pulseaudio")
            .args(["-n", "-F", script.to_str().unwrap()])
            .args([
                "--daemonize=no",
                "--use-pid-file=no",
                "--exit-idle-time=-1",
                "--realtime=no",
                "--high-priority=no",
                "--log-target=stderr",
                "--log-level=error",
            ])
            .envs(self.environment())
            .env("PULSE_STATE_PATH", self.path(""))
            .env_remove("DISPLAY")
            .env_remove("DBUS_SESSION_BUS_ADDRESS")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        self.process = Some(process);
        let began = Instant::now();
        while !self
            .client("pactl")
            .arg("info")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .unwrap()
            .success()
        {
            assert!(
                began.elapsed() < super::PATIENCE,
                "the sound server does not start: {}",
                std::fs::read_to_string(self.path("log")).unwrap_or_default()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// How many streams listen to the microphone now.
    pub fn listeners(&self) -> usize {
        let list = self
            .client("pactl")
            .args(["list", "short", "source-outputs"])
            .output()
            .unwrap();
        assert!(list.status.success());
        String::from_utf8_lossy(&list.stdout).lines().count()
    }

    /// Ends the server at once, as when it crashes.
    pub fn take_away(&mut self) {
        if let Some(mut process) = self.process.take() {
            process.kill().unwrap();
            process.wait().unwrap();
        }
        let _gone = std::fs::remove_file(self.path("native"));
    }
}

impl Drop for SoundServer {
    fn drop(&mut self) {
        self.take_away();
    }
}

/// What is being played, in samples still to come.
type Playing = Arc<Mutex<Vec<(Vec<f32>, usize)>>>;

/// A player in the room: plays into the server's sink without a break, so that a note begins when it is struck.
pub struct Player {
    playing: Playing,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Player {
    /// Sits down. `latency` is what the server keeps in store: more bears a busier machine.
    pub fn sit_down(server: &SoundServer, latency: Duration) -> Player {
        let mut client = server
            .client("pacat")
            .args(["--playback", "--raw", "--format=s16le", "--channels=1"])
            .arg(format!("--rate={RATE}"))
            .arg(format!("--latency-msec={}", latency.as_millis()))
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let input = client.stdin.take().unwrap();
        let playing = Playing::default();
        let stop = Arc::new(AtomicBool::new(false));
        let thread = std::thread::spawn({
            let (playing, stop) = (Arc::clone(&playing), Arc::clone(&stop));
            move || {
                play(input, latency, &playing, &stop);
                let _gone = client.kill();
                client.wait().unwrap();
            }
        });
        Player {
            playing,
            stop,
            thread: Some(thread),
        }
    }

    /// Plays `sound` from now on; what sounded before is damped. Gives the moment.
    pub fn strike(&self, sound: Vec<f32>) -> Instant {
        let mut playing = self.playing.lock().unwrap();
        for (old, at) in playing.iter_mut() {
            for (i, sample) in old.iter_mut().skip(*at).enumerate() {
                // A damper takes a few hundredths of a second.
                *sample *= (-(i as f32) / 1_500.0).exp();
            }
        }
        playing.push((sound, 0));
        Instant::now()
    }

    /// Plays `sound` beside whatever sounds.
    pub fn add(&self, sound: Vec<f32>) {
        self.playing.lock().unwrap().push((sound, 0));
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

/// Writes the sound by the clock: what is written early would only wait.
fn play(mut input: ChildStdin, latency: Duration, playing: &Playing, stop: &AtomicBool) {
    let began = Instant::now();
    let ahead = latency.as_secs_f64();
    let mut written = 0_u64;
    while !stop.load(Ordering::Relaxed) {
        let due = ((began.elapsed().as_secs_f64() + ahead) * f64::from(RATE)) as u64;
        let count = (due - written) as usize;
        let mut bytes = Vec::with_capacity(2 * count);
        {
            let mut playing = playing.lock().unwrap();
            for i in 0..count {
                let sum: f32 = playing
                    .iter()
                    .filter_map(|(sound, at)| sound.get(at + i))
                    .sum();
                bytes.extend(((sum.clamp(-1.0, 1.0) * 32_767.0) as i16).to_le_bytes());
            }
            for (_, at) in playing.iter_mut() {
                *at += count;
            }
            playing.retain(|(sound, at)| *at < sound.len());
        }
        written = due;
        // The server may have been taken away.
        if input.write_all(&bytes).is_err() {
            return;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// An ear beside the program's: when the room was last loud.
pub struct Witness {
    last_loud: Arc<Mutex<Option<Instant>>>,
    client: Child,
}

impl Witness {
    /// Listens to the sink's monitor from now on.
    pub fn listen(server: &SoundServer) -> Witness {
        let (client, mut output) = monitor(server, "s16le", 8_000);
        let last_loud = Arc::new(Mutex::new(None));
        let seen = Arc::clone(&last_loud);
        std::thread::spawn(move || {
            let mut bytes = [0_u8; 320];
            while output.read_exact(&mut bytes).is_ok() {
                let power: f64 = bytes
                    .chunks_exact(2)
                    .map(|b| (f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0).powi(2))
                    .sum::<f64>()
                    / 160.0;
                // -60 dBFS
                if power > 1e-6 {
                    *seen.lock().unwrap() = Some(Instant::now());
                }
            }
        });
        Witness { last_loud, client }
    }

    /// Nothing louder than −60 dBFS has sounded for so long.
    pub fn is_quiet(&self, long: Duration) -> bool {
        self.last_loud().is_none_or(|at| at.elapsed() > long)
    }

    /// When the room was last louder than −60 dBFS.
    pub fn last_loud(&self) -> Option<Instant> {
        *self.last_loud.lock().unwrap()
    }

    /// Waits until the room has been loud since `since` and then quiet for `quiet`; gives when it became quiet.
    pub fn wait_for_quiet(&self, since: Instant, quiet: Duration) -> Instant {
        let began = Instant::now();
        loop {
            if let Some(last) = self.last_loud()
                && last > since
                && last.elapsed() >= quiet
            {
                return last;
            }
            assert!(
                began.elapsed() < super::PATIENCE,
                "the room does not become loud and quiet again"
            );
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        let _gone = self.client.kill();
        let _gone = self.client.wait();
    }
}

/// What sounds in the room, to be looked at.
pub struct Recorder {
    heard: Arc<Mutex<Vec<f32>>>,
    client: Child,
}

impl Recorder {
    /// Samples a second.
    pub const RATE: u32 = 48_000;

    /// Listens to the sink's monitor from now on.
    pub fn listen(server: &SoundServer) -> Recorder {
        let (client, mut output) = monitor(server, "float32le", Recorder::RATE);
        let heard = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&heard);
        std::thread::spawn(move || {
            let mut bytes = [0_u8; 1920];
            while output.read_exact(&mut bytes).is_ok() {
                let samples = bytes
                    .chunks_exact(4)
                    .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
                kept.lock().unwrap().extend(samples);
            }
        });
        Recorder { heard, client }
    }

    /// Forgets what was heard.
    pub fn clear(&self) {
        self.heard.lock().unwrap().clear();
    }

    /// Sounds that have ended, between silences of 50 ms or more.
    pub fn sounds(&self) -> Vec<Vec<f32>> {
        let heard = self.heard.lock().unwrap();
        let silence = Recorder::RATE as usize / 20;
        let mut sounds: Vec<(usize, usize)> = Vec::new();
        // -60 dBFS
        for (at, _) in heard.iter().enumerate().filter(|(_, x)| x.abs() > 1e-3) {
            match sounds.last_mut() {
                Some((_, end)) if at - *end < silence => *end = at,
                _ => sounds.push((at, at)),
            }
        }
        let ended = sounds.iter().filter(|(_, end)| end + silence < heard.len());
        ended
            .map(|(from, to)| heard[*from..=*to].to_vec())
            .collect()
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        let _gone = self.client.kill();
        let _gone = self.client.wait();
    }
}

/// What sounds in the room, in one channel, as `parec` writes it.
fn monitor(server: &SoundServer, format: &str, rate: u32) -> (Child, std::process::ChildStdout) {
    let mut client = server
        .client("parec")
        .args(["--raw", "--channels=1", "--latency-msec=20"])
        .args([format!("--format={format}"), format!("--rate={rate}")])
        .arg("--device=room.monitor")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let output = client.stdout.take().unwrap();
    (client, output)
}
