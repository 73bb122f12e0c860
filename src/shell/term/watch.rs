//! The live view: the sounding pitch as a point on the staff, its figure and its level. In: what the ear tells. Any key leaves.

use std::io;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event as Input, KeyEventKind};
use ratatui::Frame;
use ratatui::style::{Modifier, Style};

use super::canvas::{canvas, whole};
use super::guard::Guard;
use super::theme::Theme;
use crate::engrave::{
    CellGrid, CellStyle, Event, Phrase, Size, Sounding, StageRange, Staves, TooSmall,
    phrase_picture,
};
use crate::score;
use crate::shell::audio::Loudspeaker;
use crate::shell::ear::{Ear, EarNews, Tell};
use crate::shell::words::screens as words;
use crate::theory::{Clef, Hz, KeySignature, MidiNote, NoteNames, Pitch, Reference, Temperament};

/// Pictures a second, at most.
const PICTURE: Duration = Duration::from_millis(40);

/// A pitch stays in sight for so long after it was heard last: between two breaths the eye keeps its place.
const AFTERGLOW: Duration = Duration::from_millis(600);

/// The drone is one long note, begun anew before it ends.
const DRONE_MS: u32 = 60_000;

/// How pitches are shown.
#[derive(Debug, Clone, Copy)]
pub struct Watch {
    /// What notes are called.
    pub names: NoteNames,
    /// ASCII alone.
    pub ascii: bool,
    /// What cents are counted from.
    pub reference: Reference,
    /// A note that sounds meanwhile, by headphones.
    pub drone: Option<Hz>,
    /// Ends by itself after so many seconds.
    pub seconds: Option<u32>,
}

enum Arrival {
    Key,
    Resized,
    Ear(EarNews),
    Gone,
}

/// What there is to see.
#[derive(Debug, Clone, PartialEq)]
struct Seen {
    pitch: Option<(Hz, Instant)>,
    level_db: f32,
    says: String,
}

/// Draws until a key is pressed.
pub fn watch(watch: &Watch, listen: impl FnOnce(Tell) -> Ear) -> io::Result<()> {
    let (arrive, arrivals) = channel();
    let guard = Guard::take()?;
    let mut terminal = canvas()?;
    let from_ear = arrive.clone();
    let ear = listen(Box::new(move |news| {
        from_ear.send(Arrival::Ear(news)).is_ok()
    }));
    std::thread::spawn(move || inputs(&arrive));
    let mut seen = Seen {
        pitch: None,
        level_db: f32::MIN,
        says: words::OPENING.to_owned(),
    };
    let mut drone = watch.drone.map(Drone::start);
    let began = Instant::now();
    let mut drawn: Option<Instant> = None;
    let mut changed = true;
    loop {
        if let Some(drone) = &mut drone {
            drone.go_on();
        }
        let over = watch
            .seconds
            .is_some_and(|seconds| began.elapsed() >= Duration::from_secs(u64::from(seconds)));
        if over {
            break;
        }
        if changed && drawn.is_none_or(|at| at.elapsed() >= PICTURE) {
            whole(&mut terminal, |terminal| {
                terminal.draw(|frame| draw(frame, watch, &seen)).map(drop)
            })?;
            drawn = Some(Instant::now());
            changed = false;
        }
        match arrivals.recv_timeout(PICTURE) {
            Ok(Arrival::Key | Arrival::Gone) | Err(RecvTimeoutError::Disconnected) => break,
            Ok(Arrival::Resized) => changed = true,
            Ok(Arrival::Ear(news)) => changed |= take(&mut seen, news),
            Err(RecvTimeoutError::Timeout) => changed |= fade(&mut seen),
        }
    }
    // The microphone is closed before the terminal is given back.
    drop(ear);
    drop(guard);
    Ok(())
}

fn inputs(arrive: &Sender<Arrival>) {
    while let Ok(input) = event::read() {
        let arrival = match input {
            Input::Key(key) if key.kind != KeyEventKind::Release => Arrival::Key,
            Input::Resize(..) => Arrival::Resized,
            _ => continue,
        };
        if arrive.send(arrival).is_err() {
            return;
        }
    }
    let _nobody_left = arrive.send(Arrival::Gone);
}

