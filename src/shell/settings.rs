//! Settings: one TOML file per machine, and one set per learner in the store. Learner before machine before default.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::paths::{Paths, make_private};
use super::store::{LearnerId, Store, StoreError};
use super::term::pixels::{Look, Pictures};
use super::term::theme::{Colours, Ground};
use super::words::{fault, nearest};
use crate::engrave::CellStyle;
use crate::study::{AnswerWay, PromptKind, VoiceRange};
use crate::theory::{KeySignature, MidiNote, NoteNames, Pitch};

/// Where a setting is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// With the learner.
    Learner,
    /// In the machine's file.
    Machine,
}

/// One setting.
#[derive(Debug, Clone, Copy)]
pub struct Definition {
    /// Its name.
    pub name: &'static str,
    /// Where it is kept.
    pub scope: Scope,
    /// The values it can have.
    pub values: &'static [&'static str],
    /// What it does.
    pub about: &'static str,
}

/// All settings. The default is the first value, but for `names`, which follows the locale.
pub const DEFINITIONS: [Definition; 17] = [
    Definition {
        name: "names",
        scope: Scope::Learner,
        values: &["english", "german", "fixed-solfege", "movable-solfege"],
        about: "what notes are called; unset, it follows the locale",
    },
    Definition {
        name: "day-begins",
        scope: Scope::Learner,
        values: &["4", "5", "6", "0", "1", "2", "3"],
        about: "the hour at which a new practice day begins",
    },
    Definition {
        name: "answer-by",
        scope: Scope::Learner,
        values: &["letters", "piano", "voice"],
        about: "what is answered with, where nothing else is said: names typed, or a piano or your voice heard by the microphone",
    },
    Definition {
        name: "prompt",
        scope: Scope::Learner,
        values: &["eye", "ear", "both"],
        about: "how a note is put: shown, sounded, or both at once",
    },
    Definition {
        name: "timed",
        scope: Scope::Learner,
        values: &["on", "off"],
        about: "off: no time is taken, and notes settle by being right alone",
    },
    Definition {
        name: "keyboard",
        scope: Scope::Learner,
        values: &["after-a-miss", "always"],
        about: "when the drawn keyboard stands beside the staff",
    },
    Definition {
        name: "mouse",
        scope: Scope::Learner,
        values: &["name", "key"],
        about: "what a click on the drawn keyboard gives: the name in any octave, or the very key",
    },
    Definition {
        name: "voice",
        scope: Scope::Learner,
        values: &["unknown", "soprano", "alto", "tenor", "bass", ANY_RANGE],
        about: "the range you sing in with ease: a kind of voice, or two notes as in C4-A4; `stavelark voice` finds it, and what you sing is sounded in it",
    },
    Definition {
        name: "sung-octave",
        scope: Scope::Learner,
        values: &["forgiven", "counts"],
        about: "whether a note that is sung must be in its own octave",
    },
    Definition {
        name: "sound",
        scope: Scope::Machine,
        values: &["on", "off"],
        about: "whether notes are sounded; start low, above all with headphones",
    },
    Definition {
        name: "characters",
        scope: Scope::Machine,
        values: &[
            "auto",
            "ascii",
            "braille",
            "octants",
            "sextants",
            "quadrants",
            "half-blocks",
        ],
        about: "what the staff is drawn with; auto draws ASCII where the locale is not UTF-8",
    },
    Definition {
        name: "colours",
        scope: Scope::Machine,
        values: &["auto", "on-dark", "on-light", "without"],
        about: "colours for a dark or a light ground, or none; auto asks the terminal, and NO_COLOR is heeded",
    },
    Definition {
        name: "picture",
        scope: Scope::Machine,
        values: &["auto", "cells", "pixels"],
        about: "whether the staff is a picture; auto where the terminal confirms it, but not in a multiplexer",
    },
    Definition {
        name: "staff",
        scope: Scope::Machine,
        values: &["normal", "magnified"],
        about: "magnified: one staff fills the window, for weak eyes",
    },
    Definition {
        name: "microphone",
        scope: Scope::Machine,
        values: &["default", ANY_DEVICE],
        about: "the sound input that is listened to, by its name; `stavelark devices` lists them",
    },
    Definition {
        name: "headphones",
        scope: Scope::Machine,
        values: &["off", "on"],
        about: "on: the microphone cannot hear what is sounded, so nothing is waited for",
    },
    Definition {
        name: "own-piano",
        scope: Scope::Machine,
        values: &["on", "off"],
        about: "on: notes are heard, and sounded, as on the piano of the last tuning check, if one is kept",
    },
];

