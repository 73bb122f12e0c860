//! A tuning check as a picture of its curve, as a page to hand to a technician, and in words.
//! In: an [`Instrument`] and its [`Findings`]. Out: text, SVG 1.1 or HTML that asks for nothing from outside.

use std::fmt::Write as _;

use crate::signal::tuning::{
    CLOCK, Findings, Guided, Instrument, KEYS, KeyReading, LEAST, ON_PITCH, Remark, SOUR, Struck,
    UNEVEN, Verdict,
};
use crate::theory::MidiNote;

/// What must stand wherever a result is shown.
pub const CAUTION: &str = "Piano strings carry high tension (about 700 newtons each, some 18 tonnes in all): \
    their pins are for a qualified technician. This check only describes.";

/// The same where there is one line for it.
pub const CAUTION_SHORT: &str =
    "Strings carry high tension: tuning pins are for a qualified technician.";

/// Width and height of the picture, its margins, and the least cents it spans to each side.
const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 360.0;
/// With the caution under it.
const WHOLE: f64 = HEIGHT + 18.0;
const LEFT: f64 = 56.0;
const BOTTOM: f64 = 40.0;
const LEAST_SPAN: f64 = 40.0;

/// The check in plain words, line by line.
pub fn lines(instrument: &Instrument, findings: &Findings) -> Vec<String> {
    let reference = instrument.reference.hz().0;
    let mut lines = vec![verdict(instrument, findings)];
    if findings.verdict == Verdict::TooLittle {
        lines.extend(few(instrument, findings));
        return lines;
    }
    if findings.provisional {
        lines.push(format!(
            "Provisional: {} of 88 keys were read; the others are taken from this piano's own curve.",
            instrument.keys.len()
        ));
    } else if let Some(unplayed) = unplayed(instrument) {
        lines.push(format!(
            "Not played, and taken from this piano's own curve: {unplayed}."
        ));
    }
    if !instrument.mute.is_empty() {
        lines.push(mute(instrument));
    }
    lines.push(format!(
        "Pitch: {:+.1} ± {:.1} cents from A = {reference:.1} Hz, by the middle keys (A = {:.1} Hz).",
        findings.offset,
        findings.offset_se.hypot(instrument.clock_se()),
        reference * (findings.offset / 1200.0).exp2()
    ));
    lines.push(format!(
        "Evenness: keys scatter by {:.1} cents around the curve that this piano's own strings ask for (up to {UNEVEN:.0} is even \
         enough).",
        findings.spread
    ));
    if let Some(first) = findings.worst.first() {
        let named: Vec<String> = findings
            .worst
            .iter()
            .map(|key| format!("{} {:+.1}", name(*key), findings.off[&key.0]))
            .collect();
        let _ = first;
        lines.push(format!("Furthest off, cents: {}.", named.join(", ")));
    }
    if findings.sour.is_empty() {
        lines.push(format!(
            "Unisons: no key's strings are surely more than {SOUR:.0} cents apart."
        ));
    } else {
        lines.push(sour(findings));
    }
    if let Some((key, step)) = findings.step {
        lines.push(format!(
            "Largest step around the bass bridge's end: {step:+.1} cents at {}.",
            name(key)
        ));
    }
    lines.push(clock(instrument));
    lines.push(CAUTION.to_owned());
    lines
}

/// The verdict, and by which limits. A piano that is fine may have keys whose strings are not: they are not left out of its
/// praise.
fn verdict(instrument: &Instrument, findings: &Findings) -> String {
    let but = match findings.sour.len() {
        0 => String::new(),
        1 => " but for one key's unison".to_owned(),
        count => format!(" but for the unisons of {count} keys"),
    };
    let even = format!("its keys scatter by {UNEVEN:.0} cents at most");
    match &findings.verdict {
        Verdict::Fine => format!(
            "Fine for ear training: in tune with the reference (within {ON_PITCH:.0} cents) and with itself{but} ({even})."
        ),
        Verdict::SetReference(hz) => format!(
            "Fine for ear training: in tune with itself{but} ({even}), but more than {ON_PITCH:.0} cents from A = {:.1} Hz. \
             Practice goes by this piano by itself while the check is kept; to hear and sound others with it: \
             --reference {:.1}.",
            instrument.reference.hz().0,
            hz.0
        ),
        Verdict::TooLittle => {
            format!("Too few keys to say: record at least {LEAST}, spread over the whole keyboard.")
        }
        Verdict::Technician(reasons) => {
            let reasons: Vec<String> = reasons.iter().map(|reason| reason.words()).collect();
            format!("Call a technician: {}.", reasons.join("; "))
        }
    }
}

