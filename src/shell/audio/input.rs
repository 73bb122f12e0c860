//! The microphone. In: which device. Out: a [`Capture`] that fills, from a device that is opened and owned elsewhere.
//!
//! A thread of its own opens the device, owns the stream and drops it: opening may take seconds and dropping may
//! hang, and neither may hold up the screen, the listener or the program's end.

use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::time::{Duration, Instant};

use super::input_fault::InputFault;
use super::input_ring::Capture;

/// How long opening may take.
const OPENING: Duration = Duration::from_secs(5);

/// A microphone that is open, until it is dropped.
#[derive(Debug)]
pub struct Microphone {
    /// What it is called.
    pub name: String,
    /// Its sound.
    pub capture: Capture,
    /// While it lives, the thread that owns the stream waits; dropping it ends the stream.
    _hold: Sender<()>,
}

/// What a device answers when it is opened.
pub type Opened = Result<(String, Capture), InputFault>;

/// A microphone that is being opened.
#[derive(Debug)]
pub struct OpeningMicrophone {
    result: Receiver<Opened>,
    hold: Option<Sender<()>>,
    began: Instant,
}

impl OpeningMicrophone {
    /// An opening that will be answered through the sender; the receiver ends when the microphone is dropped.
    pub fn pending() -> (OpeningMicrophone, Sender<Opened>, Receiver<()>) {
        let (answer, result) = channel();
        let (hold, held) = channel();
        let opening = OpeningMicrophone {
            result,
            hold: Some(hold),
            began: Instant::now(),
        };
        (opening, answer, held)
    }

    /// `None` while the device is still being opened. Once it has answered, there is nothing more to ask.
    pub fn poll(&mut self, now: Instant) -> Option<Result<Microphone, InputFault>> {
        match self.result.try_recv() {
            Ok(Ok((name, capture))) => Some(match self.hold.take() {
                Some(hold) => Ok(Microphone {
                    name,
                    capture,
                    _hold: hold,
                }),
                None => Err(InputFault::Unresponsive),
            }),
            Ok(Err(fault)) => Some(Err(fault)),
            Err(TryRecvError::Empty) if now.saturating_duration_since(self.began) < OPENING => None,
            Err(_) => Some(Err(InputFault::Unresponsive)),
        }
    }
}

/// Where microphones come from: the sound system, or a test.
pub trait Microphones: Send {
    /// Begins to open one and returns at once.
    fn open(&mut self) -> OpeningMicrophone;
}

/// The microphones of this machine.
#[derive(Debug, Clone, Default)]
pub struct SystemMicrophones {
    /// The one that was chosen; else the system's default.
    pub chosen: Option<String>,
}

impl Microphones for SystemMicrophones {
    fn open(&mut self) -> OpeningMicrophone {
        let (opening, answer, held) = OpeningMicrophone::pending();
        let chosen = self.chosen.clone();
        let spawned = std::thread::Builder::new()
            .name("sound input".to_owned())
            .spawn({
                let answer = answer.clone();
                move || device::serve(chosen.as_deref(), &answer, &held)
            });
        if let Err(error) = spawned {
            let reason = error.to_string();
            // The receiver is in our hands.
            let _ = answer.send(Err(InputFault::NoInput { reason }));
        }
        opening
    }
}

/// A sound device as `devices` lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The name it is chosen by.
    pub id: String,
    /// What the system says of it.
    pub about: String,
    /// Samples a second and channels it would be opened with; `None` when it cannot be opened now.
    pub form: Option<(u32, u16)>,
    /// It is what is used when none is chosen.
    pub default: bool,
}

/// What there is to listen with, and to sound with. Opens devices for a moment to see whether they answer.
pub fn list() -> Result<(Vec<Listed>, Vec<Listed>), InputFault> {
    device::list()
}

#[cfg(feature = "sound")]
mod device {
    use std::sync::mpsc::{Receiver, Sender};
    use std::time::{Duration, Instant};

    use rustix::time::{ClockId, clock_gettime};

    use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
    use cpal::{
        BufferSize, ErrorKind, FromSample, InputCallbackInfo, SampleFormat, SizedSample,
        SupportedStreamConfig,
    };

