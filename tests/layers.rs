//! Which folder may import which, and that nothing outside `shell` touches the world.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::fs;
use std::path::{Path, PathBuf};

/// What each folder may import of ours, beside itself.
const MAY_IMPORT: [(&str, &[&str]); 8] = [
    ("theory", &[]),
    ("score", &["theory"]),
    ("study", &["theory", "score"]),
    ("drill", &["theory", "score", "study"]),
    ("engrave", &["theory", "score"]),
    ("signal", &["theory", "score"]),
    ("report", &["theory", "score", "study", "engrave", "signal"]),
    (
        "shell",
        &[
            "theory", "score", "study", "drill", "engrave", "signal", "report",
        ],
    ),
];

/// What only `shell` may use.
const WORLD: [&str; 12] = [
    "std::fs",
    "std::env",
    "std::io",
    "std::thread",
    "std::net",
    "std::process",
    "Instant",
    "SystemTime",
    "Timestamp::now",
    "cpal",
    "rusqlite",
    "crossterm",
];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// The code of a file, without comments and without its tests.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]").next().unwrap();
    code.lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .map(|line| format!("{line}\n"))
        .collect()
}

#[test]
fn folders_import_only_what_lies_below_them() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut looked_at = 0;
    for entry in fs::read_dir(&src).unwrap() {
        let folder = entry.unwrap().path();
        if !folder.is_dir() {
            continue;
        }
        let name = folder.file_name().unwrap().to_str().unwrap().to_owned();
        let (_, allowed) = MAY_IMPORT
            .iter()
            .find(|(known, _)| *known == name)
            .unwrap_or_else(|| panic!("src/{name} has no place in the layer map"));
        for path in sources(&folder) {
            looked_at += 1;
            let code = code(&path);
            for (other, _) in MAY_IMPORT {
                if other != name && !allowed.contains(&other) {
                    assert!(
                        !code.contains(&format!("crate::{other}")),
                        "{} imports {other}",
                        path.display()
                    );
                }
            }
        }
    }
    assert!(looked_at > 20, "the sources were not found");
}

#[test]
fn nothing_outside_the_shell_touches_the_world() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for (name, _) in MAY_IMPORT {
        let folder = src.join(name);
        if name == "shell" || !folder.exists() {
            continue;
        }
        for path in sources(&folder) {
            let code = code(&path);
            for word in WORLD {
                assert!(!code.contains(word), "{} uses {word}", path.display());
            }
        }
    }
}

/// String literals of a source, without what is filled in.
fn literals(code: &str) -> Vec<String> {
    code.replace("'\"'", "")
        .replace("\\\"", "")
        .split('"')
        .skip(1)
        .step_by(2)
        .map(|literal| {
            literal
                .split('{')
                .map(|part| part.split_once('}').map_or(part, |(_, behind)| behind))
                .collect()
        })
        .collect()
}

/// Two words beside each other.
fn is_wording(literal: &str) -> bool {
    let words: Vec<&str> = literal.split(' ').collect();
    let is_word = |word: &str| word.len() > 1 && word.chars().all(char::is_alphabetic);
    words.windows(2).any(|pair| pair.iter().all(|w| is_word(w)))
}

#[test]
fn what_stands_on_the_screens_is_written_in_one_place() {
    assert!(is_wording("Which note is this?") && !is_wording("> "));
    let screens = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/shell/term");
    let mut looked_at = 0;
    for path in sources(&screens) {
        // What is said to terminals is no wording.
        if path.components().any(|part| part.as_os_str() == "pixels") {
            continue;
        }
        for literal in literals(&code(&path)) {
            looked_at += 1;
            assert!(
                !is_wording(&literal),
                "{}: '{literal}' belongs in src/shell/words",
                path.display()
            );
        }
    }
    assert!(looked_at > 50, "{looked_at}");
}
