//! The guided tuning check on the screen: the key asked, the sounding pitch on the staff, partials, beating, what is kept.
//! In: what the tuner tells, and keys. Out: the sitting as it was left.

use std::io;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event as Input, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::Frame;
use ratatui::style::{Modifier, Style};

use super::canvas::{canvas, whole};
use super::guard::Guard;
use super::watch::{level, line, paint_at, range, sounding};
use crate::engrave::{
    CellGrid, CellStyle, Event, NoteMark, Phrase, Role, Size, Staves, TooSmall, phrase_picture,
};
use crate::report::tuning::{CAUTION_SHORT, beating, spectrum, strip};
use crate::shell::term::screens::wrapped;
use crate::shell::tuner::{Tuner, TunerNews, TuningSitting};
use crate::shell::words::screens as words;
use crate::theory::{Clef, Hz, KeySignature, MidiNote, NoteNames, Reference};

/// Pictures a second, at most.
const PICTURE: Duration = Duration::from_millis(50);

/// Columns of the partials' picture.
const SPECTRUM: u16 = 34;

/// Columns from which on the keyboard's strip is shown.
const STRIP: u16 = 52;

/// Columns from which on what the strip's signs mean stands beside it, not below.
const STRIP_BESIDE: u16 = 74;

/// How the check is shown.
#[derive(Debug, Clone, Copy)]
pub struct TuningView {
    /// What notes are called.
    pub names: NoteNames,
    /// ASCII alone.
    pub ascii: bool,
    /// What cents are counted from.
    pub reference: Reference,
}

impl TuningView {
    /// A key's name with its octave.
    pub fn name(&self, key: MidiNote) -> String {
        let pitch = key.spelled_with_sharps();
        let name = self
            .names
            .name(pitch.spelling(), KeySignature::NONE, self.ascii);
        format!("{name}{}", pitch.octave)
    }
}

enum Arrival {
    Deed(Deed),
    Resized,
    Tuner(TunerNews),
    Gone,
}

/// What a key does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Deed {
    Next,
    Before,
    Any,
    Insist,
    End,
}

/// Which key of the computer does what, and what the foot says of it.
const KEYS: [(&str, &str); 5] = [
    ("Right", words::tuning::NEXT),
    ("Left", words::tuning::BEFORE),
    ("Tab", words::tuning::ANY),
    ("k", words::tuning::INSIST),
    ("Enter", words::tuning::END),
];

fn deed(key: KeyEvent) -> Option<Deed> {
    match key.code {
        KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => Some(Deed::End),
        KeyCode::Right | KeyCode::Char('n' | ' ') => Some(Deed::Next),
        KeyCode::Left => Some(Deed::Before),
        KeyCode::Tab => Some(Deed::Any),
        KeyCode::Char('k') => Some(Deed::Insist),
        KeyCode::Enter | KeyCode::Esc | KeyCode::Char('q') => Some(Deed::End),
        _ => None,
    }
}