    use super::super::doze::Doze;
    use super::super::input_fault::InputFault;
    use super::super::input_ring::{Capture, Intake, intake};
    use super::super::quiet::Quiet;
    use super::super::storm::Storm;
    use super::{Listed, Opened};

    /// Sound in one callback: 10 ms gave overruns on a busy machine, 21 ms none. A power of two of samples, as sound servers
    /// bring them.
    const BUFFER_S: f64 = 0.0213;

    /// Devices by which a sound server is reached though it is not the default: the library reads its configuration once,
    /// and a server that was started later is not in it.
    const SERVERS: [&str; 2] = ["pulse", "pipewire"];

    /// Opens the device, answers, and keeps the stream until `held` is dropped.
    pub(super) fn serve(chosen: Option<&str>, answer: &Sender<Opened>, held: &Receiver<()>) {
        match open(chosen) {
            Ok((name, capture, stream)) => {
                if answer.send(Ok((name, capture))).is_ok() {
                    // Nothing is ever sent: this returns when the microphone is dropped.
                    let _ = held.recv();
                }
                drop(stream);
            }
            Err(fault) => {
                // Whoever asked may have gone.
                let _ = answer.send(Err(fault));
            }
        }
    }

    fn fault(error: &cpal::Error) -> InputFault {
        match error.kind() {
            ErrorKind::PermissionDenied => InputFault::Denied,
            ErrorKind::DeviceBusy => InputFault::Busy,
            _ => InputFault::NoInput {
                reason: error.to_string(),
            },
        }
    }

    fn no_device() -> InputFault {
        InputFault::NoInput {
            reason: "no device".to_owned(),
        }
    }

    fn open(chosen: Option<&str>) -> Result<(String, Capture, cpal::Stream), InputFault> {
        // Without a second standard error the library's noise is only ugly.
        let _quiet = Quiet::new(None).ok();
        let host = cpal::default_host();
        if let Some(name) = chosen {
            let device = find(&host, name)?;
            return open_device(&device);
        }
        let device = host.default_input_device().ok_or_else(no_device)?;
        let first = match open_device(&device) {
            Ok(opened) => return Ok(opened),
            Err(first) => first,
        };
        for server in SERVERS {
            if let Ok(device) = find(&host, server)
                && let Ok(opened) = open_device(&device)
            {
                return Ok(opened);
            }
        }
        Err(first)
    }

    /// The input device of that name: its own name, or a part of what the system says of it.
    fn find(host: &cpal::Host, name: &str) -> Result<cpal::Device, InputFault> {
        let wanted = name.to_lowercase();
        let mut near = None;
        for device in host.devices().map_err(|error| fault(&error))? {
            if !device.supports_input() {
                continue;
            }
            let (id, about) = named(&device);
            if id.to_lowercase() == wanted {
                return Ok(device);
            }
            if near.is_none() && about.to_lowercase().contains(&wanted) {
                near = Some(device);
            }
        }
        near.ok_or_else(|| InputFault::NotThere {
            name: name.to_owned(),
        })
    }

    /// The name a device is chosen by, and what the system says of it.
    fn named(device: &cpal::Device) -> (String, String) {
        let id = device.id().map(|id| id.id().to_owned()).unwrap_or_default();
        let about = device
            .description()
            .map(|description| description.name().to_owned())
            .unwrap_or_else(|_| id.clone());
        (id, about)
    }

    fn open_device(device: &cpal::Device) -> Result<(String, Capture, cpal::Stream), InputFault> {
        let supported = device
            .default_input_config()
            .map_err(|error| fault(&error))?;
        let rate = supported.sample_rate();
        if !(8_000..=192_000).contains(&rate) {
            return Err(InputFault::Form {
                form: format!("{rate} samples a second"),
            });
        }
        let frames = ((BUFFER_S * f64::from(rate)) as u32).next_power_of_two();
        let build = |size| {
            let (intake, capture) = intake(rate);
            build(device, supported, size, intake).map(|stream| (capture, stream))
        };
        let (mut capture, mut stream) =
            build(BufferSize::Fixed(frames)).or_else(|_| build(BufferSize::Default))?;
        // Sound servers make three blocks of the room for two, and each block costs as much as a longer one.
        if let Ok(got @ 1..) = stream.buffer_size()
            && got < frames
        {
            drop((capture, stream));
            (capture, stream) = build(BufferSize::Fixed(frames * frames / got))
                .or_else(|_| build(BufferSize::Fixed(frames)))?;
        }
        stream.play().map_err(|error| fault(&error))?;
        Ok((named(device).1, capture, stream))
    }

