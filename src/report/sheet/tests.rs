//! Sheets against the tables and against each other.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::engrave::{pdf_document, svg_document};
use crate::study::{Course, Item};
use crate::theory::StaffStep;

fn styles() -> Vec<Style> {
    let mut styles = Vec::new();
    for paper in [Paper::A4, Paper::Letter] {
        for large in [false, true] {
            let names = NoteNames::English;
            styles.push(Style {
                paper,
                large,
                names,
            });
        }
    }
    styles
}

fn all(style: Style) -> Vec<Document> {
    let course = Course::built_in("groundwork").unwrap();
    let stage = &course.stages[3];
    let items = stage.items();
    let strip: Vec<StageDays> = course
        .stages
        .iter()
        .enumerate()
        .map(|(at, stage)| StageDays {
            stage: stage.clone(),
            kept: if at == 0 { 2 } else { 0 },
        })
        .collect();
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    vec![
        names(style, "Wren", &items, Some(&course.phrases)),
        days(style, &course.name, &strip, "Wren"),
        cards(style, stage, &mut chance),
        rows(style, stage, "Wren", &mut chance),
        rows(style, course.stage("groups").unwrap(), "Wren", &mut chance),
        cards(style, course.stage("groups").unwrap(), &mut chance),
    ]
}

/// Everything lies on its page.
fn extent(thing: &Thing) -> (f64, f64, f64, f64) {
    let metrics = &crate::engrave::music_font().metrics;
    match thing {
        Thing::Heading(_, words) | Thing::Words(words) => {
            let width = crate::engrave::text_width(&words.text, words.size);
            let left = words.left();
            (
                left,
                words.y - words.size,
                left + width,
                words.y + 0.3 * words.size,
            )
        }
        Thing::Music(music) => music
            .list
            .marks
            .iter()
            .map(|mark| mark.bounds(metrics))
            .fold(
                (f64::MAX, f64::MAX, f64::MIN, f64::MIN),
                |(l, t, r, b), bounds| {
                    let x = |x: f64| music.x + x * music.space;
                    let y = |y: f64| music.zero - y * music.space;
                    (
                        l.min(x(bounds.left)),
                        t.min(y(bounds.top)),
                        r.max(x(bounds.right)),
                        b.max(y(bounds.bottom)),
                    )
                },
            ),
        Thing::Drawing { .. } | Thing::Table { .. } => (0.0, 0.0, 0.0, 0.0),
    }
}

#[test]
fn everything_lies_on_its_page_and_says_what_it_is() {
    for style in styles() {
        for document in all(style) {
            assert!(!document.pages.is_empty() && !document.title.is_empty());
            for (number, page) in document.pages.iter().enumerate() {
                for thing in &page.things {
                    let (left, top, right, bottom) = extent(thing);
                    let inside =
                        left >= 0.0 && top >= 0.0 && right <= page.width && bottom <= page.height;
                    assert!(inside, "{} {number} {style:?} {thing:?}", document.title);
                    if let Thing::Music(music) = thing {
                        assert!(!music.says.is_empty());
                    }
                }
            }
        }
    }
}

#[test]
fn heads_on_the_sheet_of_names_stand_where_the_clef_says() {
    // Steps follow from the clef definitions of MusicXML 4.0.
    let document = names(Style::default(), "", &[], None);
    let lines: Vec<&Music> = document.pages[0]
        .things
        .iter()
        .filter_map(|thing| match thing {
            Thing::Music(music) => Some(music),
            _ => None,
        })
        .collect();
    assert_eq!(lines.len(), 6);
    for (music, steps) in lines[..2]
        .iter()
        .zip([vec![0, 2, 4, 6, 8], vec![1, 3, 5, 7]])
    {
        let bottom = f64::from(Clef::Treble.bottom_line().diatonic()) / 2.0;
        let found: Vec<i32> = music
            .list
            .marks
            .iter()
            .filter(|mark| mark.part == Part::Head)
            .filter_map(|mark| match mark.shape {
                Shape::Glyph { at, .. } => Some(((at.y - bottom) * 2.0).round() as i32),
                _ => None,
            })
            .collect();
        assert_eq!(found, steps);
    }
    let texts = texts(&document);
    for step in 0..9 {
        let letter = StaffStep(step)
            .pitch(Clef::Treble)
            .letter
            .as_char()
            .to_string();
        assert!(texts.contains(&letter.as_str()));
    }
}

fn texts(document: &Document) -> Vec<&str> {
    let things = document.pages.iter().flat_map(|page| &page.things);
    things
        .filter_map(|thing| match thing {
            Thing::Words(words) | Thing::Heading(_, words) => Some(words.text.as_str()),
            _ => None,
        })
        .collect()
}

#[test]
fn the_sheet_of_names_has_the_staves_of_the_course_and_phrases_for_who_begins() {
    let items: Vec<Item> = ["C4@alto", "D4@alto"]
        .map(|id| id.parse().unwrap())
        .to_vec();
    let phrases = crate::study::Phrases::default();
    let begun = names(Style::default(), "", &items, Some(&phrases));
    let later = names(Style::default(), "", &items, None);
    for document in [&begun, &later] {
        let texts = texts(document);
        let staves = ["Treble staff", "Bass staff", "Alto staff"];
        assert!(staves.iter().all(|staff| texts.contains(staff)));
        assert!(!texts.contains(&"Tenor staff"));
    }
    assert!(texts(&begun).contains(&"Foxes Admire Chilly Evenings"));
    assert!(!texts(&later).iter().any(|text| text.starts_with("Foxes")));
}

