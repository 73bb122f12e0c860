//! The loudspeaker. In: phrases. Out: sound, on the default output device.
//!
//! A thread of its own opens the device, owns the stream and drops it: opening may take seconds and dropping may
//! hang, and neither may hold up the screen or the program's end.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::time::{Duration, Instant};

use super::fault::AudioFault;
use super::source::{Player, SoundState};
use crate::score::Phrase;

/// How long opening may take.
const OPENING: Duration = Duration::from_secs(5);

/// A device whose callback has not come for so long has stopped: some never report it.
const LIVENESS: Duration = Duration::from_millis(500);

/// A speaker that is being opened on its own thread.
pub struct Opening {
    result: Receiver<Result<Player, AudioFault>>,
    hold: Sender<()>,
    began: Instant,
}

impl Opening {
    /// `None` while the device is still being opened. Once it has answered, there is nothing more to ask.
    pub fn poll(&mut self) -> Option<Result<Speaker, AudioFault>> {
        match self.result.try_recv() {
            Ok(Ok(player)) => Some(Ok(Speaker::of(player, self.hold.clone()))),
            Ok(Err(fault)) => Some(Err(fault)),
            Err(TryRecvError::Empty) if self.began.elapsed() < OPENING => None,
            Err(_) => Some(Err(AudioFault::Unresponsive)),
        }
    }
}

/// The default output device.
pub struct Speaker {
    player: Player,
    /// While it lives, the thread that owns the stream waits; dropping it ends the stream.
    _hold: Sender<()>,
}

impl Speaker {
    /// Opens the default output device, waiting for it. Errors: the [`AudioFault`] that says what to do.
    pub fn open() -> Result<Speaker, AudioFault> {
        let opening = Speaker::open_in_background();
        match opening.result.recv_timeout(OPENING) {
            Ok(Ok(player)) => Ok(Speaker::of(player, opening.hold)),
            Ok(Err(fault)) => Err(fault),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                Err(AudioFault::Unresponsive)
            }
        }
    }

    /// Begins to open the default output device and returns at once.
    pub fn open_in_background() -> Opening {
        let (answer, result) = channel();
        let (hold, held) = channel();
        let spawned = std::thread::Builder::new()
            .name("sound output".to_owned())
            .spawn({
                let answer = answer.clone();
                move || device::serve(&answer, &held)
            });
        if let Err(error) = spawned {
            let reason = error.to_string();
            // The receiver is in our hands.
            let _ = answer.send(Err(AudioFault::NoOutput { reason }));
        }
        Opening {
            result,
            hold,
            began: Instant::now(),
        }
    }

    fn of(player: Player, hold: Sender<()>) -> Speaker {
        Speaker {
            player,
            _hold: hold,
        }
    }

    /// Sounds `phrase` from the next callback on; never waits. Errors: [`AudioFault::TooManyNotes`],
    /// [`AudioFault::Stopped`].
    pub fn play(&mut self, phrase: &Phrase) -> Result<(), AudioFault> {
        match self.fault(Instant::now()) {
            Some(fault) => Err(fault),
            None => self.player.play(phrase),
        }
    }

    /// Fades out, within 10 ms, whatever sounds.
    pub fn stop(&mut self) {
        self.player.stop();
    }

    /// How far the quiet beginning has risen, 0 to 1.
    pub fn gain(&self) -> f32 {
        self.player.state().gain()
    }

    /// Goes on at `gain`, 0 to 1, from where it rises: so much of it has been heard before.
    pub fn begin_at(&mut self, gain: f32) {
        self.player.begin_at(gain);
    }

    /// Something is still to be heard.
    pub fn is_sounding(&self) -> bool {
        self.player.state().is_sounding()
    }

    /// [`AudioFault::Stopped`] when the device has said so or, at `now`, has asked for no samples for half a second.
    pub fn fault(&self, now: Instant) -> Option<AudioFault> {
        let state = self.player.state();
        (state.is_lost() || state.silent_for(now) > LIVENESS).then_some(AudioFault::Stopped)
    }

    /// What the callback tells, for a thread that must know whether the speaker sounds.
    pub fn state(&self) -> Arc<SoundState> {
        Arc::clone(self.player.state())
    }
}

