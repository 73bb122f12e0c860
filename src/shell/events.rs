//! `--events`: every prompt and answer as a line of JSON, flushed at once.

use std::fs::File;
use std::io::{self, Write};

use serde_json::json;

use crate::drill::{Effect, End};
use crate::study::Item;

/// The open file.
#[derive(Debug)]
pub struct EventLog {
    file: File,
}

impl EventLog {
    /// Writes to `file` from here on.
    pub fn new(file: File) -> EventLog {
        EventLog { file }
    }

    /// Writes the line of `effect`, if it has one. `at_ms` from the sitting's start.
    pub fn write(&mut self, at_ms: u64, effect: &Effect) -> io::Result<()> {
        let line = match effect {
            Effect::Show { number, item } => {
                json!({"event": "prompt", "at_ms": at_ms, "number": number, "item": described(*item)})
            }
            Effect::Save {
                number,
                answer,
                given,
                ..
            } => json!({
                "event": "answer", "at_ms": at_ms, "number": number,
                "given": given.map(|given| given.to_string()),
                "outcome": answer.outcome.word(), "response_ms": answer.response_ms,
            }),
            Effect::Held { number, held, .. } => json!({
                "event": "held", "at_ms": at_ms, "number": number,
                "drift_cents": held.drift_cents, "waver_cents": held.waver_cents,
            }),
            Effect::Withdraw { sequence } => {
                json!({"event": "taken_back", "at_ms": at_ms, "answer": sequence})
            }
            Effect::Finish(summary) => json!({
                "event": "end", "at_ms": at_ms,
                "reason": match summary.end { End::Done => "done", End::Stopped => "stopped" },
                "answered": summary.answered, "right_first_time": summary.right_first_time,
                "median_ms": summary.median_ms, "active_ms": summary.active_ms,
            }),
            _ => return Ok(()),
        };
        writeln!(self.file, "{line}")?;
        self.file.flush()
    }
}

fn described(item: Item) -> serde_json::Value {
    let mut value =
        json!({"kind": "note", "pitch": item.pitch.to_string(), "clef": item.clef.name()});
    if let Some(task) = item.task {
        // What is asked of the note, as the record writes it; and the note that answers, where one does.
        value["kind"] = "task".into();
        value["task"] = task.to_string().into();
        value["answer"] = item.target().map(|pitch| pitch.to_string()).into();
    }
    if let Some(within) = item.in_group {
        value["place"] = within.place.into();
        value["from_last"] = within.from_last.into();
    }
    if item.key.fifths() != 0 {
        value["key"] = item.key.fifths().into();
    }
    value
}
