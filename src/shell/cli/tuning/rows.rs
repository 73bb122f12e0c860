//! A tuning check as JSON and as CSV: an object or a row for every struck key.

use serde_json::{Value, json};

use super::Heard;
use crate::report::tuning::{CAUTION, lines, remarks};
use crate::shell::store::TuningCheck;
use crate::signal::tuning::{CLOCK, Findings, Verdict};

fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10.0_f64.powi(digits);
    (value * scale).round() / scale
}

/// One struck key as a JSON object.
fn key_object(heard: &Heard) -> Value {
    let struck = &heard.struck;
    let reading = &struck.reading;
    let first_se_hz = reading.first.0 * ((reading.first_se.0 / 1200.0).exp2() - 1.0);
    json!({
        "midi": struck.key.0,
        "name": struck.key.spelled_with_sharps().to_string(),
        "frequency_hz": rounded(reading.first.0, 6),
        "frequency_hz_se": rounded(first_se_hz, 7),
        "cents": rounded(struck.cents.0, 4),
        "cents_se": rounded(reading.first_se.0, 5),
        "inharmonicity": reading.inharmonicity,
        "inharmonicity_se": reading.inharmonicity_se,
        "unison_cents": reading.unison.map(|u| rounded(u.spread.0, 3)),
        "unison_cents_se": reading.unison.map(|u| rounded(u.spread_se.0, 3)),
        "unison_beats_per_s": reading.unison.map(|u| rounded(u.beats, 4)),
        // They are not kept in the record.
        "partials": (!reading.partials.is_empty()).then_some(reading.partials.len()),
        "file": heard.file.as_ref().map(|(name, _)| name),
        "onset_s": heard.file.as_ref().map(|(_, onset_s)| rounded(*onset_s, 4)),
        "remarks": remarks(struck),
    })
}

/// Everything.
pub(super) fn document(
    heard: &[Heard],
    check: &TuningCheck,
    findings: &Findings,
    compared: &[String],
) -> Value {
    let instrument = &check.instrument;
    json!({
        "at": check.at.to_string(),
        "humidity_percent": check.humidity,
        "reference_hz": instrument.reference.hz().0,
        // Measured: its cents are taken out of the keys', and cents_se is what is left; else what it may be.
        "clock": {
            "measured": instrument.clock.is_some(),
            "cents": instrument.clock.map_or(CLOCK, |clock| rounded(clock.cents().0, 4)),
            "cents_se": instrument.clock.map(|clock| rounded(clock.cents_se().0, 4)),
            "ppm": instrument.clock.map(|clock| rounded(clock.ppm, 2)),
        },
        "keys": heard.iter().map(key_object).collect::<Vec<_>>(),
        "summary": {
            "keys_read": instrument.keys.len(),
            "provisional": findings.provisional,
            "offset_cents": rounded(findings.offset, 3),
            "offset_cents_se": rounded(findings.offset_se, 3),
            "spread_cents": rounded(findings.spread, 3),
            "curve_cents": findings.curve.iter().map(|c| rounded(*c, 3)).collect::<Vec<_>>(),
            "worst": findings.worst.iter().map(|k| k.spelled_with_sharps().to_string()).collect::<Vec<_>>(),
            "sour": findings.sour.iter().map(|k| k.spelled_with_sharps().to_string()).collect::<Vec<_>>(),
            "words": lines(instrument, findings),
            "hardly_sounding": instrument.mute.iter().map(|k| k.spelled_with_sharps().to_string()).collect::<Vec<_>>(),
            "comparisons": compared,
        },
        "verdict": match &findings.verdict {
            Verdict::TooLittle => "too_little",
            Verdict::Fine => "fine",
            Verdict::SetReference(_) => "set_reference",
            Verdict::Technician(_) => "technician",
        },
        "set_reference_hz": match &findings.verdict {
            Verdict::SetReference(hz) => Some(rounded(hz.0, 2)),
            _ => None,
        },
        "caution": CAUTION,
    })
}

/// A row a key (RFC 4180), remarks in quotes.
pub(super) fn table(heard: &[Heard]) -> String {
    let mut rows = vec![
        "midi,name,frequency_hz,frequency_hz_se,cents,cents_se,inharmonicity,inharmonicity_se,unison_cents,\
         unison_cents_se,unison_beats_per_s,file,onset_s,remarks"
            .to_owned(),
    ];
    for one in heard {
        let object = key_object(one);
        let field = |name: &str| match &object[name] {
            Value::Null => String::new(),
            Value::String(text) => quoted(text),
            other => other.to_string(),
        };
        let names = [
            "midi",
            "name",
            "frequency_hz",
            "frequency_hz_se",
            "cents",
            "cents_se",
            "inharmonicity",
            "inharmonicity_se",
            "unison_cents",
            "unison_cents_se",
            "unison_beats_per_s",
            "file",
            "onset_s",
        ];
        let mut row: Vec<String> = names.into_iter().map(field).collect();
        row.push(quoted(&remarks(&one.struck).join("; ")));
        rows.push(row.join(","));
    }
    rows.join("\r\n")
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
