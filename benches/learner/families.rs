//! Simulated learners: four families that learn and forget in structurally different ways, five types of each.
//! In: a family, a type, a stage, a seed. Out: answers to prompts, and the truth about every item.
//!
//! Every parameter is set by judgement; no person was measured. *Exponential* follows the practice curve of Heathcote,
//! Brown & Mewhort 2000 with a loss over night; *activation* follows Pavlik & Anderson 2005 in a race with counting;
//! *transfer* is the first with gains shared between neighbours; *steps* learns all or nothing, from counting to reading
//! from the nearest note known, to reading at once (a three-state chain, as Atkinson & Crothers 1964 used for paired
//! associates). Its figures were fixed before any rule was run on it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::formulas::{decay, ex_gaussian, median_of_unit, normal, recall, strength, unit_cdf};
use crate::places::Place;

/// How a learner learns and forgets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    Exponential,
    Activation,
    Transfer,
    Steps,
}

impl Family {
    pub const ALL: [Family; 4] = [
        Family::Exponential,
        Family::Activation,
        Family::Transfer,
        Family::Steps,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Family::Exponential => "exponential",
            Family::Activation => "activation",
            Family::Transfer => "transfer",
            Family::Steps => "steps",
        }
    }
}

/// What kind of person it is.
#[derive(Debug, Clone, Copy)]
pub struct Type {
    pub name: &'static str,
    /// Plain reaction, s.
    a: f64,
    /// Time to count a note of no difficulty, s.
    b0: f64,
    /// Rate of learning.
    k: f64,
    /// Share wrong at first.
    e0: f64,
    lapse: f64,
    /// Share lost over the first night.
    phi0: f64,
    tau0: f64,
    tau_g: f64,
    /// Share known from the start.
    known: f64,
    /// Latency factor and spacing constant of the activation family.
    f: f64,
    c: f64,
    /// Three prompts after a miss are slower and less sure.
    anxious: bool,
}

const fn type_of(name: &'static str, v: [f64; 11], anxious: bool) -> Type {
    let [a, b0, k, e0, lapse, phi0, tau0, tau_g, known, f, c] = v;
    Type {
        name,
        a,
        b0,
        k,
        e0,
        lapse,
        phi0,
        tau0,
        tau_g,
        known,
        f,
        c,
        anxious,
    }
}

pub const TYPES: [Type; 5] = [
    type_of(
        "average",
        [
            0.60, 2.6, 0.20, 0.35, 0.012, 0.25, 0.12, 0.20, 0.15, 0.62, 0.217,
        ],
        false,
    ),
    type_of(
        "slow",
        [
            0.90, 4.0, 0.13, 0.40, 0.015, 0.35, 0.18, 0.25, 0.10, 0.62, 0.225,
        ],
        false,
    ),
    type_of(
        "fast",
        [
            0.45, 1.7, 0.30, 0.25, 0.008, 0.15, 0.08, 0.15, 0.30, 0.50, 0.180,
        ],
        false,
    ),
    type_of(
        "careless",
        [
            0.50, 1.9, 0.20, 0.45, 0.030, 0.25, 0.12, 0.25, 0.15, 0.60, 0.217,
        ],
        false,
    ),
    type_of(
        "anxious",
        [
            0.70, 2.8, 0.18, 0.35, 0.012, 0.30, 0.20, 0.35, 0.15, 0.66, 0.225,
        ],
        true,
    ),
];

/// Parameters of *steps* alone; set by judgement.
mod steps {
    /// Chance of a prompt to lead from counting to the nearest known note, at the average learner's rate.
    pub const TO_ANCHORED: f64 = 0.22;
    /// And from there to reading at once.
    pub const TO_DIRECT: f64 = 0.12;
    /// Reading from a known note: time to find it, and for each step from it.
    pub const ANCHOR_S: f64 = 0.45;
    pub const STEP_S: f64 = 0.22;
    pub const MOST_STEPS: i32 = 4;
    pub const ANCHOR_ERROR: f64 = 0.05;
    pub const STEP_ERROR: f64 = 0.02;
    pub const DIRECT_S: f64 = 0.25;
    pub const DIRECT_ERROR: f64 = 0.005;
    /// Of the share of items that fall back over night, those that fall to counting, from the middle state.
    pub const TO_COUNTING: f64 = 0.8;
}

const RHO: f64 = 0.75;
const NIGHT_S: f64 = 2160.0;
const OLD_S: f64 = 43200.0;
/// Median response of a settled item above the floor, and its accuracy.
pub const FLUENT_S: f64 = 0.8;
pub const SURE: f64 = 0.95;