/// Runs the sitting until it is complete or left.
pub fn tuning(
    view: &TuningView,
    mut sitting: TuningSitting,
    listen: impl FnOnce(Box<dyn FnMut(TunerNews) -> bool + Send>) -> Tuner,
) -> io::Result<TuningSitting> {
    let (arrive, arrivals) = channel();
    let guard = Guard::take()?;
    let mut terminal = canvas()?;
    let from_tuner = arrive.clone();
    let tuner = listen(Box::new(move |news| {
        from_tuner.send(Arrival::Tuner(news)).is_ok()
    }));
    std::thread::spawn(move || inputs(&arrive));
    let mut drawn: Option<Instant> = None;
    let mut changed = true;
    while !sitting.guided.is_complete() {
        if changed && drawn.is_none_or(|at| at.elapsed() >= PICTURE) {
            whole(&mut terminal, |terminal| {
                terminal.draw(|frame| draw(frame, view, &sitting)).map(drop)
            })?;
            drawn = Some(Instant::now());
            changed = false;
        }
        match arrivals.recv_timeout(PICTURE) {
            Ok(Arrival::Deed(Deed::End) | Arrival::Gone) | Err(RecvTimeoutError::Disconnected) => {
                break;
            }
            Ok(Arrival::Deed(deed)) => {
                act(&mut sitting, deed);
                changed = true;
            }
            Ok(Arrival::Resized) => changed = true,
            Ok(Arrival::Tuner(news)) => {
                sitting.take(news);
                changed = true;
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
    // The microphone is closed before the terminal is given back.
    drop(tuner);
    drop(guard);
    Ok(sitting)
}

fn act(sitting: &mut TuningSitting, deed: Deed) {
    match deed {
        Deed::Next => sitting.pass(false),
        Deed::Before => sitting.pass(true),
        Deed::Any => sitting.turn_order(),
        Deed::Insist => sitting.insist(),
        Deed::End => {}
    }
}

fn inputs(arrive: &Sender<Arrival>) {
    while let Ok(input) = event::read() {
        let arrival = match input {
            Input::Key(key) if key.kind != KeyEventKind::Release => match deed(key) {
                Some(deed) => Arrival::Deed(deed),
                None => continue,
            },
            Input::Resize(..) => Arrival::Resized,
            _ => continue,
        };
        if arrive.send(arrival).is_err() {
            return;
        }
    }
    let _nobody_left = arrive.send(Arrival::Gone);
}

/// The key as it is written where the staves reach, and how many octaves higher it sounds.
fn written(key: MidiNote) -> (MidiNote, i16) {
    let down = (key.0 - 84).max(0).div_euclid(12) + i16::from((key.0 - 84).max(0) % 12 > 0);
    let up = (36 - key.0).max(0).div_euclid(12) + i16::from((36 - key.0).max(0) % 12 > 0);
    let octaves = down - up;
    (MidiNote(key.0 - 12 * octaves), octaves)
}

fn picture(
    view: &TuningView,
    asked: Option<MidiNote>,
    sounds: Option<Hz>,
    size: Size,
) -> Result<CellGrid, TooSmall> {
    let note = asked.map(|key| {
        let (key, _) = written(key);
        let clef = if key.0 >= 60 {
            Clef::Treble
        } else {
            Clef::Bass
        };
        let pitch = key.spelled_with_sharps();
        let role = Role::Plain;
        Event::Notes {
            notes: vec![NoteMark { pitch, clef, role }],
            value: None,
        }
    });
    let point = sounds.map(|hz| {
        let key = sounding(hz, view.reference).pitch.midi();
        let (_, octaves) = written(key);
        let place = hz.0 * (-f64::from(octaves)).exp2();
        Event::Sounding(sounding(Hz(place), view.reference))
    });
    let phrase = Phrase {
        staves: Staves::Grand,
        key: KeySignature::NONE,
        events: note.into_iter().chain(point).collect(),
    };
    let style = if view.ascii {
        CellStyle::Ascii
    } else {
        CellStyle::Braille
    };
    phrase_picture(&phrase, &range(), size, style, None)
}

/// What the sounding pitch is called, its cents, and where it is written when the staff does not reach.
fn pitch_in_words(view: &TuningView, hz: Hz) -> String {
    let point = sounding(hz, view.reference);
    let written = words::tuning::written(written(point.pitch.midi()).1);
    format!(
        "{}  {}  {:.2} Hz{written}",
        view.name(point.pitch.midi()),
        point.figure(view.ascii),
        hz.0
    )
}

fn draw(frame: &mut Frame, view: &TuningView, sitting: &TuningSitting) {
    let area = frame.area();
    let width = usize::from(area.width.saturating_sub(2));
    let foot = foot(view, sitting, area.width);
    let device = wrapped(&sitting.device, width.max(1));
    // The device, or what is wrong with it, and what is asked.
    let head = device.len() as u16 + 1;
    let Some(rows) = area.height.checked_sub(head + foot.len() as u16) else {
        return draw_in_few_rows(frame, view, sitting);
    };
    for (row, part) in (0..).zip(&device) {
        line(frame, row, part, DIM);
    }
    line(frame, head - 1, &sitting.asks(|key| view.name(key)), BOLD);
    let beside = area.width >= 80;
    let size = Size {
        columns: if beside {
            area.width - SPECTRUM - 2
        } else {
            area.width
        },
        rows,
    };
    let sounds = sitting.glimpse.as_ref().map(|reading| reading.first);
    match picture(view, sitting.guided.asked(), sounds, size) {
        Ok(grid) => paint_at(frame, &grid, (0, head)),
        Err(small) => {
            let needed = small.needed;
            let says = words::needs_window(needed.columns, needed.rows + head + foot.len() as u16);
            for (row, part) in (0..rows).zip(wrapped(&says, width)) {
                line(frame, head + row, &part, DIM);
            }
        }
    }
    if beside && let Some(reading) = &sitting.glimpse {
        for (row, bar) in spectrum(reading, usize::from(rows), view.ascii)
            .iter()
            .enumerate()
        {
            let at = (area.width - SPECTRUM, head + row as u16);
            frame
                .buffer_mut()
                .set_stringn(at.0, at.1, bar, usize::from(SPECTRUM), Style::new());
        }
    }
    for (row, (text, style)) in (head + rows..).zip(&foot) {
        line(frame, row, text, *style);
    }
}

const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);
const DIM: Style = Style::new().add_modifier(Modifier::DIM);

/// What stands below the staff: what sounds, how loud, what was said, the keyboard where there is room, caution and keys.
fn foot(view: &TuningView, sitting: &TuningSitting, columns: u16) -> Vec<(String, Style)> {
    let width = usize::from(columns.saturating_sub(2));
    let mut foot = vec![
        (sounds(view, sitting), BOLD),
        (level(sitting.level_db, view.ascii), Style::new()),
    ];
    let (said, style) = said(view, sitting);
    let mut said = wrapped(&said, width);
    said.resize(2, String::new());
    foot.extend(said.into_iter().map(|part| (part, style)));
    let [done, open] = words::tuning::STRIP_SIGNS;
    if columns >= STRIP_BESIDE {
        foot.push((format!("{}   {done}", strip(&sitting.guided)), Style::new()));
        foot.push((format!("{}   {open}", words::tuning::STRIP_FOOT), DIM));
    } else if columns >= STRIP {
        foot.push((strip(&sitting.guided), Style::new()));
        foot.push((words::tuning::STRIP_FOOT.to_owned(), DIM));
        foot.push((format!("      {done}   {open}"), DIM));
    }
    let keys: Vec<String> = KEYS
        .iter()
        .map(|(key, about)| format!("{key} {about}"))
        .collect();
    for text in [CAUTION_SHORT, &keys.join("  ")] {
        let parts = wrapped(text, width).into_iter();
        foot.extend(parts.map(|part| (part.trim_start().to_owned(), DIM)));
    }
    foot
}

/// What is asked, what was said and what sounds, as far as there are rows.
fn draw_in_few_rows(frame: &mut Frame, view: &TuningView, sitting: &TuningSitting) {
    let width = usize::from(frame.area().width.saturating_sub(2));
    let (said, style) = said(view, sitting);
    let device = if sitting.is_deaf() {
        sitting.device.clone()
    } else {
        String::new()
    };
    let told = [
        (device, Style::new()),
        (sitting.asks(|key| view.name(key)), BOLD),
        (said, style),
        (sounds(view, sitting), BOLD),
        (CAUTION_SHORT.to_owned(), DIM),
    ];
    let rows = told
        .iter()
        .filter(|(text, _)| !text.is_empty())
        .flat_map(|(text, style)| wrapped(text, width).into_iter().map(|part| (part, *style)));
    for (row, (part, style)) in (0..frame.area().height).zip(rows) {
        line(frame, row, &part, style);
    }
}

/// What sounds, and how its strings stand to each other.
fn sounds(view: &TuningView, sitting: &TuningSitting) -> String {
    sitting
        .glimpse
        .as_ref()
        .map_or_else(String::new, |reading| {
            format!(
                "{}   {}",
                pitch_in_words(view, reading.first),
                beating(reading)
            )
        })
}

/// What was said last, and how it looks.
fn said(view: &TuningView, sitting: &TuningSitting) -> (String, Style) {
    let style = if sitting.asks_again() {
        BOLD
    } else {
        Style::new()
    };
    (sitting.says(|key| view.name(key)), style)
}

#[cfg(test)]
#[path = "tuning_goldens.rs"]
mod goldens;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_beyond_the_staves_are_written_where_they_reach() {
        assert_eq!(written(MidiNote(60)), (MidiNote(60), 0));
        assert_eq!(written(MidiNote(84)), (MidiNote(84), 0));
        assert_eq!(written(MidiNote(108)), (MidiNote(84), 2));
        assert_eq!(written(MidiNote(85)), (MidiNote(73), 1));
        assert_eq!(written(MidiNote(21)), (MidiNote(45), -2));
        assert_eq!(written(MidiNote(35)), (MidiNote(47), -1));
    }

    #[test]
    fn the_key_asked_and_the_point_that_sounds_are_both_drawn() {
        let view = TuningView {
            names: NoteNames::English,
            ascii: true,
            reference: Reference::default(),
        };
        let size = Size {
            columns: 46,
            rows: 30,
        };
        let text = |asked, sounds| -> String {
            let grid = picture(&view, asked, sounds, size).unwrap();
            grid.cells.iter().map(|cell| cell.symbol).collect()
        };
        let key = Some(MidiNote(69));
        assert!(text(key, Some(Hz(435.0))).contains("-20 cents"));
        assert_ne!(text(key, None), text(None, None));
        assert_eq!(
            pitch_in_words(&view, Hz(4186.01)),
            "C8  +0 cents  4186.01 Hz, written 2 octaves lower"
        );
    }

    #[test]
    fn long_words_are_broken_between_words() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("", 7), [""]);
    }
}