/// Stand among the values of a setting for what is no choice of a few: a range of notes, the name of a device.
const ANY_RANGE: &str = "LOWEST-HIGHEST";
const ANY_DEVICE: &str = "DEVICE";

/// Whether a value in a list stands for others.
fn stands_for_others(value: &str) -> bool {
    [ANY_RANGE, ANY_DEVICE].contains(&value)
}

/// One setting as it is shown.
#[derive(Debug, Clone)]
pub struct Shown {
    /// Its name.
    pub name: &'static str,
    /// The value in force.
    pub value: String,
    /// It was set, and is no default.
    pub set: bool,
    /// The values it can have.
    pub values: &'static [&'static str],
    /// What it does.
    pub about: &'static str,
    /// Kept for the machine, not for the learner.
    pub machine: bool,
}

impl Shown {
    /// The value `by` places on in the list, round and round; a text of one's own counts as the last place.
    pub fn moved(&self, by: isize) -> &'static str {
        let choices = self.values.iter().copied();
        let choices: Vec<&'static str> = choices.filter(|v| !stands_for_others(v)).collect();
        let at = choices.iter().position(|value| *value == self.value);
        let at = at.map_or(-1, |at| at as isize);
        choices[(at + by).rem_euclid(choices.len() as isize) as usize]
    }
}

/// A setting that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingError {
    /// No such setting.
    #[error("there is no setting '{name}'{nearest} `stavelark settings` shows all")]
    Unknown {
        /// What was given.
        name: String,
        /// A guess, or a full stop.
        nearest: String,
    },
    /// No such value.
    #[error("'{value}' is no value of {name}: choose {choices}")]
    Value {
        /// The setting.
        name: &'static str,
        /// What was given.
        value: String,
        /// What it can be.
        choices: String,
    },
    /// The machine's file cannot be read.
    #[error("{}: {reason}\nMend the file, or remove it to go back to the defaults", .file.display())]
    File {
        /// The file.
        file: PathBuf,
        /// Why.
        reason: String,
    },
    /// The learner's settings cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The settings in force.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    values: BTreeMap<&'static str, String>,
}

impl Settings {
    /// Reads the machine's file and the learner's set.
    pub fn load(
        paths: &Paths,
        store: &Store,
        learner: LearnerId,
    ) -> Result<Settings, SettingError> {
        let mut values = BTreeMap::new();
        let machine = read_machine(paths)?;
        for (name, value) in machine.into_iter().chain(store.settings(learner)?) {
            // A setting of a newer version is left alone.
            if let Ok(definition) = definition(&name) {
                values.insert(definition.name, checked(definition, &value)?.to_owned());
            }
        }
        Ok(Settings { values })
    }

    /// The value of a setting: what was set, else its default.
    pub fn value(&self, definition: &Definition) -> String {
        if let Some(value) = self.values.get(definition.name) {
            return value.clone();
        }
        if definition.name == "names" {
            let locale = sys_locale::get_locale().unwrap_or_default();
            return NoteNames::for_locale(&locale).id().to_owned();
        }
        definition.values[0].to_owned()
    }

    /// The same as the learner writes it: notes by their own naming.
    pub fn written(&self, definition: &Definition) -> String {
        let value = self.value(definition);
        match two_notes(&value, NoteNames::English) {
            Some(notes) if definition.values.contains(&ANY_RANGE) => {
                notes.map(|note| self.note(note)).join("-")
            }
            _ => value,
        }
    }

