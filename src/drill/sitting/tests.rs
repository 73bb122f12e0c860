use super::*;
use crate::drill::{HeldNote, Limits};
use crate::study::{GroupRules, LearnerModel};
use crate::theory::{Clef, MidiNote};

fn plan(way: AnswerWay) -> Plan {
    let items = ["C4", "D4", "E4", "F4", "G4", "A4"]
        .map(|name| Item::note(name.parse().unwrap(), Clef::Treble));
    Plan {
        start: "2026-03-02T16:00:00Z".parse().unwrap(),
        stage: "treble".to_owned(),
        kind: StageKind::Notes,
        blocks: vec![items.to_vec()],
        tasks: Vec::new(),
        staircase: Staircase::default(),
        voice: None,
        octave_counts: false,
        groups: None,
        carried: Vec::new(),
        history: Vec::new(),
        model: LearnerModel::new(crate::study::Yardstick::new(600)),
        seed: 1,
        prompt: PromptKind::Eye,
        way,
        timed: true,
        limits: Limits {
            prompts: Some(5),
            ..Limits::default()
        },
        cap_ms: 10_000,
        hands_on: false,
    }
}

fn shown(effects: &[Effect]) -> Option<Item> {
    effects.iter().find_map(|effect| match effect {
        Effect::Show { item, .. } => Some(*item),
        _ => None,
    })
}

fn saved(effects: &[Effect]) -> Vec<Answer> {
    effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Save { answer, .. } => Some(answer.clone()),
            _ => None,
        })
        .collect()
}

fn begun(way: AnswerWay) -> (Sitting, Item) {
    let mut sitting = Sitting::new(plan(way));
    let item = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
    sitting.on(Event::Ready { at_ms: 100 });
    (sitting, item)
}

#[test]
fn what_cannot_be_heard_rests_unjudged_and_is_put_anew_when_it_can() {
    let mut plan = plan(AnswerWay::Letters);
    plan.prompt = PromptKind::Ear;
    let mut sitting = Sitting::new(plan);
    let item = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
    sitting.on(Event::Ready { at_ms: 100 });
    sitting.on(Event::Unheard);
    assert_eq!(sitting.rest(), Some(Rest::Unheard));
    let name = item.pitch.spelling();
    let at_ms = 5_000;
    assert!(sitting.on(Event::Named { at_ms, name }).is_empty());
    let again = sitting.on(Event::Resume { at_ms: 60_000 });
    assert_eq!(shown(&again), Some(item));
    assert!(
        again
            .iter()
            .any(|effect| matches!(effect, Effect::Sound { prompt: true, .. }))
    );
    // Nothing is judged before it has sounded, and the rest earned no time.
    let at_ms = 60_500;
    assert!(sitting.on(Event::Named { at_ms, name }).is_empty());
    sitting.on(Event::Ready { at_ms: 61_000 });
    let judged = saved(&sitting.on(Event::Named {
        at_ms: 62_000,
        name,
    }));
    assert_eq!((judged.len(), judged[0].outcome), (1, Outcome::Right));
    assert!(sitting.active_ms() <= 2_000);
    // What is shown needs no sound.
    let (mut seen, _) = begun(AnswerWay::Letters);
    seen.on(Event::Unheard);
    assert_eq!(seen.rest(), None);
}

#[test]
fn an_answer_is_saved_before_it_is_told_and_the_next_prompt_follows() {
    let (mut sitting, item) = begun(AnswerWay::Letters);
    let effects = sitting.on(Event::Named {
        at_ms: 1300,
        name: item.pitch.spelling(),
    });
    assert!(matches!(effects[0], Effect::Save { .. }));
    assert_eq!(saved(&effects)[0].response_ms, Some(1200));
    assert_eq!(saved(&effects)[0].active_ms, 1300);
    assert_ne!(shown(&effects), Some(item));
}

#[test]
fn how_a_note_was_held_belongs_to_the_right_note_that_has_just_ended() {
    let (mut sitting, item) = begun(AnswerWay::Voice);
    let held = HeldNote {
        drift_cents: -30,
        waver_cents: 3,
    };
    let sung = |semitones, onset_ms| Event::Sung {
        onset_ms,
        at_ms: onset_ms + 300,
        note: Some((MidiNote(item.pitch.midi().0 + semitones), 7)),
    };
    // Nothing was sung, or another note.
    assert_eq!(sitting.on(Event::Held(held)), []);
    sitting.on(sung(1, 1_000));
    assert_eq!(sitting.on(Event::Held(held)), []);
    sitting.on(sung(0, 2_000));
    let told = Effect::Held {
        number: 1,
        item,
        sung_cents: 7,
        held,
    };
    assert_eq!(sitting.on(Event::Held(held)), [told]);
    // It ends once.
    assert_eq!(sitting.on(Event::Held(held)), []);
}

