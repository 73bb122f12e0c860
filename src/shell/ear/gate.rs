//! What the microphone hears of our own sound is not judged. In: the microphone's level and whether our sound may be in it.
//! Out: whether a note that began at a moment may be judged.
//!
//! After our sound the room goes on. How long is measured, not assumed: the gate opens when the level is back at what it was
//! before, when it has stopped falling, or when something else rises out of the decay.

use std::collections::VecDeque;

/// Levels are measured over frames of this length.
pub(super) const FRAME_S: f64 = 0.01;

/// The level is the mean power over so many frames: a room's decay flutters from frame to frame.
const SMOOTH: usize = 3;

/// The room is quiet again within this factor (6 dB) of its floor.
const QUIET: f32 = 4.0;

/// No room's decay rises by this factor (10 dB over the lowest level so far): something else sounds.
const RISE: f32 = 10.0;

/// A level that has not fallen by 1 dB for so long is no decay any more.
const STANDING_S: f64 = 0.3;
const FALL: f32 = 0.8;

/// Closed times remembered: notes are decided within a second.
const REMEMBERED_S: f64 = 5.0;

/// The floor rises by 3 dB a second.
const FLOOR_RISE: f32 = 1.007;

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Open,
    /// Our sound is in the microphone.
    Own {
        from_s: f64,
    },
    /// Our sound is over, the room goes on.
    Tail {
        from_s: f64,
        lowest: f32,
        lowest_s: f64,
        /// When the level last fell by 1 dB, and to what.
        fell_s: f64,
        fell_to: f32,
    },
}

/// The gate.
#[derive(Debug)]
pub(super) struct Gate {
    state: State,
    recent: VecDeque<f32>,
    floor: Option<f32>,
    /// Times in which nothing is judged, from and to.
    closed: VecDeque<(f64, f64)>,
    now_s: f64,
}

impl Gate {
    /// An open gate.
    pub(super) fn new() -> Gate {
        Gate {
            state: State::Open,
            recent: VecDeque::with_capacity(SMOOTH + 1),
            floor: None,
            closed: VecDeque::new(),
            now_s: 0.0,
        }
    }

    /// Takes the mean `power` of the frame that ends at `end_s`; `own`: our sound may be in it, and since when, which may lie
    /// before what was already taken.
    pub(super) fn frame(&mut self, power: f32, end_s: f64, own: Option<f64>) {
        self.now_s = end_s;
        self.recent.push_back(power.max(1e-12));
        if self.recent.len() > SMOOTH {
            self.recent.pop_front();
        }
        let level = self.recent.iter().sum::<f32>() / self.recent.len() as f32;
        self.state = match (self.state, own) {
            (State::Open, None) => {
                let floor = self.floor.get_or_insert(level);
                *floor = level.min(*floor * FLOOR_RISE);
                State::Open
            }
            (State::Open, Some(since_s)) => State::Own {
                from_s: since_s.min(end_s - FRAME_S),
            },
            (State::Own { from_s } | State::Tail { from_s, .. }, Some(_)) => State::Own { from_s },
            (State::Own { from_s }, None) => self.decay(
                State::Tail {
                    from_s,
                    lowest: level,
                    lowest_s: end_s,
                    fell_s: end_s,
                    fell_to: level,
                },
                level,
            ),
            (tail @ State::Tail { .. }, None) => self.decay(tail, level),
        };
        while self
            .closed
            .front()
            .is_some_and(|(_, to)| *to < end_s - REMEMBERED_S)
        {
            self.closed.pop_front();
        }
    }

    fn decay(&mut self, state: State, level: f32) -> State {
        let State::Tail {
            from_s,
            mut lowest,
            mut lowest_s,
            mut fell_s,
            mut fell_to,
        } = state
        else {
            return state;
        };
        if level >= lowest * RISE {
            // It began to rise no earlier than the lowest level.
            return self.open(from_s, lowest_s);
        }
        if level < lowest {
            lowest = level;
            lowest_s = self.now_s;
        }
        if level <= fell_to * FALL {
            fell_to = level;
            fell_s = self.now_s;
        }
        let quiet = self.floor.is_some_and(|floor| level <= floor * QUIET);
        if quiet || self.now_s - fell_s > STANDING_S {
            return self.open(from_s, self.now_s);
        }
        State::Tail {
            from_s,
            lowest,
            lowest_s,
            fell_s,
            fell_to,
        }
    }