/// What can be said of a few keys: each by itself, nothing of the piano as a whole.
fn few(instrument: &Instrument, findings: &Findings) -> Vec<String> {
    let mut lines = Vec::new();
    if !instrument.keys.is_empty() {
        let read: Vec<String> = instrument
            .keys
            .values()
            .map(|struck| {
                // No minus before a nought.
                let cents = (struck.cents.0 * 10.0).round() / 10.0 + 0.0;
                let se = struck.reading.first_se.0;
                format!("{} {cents:+.1} ± {se:.2}", name(struck.key))
            })
            .collect();
        let reference = instrument.reference.hz().0;
        lines.push(format!(
            "Read, in cents from equal temperament at A = {reference:.1} Hz: {}.",
            read.join(", ")
        ));
    }
    if !findings.sour.is_empty() {
        lines.push(sour(findings));
    }
    if !instrument.mute.is_empty() {
        lines.push(mute(instrument));
    }
    if !instrument.keys.is_empty() {
        lines.push(clock(instrument));
    }
    lines.push(CAUTION.to_owned());
    lines
}

fn sour(findings: &Findings) -> String {
    let named: Vec<String> = findings.sour.iter().map(|key| name(*key)).collect();
    format!(
        "Sour unisons, surely more than {SOUR:.0} cents apart: {}.",
        named.join(", ")
    )
}

fn mute(instrument: &Instrument) -> String {
    let named: Vec<String> = instrument.mute.iter().map(|key| name(*key)).collect();
    format!("Hardly sounding: {}.", named.join(", "))
}

/// What is known of the sound card's clock.
fn clock(instrument: &Instrument) -> String {
    match instrument.clock {
        Some(clock) => format!(
            "The sound card's clock was measured against the computer's: {:+.0} ± {:.0} parts in a million, {:+.2} ± {:.2} \
             cents, which were taken off.",
            clock.ppm,
            clock.ppm_se,
            clock.cents().0,
            clock.cents_se().0
        ),
        None => format!(
            "The sound card's clock, which was not measured, may move all keys together by ±{CLOCK:.2} cents (100 parts in a million)."
        ),
    }
}

/// Keys that were not read, if there are any; three or more neighbours by the first and the last of them.
fn unplayed(instrument: &Instrument) -> Option<String> {
    let keys: Vec<i16> = KEYS
        .filter(|key| {
            !instrument.keys.contains_key(key) && !instrument.mute.contains(&MidiNote(*key))
        })
        .collect();
    let named: Vec<String> = keys
        .chunk_by(|key, next| key + 1 == *next)
        .flat_map(|run| match run {
            [first, _, .., last] => {
                vec![format!(
                    "{} to {}",
                    name(MidiNote(*first)),
                    name(MidiNote(*last))
                )]
            }
            few => few.iter().map(|key| name(MidiNote(*key))).collect(),
        })
        .collect();
    (!named.is_empty()).then(|| named.join(", "))
}

/// A key's partials as bars, the strongest the longest, a row each; `rows` at most.
pub fn spectrum(reading: &KeyReading, rows: usize, ascii: bool) -> Vec<String> {
    const FULL: f64 = 20.0;
    const DEEP_DB: f64 = 60.0;
    let bar = if ascii { "#" } else { "█" };
    let loudest = reading
        .partials
        .iter()
        .map(|partial| partial.level_db)
        .fold(f64::MIN, f64::max);
    reading
        .partials
        .iter()
        .take(rows)
        .map(|partial| {
            let under = loudest - partial.level_db;
            let length = (FULL * (1.0 - under / DEEP_DB)).round().max(1.0) as usize;
            format!(
                "{:>2} {:<20} {:>3.0} dB",
                partial.number,
                bar.repeat(length),
                0.0 - under
            )
        })
        .collect()
}

/// How a key's strings stand to each other, in words.
pub fn beating(reading: &KeyReading) -> String {
    match reading.unison {
        Some(unison) => format!(
            "beats {:.1} a second: strings {:.1} cents apart",
            unison.beats, unison.spread.0
        ),
        None if !reading.false_beats.is_empty() => "some partials beat alone".to_owned(),
        None => String::new(),
    }
}

/// The keyboard in 44 columns, two keys each: what is kept (`*`), asked (`?`), mute (`x`) and open (`.`).
pub fn strip(guided: &Guided) -> String {
    let keys: Vec<i16> = KEYS.collect();
    let cells: String = keys
        .chunks(2)
        .map(|pair| {
            let is = |test: &dyn Fn(i16) -> bool| pair.iter().any(|key| test(*key));
            let mute = guided.mute();
            if is(&|key| guided.asked() == Some(MidiNote(key))) {
                '?'
            } else if is(&|key| mute.contains(&MidiNote(key))) {
                'x'
            } else if is(&|key| guided.instrument().keys.contains_key(&key)) {
                '*'
            } else {
                '.'
            }
        })
        .collect();
    format!("Keys: {cells}")
}