    /// A note with its octave as the learner writes it, without a key; movable do names none.
    pub fn note(&self, pitch: Pitch) -> String {
        match self.names() {
            NoteNames::MovableSolfege => pitch.to_string(),
            names => {
                let name = names.name(pitch.spelling(), KeySignature::NONE, true);
                format!("{name}{}", pitch.octave)
            }
        }
    }

    /// A value as it is kept: notes, written as the learner names them, in scientific notation.
    pub fn scientific(&self, definition: &Definition, value: &str) -> String {
        let notes = definition.values.contains(&ANY_RANGE);
        let notes = notes.then(|| two_notes(value, self.names())).flatten();
        notes.map_or_else(|| value.to_owned(), |[low, high]| format!("{low}-{high}"))
    }

    /// All settings as they are shown.
    pub fn shown(&self) -> Vec<Shown> {
        DEFINITIONS
            .iter()
            .map(|definition| Shown {
                name: definition.name,
                value: self.written(definition),
                set: self.is_set(definition),
                values: definition.values,
                about: definition.about,
                machine: definition.scope == Scope::Machine,
            })
            .collect()
    }

    /// Whether it was set.
    pub fn is_set(&self, definition: &Definition) -> bool {
        self.values.contains_key(definition.name)
    }

    fn of(&self, name: &str) -> String {
        let definition = DEFINITIONS.iter().find(|d| d.name == name);
        definition.map(|d| self.value(d)).unwrap_or_default()
    }

    /// The naming in use.
    pub fn names(&self) -> NoteNames {
        self.of("names").parse().unwrap_or_default()
    }

    /// The hour at which a practice day begins.
    pub fn rollover_hour(&self) -> i8 {
        self.of("day-begins")
            .parse()
            .unwrap_or(crate::study::ROLLOVER_HOUR)
    }

    /// What is answered with.
    pub fn answer_by(&self) -> AnswerWay {
        match self.of("answer-by").as_str() {
            "piano" => AnswerWay::Piano,
            "voice" => AnswerWay::Voice,
            _ => AnswerWay::Letters,
        }
    }

    /// How items are put.
    pub fn prompt(&self) -> PromptKind {
        match self.of("prompt").as_str() {
            "ear" => PromptKind::Ear,
            "both" => PromptKind::Both,
            _ => PromptKind::Eye,
        }
    }

    /// Whether response times are taken.
    pub fn timed(&self) -> bool {
        self.of("timed") == "on"
    }

    /// Whether the drawn keyboard always stands there.
    pub fn keyboard_stays(&self) -> bool {
        self.of("keyboard") == "always"
    }

    /// Whether a click gives the very key, not its name alone.
    pub fn mouse_gives_key(&self) -> bool {
        self.of("mouse") == "key"
    }

    /// The range of the learner's voice, if it is known.
    pub fn voice_range(&self) -> Option<(MidiNote, MidiNote)> {
        VoiceRange::parse(&self.of("voice")).map(VoiceRange::keys)
    }

    /// Whether the octave of a sung note counts.
    pub fn octave_counts(&self) -> bool {
        self.of("sung-octave") == "counts"
    }

    /// Whether notes are sounded.
    pub fn sound(&self) -> bool {
        self.of("sound") == "on"
    }

    /// The sound input that was chosen, if one was.
    pub fn microphone(&self) -> Option<String> {
        Some(self.of("microphone")).filter(|name| name != "default")
    }

    /// Whether what is sounded is heard by headphones.
    pub fn headphones(&self) -> bool {
        self.of("headphones") == "on"
    }

    /// Whether notes are heard and sounded as on the piano of the last tuning check.
    pub fn own_piano(&self) -> bool {
        self.of("own-piano") == "on"
    }

    /// How the staff is shown.
    pub fn look(&self) -> Look {
        Look {
            style: match self.of("characters").as_str() {
                "ascii" => CellStyle::Ascii,
                "octants" => CellStyle::Octants,
                "sextants" => CellStyle::Sextants,
                "quadrants" => CellStyle::Quadrants,
                "half-blocks" => CellStyle::HalfBlocks,
                _ => CellStyle::Braille,
            },
            colours: match self.of("colours").as_str() {
                "on-dark" => Colours::On(Ground::Dark),
                "on-light" => Colours::On(Ground::Light),
                "without" => Colours::Without,
                _ => Colours::Auto,
            },
            magnified: self.of("staff") == "magnified",
            pictures: match self.of("picture").as_str() {
                "cells" => Pictures::Cells,
                "pixels" => Pictures::Pixels,
                _ => Pictures::Auto,
            },
        }
    }