/// Takes what the ear tells; whether there is something new to see.
fn take(seen: &mut Seen, news: EarNews) -> bool {
    match news {
        EarNews::Listening { device } => seen.says = words::listening_by(&device),
        EarNews::Deaf(fault) => {
            seen.says = fault.to_string();
            seen.pitch = None;
        }
        EarNews::Note(_) | EarNews::Sound { .. } => return false,
        EarNews::Pitch {
            frame, level_db, ..
        } => {
            seen.level_db = level_db;
            match frame.frequency {
                Some(hz) => seen.pitch = Some((hz, Instant::now())),
                None => {
                    fade(seen);
                }
            }
        }
    }
    true
}

/// Takes a pitch away that is no longer heard.
fn fade(seen: &mut Seen) -> bool {
    let gone = seen.pitch.is_some_and(|(_, at)| at.elapsed() > AFTERGLOW);
    if gone {
        seen.pitch = None;
    }
    gone
}

/// The nearest note of `hz` with its cents, on the staff it is read on.
pub(super) fn sounding(hz: Hz, reference: Reference) -> Sounding {
    let semitones = 12.0 * (hz.0 / reference.hz().0).log2();
    let key = MidiNote(69 + semitones.round() as i16);
    let pitch = key.spelled_with_sharps();
    let place = Temperament::equal().frequency(key, reference);
    Sounding {
        pitch,
        clef: if key.0 >= 60 {
            Clef::Treble
        } else {
            Clef::Bass
        },
        cents: hz.cents_above(place).0,
    }
}

/// The reach of the staves: a voice's, and most of a piano's.
pub(super) fn range() -> StageRange {
    let pitch = |name: &str| name.parse::<Pitch>().expect("a pitch");
    let key = KeySignature::NONE;
    StageRange::of(
        Staves::Grand,
        [
            (pitch("C2"), Clef::Bass, key),
            (pitch("C6"), Clef::Treble, key),
        ],
    )
}

fn picture(point: Option<Sounding>, ascii: bool, size: Size) -> Result<CellGrid, TooSmall> {
    let phrase = Phrase {
        staves: Staves::Grand,
        key: KeySignature::NONE,
        events: point.map(Event::Sounding).into_iter().collect(),
    };
    let style = if ascii {
        CellStyle::Ascii
    } else {
        CellStyle::Braille
    };
    phrase_picture(&phrase, &range(), size, style, None)
}

/// Name, figure, frequency: what the point says.
fn in_words(watch: &Watch, point: &Sounding, hz: Hz) -> String {
    format!(
        "{}{}  {}  {:.1} Hz",
        watch
            .names
            .name(point.pitch.spelling(), KeySignature::NONE, watch.ascii),
        point.pitch.octave,
        point.figure(watch.ascii),
        hz.0
    )
}

/// A bar of the level from −60 dBFS to full scale, with its figure.
pub(super) fn level(db: f32, ascii: bool) -> String {
    let full = 20;
    let filled = (((db + 60.0) / 60.0 * full as f32).round().max(0.0) as usize).min(full);
    let (on, off) = if ascii { ("#", ".") } else { ("█", "·") };
    let figure = if db > -100.0 {
        format!("{db:.0} dBFS")
    } else {
        words::NO_SOUND.to_owned()
    };
    let bar = on.repeat(filled) + &off.repeat(full - filled);
    words::level(&bar, &figure)
}

fn draw(frame: &mut Frame, watch: &Watch, seen: &Seen) {
    let area = frame.area();
    let point = seen
        .pitch
        .map(|(hz, _)| (sounding(hz, watch.reference), hz));
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let dim = Style::new().add_modifier(Modifier::DIM);
    line(frame, 0, &seen.says, dim);
    let size = Size {
        columns: area.width,
        rows: area.height.saturating_sub(4),
    };
    match picture(point.map(|(point, _)| point), watch.ascii, size) {
        Ok(grid) => paint(frame, &grid),
        Err(small) => line(
            frame,
            1,
            &words::needs_window(small.needed.columns, small.needed.rows + 4),
            dim,
        ),
    }
    let words = point.map_or_else(
        || words::LONG_TONE.to_owned(),
        |(point, hz)| in_words(watch, &point, hz),
    );
    line(frame, area.height.saturating_sub(3), &words, bold);
    let bar = level(seen.level_db, watch.ascii);
    line(frame, area.height.saturating_sub(2), &bar, Style::new());
    line(frame, area.height.saturating_sub(1), words::ANY_KEY, dim);
}

