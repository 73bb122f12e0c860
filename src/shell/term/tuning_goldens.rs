//! The live view of the tuning check in every size, and its curve as text, compared with what was looked at before.

use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::*;
use crate::report::tuning::{lines, plot};
use crate::shell::audio::InputFault;
use crate::signal::tuning::{
    Guided, KeyReading, Listened, Named, NoReading, PartialReading, Stiffness, Strike, Take, Unison,
};
use crate::theory::{Cents, Temperament};

const SIZES: [(u16, u16); 6] = [(200, 60), (120, 40), (80, 24), (40, 12), (20, 5), (0, 0)];

/// A key that sounds `cents` from its place, with the partials of a string and its beats.
fn reading(key: i16, cents: f64, unison: Option<Unison>) -> KeyReading {
    let place = Temperament::equal().frequency(MidiNote(key), Reference::default());
    let first = place.raised(Cents(cents));
    let partials = (1..=12_u32)
        .map(|number| PartialReading {
            number,
            frequency: Hz(first.0 * f64::from(number)),
            se: Cents(0.02),
            level_db: -20.0 - 4.0 * f64::from(number) - f64::from(number * 7 % 5),
            fits: true,
        })
        .collect();
    KeyReading {
        first,
        first_se: Cents(0.1),
        inharmonicity: Named::usual(MidiNote(key), first).inharmonicity,
        inharmonicity_se: 1e-6,
        scatter: Cents(0.3),
        unison,
        false_beats: Vec::new(),
        partials,
    }
}

/// What the tuner tells of a key that was struck.
fn struck(key: i16, cents: f64, level_db: f64) -> TunerNews {
    let reading = reading(key, cents, None);
    let samples = vec![0.0; 2_200];
    TunerNews::Struck(Box::new(Listened {
        take: Take {
            rate: 1_000,
            strike: Strike {
                samples: 0..samples.len(),
                over_another: false,
                clipped: false,
                level_db,
                before_db: -80.0,
            },
            samples,
            room_db: -80.0,
        },
        named: Some(Named::usual(MidiNote(key), reading.first)),
        reading: Ok(reading),
    }))
}

fn no_string() -> TunerNews {
    let TunerNews::Struck(mut listened) = struck(60, 0.0, -20.0) else {
        unreachable!()
    };
    listened.reading = Err(NoReading::Nothing);
    listened.named = None;
    TunerNews::Struck(listened)
}

/// A sitting that was told all this.
fn after(quick: bool, news: Vec<TunerNews>) -> TuningSitting {
    let mut sitting =
        TuningSitting::new(Guided::new(Reference::default(), quick), Box::new(|_| {}));
    for news in news {
        sitting.take(news);
    }
    sitting
}

/// A sitting that hears, and in which `keys` were kept where pianos have them.
fn with_kept(keys: &[i16]) -> TuningSitting {
    let mut news = vec![
        TunerNews::Listening("Built-in microphone".to_owned()),
        TunerNews::Level(-31.0),
    ];
    news.extend(keys.iter().map(|key| struck(*key, -6.0, -20.0)));
    after(true, news)
}

fn compare(name: &str, text: &str) {
    insta::with_settings!({
        snapshot_path => "../../../tests/snapshots",
        prepend_module_to_snapshot => false,
        omit_expression => true,
    }, {
        insta::assert_snapshot!(format!("whole-{name}"), text);
    });
}

fn golden(name: &str, ascii: bool, sitting: &TuningSitting) {
    let view = TuningView {
        names: NoteNames::English,
        ascii,
        reference: Reference::default(),
    };
    let mut all = String::new();
    for (columns, rows) in SIZES {
        let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
        terminal.draw(|frame| draw(frame, &view, sitting)).unwrap();
        all += &format!("{columns} x {rows}\n");
        let buffer = terminal.backend().buffer();
        for row in buffer.content.chunks(usize::from(columns.max(1))) {
            let row: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
            all += row.trim_end();
            all.push('\n');
        }
    }
    compare(name, &all);
}

#[test]
fn before_anything_is_heard_and_with_nothing_to_hear_by() {
    golden("tuning-opening", false, &after(false, Vec::new()));
    let deaf = vec![TunerNews::Deaf(InputFault::Stopped)];
    golden("tuning-deaf", false, &after(false, deaf));
}