#[test]
fn rows_of_groups_keep_to_the_rules_and_to_the_row() {
    let course = Course::built_in("groundwork").unwrap();
    let stage = course.stage("groups").unwrap();
    let mut chance = ChaCha8Rng::seed_from_u64(3);
    let document = rows(Style::default(), stage, "", &mut chance);
    let (least, most) = stage.groups.as_ref().unwrap().notes;
    for thing in &document.pages[0].things {
        let Thing::Music(music) = thing else { continue };
        let x = |part: Part| -> Vec<f64> {
            let marks = music.list.marks.iter().filter(|mark| mark.part == part);
            marks
                .filter_map(|mark| match mark.shape {
                    Shape::Glyph { at, .. } => Some(at.x),
                    Shape::Line { from, .. } => Some(from.x),
                    Shape::Stretched { .. } => None,
                })
                .collect()
        };
        let heads = x(Part::Head);
        assert!(heads.len() <= 8);
        // The first bar line stands at the staff's own beginning.
        let bars: Vec<f64> = x(Part::BarLine)
            .into_iter()
            .filter(|bar| *bar > heads[0])
            .collect();
        let mut ends = bars.clone();
        ends.push(f64::MAX);
        let mut from = 0;
        for end in ends {
            let to = heads.iter().filter(|head| **head < end).count();
            let notes = u8::try_from(to - from).unwrap();
            assert!((least..=most).contains(&notes), "{heads:?} {bars:?}");
            from = to;
        }
    }
}

#[test]
fn a_cards_back_lies_behind_its_front() {
    let stage = &Course::built_in("groundwork").unwrap().stages[0];
    let mut chance = ChaCha8Rng::seed_from_u64(3);
    let document = cards(Style::default(), stage, &mut chance);
    let middles = |page: &Page| -> Vec<(f64, f64)> {
        page.things
            .iter()
            .filter_map(|thing| match thing {
                Thing::Music(music) => {
                    let (l, t, r, b) = extent(&Thing::Music(music.clone()));
                    let _unused = (t, b);
                    Some(((l + r) / 2.0, music.zero))
                }
                Thing::Words(words) if words.size > 8.0 => Some((words.x, words.y)),
                _ => None,
            })
            .collect()
    };
    for pages in document.pages.chunks(2) {
        let (fronts, backs) = (middles(&pages[0]), middles(&pages[1]));
        assert_eq!(fronts.len(), backs.len());
        for (front, back) in fronts.iter().zip(&backs) {
            // Turned about the long edge, x becomes the page's width less x.
            assert!(
                (pages[0].width - front.0 - back.0).abs() < 2.0,
                "{front:?} {back:?}"
            );
        }
    }
}

#[test]
fn rows_and_answers_are_the_same_notes() {
    let course = Course::built_in("groundwork").unwrap();
    let mut chance = ChaCha8Rng::seed_from_u64(3);
    let document = rows(Style::default(), &course.stages[2], "", &mut chance);
    let lists: Vec<Vec<&DisplayList>> = document
        .pages
        .iter()
        .map(|page| {
            page.things
                .iter()
                .filter_map(|thing| match thing {
                    Thing::Music(music) => Some(&music.list),
                    _ => None,
                })
                .collect()
        })
        .collect();
    assert_eq!(lists.len(), 2);
    assert!(lists[0].len() > 3);
    assert_eq!(lists[0], lists[1]);
}

#[test]
fn every_sheet_becomes_pdf_and_svg() {
    for style in styles() {
        for document in all(style) {
            // ISO 32000-1: a file begins with %PDF-; the writing library checks PDF/UA-1 itself.
            let pdf = pdf_document(&document).unwrap();
            assert!(
                pdf.starts_with(b"%PDF-1.7") && pdf.len() < 200_000,
                "{} bytes",
                pdf.len()
            );
            let svg = svg_document(&document);
            assert!(svg.len() < 400_000, "{} bytes", svg.len());
            assert!(svg.contains("<title>") && svg.contains("#gClef"));
        }
    }
}

#[test]
fn whoever_cannot_see_a_page_is_told_the_names_that_stand_on_it() {
    // Common practice: German B is B flat, H is B; sharps end in -is.
    let said = |names: NoteNames| -> String {
        let style = Style {
            names,
            ..Style::default()
        };
        let mut said = String::new();
        for thing in all(style)
            .iter()
            .flat_map(|document| &document.pages)
            .flat_map(|page| &page.things)
        {
            match thing {
                Thing::Music(music) => said += &music.says,
                Thing::Drawing { says, .. } => said += says.as_deref().unwrap_or_default(),
                _ => {}
            }
            said.push('\n');
        }
        said
    };
    let german = said(NoteNames::German);
    for words in ["H 4", "B 4", "Fis 4", "The key of B 4"] {
        assert!(german.contains(words), "{words}");
    }
    assert!(!german.contains("sharp") && !german.contains("flat"));
    let english = said(NoteNames::English);
    assert!(
        english.contains("B flat 4") && english.contains("F sharp 4") && !english.contains("H 4")
    );
    let solfege = said(NoteNames::FixedSolfege);
    assert!(solfege.contains("si flat 4") && solfege.contains("fa sharp 4"));
}