#[derive(Debug, Clone, Default)]
struct Trace {
    f: f64,
    /// Speed and accuracy practice (exponential, transfer).
    n: f64,
    q: f64,
    short: f64,
    short_at: f64,
    days: u32,
    shown_today: bool,
    last_shown: f64,
    /// Uses (activation): scaled time and decay; old uses.
    uses: Vec<(f64, f64)>,
    old_uses: f64,
    /// 0 counting, 1 anchored, 2 direct (steps).
    state: u8,
}

/// How an item would be answered: a mixture of ways, each with its share, time above the reaction, share wrong.
type Ways = [(f64, f64, f64); 3];

pub struct Simulated {
    family: Family,
    kind: Type,
    places: Vec<Place>,
    near: Vec<Vec<usize>>,
    same_place: Vec<Vec<usize>>,
    traces: Vec<Trace>,
    rng: ChaCha8Rng,
    /// Scaled time, s.
    time: f64,
    last_three: [Option<usize>; 3],
    since_miss: u32,
    observed_floor: f64,
}

impl Simulated {
    pub fn new(family: Family, kind: Type, places: &[Place], seed: u64) -> Simulated {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut kind = kind;
        kind.b0 *= (0.15 * normal(&mut rng)).exp();
        kind.k *= (0.15 * normal(&mut rng)).exp();
        kind.phi0 = (kind.phi0 * (0.2 * normal(&mut rng)).exp()).min(0.95);
        let staff = 0.25 + 0.3 * normal(&mut rng);
        let share_known = if places.len() == 28 { kind.known } else { 0.35 };
        let traces = places
            .iter()
            .map(|place| {
                let own = f64::from(u8::from(place.bass)) * staff + 0.25 * normal(&mut rng);
                let f = place.difficulty() + own;
                let known = share_known * 2.0 / (1.0 + (2.0 * (f - 0.3)).exp());
                let mut trace = Trace {
                    f,
                    last_shown: f64::NEG_INFINITY,
                    ..Trace::default()
                };
                if rng.random_bool(known.clamp(0.0, 1.0)) {
                    trace.n = ((kind.b0 * f.exp()) / 0.3).ln().max(0.0) / kind.k;
                    trace.q = trace.n + 3.0;
                    trace.days = 6;
                    trace.old_uses = 24.0;
                    trace.state = 2;
                }
                trace
            })
            .collect();
        let pairs = |related: &dyn Fn(Place, Place) -> bool| -> Vec<Vec<usize>> {
            let of = |a: &Place| {
                let others = places.iter().enumerate();
                others
                    .filter(|(_, b)| related(*a, **b))
                    .map(|(n, _)| n)
                    .collect()
            };
            places.iter().map(of).collect()
        };
        let floor = kind.a + median_of_unit() * kind.tau0;
        let observed_floor = floor + 0.06 * normal(&mut rng);
        Simulated {
            family,
            kind,
            near: pairs(&Place::near),
            same_place: pairs(&|a, b| a != b && a.bass == b.bass && a.position == b.position),
            places: places.to_vec(),
            traces,
            rng,
            time: 0.0,
            last_three: [None; 3],
            since_miss: 3,
            observed_floor,
        }
    }

    /// The floor as it would be measured, s.
    pub fn observed_floor_s(&self) -> f64 {
        self.observed_floor
    }

    /// Answers a prompt: right or not, and the seconds it took.
    pub fn answer(&mut self, item: usize) -> (bool, f64) {
        let beside = self
            .last_three
            .iter()
            .flatten()
            .any(|other| self.near[item].contains(other));
        let ways = self.ways(item, beside, false);
        let mut pick = self.rng.random::<f64>();
        let mut way = ways[0];
        for candidate in ways {
            way = candidate;
            pick -= candidate.0;
            if pick < 0.0 {
                break;
            }
        }
        let (_, mut time, mut wrong) = way;
        let mut tau_factor = 1.0;
        if self.kind.anxious && self.since_miss < 3 {
            time *= 1.25;
            tau_factor = 1.4;
            wrong += 0.04;
        }
        let tau = (self.kind.tau0 + self.kind.tau_g * time) * tau_factor;
        let spread = ex_gaussian(&mut self.rng, tau);
        let seconds = (self.kind.a + time + spread).clamp(0.2, 10.0);
        let right = !self.rng.random_bool(wrong.clamp(0.0, 1.0));
        self.time += seconds + if right { 1.0 } else { 2.5 };
        self.learn(item, beside);
        self.since_miss = if right { self.since_miss + 1 } else { 0 };
        self.last_three.rotate_right(1);
        self.last_three[0] = Some(item);
        (right, seconds)
    }

