//! `devices`: what there is to listen with and to sound with, a sound check, the delay of the loop.

use std::io::{self, Write};
use std::path::Path;
use std::process::ExitCode;

use anyhow::bail;
use serde_json::json;

use super::args::{Cli, DevicesArgs};
use super::edge::{self, Edge};
use super::{say, say_row, unfinished, warn};
use crate::shell::audio::{Listed, SystemMicrophones, list};
use crate::shell::ear::{LoopStore, loop_delay, sound_check};
use crate::shell::home::Home;
use crate::shell::paths::Paths;
use crate::shell::settings;

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &DevicesArgs) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    if let Some(name) = &args.use_input {
        choose(&mut home, name)?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut microphones = SystemMicrophones {
        chosen: home.settings().microphone(),
    };
    let chosen = microphones.chosen.clone();
    let chosen = chosen.as_deref().unwrap_or("default");
    let loops = LoopStore::new(&Paths::from_env()?);
    if args.check {
        return check(&mut microphones, args.json);
    }
    if args.loop_delay {
        let Some(delay) = loop_delay(&mut microphones)? else {
            warn(
                "The microphone does not hear the loudspeaker: take headphones off, turn the sound up, or bring them nearer. \
                 With headphones nothing has to be measured: stavelark settings headphones on",
            );
            return Ok(unfinished());
        };
        loops.set("default", chosen, &delay)?;
        if args.json {
            say_row(
                &json!({"loop_ms": delay.ms, "spread_ms": delay.spread_ms, "tones": delay.heard})
                    .to_string(),
            )?;
        } else {
            say(&format!(
                "From loudspeaker to microphone: {:.0} ms, give or take {:.0} ms ({} tones heard). Kept for these devices.",
                delay.ms,
                delay.spread_ms.ceil(),
                delay.heard
            ))?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    let (inputs, outputs) = list()?;
    if args.json {
        let rows = |kind: &str, devices: &[Listed], used: &str| -> io::Result<()> {
            for device in devices {
                let (rate, channels) = device.form.unzip();
                say_row(&json!({
                    "kind": kind, "name": device.id, "about": device.about, "rate": rate, "channels": channels,
                    "opens": device.form.is_some(), "used": device.id == used,
                })
                .to_string())?;
            }
            Ok(())
        };
        rows("input", &inputs, chosen)?;
        rows("output", &outputs, "default")?;
        return Ok(ExitCode::SUCCESS);
    }
    say("Microphones")?;
    write_list(&inputs, chosen, args.all)?;
    say("Loudspeakers")?;
    write_list(&outputs, "default", args.all)?;
    match loops.get("default", chosen) {
        Some(delay) => say(&format!(
            "From loudspeaker to microphone: {:.0} ms",
            delay.as_secs_f64() * 1000.0
        ))?,
        None => say("From loudspeaker to microphone: not measured (stavelark devices --loop)")?,
    }
    if let Some(package) = missing_package(&inputs) {
        say(&package)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The one of `inputs` that is called `name`, or else is described so, or else has it in its description.
fn found<'a>(name: &str, inputs: &'a [Listed]) -> Option<&'a Listed> {
    let wanted = name.to_lowercase();
    let first = |is: &dyn Fn(&Listed) -> bool| inputs.iter().find(|device| is(device));
    first(&|device| device.id.to_lowercase() == wanted)
        .or_else(|| first(&|device| device.about.to_lowercase() == wanted))
        .or_else(|| first(&|device| device.about.to_lowercase().contains(&wanted)))
}

/// What there is to say of a microphone that was set and is not there now; it may be plugged in later.
pub(super) fn not_there_now(name: &str) -> Option<String> {
    // Where devices cannot be listed nothing is known of this one.
    let (inputs, _) = list().ok()?;
    if name == "default" || found(name, &inputs).is_some() {
        return None;
    }
    let open = inputs
        .iter()
        .filter(|device| device.form.is_some() && device.id != "null");
    let names: Vec<&str> = open.map(|device| device.id.as_str()).collect();
    let there = match names[..] {
        [] => "none can be opened now".to_owned(),
        _ => format!("there are {}", names.join(", ")),
    };
    Some(format!(
        "No microphone is called '{name}' just now: {there}. It is kept, and listened to when it is plugged in; `stavelark \
         settings microphone default` goes back."
    ))
}

fn choose(home: &mut Home, name: &str) -> anyhow::Result<()> {
    let mut name = name.to_owned();
    if name != "default" {
        let (inputs, _) = list()?;
        let Some(device) = found(&name, &inputs) else {
            bail!(
                "there is no microphone '{name}'{} `stavelark devices` lists what is there",
                crate::shell::words::nearest(&name, inputs.iter().map(|device| device.id.as_str()))
            );
        };
        // By its own name, so that lists and what is measured go by the same.
        name.clone_from(&device.id);
    }
    let paths = Paths::from_env()?;
    let (store, learner) = home.parts();
    let learner = learner.id;
    settings::set(
        settings::definition("microphone")?,
        &name,
        &paths,
        store,
        learner,
    )?;
    say(&format!("Listening by: {name}"))?;
    Ok(())
}

fn check(microphones: &mut SystemMicrophones, json: bool) -> anyhow::Result<ExitCode> {
    // What is asked for is no result.
    let columns = edge::columns(&io::stderr());
    let check = sound_check(microphones, &mut Edge::new(io::stderr(), columns))?;
    let [loud, soft] = check.peaks_db;
    if json {
        let findings: Vec<String> = check.findings.iter().map(|f| f.in_words()).collect();
        say_row(&json!({
            "device": check.device, "rate": check.rate, "room_dbfs": check.room_db, "loud_peak_dbfs": loud,
            "soft_peak_dbfs": soft, "findings": findings,
        })
        .to_string())?;
    } else {
        let peak =
            |peak: Option<f64>| peak.map_or("not heard".to_owned(), |db| format!("{db:.0} dBFS"));
        say(&format!(
            "Room {:.0} dBFS, loud note {}, soft note {}, {} samples a second.",
            check.room_db,
            peak(loud),
            peak(soft),
            check.rate
        ))?;
        for finding in &check.findings {
            say(&finding.in_words())?;
        }
        if check.findings.is_empty() {
            say("All is well: play.")?;
        }
    }
    io::stdout().flush()?;
    Ok(if check.findings.is_empty() {
        ExitCode::SUCCESS
    } else {
        unfinished()
    })
}

fn write_list(devices: &[Listed], used: &str, all: bool) -> io::Result<()> {
    let shown: Vec<&Listed> = devices
        .iter()
        // What swallows or makes silence is no device to anybody.
        .filter(|device| all || device.form.is_some() && device.id != "null" || device.id == used)
        .collect();
    if shown.is_empty() {
        return say("  none that can be opened");
    }
    let width = shown
        .iter()
        .map(|device| device.id.chars().count())
        .max()
        .unwrap_or(0);
    for device in shown {
        let sign = if device.id == used { ">" } else { " " };
        let form = match device.form {
            Some((rate, 1)) => format!("{rate} Hz, mono"),
            Some((rate, 2)) => format!("{rate} Hz, stereo"),
            Some((rate, channels)) => format!("{rate} Hz, {channels} channels"),
            None => "cannot be opened now".to_owned(),
        };
        say(&format!(
            "{sign} {:<width$}  {form}  {}",
            device.id, device.about
        ))?;
    }
    Ok(())
}

/// A sound server runs, but the library has no way to it: names the package of Debian that makes one.
fn missing_package(inputs: &[Listed]) -> Option<String> {
    let has = |name: &str| inputs.iter().any(|device| device.id == name);
    let runtime = std::env::var_os("XDG_RUNTIME_DIR")?;
    let runs = |socket: &str| Path::new(&runtime).join(socket).exists();
    if runs("pulse/native") && !has("pulse") && !has("pipewire") {
        return Some(
            "A sound server runs, but programs like this one have no way to it: install libasound2-plugins".to_owned(),
        );
    }
    if runs("pipewire-0") && !has("pulse") && !has("pipewire") {
        return Some(
            "PipeWire runs, but programs like this one have no way to it: install pipewire-alsa"
                .to_owned(),
        );
    }
    None
}