#[test]
fn a_sung_note_that_was_taken_back_is_neither_told_nor_counted() {
    let held = HeldNote {
        drift_cents: 0,
        waver_cents: 3,
    };
    let counted = |taken_back: bool| {
        let mut plan = plan(AnswerWay::Voice);
        plan.limits.prompts = Some(9);
        let mut sitting = Sitting::new(plan);
        let mut item = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
        let mut told = 0;
        for n in 1..=6 {
            let at_ms = n * 3_000;
            sitting.on(Event::Ready { at_ms });
            let effects = sitting.on(Event::Sung {
                onset_ms: at_ms + 500,
                at_ms: at_ms + 800,
                note: Some((item.pitch.midi(), 7)),
            });
            item = shown(&effects).unwrap();
            if taken_back && n == 6 {
                sitting.on(Event::TakeBack);
            }
            told += sitting.on(Event::Held(held)).len();
        }
        let effects = sitting.on(Event::Stop);
        let summary = effects.iter().find_map(|effect| match effect {
            Effect::Finish(summary) => Some(summary.clone()),
            _ => None,
        });
        let summary = summary.unwrap();
        (
            told,
            summary.sung.unwrap().notes,
            summary.held.unwrap().notes,
        )
    };
    assert_eq!(counted(false), (6, 6, 6));
    assert_eq!(counted(true), (5, 5, 5));
}

#[test]
fn while_three_keys_are_asked_for_nothing_is_judged_and_what_was_misheard_counts_for_nothing() {
    let (mut sitting, item) = begun(AnswerWay::Piano);
    let struck = |onset_ms, semitones| Event::Struck {
        onset_ms,
        at_ms: onset_ms + 50,
        key: Some(MidiNote(item.pitch.midi().0 + semitones)),
    };
    assert_eq!(saved(&sitting.on(struck(1_000, -1))).len(), 1);
    sitting.on(Event::Doubt);
    assert_eq!(sitting.rest(), Some(Rest::Places));
    assert_eq!(sitting.on(struck(2_000, 0)), []);
    assert_eq!(
        sitting.on(Event::Misheard { sequence: 0 }),
        [Effect::Withdraw { sequence: 0 }]
    );
    // Once, and only what was there.
    assert_eq!(sitting.on(Event::Misheard { sequence: 0 }), []);
    assert_eq!(sitting.on(Event::Misheard { sequence: 7 }), []);
    // The prompt is put again, and its next answer is a first try.
    let again = sitting.on(Event::Resume { at_ms: 8_000 });
    assert_eq!(shown(&again), Some(item));
    sitting.on(Event::Ready { at_ms: 8_000 });
    let answer = saved(&sitting.on(struck(9_000, 0))).remove(0);
    assert_eq!((answer.attempt, answer.response_ms), (1, Some(1_000)));
}

fn group_plan() -> Plan {
    Plan {
        groups: Some(GroupRules {
            notes: (3, 3),
            shares: [0, 1, 0, 0],
            widest: 2,
        }),
        limits: Limits {
            prompts: Some(6),
            ..Limits::default()
        },
        ..plan(AnswerWay::Letters)
    }
}

#[test]
fn a_group_is_answered_note_by_note_and_timed_by_note_and_as_a_whole() {
    let mut sitting = Sitting::new(group_plan());
    let begun = sitting.on(Event::Begin { at_ms: 0 });
    let Effect::Group(group) = begun[0].clone() else {
        panic!("{begun:?}");
    };
    assert_eq!(group.len(), 3);
    sitting.on(Event::Ready { at_ms: 100 });
    let mut told = Vec::new();
    for (place, note) in group.iter().enumerate() {
        let at_ms = 1100 + 400 * place as u64;
        let name = note.pitch.spelling();
        let effects = sitting.on(Event::Named { at_ms, name });
        let saved = saved(&effects);
        assert_eq!(saved[0].item, *note);
        assert_eq!(
            saved[0].response_ms,
            Some(if place == 0 { 1000 } else { 400 })
        );
        told.extend(effects);
    }
    let whole = Feedback::Group {
        notes: 3,
        right: 3,
        whole_ms: Some(1800),
    };
    assert!(told.contains(&Effect::Tell(whole)));
    // Another group follows; the screen has to draw it first.
    assert!(
        told.iter()
            .filter(|e| matches!(e, Effect::Group(_)))
            .count()
            == 1
    );
    assert_eq!(sitting.open.unwrap().ready_ms, None);
}