fn name(key: MidiNote) -> String {
    key.spelled_with_sharps().to_string()
}

/// Cents that the picture spans to each side.
fn span(instrument: &Instrument, findings: &Findings) -> f64 {
    let keys = instrument.keys.values().map(|k| k.cents.0.abs());
    let curve = findings.curve.iter().map(|c| (c + findings.offset).abs());
    let most = keys.chain(curve).fold(LEAST_SPAN, f64::max);
    (most / 10.0).ceil() * 10.0
}

/// What the signs of the plot mean, and the same where there is little room.
const LEGEND: &str =
    "* a key, in cents from equal temperament   . what this piano's strings ask for";
const SHORT_LEGEND: &str = "* a key   . what the strings ask for";

/// Columns at the left of the plot.
const SCALE: usize = 8;

/// The curve over 88 keys in `rows` lines of text of `columns`: `*` a key, `.` where this piano's curve lies. Where there
/// is no room for 88, two keys or more share a column.
pub fn plot(
    instrument: &Instrument,
    findings: &Findings,
    (columns, rows): (usize, usize),
) -> String {
    let span = span(instrument, findings);
    let rows = rows.max(5);
    let together = 88_usize.div_ceil(columns.saturating_sub(SCALE).clamp(11, 88));
    let width = 88_usize.div_ceil(together);
    let row_of = |cents: f64| {
        let at = (span - cents) / (2.0 * span) * (rows - 1) as f64;
        (at.round().max(0.0) as usize).min(rows - 1)
    };
    let mut cells = vec![vec![' '; width]; rows];
    for (index, cents) in findings.curve.iter().enumerate() {
        cells[row_of(cents + findings.offset)][index / together] = '.';
    }
    for struck in instrument.keys.values() {
        let column = (struck.key.0 - KEYS.start()) as usize / together;
        cells[row_of(struck.cents.0)][column] = '*';
    }
    let mut out = String::new();
    for (row, line) in cells.iter().enumerate() {
        let cents = span - 2.0 * span * row as f64 / (rows - 1) as f64;
        let line: String = line.iter().collect();
        let _ = writeln!(out, "{cents:>+6.0} |{}", line.trim_end());
    }
    let mut foot = String::new();
    for key in (24..=108).step_by(12) {
        let label = format!("C{}", key / 12 - 1);
        let at = (key - 21) / together;
        // The last one ends with the picture.
        let at = at.min(width.saturating_sub(label.len()));
        // Where names would touch, every other one stands.
        if foot.is_empty() || at > foot.len() {
            let _ = write!(foot, "{:at$}{label}", "", at = at - foot.len());
        }
    }
    let _ = writeln!(out, "cents   {foot}");
    let legend = if columns < LEGEND.len() {
        SHORT_LEGEND
    } else {
        LEGEND
    };
    let _ = writeln!(out, "{legend}");
    out
}

/// The curve as a picture.
pub fn svg(instrument: &Instrument, findings: &Findings) -> String {
    let span = span(instrument, findings);
    let x = |key: f64| LEFT + (key - 20.5) / 88.0 * (WIDTH - LEFT - 12.0);
    let y = |cents: f64| 12.0 + (span - cents) / (2.0 * span) * (HEIGHT - BOTTOM - 12.0);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {WHOLE}\" role=\"img\" \
         style=\"font-family:sans-serif;font-size:12px\">\n<title>Cents from equal temperament over 88 keys</title>\n\
         <rect width=\"{WIDTH}\" height=\"{WHOLE}\" fill=\"#fff\"/>\n"
    );
    let step = if span > 60.0 { 20.0 } else { 10.0 };
    let mut cents = -span;
    while cents <= span + 0.5 {
        let (at, colour) = (y(cents), if cents == 0.0 { "#444" } else { "#ccc" });
        let _ = writeln!(
            out,
            "<line x1=\"{LEFT}\" y1=\"{at:.1}\" x2=\"{:.1}\" y2=\"{at:.1}\" stroke=\"{colour}\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{cents:+.0}</text>",
            WIDTH - 12.0,
            LEFT - 6.0,
            at + 4.0
        );
        cents += step;
    }
    for key in (24..=108).step_by(12) {
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">C{}</text>",
            x(f64::from(key)),
            HEIGHT - 21.0,
            key / 12 - 1
        );
    }
    let curve: Vec<String> = (21..)
        .zip(findings.curve)
        .map(|(key, c)| format!("{:.1},{:.1}", x(f64::from(key)), y(c + findings.offset)))
        .collect();
    let _ = writeln!(
        out,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"#0072B2\" stroke-width=\"2\"/>",
        curve.join(" ")
    );
    for struck in instrument.keys.values() {
        let (cx, cents, se) = (
            x(f64::from(struck.key.0)),
            struck.cents.0,
            struck.reading.first_se.0,
        );
        let _ = writeln!(
            out,
            "<line x1=\"{cx:.1}\" y1=\"{:.1}\" x2=\"{cx:.1}\" y2=\"{:.1}\" stroke=\"#D55E00\"/>\
             <circle cx=\"{cx:.1}\" cy=\"{:.1}\" r=\"3\" fill=\"#D55E00\"><title>{} {cents:+.2} ± {se:.2}</title></circle>",
            y(cents - se),
            y(cents + se),
            y(cents),
            name(struck.key)
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"{:.1}\">points: keys, in cents from equal temperament; line: what this piano's strings ask for</text>\n\
         <text x=\"{LEFT}\" y=\"{:.1}\">{CAUTION_SHORT}</text>\n</svg>",
        HEIGHT - 6.0,
        WHOLE - 6.0
    );
    out
}