#[cfg(test)]
impl Opening {
    /// An opening that ends as the test says, without any device.
    pub(super) fn staged(result: Receiver<Result<Player, AudioFault>>) -> Opening {
        Opening {
            result,
            hold: channel().0,
            began: Instant::now(),
        }
    }
}

#[cfg(feature = "sound")]
mod device {
    use std::sync::mpsc::{Receiver, Sender};
    use std::time::Instant;

    use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
    use cpal::{BufferSize, ErrorKind, FromSample, OutputCallbackInfo, SampleFormat, SizedSample};

    use super::super::fault::AudioFault;
    use super::super::quiet::Quiet;
    use super::super::source::{LoudSource, Player, source};
    use super::super::storm::Storm;
    use crate::signal::synth::SampleRate;

    /// Frames a callback asks for: 480 gave underruns on a busy machine, 1024 none.
    const BUFFER: u32 = 1024;

    /// Opens the device, answers, and keeps the stream until `held` is dropped.
    pub(super) fn serve(answer: &Sender<Result<Player, AudioFault>>, held: &Receiver<()>) {
        match open() {
            Ok((player, stream)) => {
                if answer.send(Ok(player)).is_ok() {
                    // Nothing is ever sent: this returns when the speaker is dropped.
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

    fn no_output(error: impl std::fmt::Display) -> AudioFault {
        AudioFault::NoOutput {
            reason: error.to_string(),
        }
    }

    fn open() -> Result<(Player, cpal::Stream), AudioFault> {
        // Without a second standard error the library's noise is only ugly.
        let _quiet = Quiet::new(None).ok();
        let host = cpal::default_host();
        let device = host
            .default_output_device()
            .ok_or_else(|| no_output("no device"))?;
        let supported = device.default_output_config().map_err(no_output)?;
        let rate = SampleRate::new(supported.sample_rate()).map_err(no_output)?;
        let mut config: cpal::StreamConfig = supported.into();
        config.buffer_size = BufferSize::Fixed(BUFFER);
        let (player, source) = source(rate);
        let stream = match supported.sample_format() {
            SampleFormat::F32 => build::<f32>(&device, config, source),
            SampleFormat::I32 => build::<i32>(&device, config, source),
            SampleFormat::I16 => build::<i16>(&device, config, source),
            SampleFormat::U8 => build::<u8>(&device, config, source),
            other => return Err(no_output(format_args!("it wants samples as {other}"))),
        }?;
        stream.play().map_err(no_output)?;
        Ok((player, stream))
    }

    fn build<T>(
        device: &cpal::Device,
        config: cpal::StreamConfig,
        mut source: LoudSource,
    ) -> Result<cpal::Stream, AudioFault>
    where
        T: SizedSample + FromSample<f32>,
    {
        let channels = usize::from(config.channels);
        let rate = config.sample_rate;
        let state = source.state();
        let (opened, mut storm) = (Instant::now(), Storm::default());
        device
            .build_output_stream(
                config,
                move |out: &mut [T], info: &OutputCallbackInfo| {
                    let times = info.timestamp();
                    let ahead = times
                        .playback
                        .duration_since(times.callback)
                        .as_secs_f64()
                        .min(1.0);
                    let latency = (ahead * f64::from(rate)) as u64 + u64::from(BUFFER);
                    source.fill(out, channels, latency, T::from_sample_);
                },
                // Called up to 200,000 times a second when a server dies, without saying so: numbers only.
                move |error| {
                    match error.kind() {
                        ErrorKind::Xrun => state.count_xrun(),
                        ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated => {
                            state.lose();
                        }
                        _ => (),
                    }
                    let now = Instant::now();
                    std::thread::sleep(storm.error(now - opened, state.silent_for(now)));
                },
                None,
            )
            .map_err(no_output)
    }
}

#[cfg(not(feature = "sound"))]
mod device {
    use std::sync::mpsc::{Receiver, Sender};

    use super::super::fault::AudioFault;
    use super::super::source::Player;

    /// Answers that there is no sound in this build.
    pub(super) fn serve(answer: &Sender<Result<Player, AudioFault>>, _: &Receiver<()>) {
        let _ = answer.send(Err(AudioFault::NotBuilt));
    }
}