    fn learn(&mut self, item: usize, beside: bool) {
        let time = self.time;
        let trace = &self.traces[item];
        let lag = time - trace.last_shown;
        let gain = if trace.shown_today {
            1.0 - RHO * (-lag / 60.0).exp()
        } else {
            1.0
        };
        match self.family {
            Family::Exponential | Family::Transfer => {
                let sure = if beside { 1.2 * gain } else { gain };
                self.add(item, gain, sure);
                if self.family == Family::Transfer {
                    for other in self.same_place[item].clone() {
                        self.add(other, 0.35 * gain, 0.35 * sure);
                    }
                    for other in self.near[item].clone() {
                        self.add(other, 0.08 * gain, 0.08 * sure);
                    }
                }
                let trace = &mut self.traces[item];
                let left = trace.short * (-(time - trace.short_at) / 90.0).exp();
                trace.short = (left + 1.0).min(3.0);
                trace.short_at = time;
            }
            Family::Activation => {
                let sum = self.strength(item, time);
                let decay = decay(self.kind.c, sum);
                self.traces[item].uses.push((time, decay));
            }
            Family::Steps => {
                let rate = gain * self.kind.k / 0.2;
                let trace = &self.traces[item];
                let chance = match trace.state {
                    0 => steps::TO_ANCHORED * rate * (-trace.f / 2.0).exp(),
                    1 => steps::TO_DIRECT * rate * (-trace.f / 3.0).exp(),
                    _ => 0.0,
                };
                if self.rng.random_bool(chance.clamp(0.0, 1.0)) {
                    self.traces[item].state += 1;
                }
            }
        }
        let trace = &mut self.traces[item];
        if !trace.shown_today {
            trace.shown_today = true;
            trace.days += 1;
        }
        trace.last_shown = time;
    }

    fn add(&mut self, item: usize, n: f64, q: f64) {
        self.traces[item].n += n;
        self.traces[item].q += q;
    }

    /// Lets a night pass.
    pub fn sleep(&mut self) {
        for item in 0..self.traces.len() {
            let kept = 1.0 - self.loss(item);
            let fall = self.rng.random::<f64>();
            let trace = &mut self.traces[item];
            trace.n *= kept;
            trace.q *= kept;
            trace.short = 0.0;
            trace.shown_today = false;
            match trace.state {
                2 if fall < 1.0 - kept => trace.state = 1,
                1 if fall < steps::TO_COUNTING * (1.0 - kept) => trace.state = 0,
                _ => {}
            }
        }
        self.time += NIGHT_S;
        self.last_three = [None; 3];
        self.since_miss = 3;
    }

    fn loss(&self, item: usize) -> f64 {
        let days = f64::from(self.traces[item].days.max(1));
        self.kind.phi0 * (-0.35 * (days - 1.0)).exp()
    }

    /// Whether the item would be read fast and surely the next morning, if night fell now.
    pub fn settled_tomorrow(&self, item: usize) -> bool {
        let (within, accuracy) = self.morning(item, FLUENT_S);
        within >= 0.5 && accuracy >= SURE
    }

    /// Whether it would be grossly untrue to call it settled: median beyond floor + 1.0 s, or errors above a tenth.
    pub fn grossly_not(&self, item: usize) -> bool {
        let (within, accuracy) = self.morning(item, 1.0);
        within < 0.5 || accuracy < 0.9
    }

    /// Next morning: the probability of a response within the floor and `above` seconds, and the share right.
    fn morning(&self, item: usize, above: f64) -> (f64, f64) {
        let limit = median_of_unit() * self.kind.tau0 + above;
        let (mut within, mut accuracy) = (0.0, 0.0);
        for (share, time, wrong) in self.ways(item, false, true) {
            if share > 0.0 {
                let tau = self.kind.tau0 + self.kind.tau_g * time;
                within += share * unit_cdf((limit - time) / tau);
                accuracy += share * (1.0 - wrong);
            }
        }
        (within, accuracy)
    }

    fn ways(&self, item: usize, beside: bool, tomorrow: bool) -> Ways {
        match self.family {
            Family::Exponential | Family::Transfer => self.exponential(item, beside, tomorrow),
            Family::Activation => self.activation(item, beside, tomorrow),
            Family::Steps => self.steps(item, beside, tomorrow),
        }
    }

