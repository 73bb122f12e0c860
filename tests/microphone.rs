//! The ear at the seam to the sound system: what a real server cannot be made to do. Devices here are simulated.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod rig;

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::time::{Duration, Instant};

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rig::grand::{Grand, RATE};

use stavelark::score::{Phrase, Tone};
use stavelark::shell::audio::{
    InputFault, Intake, Microphones, Opened, OpeningMicrophone, intake, source,
};
use stavelark::shell::ear::{Ear, EarNews, EarOptions, Heard, OwnSound, Patience};
use stavelark::signal::listen::Surety;
use stavelark::signal::synth::SampleRate;
use stavelark::theory::{Hz, MidiNote};

/// Ends the test program when memory is taken or given back inside `assert_no_alloc`.
#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

/// Threads are counted by their names: whoever counts must be alone.
static EARS: RwLock<()> = RwLock::new(());

fn alone() -> RwLockWriteGuard<'static, ()> {
    EARS.write().unwrap_or_else(|held| held.into_inner())
}

fn beside_others() -> RwLockReadGuard<'static, ()> {
    EARS.read().unwrap_or_else(|held| held.into_inner())
}

/// What a simulated device does from when it is opened until it is let go.
type Deed = Box<dyn FnOnce(Sender<Opened>, Receiver<()>) + Send>;

/// Devices that are opened one after the other; then there is none.
struct Devices(VecDeque<Deed>);

impl Microphones for Devices {
    fn open(&mut self) -> OpeningMicrophone {
        let (opening, answer, held) = OpeningMicrophone::pending();
        let deed = self.0.pop_front().unwrap_or_else(|| {
            Box::new(|answer, _| {
                let reason = "no device".to_owned();
                let _gone = answer.send(Err(InputFault::NoInput { reason }));
            })
        });
        std::thread::Builder::new()
            .name("simulated".to_owned())
            .spawn(move || deed(answer, held))
            .unwrap();
        opening
    }
}

/// A device that says it has `said` samples a second and gives `sound` in blocks of 20 ms of `rate`, `speed` times as fast
/// as it says it does; when the sound is over it stops calling, and is there until it is let go.
fn device(said: u32, rate: u32, speed: f64, sound: Vec<f32>) -> Deed {
    Box::new(move |answer, held| {
        let (mut intake, capture) = intake(said);
        if answer
            .send(Ok(("a simulated microphone".to_owned(), capture)))
            .is_err()
        {
            return;
        }
        let base = Instant::now();
        for (index, block) in sound.chunks(rate as usize / 50).enumerate() {
            let said_at = Duration::from_millis(20) * (index as u32 + 1);
            let at = base + said_at;
            let real = base + said_at.div_f64(speed);
            std::thread::sleep(real.saturating_duration_since(Instant::now()));
            if is_let_go(&held) {
                return;
            }
            intake.take(block, 1, at, |x| x);
        }
        let _let_go = held.recv();
    })
}

fn is_let_go(held: &Receiver<()>) -> bool {
    held.try_recv() == Err(std::sync::mpsc::TryRecvError::Disconnected)
}

fn refused(fault: InputFault) -> Deed {
    Box::new(move |answer, _| {
        let _gone = answer.send(Err(fault));
    })
}

/// Half a second of a quiet room, then each key for a second, at `rate`.
fn played(keys: &[i16], rate: u32) -> Vec<f32> {
    let grand = Grand::load();
    let second = rate as usize;
    let mut sound = quiet(second / 2);
    for key in keys {
        let note = grand.strike(MidiNote(*key));
        let step = f64::from(RATE) / f64::from(rate);
        sound.extend((0..second).map(|i| {
            let at = i as f64 * step;
            let (whole, part) = (at as usize, at.fract() as f32);
            let at = |i| note.get(i).copied().unwrap_or(0.0);
            at(whole) * (1.0 - part) + at(whole + 1) * part
        }));
    }
    sound
}

/// A room that is not digitally silent.
fn quiet(samples: usize) -> Vec<f32> {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    (0..samples)
        .map(|_| 1e-4 * (random.random::<f32>() - 0.5))
        .collect()
}

fn hear(devices: Vec<Deed>, options: EarOptions) -> (Ear, Receiver<EarNews>) {
    let (to, news) = channel();
    let ear = Ear::start(
        Box::new(Devices(devices.into())),
        options,
        Box::new(move |each| to.send(each).is_ok()),
    );
    (ear, news)
}

/// Everything told until `last`, which is included.
fn until(news: &Receiver<EarNews>, last: impl Fn(&EarNews) -> bool) -> Vec<EarNews> {
    let mut told = Vec::new();
    loop {
        match news.recv_timeout(Duration::from_secs(20)) {
            Ok(each) => {
                told.push(each);
                if last(&told[told.len() - 1]) {
                    return told;
                }
            }
            Err(error) => panic!("{error}; told so far: {told:#?}"),
        }
    }
}