#[test]
fn a_miss_in_a_group_names_the_interval_that_was_misread() {
    let mut sitting = Sitting::new(group_plan());
    let begun = sitting.on(Event::Begin { at_ms: 0 });
    let Effect::Group(group) = begun[0].clone() else {
        panic!("{begun:?}");
    };
    sitting.on(Event::Ready { at_ms: 100 });
    let name = group[0].pitch.spelling();
    sitting.on(Event::Named { at_ms: 900, name });
    let steps = group[1].pitch.diatonic() - group[0].pitch.diatonic();
    let third = crate::theory::Pitch::from_diatonic(group[0].pitch.diatonic() + 2 * steps);
    let name = third.spelling();
    let missed = sitting.on(Event::Named { at_ms: 1900, name });
    let words = missed.iter().find_map(Effect::miss).unwrap().in_words();
    let way = if steps > 0 { "up" } else { "down" };
    let says = format!("a second {way} was read as a third {way}");
    assert!(words.contains(&says), "{words}");
    // The note waits for its right answer, and the group goes on.
    let name = group[1].pitch.spelling();
    let mended = sitting.on(Event::Named { at_ms: 2900, name });
    assert_eq!(shown(&mended), Some(group[2]));
}

#[test]
fn a_miss_waits_for_the_right_answer_and_its_time_is_no_response_time() {
    let (mut sitting, item) = begun(AnswerWay::Letters);
    let other = if item.pitch.letter == crate::theory::Letter::C {
        "D"
    } else {
        "C"
    };
    let missed = sitting.on(Event::Named {
        at_ms: 900,
        name: other.parse().unwrap(),
    });
    assert_eq!(saved(&missed)[0].outcome, Outcome::Wrong);
    assert!(missed.iter().any(|effect| effect.miss().is_some()));
    assert_eq!(shown(&missed), None);
    let mended = sitting.on(Event::Named {
        at_ms: 2500,
        name: item.pitch.spelling(),
    });
    let answer = &saved(&mended)[0];
    assert_eq!((answer.attempt, answer.response_ms), (2, None));
    // It comes back after two to five others.
    let mut others = 0;
    let mut now = shown(&mended).unwrap();
    let mut at_ms = 2500;
    while now != item {
        others += 1;
        assert!(others <= 5);
        sitting.on(Event::Ready { at_ms });
        at_ms += 700;
        let effects = sitting.on(Event::Named {
            at_ms,
            name: now.pitch.spelling(),
        });
        match shown(&effects) {
            Some(next) => now = next,
            None => break,
        }
    }
    assert!(others >= 2);
}

#[test]
fn an_idle_screen_earns_ten_seconds_a_prompt() {
    let (mut sitting, item) = begun(AnswerWay::Letters);
    let effects = sitting.on(Event::Named {
        at_ms: 60_000,
        name: item.pitch.spelling(),
    });
    assert_eq!(saved(&effects)[0].active_ms, 10_000);
    assert_eq!(sitting.active_ms(), 10_000);
}

#[test]
fn a_rest_earns_nothing_and_its_prompt_is_put_again() {
    let (mut sitting, item) = begun(AnswerWay::Letters);
    sitting.on(Event::Pause { at_ms: 500 });
    assert!(
        sitting
            .on(Event::Named {
                at_ms: 600,
                name: item.pitch.spelling()
            })
            .is_empty()
    );
    let again = sitting.on(Event::Resume { at_ms: 90_000 });
    assert_eq!(shown(&again), Some(item));
    sitting.on(Event::Ready { at_ms: 90_100 });
    let effects = sitting.on(Event::Named {
        at_ms: 91_100,
        name: item.pitch.spelling(),
    });
    assert_eq!(saved(&effects)[0].response_ms, Some(1000));
    assert_eq!(saved(&effects)[0].active_ms, 1100);
}

#[test]
fn a_piano_is_judged_with_its_octave_and_an_early_or_unsure_note_is_no_answer() {
    let (mut sitting, item) = begun(AnswerWay::Piano);
    let key = item.pitch.midi();
    let struck = |onset_ms, key| Event::Struck {
        onset_ms,
        at_ms: onset_ms + 60,
        key,
    };
    assert!(sitting.on(struck(50, Some(key))).is_empty());
    assert!(sitting.on(struck(180, Some(key))).is_empty());
    let unsure = sitting.on(struck(500, None));
    assert_eq!(saved(&unsure)[0].outcome, Outcome::NotSure);
    assert_eq!(saved(&unsure)[0].given, None);
    let octave = sitting.on(struck(900, Some(MidiNote(key.0 + 12))));
    assert_eq!(saved(&octave)[0].outcome, Outcome::Wrong);
    let right = sitting.on(struck(1500, Some(key)));
    assert_eq!(saved(&right)[0].outcome, Outcome::Right);
    assert_eq!(saved(&right)[0].attempt, 2);
}