    fn open(&mut self, from_s: f64, to_s: f64) -> State {
        self.closed.push_back((from_s, to_s));
        State::Open
    }

    /// Whether a note that began at `onset_s` may be judged.
    pub(super) fn admits(&self, onset_s: f64) -> bool {
        let closed_now = match self.state {
            State::Open => false,
            State::Own { from_s } | State::Tail { from_s, .. } => onset_s >= from_s,
        };
        !closed_now
            && !self
                .closed
                .iter()
                .any(|(from, to)| (*from..*to).contains(&onset_s))
    }

    /// Whether our own sound, or its tail, is being waited out.
    #[cfg(test)]
    pub(super) fn is_closed(&self) -> bool {
        self.state != State::Open
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    const FLOOR: f32 = 1e-7;

    /// A second of a quiet room, a second of our own sound, then a decay of `rt60` seconds over the floor, each frame's power as
    /// of noise (the mean of some tens of squared normal values; a room's reverberation is such noise: Polack 1988). At
    /// `strike_s` after our sound something of `struck` power sounds. Returns the gate and when our sound ended.
    fn decay(rt60: f64, strike: Option<(f64, f32)>, seed: u64) -> (Gate, f64, Vec<f64>) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut gate = Gate::new();
        let mut opened = Vec::new();
        for frame in 1..500 {
            let end_s = f64::from(frame) * FRAME_S;
            let own = (1.0..2.0).contains(&(end_s - FRAME_S / 2.0));
            let after = end_s - 2.0;
            let tail = if own {
                1e-2
            } else if after >= 0.0 {
                1e-2 * 10f64.powf(-6.0 * after / rt60)
            } else {
                0.0
            };
            // Ten milliseconds of room sound: about forty independent values.
            let flutter: f32 = (0..40)
                .map(|_| {
                    let normal: f32 = (0..12).map(|_| random.random::<f32>()).sum::<f32>() - 6.0;
                    normal * normal
                })
                .sum::<f32>()
                / 40.0;
            let mut power = (tail as f32 + FLOOR) * flutter;
            if let Some((at, struck)) = strike
                && after >= at
            {
                power += struck * (-(after - at) as f32 * 3.0).exp();
            }
            let was = gate.is_closed();
            gate.frame(power, end_s, own.then_some(1.0));
            if was && !gate.is_closed() {
                opened.push(end_s - 2.0);
            }
        }
        (gate, 2.0, opened)
    }

    #[test]
    fn the_wait_follows_the_room_and_not_a_clock() {
        for seed in 0..100 {
            for rt60 in [0.2, 0.5, 1.2, 2.5] {
                let (_, _, opened) = decay(rt60, None, seed);
                assert_eq!(opened.len(), 1, "{rt60}: {opened:?}");
                // 50 dB lie between our sound and the floor; 6 dB over the floor is quiet.
                let expected = rt60 * 44.0 / 60.0;
                let error = (opened[0] - expected).abs();
                assert!(error < 0.08 + 0.15 * rt60, "{rt60}: {opened:?}");
            }
        }
    }

    #[test]
    fn a_note_out_of_the_tail_is_judged_and_what_came_before_it_is_not() {
        for seed in 0..100 {
            let (gate, end, _) = decay(1.2, Some((0.3, 3e-2)), seed);
            assert!(gate.admits(end + 0.30), "{seed}");
            assert!(!gate.admits(end - 0.5) && !gate.admits(end + 0.1), "{seed}");
            assert!(gate.admits(0.9));
        }
    }

    #[test]
    fn our_sound_that_is_known_of_late_is_not_judged_from_its_beginning_on() {
        let mut gate = Gate::new();
        for frame in 1..200 {
            let end_s = f64::from(frame) * FRAME_S;
            // It began at 1.0 s; the listener was held up and learns of it at 1.2 s.
            gate.frame(1e-2, end_s, (end_s > 1.2).then_some(1.0));
        }
        assert!(!gate.admits(1.05) && gate.admits(0.9));
    }

    #[test]
    fn a_fan_that_starts_during_our_sound_does_not_close_the_gate_for_good() {
        let mut gate = Gate::new();
        for frame in 1..400 {
            let end_s = f64::from(frame) * FRAME_S;
            let power = if end_s < 1.0 { FLOOR } else { 1e-4 };
            gate.frame(power, end_s, (1.0..2.0).contains(&end_s).then_some(1.0));
        }
        assert!(!gate.is_closed());
    }
}