pub(super) fn line(frame: &mut Frame, y: u16, text: &str, style: Style) {
    let area = frame.area();
    if y < area.height {
        frame.buffer_mut().set_stringn(
            1,
            y,
            text,
            usize::from(area.width.saturating_sub(1)),
            style,
        );
    }
}

fn paint(frame: &mut Frame, grid: &CellGrid) {
    let left = frame.area().width.saturating_sub(grid.width) / 2;
    paint_at(frame, grid, (left, 1));
}

/// Paints `grid` with its upper left corner at `(left, top)`.
pub(super) fn paint_at(frame: &mut Frame, grid: &CellGrid, (left, top): (u16, u16)) {
    let theme = Theme::from_environment();
    let buffer = frame.buffer_mut();
    for (index, cell) in grid.cells.iter().enumerate() {
        let (x, y) = (
            index % usize::from(grid.width),
            index / usize::from(grid.width),
        );
        if let Some(target) = buffer.cell_mut((left + x as u16, top + y as u16)) {
            let (symbol, style) = theme.cell(cell);
            target.set_char(symbol);
            target.set_style(style);
        }
    }
}

/// The note that sounds meanwhile.
struct Drone {
    speaker: Loudspeaker,
    hz: Hz,
    began: Option<Instant>,
}

impl Drone {
    fn start(hz: Hz) -> Drone {
        Drone {
            speaker: Loudspeaker::start(),
            hz,
            began: None,
        }
    }

    fn go_on(&mut self) {
        let now = Instant::now();
        // A device that is not there is tried again by itself; the view goes on without.
        let _news = self.speaker.poll(now);
        let due = self.began.is_none_or(|began| {
            now.saturating_duration_since(began) >= Duration::from_millis(u64::from(DRONE_MS))
        });
        if due {
            let phrase = score::Phrase::one_after_another(score::Tone::Vowel, [self.hz], DRONE_MS);
            self.began = self.speaker.play(&phrase, now).is_ok().then_some(now);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_a_stands_below_its_line_by_its_cents() {
        // MIDI Tuning Standard: A4 is 440 Hz; 26.07 cents lower is 440 · 2^(−26.07/1200) = 433.42 Hz.
        let point = sounding(Hz(433.42), Reference::default());
        assert_eq!(point.pitch.to_string(), "A4");
        assert!((point.cents + 26.07).abs() < 0.02, "{}", point.cents);
        assert_eq!(point.clef, Clef::Treble);
        assert_eq!(sounding(Hz(246.94), Reference::default()).clef, Clef::Bass);
    }

    #[test]
    fn the_point_moves_and_its_figure_is_beside_it() {
        let size = Size {
            columns: 80,
            rows: 40,
        };
        let text = |cents: f64| {
            let hz = Hz(440.0 * (cents / 1200.0).exp2());
            let grid = picture(Some(sounding(hz, Reference::default())), true, size).unwrap();
            let rows: Vec<String> = grid
                .cells
                .chunks(usize::from(grid.width))
                .map(|row| row.iter().map(|cell| cell.symbol).collect())
                .collect();
            rows.join("\n")
        };
        assert!(text(12.0).contains("+12 cents"), "{}", text(12.0));
        assert!(text(-40.0).contains("-40 cents"));
        // From A4 to B4.
        assert_ne!(text(0.0), text(200.0));
    }

    #[test]
    fn the_level_is_drawn_from_60_db_below_full_scale() {
        assert_eq!(level(-30.0, true), "Level ##########.......... -30 dBFS");
        assert_eq!(level(f32::MIN, true), "Level .................... no sound");
        assert_eq!(level(3.0, true), "Level #################### 3 dBFS");
    }
}