/// The sure notes among `news`.
fn keys(news: &[EarNews]) -> Vec<i16> {
    news.iter()
        .filter_map(|each| match each {
            EarNews::Note(Heard { note, .. }) if note.surety == Surety::Sure => Some(note.key.0),
            _ => None,
        })
        .collect()
}

fn is_sure(news: &EarNews, key: i16) -> bool {
    keys(std::slice::from_ref(news)) == [key]
}

/// Impatient, so that a hundred losses take seconds.
fn impatient() -> Patience {
    Patience {
        liveness: Duration::from_millis(60),
        first_sound: Duration::from_millis(60),
        first_retry: Duration::from_millis(1),
        last_retry: Duration::from_millis(5),
    }
}

/// Threads of this process by name.
fn threads(name: &str) -> usize {
    std::fs::read_dir("/proc/self/task")
        .unwrap()
        .filter_map(|task| std::fs::read_to_string(task.unwrap().path().join("comm")).ok())
        .filter(|comm| comm.trim() == name)
        .count()
}

fn wait_for_threads(name: &str, count: usize) {
    let began = Instant::now();
    while threads(name) != count {
        assert!(
            began.elapsed() < Duration::from_secs(10),
            "{} threads '{name}'",
            threads(name)
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn the_callback_allocates_nothing_with_room_and_without() {
    let (mut intake, mut capture) = intake(48_000);
    let block = vec![0_i16; 2 * 1024];
    let convert = |x: i16| f32::from(x) / 32_768.0;
    capture.wake_this_thread();
    // Four seconds find room, then the ring is full.
    for _ in 0..400 {
        let at = Instant::now();
        assert_no_alloc(|| intake.take(&block, 2, at, convert));
    }
    assert!(intake.state().lost() > 0);
    let mut into = Vec::new();
    while capture.next(&mut into).is_some() {}
    assert_no_alloc(|| intake.take(&block, 2, Instant::now(), convert));
    assert_eq!(capture.next(&mut into).unwrap().samples, 1024);
}

#[test]
fn a_hundred_losses_in_a_row_leave_no_thread_and_the_next_note_is_heard() {
    let _alone = alone();
    let mut devices: Vec<Deed> = Vec::new();
    for loss in 0..100 {
        devices.push(match loss % 4 {
            // Stops calling, and is there until it is let go.
            0 => device(16_000, 16_000, 1.0, quiet(1_000)),
            // Ends its stream.
            1 | 2 => Box::new(|answer, held| {
                let (mut intake, capture) = intake(16_000);
                let _gone = answer.send(Ok(("a plug that is pulled".to_owned(), capture)));
                intake.take(&quiet(320), 1, Instant::now(), |x| x);
                let _held = held.recv_timeout(Duration::from_millis(10));
            }),
            // Gives up while it is opened.
            _ => Box::new(|_, _| ()),
        });
    }
    devices.push(device(44_100, 44_100, 1.0, played(&[60], 44_100)));
    let options = EarOptions {
        patience: impatient(),
        ..EarOptions::default()
    };
    let (ear, news) = hear(devices, options);
    let told = until(&news, |each| is_sure(each, 60));
    let back = told
        .iter()
        .filter(|each| matches!(each, EarNews::Listening { .. }));
    assert_eq!(back.count(), 76);
    drop(ear);
    wait_for_threads("listening", 0);
    wait_for_threads("simulated", 0);
    assert_eq!(
        news.recv_timeout(Duration::ZERO),
        Err(RecvTimeoutError::Disconnected)
    );
}

#[test]
fn a_refusal_is_told_once_and_a_microphone_that_comes_is_heard() {
    let _beside = beside_others();
    let devices = vec![
        refused(InputFault::Denied),
        refused(InputFault::Denied),
        refused(InputFault::Busy),
        device(48_000, 48_000, 1.0, played(&[64], 48_000)),
    ];
    let options = EarOptions {
        patience: Patience {
            first_retry: Duration::from_millis(1),
            ..Patience::default()
        },
        ..EarOptions::default()
    };
    let (_ear, news) = hear(devices, options);
    let told = until(&news, |each| is_sure(each, 64));
    assert_eq!(
        told[..2],
        [
            EarNews::Deaf(InputFault::Denied),
            EarNews::Deaf(InputFault::Busy)
        ]
    );
    assert!(matches!(told[2], EarNews::Listening { .. }));
}

#[test]
fn a_headset_that_changes_its_rate_in_mid_stream_gives_no_wrong_note() {
    let _beside = beside_others();
    // At 48 kHz as it says, then at 16 kHz: C4, E4 and G4 would sound an octave and a fifth higher.
    let before = played(&[60, 64, 67], 48_000);
    let after = played(
        &[
            60, 64, 67, 60, 64, 67, 60, 64, 67, 60, 64, 67, 60, 64, 67, 60,
        ],
        16_000,
    );
    let devices: Vec<Deed> = vec![Box::new(move |answer, held| {
        let (mut intake, capture) = intake(48_000);
        answer.send(Ok(("a headset".to_owned(), capture))).unwrap();
        let base = Instant::now();
        let blocks = before.chunks(960).chain(after.chunks(320));
        for (index, block) in blocks.enumerate() {
            // Four times as fast as its stamps say.
            let at = base + Duration::from_millis(20) * (index as u32 + 1);
            std::thread::sleep(Duration::from_millis(5));
            intake.take(block, 1, at, |x| x);
        }
        // The stream ends: its stamps lie ahead of time.
        drop(held);
    })];
    let (_ear, news) = hear(devices, EarOptions::default());
    let told = until(&news, |each| matches!(each, EarNews::Deaf(_)));
    let keys = keys(&told);
    assert!(
        keys.iter().all(|key| [60, 64, 67].contains(key)),
        "{keys:?}"
    );
    assert_eq!(keys[..3], [60, 64, 67]);
    assert!(keys.len() >= 8, "the new rate was not found: {keys:?}");
}

#[test]
fn a_starved_callback_is_told_and_not_judged_for_long() {
    let _beside = beside_others();
    // Every fourth block is missing.
    let sound = quiet(48_000 * 30);
    let devices: Vec<Deed> = vec![Box::new(move |answer, held| {
        let (mut intake, capture) = intake(48_000);
        answer
            .send(Ok(("a starved device".to_owned(), capture)))
            .unwrap();
        let base = Instant::now();
        for (index, block) in sound.chunks(960).enumerate() {
            let at = base + Duration::from_millis(20) * (index as u32 + 1);
            std::thread::sleep(Duration::from_millis(2));
            if index % 4 != 0 {
                intake.take(block, 1, at, |x| x);
            }
        }
        drop(held);
    })];
    let (_ear, news) = hear(devices, EarOptions::default());
    let told = until(&news, |each| matches!(each, EarNews::Deaf(_)));
    assert_eq!(told.last(), Some(&EarNews::Deaf(InputFault::Gaps)));
}

/// The response of a simulated room with a reverberation time of `rt60` seconds: the direct sound, then sparse pulses that
/// decay (velvet noise: Karjalainen & Järveläinen 2007, AES 30th Conference), as (delay in samples, gain).
fn room(rt60: f64, rate: f64) -> Vec<(usize, f32)> {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let mut pulses = vec![(0, 1.0)];
    let grid = rate / 1_500.0;
    for pulse in 0..(rt60 * 1_500.0) as usize {
        let at = (pulse as f64 + random.random::<f64>()) * grid + 0.005 * rate;
        let gain = 0.2 * 10_f64.powf(-3.0 * at / rate / rt60);
        let sign = if random.random::<bool>() { 1.0 } else { -1.0 };
        pulses.push((at as usize, (sign * gain) as f32));
    }
    pulses
}

/// Our voice sounds `voice` in a room; the microphone hears it 40 ms later. When the voice has been silent for `after_ms`, a
/// recorded grand sounds `piano` in the same room. Gives what was told, and when the key was struck.
fn in_a_room(
    rt60: f64,
    voice: Hz,
    piano: i16,
    after_ms: u32,
    headphones: bool,
) -> (Vec<EarNews>, Instant) {
    let rate = SampleRate::STUDIO;
    let (mut player, mut voice_source) = source(rate);
    let own = OwnSound::default();
    own.watch(Some(std::sync::Arc::clone(player.state())));
    let struck = played(&[piano], rate.per_second());
    let struck = struck[rate.per_second() as usize / 2..].to_vec();
    let (told_struck, when_struck) = channel();
    let deed: Deed = Box::new(move |answer, held| {
        let (mut intake, capture): (Intake, _) = intake(rate.per_second());
        answer.send(Ok(("a room".to_owned(), capture))).unwrap();
        let pulses = room(rt60, f64::from(rate.per_second()));
        let longest = pulses.iter().map(|p| p.0).max().unwrap();
        // 40 ms on the way to and from the devices.
        let way = 1_920;
        let mut dry = vec![0.0_f32; longest + way];
        let mut out = [0.0_f32; 480];
        let mut floor = quiet(48_000).into_iter().cycle();
        let base = Instant::now();
        let (mut sounded, mut silent_blocks, mut piano_at) = (false, 0, None);
        for block in 1.. {
            std::thread::sleep(
                (base + Duration::from_millis(10) * block)
                    .saturating_duration_since(Instant::now()),
            );
            if is_let_go(&held) {
                return;
            }
            if block == 60 {
                player
                    .play(&Phrase::one_after_another(Tone::Strings, [voice], 1_200))
                    .unwrap();
            }
            voice_source.fill(&mut out, 1, 0, |x| x);
            let loud = out.iter().any(|x| *x != 0.0);
            sounded |= loud;
            silent_blocks = if loud { 0 } else { silent_blocks + 1 };
            if sounded && piano_at.is_none() && silent_blocks * 10 > after_ms {
                piano_at = Some(0);
                told_struck.send(Instant::now()).unwrap();
            }
            if let Some(at) = &mut piano_at {
                for sample in &mut out {
                    *sample += struck.get(*at).copied().unwrap_or(0.0);
                    *at += 1;
                }
            }
            dry.extend(out);
            let start = dry.len() - 480 - way;
            let wet: Vec<f32> = (start..start + 480)
                .map(|i| {
                    let sum: f32 = pulses
                        .iter()
                        .filter_map(|(delay, gain)| Some(dry.get(i.checked_sub(*delay)?)? * gain))
                        .sum();
                    0.5 * sum + floor.next().unwrap()
                })
                .collect();
            intake.take(&wet, 1, Instant::now(), |x| x);
        }
    });
    let options = EarOptions {
        own,
        headphones,
        ..EarOptions::default()
    };
    let (_ear, news) = hear(vec![deed], options);
    let told = until(&news, |each| is_sure(each, piano));
    (told, when_struck.recv().unwrap())
}

#[test]
fn in_a_live_room_our_voice_is_not_judged_and_a_note_300_ms_after_it_is() {
    let _beside = beside_others();
    for (rt60, voice, piano) in [(0.3, 261.63, 64), (0.9, 130.81, 67)] {
        let (told, struck) = in_a_room(rt60, Hz(voice), piano, 300, false);
        // The device, and nothing but the struck note.
        assert_eq!(told.len(), 2, "{rt60}: {told:#?}");
        let EarNews::Note(heard) = told[1] else {
            panic!("{told:#?}")
        };
        // It came 40 ms after it was struck.
        let late = heard.onset.saturating_duration_since(struck).as_millis();
        assert!(late < 120, "{late}");
    }
    // Without the gate the voice is heard: the room above could have failed.
    let (told, _) = in_a_room(0.3, Hz(261.63), 64, 300, true);
    assert!(keys(&told).contains(&60), "{told:#?}");
}

/// Resident memory of this process, MB. Source: proc(5); a page is 4096 bytes on the machines this is run on.
fn resident_mb() -> f64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap();
    let pages: f64 = statm.split_whitespace().nth(1).unwrap().parse().unwrap();
    pages * 4_096.0 / 1e6
}

/// A day of a room in which four notes are struck every twenty seconds, as fast as the ear can hear it.
#[test]
#[ignore = "takes minutes; run with: cargo test --release --test microphone day -- --ignored --nocapture"]
fn memory_stays_flat_over_a_simulated_day() {
    let _alone = alone();
    let rate = 48_000;
    let mut sound = played(&[60, 64, 67, 72], rate);
    sound.extend(quiet(20 * rate as usize - sound.len()));
    let (to, hours) = channel();
    let devices: Vec<Deed> = vec![Box::new(move |answer, held| {
        let (mut intake, capture) = intake(rate);
        answer.send(Ok(("a day".to_owned(), capture))).unwrap();
        let base = Instant::now();
        let mut blocks = 0;
        for hour in 1..=24 {
            for _ in 0..180 {
                for block in sound.chunks(rate as usize / 50) {
                    while intake.room() < block.len() {
                        std::thread::sleep(Duration::from_millis(1));
                    }
                    blocks += 1;
                    intake.take(block, 1, base + Duration::from_millis(20) * blocks, |x| x);
                }
            }
            to.send((hour, resident_mb(), intake.state().lost()))
                .unwrap();
        }
        let _let_go = held.recv();
    })];
    let (ear, news) = hear(devices, EarOptions::default());
    let (mut notes, mut first) = (0, None);
    loop {
        notes += keys(&news.try_iter().collect::<Vec<_>>()).len();
        match hours.recv_timeout(Duration::from_millis(100)) {
            Ok((hour, mb, lost)) => {
                println!("hour {hour}: {mb:.1} MB, {notes} notes, {lost} samples lost");
                let first = *first.get_or_insert(mb);
                assert!(
                    mb < first + 2.0,
                    "{first} MB in the first hour, {mb} MB now"
                );
                if hour == 24 {
                    break;
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(error) => panic!("{error}"),
        }
    }
    assert_eq!(ear.losses(), 0);
    assert!(notes > 24 * 180 * 3, "{notes}");
}