#[test]
fn hands_on_the_piano_a_note_begins_silence_rests_and_a_note_goes_on() {
    let mut sitting = Sitting::new(Plan {
        hands_on: true,
        ..plan(AnswerWay::Piano)
    });
    let struck = |onset_ms, key| Event::Struck {
        onset_ms,
        at_ms: onset_ms + 60,
        key,
    };
    assert!(sitting.on(Event::Begin { at_ms: 0 }).is_empty());
    assert_eq!(sitting.rest(), Some(Rest::BeforeFirst));
    // Waiting is no silence.
    assert!(sitting.on(Event::Passed { at_ms: 40_000 }).is_empty());
    // A note begins it, even one that lies between two keys.
    let effects = sitting.on(struck(42_000, None));
    let item = shown(&effects).unwrap();
    assert!(saved(&effects).is_empty());
    sitting.on(Event::Ready { at_ms: 42_100 });
    sitting.on(Event::Passed { at_ms: 57_000 });
    assert_eq!(sitting.rest(), None);
    sitting.on(Event::Passed { at_ms: 57_100 });
    assert_eq!(sitting.rest(), Some(Rest::Silence));
    let key = Some(item.pitch.midi());
    let again = sitting.on(struck(90_000, key));
    assert_eq!((shown(&again), saved(&again).len()), (Some(item), 0));
    sitting.on(Event::Ready { at_ms: 90_100 });
    let effects = sitting.on(struck(91_100, key));
    let answer = &saved(&effects)[0];
    assert_eq!(
        (answer.outcome, answer.response_ms),
        (Outcome::Right, Some(1000))
    );
    assert_eq!(answer.active_ms, 1100);
    // A rest that was asked for is not ended by playing.
    sitting.on(Event::Pause { at_ms: 92_000 });
    assert!(sitting.on(struck(93_000, key)).is_empty());
    assert_eq!(sitting.rest(), Some(Rest::Asked));
    assert!(shown(&sitting.on(Event::Resume { at_ms: 94_000 })).is_some());
}

#[test]
fn a_name_typed_at_the_piano_is_kept_as_an_answer_by_letters() {
    let (mut sitting, item) = begun(AnswerWay::Piano);
    let effects = sitting.on(Event::Named {
        at_ms: 1300,
        name: item.pitch.spelling(),
    });
    assert_eq!(saved(&effects)[0].way, AnswerWay::Letters);
}

#[test]
fn a_verdict_can_be_taken_back_within_two_prompts() {
    let (mut sitting, item) = begun(AnswerWay::Letters);
    let other = if item.pitch.letter == crate::theory::Letter::C {
        "D"
    } else {
        "C"
    };
    sitting.on(Event::Named {
        at_ms: 900,
        name: other.parse().unwrap(),
    });
    let back = sitting.on(Event::TakeBack);
    assert!(back.contains(&Effect::Withdraw { sequence: 0 }));
    let right = sitting.on(Event::Named {
        at_ms: 1900,
        name: item.pitch.spelling(),
    });
    assert_eq!(saved(&right)[0].attempt, 1);
    let Some(Effect::Finish(summary)) = sitting.on(Event::Stop).pop() else {
        panic!("a stop ends the sitting");
    };
    assert_eq!(
        (
            summary.answered,
            summary.right_first_time,
            summary.taken_back
        ),
        (1, 1, 1)
    );
}

#[test]
fn blocks_take_equal_shares_and_the_sitting_ends_by_itself() {
    let mut plan = plan(AnswerWay::Letters);
    plan.blocks.push(vec![
        Item::note("C3".parse().unwrap(), Clef::Bass),
        Item::note("D3".parse().unwrap(), Clef::Bass),
    ]);
    plan.limits.prompts = Some(10);
    let mut sitting = Sitting::new(plan);
    let mut now = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
    let mut clefs = vec![now.clef];
    for turn in 1..=10 {
        sitting.on(Event::Ready { at_ms: turn * 1000 });
        let name = now.pitch.spelling();
        let effects = sitting.on(Event::Named {
            at_ms: turn * 1000 + 500,
            name,
        });
        match shown(&effects) {
            Some(next) => now = next,
            None => assert!(matches!(effects.last(), Some(Effect::Finish(_)))),
        }
        clefs.push(now.clef);
    }
    assert!(sitting.over());
    assert_eq!(clefs[..5], [Clef::Treble; 5]);
    assert_eq!(clefs[5..10], [Clef::Bass; 5]);
}