    /// ASCII alone.
    pub fn ascii(&self) -> bool {
        self.of("characters") == "ascii"
    }
}

/// Two notes as in `C4-A4`, named by `names`.
fn two_notes(text: &str, names: NoteNames) -> Option<[Pitch; 2]> {
    let (low, high) = text.split_once('-')?;
    Some([names.pitch(low).ok()?, names.pitch(high).ok()?])
}

/// The setting of that name. Errors: [`SettingError::Unknown`].
pub fn definition(name: &str) -> Result<&'static Definition, SettingError> {
    DEFINITIONS
        .iter()
        .find(|definition| definition.name == name)
        .ok_or_else(|| SettingError::Unknown {
            name: name.to_owned(),
            nearest: nearest(name, DEFINITIONS.iter().map(|d| d.name)),
        })
}

fn checked<'a>(definition: &'static Definition, value: &'a str) -> Result<&'a str, SettingError> {
    let own = !stands_for_others(value);
    let any = definition.values.contains(&ANY_DEVICE) && !value.trim().is_empty()
        || definition.values.contains(&ANY_RANGE) && VoiceRange::parse(value).is_some();
    if own && (any || definition.values.contains(&value)) {
        return Ok(value);
    }
    Err(SettingError::Value {
        name: definition.name,
        value: value.to_owned(),
        choices: match definition.name {
            "voice" => "unknown, soprano, alto, tenor, bass, or two notes at least a fifth apart, as in C4-A4".to_owned(),
            "day-begins" => "a whole hour from 0 to 6, as in 4 for four in the morning".to_owned(),
            _ => definition.values.join(", "),
        },
    })
}

/// Sets a setting where it belongs.
pub fn set(
    definition: &'static Definition,
    value: &str,
    paths: &Paths,
    store: &mut Store,
    learner: LearnerId,
) -> Result<(), SettingError> {
    let value = checked(definition, value)?;
    match definition.scope {
        Scope::Learner => Ok(store.set_setting(learner, definition.name, Some(value))?),
        Scope::Machine => {
            let mut machine = read_machine(paths)?;
            machine.insert(definition.name.to_owned(), value.to_owned());
            write_machine(paths, &machine)
        }
    }
}

fn read_machine(paths: &Paths) -> Result<BTreeMap<String, String>, SettingError> {
    let file = paths.settings_file();
    let text = match std::fs::read_to_string(&file) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(BTreeMap::new()),
        Err(error) => {
            return Err(SettingError::File {
                file,
                reason: fault(&error),
            });
        }
    };
    toml::from_str(&text).map_err(|error| SettingError::File {
        file,
        reason: error.to_string(),
    })
}

fn write_machine(paths: &Paths, values: &BTreeMap<String, String>) -> Result<(), SettingError> {
    let file = paths.settings_file();
    let failed = |error: std::io::Error| SettingError::File {
        file: file.clone(),
        reason: fault(&error),
    };
    let mut text =
        String::from("# Stavelark on this machine. `stavelark settings` explains each.\n");
    for definition in DEFINITIONS.iter().filter(|d| d.scope == Scope::Machine) {
        text += &format!(
            "\n# {}: {}\n",
            definition.about,
            definition.values.join(", ")
        );
        match values.get(definition.name) {
            Some(value) => {
                let quoted = toml::Value::String(value.clone());
                text += &format!("{} = {quoted}\n", definition.name);
            }
            None => text += &format!("# {} = \"{}\"\n", definition.name, definition.values[0]),
        }
    }
    make_private(&paths.config).map_err(failed)?;
    // Written beside and moved into place: a full disk leaves the old file whole.
    let beside = file.with_extension("toml.new");
    std::fs::write(&beside, text).map_err(failed)?;
    std::fs::rename(&beside, &file).map_err(failed)
}
