//! A whole phrase to samples, without a device and faster than it sounds.

use super::engine::{Engine, NoteOn};
use super::rate::SampleRate;
use super::voice::RELEASE_S;
use crate::score::Phrase;

/// How a phrase is rendered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct RenderOptions {
    /// Silence before the first note.
    pub lead_in_ms: u32,
    /// Silence after the last note has faded.
    pub tail_ms: u32,
}

/// Samples of `phrase`, mono, peak at most [`super::CEILING`]; a note's onset is at its exact sample.
/// The same phrase, rate and options give the same samples, bit for bit, for one build on one machine.
pub fn render(phrase: &Phrase, rate: SampleRate, options: RenderOptions) -> Vec<f32> {
    let mut engine = Engine::new(rate);
    let lead_in = rate.samples_in_ms(options.lead_in_ms);
    let mut notes: Vec<NoteOn> = NoteOn::of_phrase(phrase, rate).collect();
    notes.sort_by_key(|note| note.delay);
    let end = notes
        .iter()
        .map(|note| note.delay + note.length + rate.samples_in(RELEASE_S))
        .max()
        .unwrap_or(0);
    let length = (lead_in + end + rate.samples_in_ms(options.tail_ms)) as usize;
    let delay = engine.delay();
    let mut out = vec![0.0; length + delay];
    let mut rendered = 0;
    let mut notes = notes.into_iter().peekable();
    // Notes are handed over shortly before they are due, so that any number fits.
    for block in out.chunks_mut(4096) {
        let until = (rendered + block.len()) as u64;
        while let Some(note) = notes.peek().filter(|note| note.delay + lead_in < until) {
            let delay = (note.delay + lead_in).saturating_sub(rendered as u64);
            if !engine.schedule(NoteOn { delay, ..*note }) {
                break;
            }
            notes.next();
        }
        engine.render(block);
        rendered += block.len();
    }
    out.drain(..delay);
    out
}