/// One page: words, what is said beside earlier checks, when and in which air it was `made`, picture, and a row a key.
pub fn html(
    instrument: &Instrument,
    findings: &Findings,
    compared: &[String],
    made: &str,
) -> String {
    let mut out = String::from(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Tuning check</title>\n<style>\n\
         body{font-family:sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem;color:#111;background:#fff}\n\
         table{border-collapse:collapse;font-size:.85rem}td,th{padding:.1rem .6rem;text-align:right;border-bottom:1px solid #ddd}\n\
         td:first-child,th:first-child,td:last-child,th:last-child{text-align:left}\n\
         svg{width:100%;height:auto}@media print{body{margin:0}tr{break-inside:avoid}}\n</style></head><body>\n<h1>Tuning check</h1>\n",
    );
    let _ = writeln!(out, "<p>{}</p>", escaped(made));
    for (place, line) in lines(instrument, findings)
        .iter()
        .chain(compared)
        .enumerate()
    {
        let line = escaped(line);
        if place == 0 {
            let _ = writeln!(out, "<p><strong>{line}</strong></p>");
        } else {
            let _ = writeln!(out, "<p>{line}</p>");
        }
    }
    out.push_str(&svg(instrument, findings));
    out.push_str(
        "<table>\n<thead><tr><th>Key</th><th>Hz</th><th>cents</th><th>±</th><th>from the curve</th>\
         <th>B × 10⁻⁴</th><th>unison, cents</th><th>beats a second</th><th>Remarks</th></tr></thead>\n<tbody>\n",
    );
    for struck in instrument.keys.values() {
        let reading = &struck.reading;
        let unison = reading.unison.map_or_else(String::new, |u| {
            format!("{:.1} ± {:.1}", u.spread.0, u.spread_se.0)
        });
        let beats = reading
            .unison
            .map_or_else(String::new, |u| format!("{:.2}", u.beats));
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td>{:.3}</td><td>{:+.2}</td><td>{:.2}</td><td>{:+.1}</td><td>{:.2}</td><td>{unison}</td><td>{beats}</td><td>{}</td></tr>",
            name(struck.key),
            reading.first.0,
            struck.cents.0,
            reading.first_se.0,
            findings.off[&struck.key.0],
            1e4 * reading.inharmonicity,
            escaped(&noteworthy(struck, findings).join("; "))
        );
    }
    let _ = writeln!(
        out,
        "</tbody></table>\n<p>Unison: how far apart a key's strings lie, or how one string beats with itself; it is a remark where it is \
         sour (surely more than {SOUR:.0} cents). B: how stiff the strings are; it draws their partials apart. ±: one standard error.</p>\n</body></html>"
    );
    out
}

/// What must be said about a key in a table that shows its unison: that only where it is sour.
fn noteworthy(struck: &Struck, findings: &Findings) -> Vec<String> {
    let sour = findings.sour.contains(&struck.key);
    let unison = struck
        .reading
        .unison
        .filter(|_| sour)
        .map(|unison| Remark::Unison(unison.spread));
    let others = struck.remarks.iter().copied();
    others
        .filter(|remark| !matches!(remark, Remark::Unison(_)))
        .chain(unison)
        .map(Remark::words)
        .collect()
}

/// What must be said about a key, in words.
pub fn remarks(struck: &Struck) -> Vec<String> {
    struck.remarks.iter().map(|remark| remark.words()).collect()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