#[test]
fn a_key_that_sounds_stands_on_the_staff_with_its_partials_and_its_beats() {
    let mut sitting = with_kept(&[69, 75]);
    let beats = Unison {
        spread: Cents(1.8),
        spread_se: Cents(0.1),
        beats: 0.9,
    };
    sitting.take(TunerNews::Glimpse(Box::new(reading(81, -9.0, Some(beats)))));
    golden("tuning-sounding", false, &sitting);
    golden("tuning-sounding-ascii", true, &sitting);
}

#[test]
fn what_is_kept_and_what_is_asked_again() {
    let mut sitting = with_kept(&[69, 75, 81]);
    golden("tuning-kept", false, &sitting);
    sitting.take(struck(89, -6.0, -20.0));
    golden("tuning-wrong-key", false, &sitting);
    sitting.take(struck(87, -6.0, -58.0));
    golden("tuning-soft", false, &sitting);
}

#[test]
fn any_order_and_a_key_that_hardly_sounds() {
    let mut sitting = with_kept(&[69]);
    for _ in 0..3 {
        sitting.take(no_string());
    }
    golden("tuning-hardly-sounds", false, &sitting);
    act(&mut sitting, Deed::Any);
    golden("tuning-any-order", false, &sitting);
}

#[test]
fn a_key_of_the_computer_that_can_do_nothing_says_why() {
    let says = |sitting: &TuningSitting| sitting.says(|key| key.0.to_string());
    let mut sitting = with_kept(&[]);
    act(&mut sitting, Deed::Insist);
    assert_eq!(says(&sitting), words::tuning::NOTHING_TO_TAKE);
    let mut sitting = with_kept(&[69]);
    let kept = sitting.guided.count();
    act(&mut sitting, Deed::Insist);
    assert_eq!(says(&sitting), words::tuning::KEPT_ALREADY);
    assert!(!sitting.asks_again());
    assert_eq!(sitting.guided.count(), kept);
    // Asking for another key, or for none, ends what was said of the last.
    for deed in [Deed::Next, Deed::Before, Deed::Any] {
        let mut sitting = with_kept(&[69]);
        sitting.take(no_string());
        assert!(sitting.asks_again());
        act(&mut sitting, deed);
        assert_eq!(says(&sitting), "");
    }
}

#[test]
fn praise_of_a_piano_leaves_out_the_keys_whose_strings_are_sour() {
    let curve = Stiffness::new(&[]).curve();
    let mut sitting = with_kept(&[]);
    for key in (69_i16..=108)
        .step_by(6)
        .chain((21..69).rev().skip(5).step_by(6))
    {
        let place = curve[usize::from(key.unsigned_abs()) - 21];
        let TunerNews::Struck(mut listened) = struck(key, place, -20.0) else {
            unreachable!()
        };
        if let Ok(reading) = &mut listened.reading
            && key == 75
        {
            reading.unison = Some(Unison {
                spread: Cents(6.0),
                spread_se: Cents(0.1),
                beats: 2.2,
            });
        }
        sitting.take(TunerNews::Struck(listened));
    }
    let instrument = sitting.guided.instrument();
    let findings = instrument.findings();
    assert_eq!(findings.sour, [MidiNote(75)]);
    compare(
        "tuning-report-sour",
        &lines(instrument, &findings).join("\n"),
    );
}

#[test]
fn the_report_on_the_screen() {
    let curve = Stiffness::new(&[]).curve();
    let kept: Vec<i16> = (69..=108)
        .step_by(6)
        .chain((21..69).rev().skip(5).step_by(6))
        .collect();
    let mut sitting = with_kept(&[]);
    for key in kept {
        // A piano a little flat, whose lowest string has slackened.
        let off = if key == 21 { -35.0 } else { -3.0 };
        let place = curve[usize::from(key.unsigned_abs()) - 21];
        sitting.take(struck(key, place + off, -20.0));
    }
    assert!(sitting.guided.is_complete());
    let instrument = sitting.guided.instrument();
    let findings = instrument.findings();
    let mut all = lines(instrument, &findings).join("\n");
    for (columns, rows) in [(100, 20), (60, 12), (20, 5)] {
        all += &format!("\n{columns} x {rows}\n");
        all += &plot(instrument, &findings, (columns, rows));
    }
    compare("tuning-report", &all);
}
