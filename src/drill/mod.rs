//! One sitting, as a pure state machine: [`Sitting::on`] takes an [`Event`] and gives [`Effect`]s; clock and devices are outside.

mod cue;
mod effect;
mod event;
mod held;
mod judge;
mod placement;
mod places;
mod plan;
mod prompt;
mod reaction;
mod sitting;
mod summary;
mod sung;
mod typing;

pub use cue::{Cue, CueNote};
pub use effect::{Effect, End, Feedback};
pub use event::Event;
pub use held::{HeldNote, HeldNotes, Steadiness};
pub use judge::{Given, Miss, answers, judge};
pub use placement::Placement;
pub use places::{FURTHEST, KnownKeys, NEAR, PLACES, Placed, Places};
pub use plan::{Limits, Plan};
pub use prompt::Rest;
pub use reaction::Reaction;
pub use sitting::{ANTICIPATION_MS, Sitting};
pub use summary::{Summary, SungNotes};
pub use typing::{Typed, Typing};