    fn build(
        device: &cpal::Device,
        supported: SupportedStreamConfig,
        size: BufferSize,
        intake: Intake,
    ) -> Result<cpal::Stream, InputFault> {
        let mut config: cpal::StreamConfig = supported.into();
        config.buffer_size = size;
        match supported.sample_format() {
            SampleFormat::F32 => build_of::<f32>(device, config, intake),
            SampleFormat::I32 => build_of::<i32>(device, config, intake),
            SampleFormat::I16 => build_of::<i16>(device, config, intake),
            SampleFormat::U8 => build_of::<u8>(device, config, intake),
            other => Err(InputFault::Form {
                form: format!("samples as {other}"),
            }),
        }
    }

    fn build_of<T>(
        device: &cpal::Device,
        config: cpal::StreamConfig,
        mut intake: Intake,
    ) -> Result<cpal::Stream, InputFault>
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let channels = usize::from(config.channels);
        let state = std::sync::Arc::clone(intake.state());
        let (opened, mut storm) = (Instant::now(), Storm::default());
        let (rate, mut doze) = (config.sample_rate, Doze::default());
        device
            .build_input_stream(
                config,
                move |input: &[T], _: &InputCallbackInfo| {
                    let now = Instant::now();
                    intake.take(input, channels, now, f32::from_sample_);
                    let frames = (input.len() / channels.max(1)) as f64;
                    let block = Duration::from_secs_f64(frames / f64::from(rate));
                    std::thread::sleep(doze.block(now - opened, worked(), block));
                },
                // Called up to 200,000 times a second when a server dies, and never with a word that it did.
                move |error| {
                    state.count_error(error.kind() == ErrorKind::Xrun);
                    let now = Instant::now();
                    std::thread::sleep(storm.error(now - opened, state.silent_for(now)));
                },
                None,
            )
            .map_err(|error| fault(&error))
    }

    /// Processor time of this thread. Neither allocates nor locks.
    fn worked() -> Duration {
        let spent = clock_gettime(ClockId::ThreadCPUTime);
        Duration::try_from(spent).unwrap_or_default()
    }

    pub(super) fn list() -> Result<(Vec<Listed>, Vec<Listed>), InputFault> {
        let _quiet = Quiet::new(None).ok();
        let host = cpal::default_host();
        let id = |device: Option<cpal::Device>| device.map(|device| named(&device).0);
        let default_input = id(host.default_input_device());
        let default_output = id(host.default_output_device());
        let (mut inputs, mut outputs) = (Vec::new(), Vec::new());
        for device in host.devices().map_err(|error| fault(&error))? {
            let (id, about) = named(&device);
            let mut listed = Listed {
                id,
                about,
                form: None,
                default: false,
            };
            let form = |config: SupportedStreamConfig| (config.sample_rate(), config.channels());
            if device.supports_input() {
                listed.form = device.default_input_config().ok().map(form);
                listed.default = default_input.as_ref() == Some(&listed.id);
                inputs.push(listed.clone());
            }
            if device.supports_output() {
                listed.form = device.default_output_config().ok().map(form);
                listed.default = default_output.as_ref() == Some(&listed.id);
                outputs.push(listed);
            }
        }
        Ok((inputs, outputs))
    }
}

#[cfg(not(feature = "sound"))]
mod device {
    use std::sync::mpsc::{Receiver, Sender};

    use super::super::input_fault::InputFault;
    use super::{Listed, Opened};

    /// Answers that there is no microphone in this build.
    pub(super) fn serve(_: Option<&str>, answer: &Sender<Opened>, _: &Receiver<()>) {
        let _ = answer.send(Err(InputFault::NotBuilt));
    }

    pub(super) fn list() -> Result<(Vec<Listed>, Vec<Listed>), InputFault> {
        Err(InputFault::NotBuilt)
    }
}