    fn exponential(&self, item: usize, beside: bool, tomorrow: bool) -> Ways {
        let kind = &self.kind;
        let trace = &self.traces[item];
        let kept = |n: usize| if tomorrow { 1.0 - self.loss(n) } else { 1.0 };
        let short = if tomorrow {
            0.0
        } else {
            trace.short * (-(self.time - trace.short_at) / 90.0).exp()
        };
        let (n, q) = (trace.n * kept(item) + short, trace.q * kept(item) + short);
        let time = kind.b0 * trace.f.exp() * (-kind.k * n).exp();
        let near = &self.near[item];
        let sum: f64 = near.iter().map(|m| self.traces[*m].q * kept(*m)).sum();
        let mean = sum / near.len().max(1) as f64;
        let first = (kind.e0 * (trace.f / 2.0).exp()).min(0.6);
        let left = 0.6 * (-1.5 * kind.k * q).exp() + 0.4 * (-0.75 * kind.k * (q + mean)).exp();
        let confused = if beside { 1.2 } else { 1.0 };
        let wrong = kind.lapse + first * left * confused;
        [(1.0, time, wrong), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)]
    }

    /// Σ t^(−d) over the uses of an item at `time`.
    fn strength(&self, item: usize, time: f64) -> f64 {
        let trace = &self.traces[item];
        let uses = trace.uses.iter();
        strength(uses.copied(), time) + trace.old_uses * (time + OLD_S).powf(-0.18)
    }

    fn retrieval(&self, item: usize, time: f64) -> (f64, f64) {
        let sum = self.strength(item, time);
        if sum <= 0.0 {
            return (f64::NEG_INFINITY, 0.0);
        }
        let m = 0.12 - 0.25 * self.traces[item].f + sum.ln();
        (m, recall(m))
    }

    fn activation(&self, item: usize, beside: bool, tomorrow: bool) -> Ways {
        let kind = &self.kind;
        let time = self.time + if tomorrow { NIGHT_S } else { 0.0 };
        let f = self.traces[item].f;
        let counting = kind.b0 * f.exp();
        let (m, recalled) = self.retrieval(item, time);
        let near = &self.near[item];
        let sum: f64 = near.iter().map(|n| self.retrieval(*n, time).1).sum();
        let mean = sum / near.len().max(1) as f64;
        let confused = if beside { 1.2 } else { 1.0 };
        let slip = kind.lapse + 0.05 * (1.0 - mean) * confused + 0.1 * (1.0 - recalled);
        let fast = (kind.f * (-m).exp()).min(counting);
        let miscounted = kind.lapse + 0.7 * (kind.e0 * (f / 2.0).exp()).min(0.6);
        [
            (recalled, fast, slip),
            (1.0 - recalled, counting, miscounted),
            (0.0, 0.0, 0.0),
        ]
    }

    fn steps(&self, item: usize, beside: bool, tomorrow: bool) -> Ways {
        let kind = &self.kind;
        let trace = &self.traces[item];
        let place = self.places[item];
        let known = |n: &usize| self.traces[*n].state == 2 && *n != item;
        let apart = (0..self.places.len())
            .filter(|n| self.places[*n].bass == place.bass)
            .filter(known)
            .map(|n| (self.places[n].position - place.position).abs())
            .min()
            .unwrap_or(steps::MOST_STEPS)
            .min(steps::MOST_STEPS);
        let apart = f64::from(apart);
        let first = (kind.e0 * (trace.f / 2.0).exp()).min(0.6);
        let counting = (kind.b0 * trace.f.exp(), kind.lapse + 0.7 * first);
        let anchored = (
            (steps::ANCHOR_S + steps::STEP_S * apart).min(counting.0),
            kind.lapse + steps::ANCHOR_ERROR + steps::STEP_ERROR * apart,
        );
        let direct = (
            steps::DIRECT_S.min(counting.0),
            kind.lapse + steps::DIRECT_ERROR * if beside { 2.0 } else { 1.0 },
        );
        let mut shares = [0.0; 3];
        shares[usize::from(trace.state)] = 1.0;
        if tomorrow {
            let fall = self.loss(item);
            match trace.state {
                2 => shares = [0.0, fall, 1.0 - fall],
                1 => {
                    let fall = steps::TO_COUNTING * fall;
                    shares = [fall, 1.0 - fall, 0.0];
                }
                _ => {}
            }
        }
        [
            (shares[0], counting.0, counting.1),
            (shares[1], anchored.0, anchored.1),
            (shares[2], direct.0, direct.1),
        ]
    }
}
