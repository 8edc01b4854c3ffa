//! Breadth first through every state, and from each of them along what happens when all is well.

use super::Oracle;
use super::variants::{Act, Variant};
use crate::Unit;
use crate::fault::{ChannelFault, SystemFault, SystemFaults};
use crate::memory::Memory;
use crate::quantity::{Fraction, Instant};
use crate::settings::{Role, ValidSettings};
use crate::signals::{Alarm, Cause, Outputs, Relay, State};
use crate::testing::EVERYTHING;
use core::hash::{Hash, Hasher};
use std::collections::{BTreeSet, HashMap, VecDeque};
use std::fmt::Write;
use std::format;
use std::string::String;
use std::vec::Vec;

/// A state: the unit and the oracle, and which of two codes the channels show next where they are never still.
#[derive(Clone)]
pub(super) struct Whole {
    pub(super) unit: Unit,
    pub(super) oracle: Oracle,
    pub(super) odd: bool,
}

/// 128 bits in two sums that differ in how they mix. A collision would hide a state: among ten million there is one with a
/// probability of 10⁻²⁵.
struct Sums(u64, u64);

impl Hasher for Sums {
    fn write(&mut self, bytes: &[u8]) {
        for chunk in bytes.chunks(8) {
            let mut word = [0; 8];
            word[..chunk.len()].copy_from_slice(chunk);
            self.write_u64(u64::from_le_bytes(word));
        }
    }

    fn write_u8(&mut self, value: u8) {
        self.write_u64(value.into());
    }

    fn write_u32(&mut self, value: u32) {
        self.write_u64(value.into());
    }

    fn write_u64(&mut self, value: u64) {
        // Odd constants of splitmix64 (Steele, Lea & Flood, OOPSLA 2014).
        self.0 = (self.0.rotate_left(23) ^ value).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        self.1 =
            (self.1 ^ value.wrapping_mul(0xbf58_476d_1ce4_e5b9)).rotate_left(29).wrapping_mul(0x94d0_49bb_1331_11eb);
    }

    fn write_usize(&mut self, value: usize) {
        self.write_u64(value as u64);
    }

    fn finish(&self) -> u64 {
        self.0 ^ self.1
    }
}

impl Whole {
    pub(super) fn new(settings: &ValidSettings) -> Self {
        Self { unit: Unit::new(settings, Memory::default()), oracle: Oracle::NEW, odd: false }
    }

    pub(super) fn canonical(&mut self, variant: &Variant) {
        self.unit.canonical(variant.horizons);
    }

    pub(super) fn key(&self) -> u128 {
        let mut sums = Sums(1, 2);
        self.unit.hash(&mut sums);
        (self.oracle, self.odd).hash(&mut sums);
        u128::from(sums.0) << 64 | u128::from(sums.1)
    }

    /// One step at `now`; an error if a promise is broken in it.
    pub(super) fn step(
        &mut self,
        variant: &Variant,
        valid: &ValidSettings,
        act: &Act,
        restart: bool,
        now: Instant,
    ) -> Result<Outputs, String> {
        let settings = &variant.settings;
        if restart {
            let memory = self.unit.memory();
            self.unit = Unit::new(valid, memory);
            self.oracle = self.oracle.restarted(settings, memory.latched);
        }
        let before = self.oracle;
        let (inputs, seen) = act.of(before.heater(), before.charge(), self.odd);
        self.odd = act.other.is_some() && !self.odd;
        let may = self.oracle.judge(settings, act.elapsed_ms, &inputs, &seen);

        let guarded = self.unit.guarded(now, &inputs, &EVERYTHING);
        promise(guarded.charge == Relay::Open || may.charge, "the guard alone would let charge through")?;
        promise(guarded.full == Relay::Open || may.full, "the guard alone would let the full charge through")?;
        promise(guarded.heater == Relay::Open || may.heat, "the guard alone would let heat through")?;

        let latched = self.unit.memory().latched;
        let outputs = self.unit.step(now, &inputs);
        let Outputs { heater, charge, full, ceiling, state, cause, faults, .. } = outputs;
        promise(charge == Relay::Open || may.charge, "charge is permitted against a promise")?;
        promise(full == Relay::Open || may.full, "the full charge is permitted against a promise")?;
        promise(heater == Relay::Open || may.heat, "the heater is on against a promise")?;
        promise(cause != Cause::GuardOverruled, "the guard takes something from a sound controller")?;
        promise((heater, charge) == state.relays(), "the state does not say what the relays are")?;
        promise(
            charge == Relay::Closed || (full == Relay::Open && ceiling == Fraction::ZERO),
            "no charge, yet a current",
        )?;
        let faulty = |role_counts: fn(Role) -> bool| {
            settings
                .channels
                .iter()
                .zip(faults.channels)
                .any(|(channel, fault)| role_counts(channel.role) && fault.is_some())
        };
        promise(charge == Relay::Open || !faulty(|role| role.disables().charge()), "charge with a faulty cell")?;
        promise(heater == Relay::Open || !faulty(|role| role.disables().heat()), "heat with a faulty cell or pad")?;
        promise(
            charge == Relay::Open || faults.system.and(SystemFaults::DISABLING_CHARGE).is_empty(),
            "charge in spite of a fault",
        )?;
        promise(
            heater == Relay::Open || faults.system.and(SystemFaults::DISABLING_HEAT).is_empty(),
            "heat in spite of a fault",
        )?;
        let alarms = faulty(|_| true) || !faults.system.and(SystemFaults::ALARMING).is_empty();
        promise((outputs.alarm == Alarm::Sounding) == alarms, "the alarm does not go with the faults")?;
        promise(
            match cause {
                Cause::Channel(fault) => faults.channels.contains(&Some(fault)),
                Cause::System(fault) => faults.system.contains(fault),
                _ => true,
            },
            "the cause is a fault that does not stand",
        )?;
        let memory = self.unit.memory();
        let jumps = (0..settings.channels.len()).filter(|&index| memory.jumped >> index & 1 != 0);
        promise(
            jumps.into_iter().all(|index| faults.channels[index].is_some()),
            "a jump is kept of a channel that is believed",
        )?;
        let kept = memory.latched;
        for fault in latched.without(kept).without(may.clearable).iter() {
            promise(false, &format!("{fault:?} was latched and is lost"))?;
        }
        for fault in may.latched.iter() {
            promise(kept.contains(fault), &format!("{fault:?} has not latched"))?;
        }
        let is_overdue = self.oracle.note(settings, &inputs, &may, &outputs);
        promise(!is_overdue || faults.system.contains(SystemFault::ChargeOverdue), "charge is overdue in silence")?;
        self.unit.hold(variant.held);
        if variant.held.waiting {
            self.oracle.forget_waiting();
        }
        Ok(outputs)
    }
}

fn promise(is_kept: bool, broken: &str) -> Result<(), String> {
    if is_kept { Ok(()) } else { Err(broken.into()) }
}

/// What was seen on the way.
#[derive(Debug, Default)]
pub(super) struct Coverage {
    pub(super) states: BTreeSet<State>,
    pub(super) causes: BTreeSet<Cause>,
    pub(super) system: BTreeSet<SystemFault>,
    pub(super) channel: BTreeSet<ChannelFault>,
}

/// Where an act that is followed further leads.
#[expect(clippy::struct_excessive_bools, reason = "each is asked about by itself")]
#[derive(Clone, Copy, Debug)]
struct Edge {
    to: u32,
    charged: bool,
    heated: bool,
    /// No fault stands that ends by itself while the bank is warm.
    clear: bool,
    /// A fault stands that is documented to need the button: one that keeps charge, or heat, away.
    charge_needs_button: bool,
    heat_needs_button: bool,
}

/// All states of a variant.
pub(super) struct Found {
    pub(super) coverage: Coverage,
    pub(super) transitions: u64,
    /// The acts that are followed, and where each leads from each state.
    followed: Vec<usize>,
    edges: Vec<Edge>,
    from: Vec<(u32, u16)>,
}

impl Found {
    pub(super) fn states(&self) -> usize {
        self.edges.len() / self.followed.len()
    }
}

fn edge(variant: &Variant, to: u32, heated: bool, outputs: &Outputs) -> Edge {
    // A good channel of the role shows the same, where there is one: then the button is not needed.
    let jumped = |counts: fn(Role) -> bool| {
        let channels = || {
            variant.settings.channels.iter().zip(outputs.faults.channels).filter(|(channel, _)| counts(channel.role))
        };
        channels().any(|(channel, fault)| {
            fault == Some(ChannelFault::Jumped)
                && !channels().any(|(other, fault)| other.role == channel.role && fault.is_none())
        })
    };
    let system = outputs.faults.system;
    // These two end by heat that is not needed now.
    let waits = SystemFaults::NONE.with(SystemFault::SupplySags).with(SystemFault::SourceNotGiving);
    let has_channel_fault = outputs.faults.channels.iter().any(Option::is_some);
    let stays = system.and(SystemFaults::LATCHED.and(SystemFaults::DISABLING_HEAT));
    Edge {
        to,
        charged: (outputs.charge, outputs.full) == (Relay::Closed, Relay::Closed),
        heated,
        clear: !has_channel_fault && system.without(SystemFaults::LATCHED).without(waits).is_empty(),
        charge_needs_button: jumped(|role| role.disables().charge()),
        heat_needs_button: jumped(|role| role.disables().heat())
            || !stays.is_empty()
            || system.contains(SystemFault::SourceNotGiving),
    }
}

/// Every state of a variant, with each promise checked in each step.
pub(super) fn search(variant: &Variant, most: usize) -> Found {
    let valid = variant.settings.clone().validate().unwrap();
    let mut first = Whole::new(&valid);
    first.canonical(variant);
    let mut known: HashMap<u128, u32> = HashMap::from([(first.key(), 0)]);
    let mut open = VecDeque::from([first]);
    let mut found = Found {
        coverage: Coverage::default(),
        transitions: 0,
        followed: variant.followed(),
        edges: Vec::new(),
        from: std::vec![(0, 0)],
    };
    let mut charged = std::vec![(false, false); variant.acts.len()];
    while let Some(whole) = open.pop_front() {
        let number = u32::try_from(found.states()).unwrap();
        let mut edges = std::vec![None; found.followed.len()];
        for (index, act) in variant.acts.iter().enumerate() {
            let mut next = whole.clone();
            let (mut heated, mut last) = (false, None);
            for step in 0..variant.steps {
                let now = Instant::from_millis(act.elapsed_ms);
                let outputs = next.step(variant, &valid, act, act.restart && step == 0, now).unwrap_or_else(|broken| {
                    panic!("{}: {broken}\n{}", variant.name, found.story(variant, number, [index]));
                });
                next.canonical(variant);
                found.coverage.note(&outputs);
                heated |= outputs.heater == Relay::Closed;
                last = Some(outputs);
            }
            let outputs = last.unwrap();
            found.transitions += 1;
            let fresh = u32::try_from(known.len()).unwrap();
            let to = *known.entry(next.key()).or_insert(fresh);
            if to == fresh {
                found.from.push((number, u16::try_from(index).unwrap()));
                open.push_back(next);
            }
            for (slot, _) in edges.iter_mut().zip(&found.followed).filter(|(_, followed)| **followed == index) {
                *slot = Some(edge(variant, to, heated, &outputs));
            }
            let doubted = outputs.faults.channels.iter().any(Option::is_some);
            charged[index] = (outputs.charge == Relay::Closed, doubted);
        }
        found.edges.extend(edges.into_iter().map(Option::unwrap));
        if let Some((colder, warmer)) = colder_helps(variant, &charged) {
            panic!(
                "{}: charge at {} and not at {}\n{}",
                variant.name,
                colder.name,
                warmer.name,
                found.story(variant, number, [])
            );
        }
        assert!(known.len() <= most, "{}: more than {most} states", variant.name);
    }
    found
}

/// Two acts of which the colder alone permits charge, although nothing forbids warmth there.
fn colder_helps<'a>(variant: &'a Variant, charged: &[(bool, bool)]) -> Option<(&'a Act, &'a Act)> {
    let high = variant.settings.charge.high_release.as_millidegrees();
    for (warmer, _) in
        variant.acts.iter().zip(charged).filter(|(act, (on, doubted))| act.level < high && !on && !doubted)
    {
        let alike = |act: &Act| act.group == warmer.group && act.level < warmer.level;
        if let Some((colder, _)) = variant.acts.iter().zip(charged).find(|(act, (on, _))| alike(act) && *on) {
            return Some((colder, warmer));
        }
    }
    None
}

/// What becomes of a state when all goes on being well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    Unknown,
    /// After so many steps what is wanted is there, and stays.
    After(u32),
    /// Never, and the button is documented to be needed: it rests in this state.
    NeedsButton(u32),
    Never,
}

/// What is found by following every state.
#[derive(Debug, Default)]
pub(super) struct Followup {
    pub(super) longest: u32,
    /// From how many states the button is needed.
    pub(super) need_button: usize,
}

impl Found {
    /// The acts that lead to a state from a reset, as few as do, and some more; and what follows from each.
    fn story(&self, variant: &Variant, mut state: u32, then: impl IntoIterator<Item = usize>) -> String {
        let mut acts = Vec::new();
        while state != 0 {
            let (before, act) = self.from[state as usize];
            acts.push(usize::from(act));
            state = before;
        }
        acts.reverse();
        acts.extend(then);
        let valid = variant.settings.clone().validate().unwrap();
        let mut whole = Whole::new(&valid);
        whole.canonical(variant);
        let mut text = String::from("after a reset:");
        for act in acts.into_iter().map(|act| &variant.acts[act]) {
            for step in 0..variant.steps {
                let now = Instant::from_millis(act.elapsed_ms);
                let outputs = whole.step(variant, &valid, act, act.restart && step == 0, now);
                whole.canonical(variant);
                if step + 1 < variant.steps && outputs.is_ok() {
                    continue;
                }
                write!(text, "\n  {}", act.name).unwrap();
                match outputs {
                    Err(broken) => return text + ": " + &broken,
                    Ok(Outputs { heater, charge, state, cause, faults, .. }) => {
                        let system: Vec<_> = faults.system.iter().collect();
                        let channels: Vec<_> = faults.channels.iter().flatten().collect();
                        write!(
                            text,
                            ": heater {heater:?}, charge {charge:?}, {state:?}, {cause:?} {system:?} {channels:?}"
                        )
                        .unwrap();
                    }
                }
            }
        }
        text
    }

    /// Where a followed act leads from a state.
    fn edge(&self, state: u32, act: usize) -> &Edge {
        let place = self.followed.iter().position(|followed| *followed == act).unwrap();
        &self.edges[state as usize * self.followed.len() + place]
    }

    /// The fate of every state under one act for ever. `is_good` says what is wanted; if it `must_last`, in every step from then on.
    fn fates(
        &self,
        act: usize,
        must_last: bool,
        is_good: fn(&Edge) -> bool,
        needs_button: fn(&Edge) -> bool,
    ) -> Vec<Fate> {
        let mut fates = std::vec![Fate::Unknown; self.states()];
        let mut met_on = std::vec![0_u32; self.states()];
        for start in 0..u32::try_from(self.states()).unwrap() {
            let mut way = Vec::new();
            let mut state = start;
            while fates[state as usize] == Fate::Unknown && met_on[state as usize] != start + 1 {
                met_on[state as usize] = start + 1;
                way.push(state);
                state = self.edge(state, act).to;
            }
            if fates[state as usize] == Fate::Unknown {
                // A cycle, which begins here.
                let begin = way.iter().position(|&on_way| on_way == state).unwrap();
                let cycle = &way[begin..];
                let edges = || cycle.iter().map(|&state| self.edge(state, act));
                let lasts = edges().all(is_good);
                let fate = if lasts || (!must_last && edges().any(is_good)) {
                    Fate::After(0)
                } else if edges().all(needs_button) {
                    Fate::NeedsButton(state)
                } else {
                    Fate::Never
                };
                for &state in cycle {
                    fates[state as usize] = fate;
                }
                if fate == Fate::After(0) && !lasts {
                    // Counted from where it comes.
                    for (at, &state) in cycle.iter().enumerate() {
                        let ahead = cycle[at..].iter().chain(cycle);
                        let wait = ahead.take_while(|state| !is_good(self.edge(**state, act))).count();
                        fates[state as usize] = Fate::After(u32::try_from(wait).unwrap());
                    }
                }
                way.truncate(begin);
            }
            for &state in way.iter().rev() {
                let edge = self.edge(state, act);
                fates[state as usize] = match fates[edge.to as usize] {
                    Fate::After(0) if must_last && is_good(edge) => Fate::After(0),
                    _ if !must_last && is_good(edge) => Fate::After(0),
                    Fate::After(wait) => Fate::After(wait + 1),
                    fate => fate,
                };
            }
        }
        fates
    }

    /// Asks that no fate is bad, and none needs the button any more once it was held.
    fn follow(
        &self,
        variant: &Variant,
        what: &str,
        [plain, pressed]: [usize; 2],
        fates: &[Fate],
        within: usize,
    ) -> Followup {
        let mut followup = Followup::default();
        // The button is seen up, then held for its time; the step that first sees it down counts for nothing.
        let hold = variant.settings.trust.button.as_millis().div_ceil(variant.acts[plain].elapsed_ms) as usize + 1;
        let button: Vec<usize> = std::iter::once(plain).chain(std::iter::repeat_n(pressed, hold)).collect();
        let mut slowest = 0;
        let mut pressed_at = HashMap::new();
        for (state, fate) in (0_u32..).zip(fates) {
            let rest = match *fate {
                Fate::After(wait) if wait > followup.longest => {
                    (followup.longest, slowest) = (wait, state);
                    continue;
                }
                Fate::After(_) => continue,
                Fate::NeedsButton(rest) => rest,
                Fate::Never | Fate::Unknown => {
                    panic!("{}: {what} never again\n{}", variant.name, self.story(variant, state, [plain; 12]));
                }
            };
            followup.need_button += 1;
            let helps = *pressed_at.entry(rest).or_insert_with(|| {
                let after = button.iter().fold(rest, |state, &act| self.edge(state, act).to);
                matches!(fates[after as usize], Fate::After(_))
            });
            if !helps {
                let then = [plain; 12].into_iter().chain(button).chain([plain; 12]);
                panic!("{}: {what} not even after the button\n{}", variant.name, self.story(variant, state, then));
            }
        }
        assert!(
            followup.longest as usize <= within,
            "{}: {what} only after {} steps, not {within}\n{}",
            variant.name,
            followup.longest,
            self.story(variant, slowest, std::iter::repeat_n(plain, followup.longest as usize + 1))
        );
        followup
    }

    /// While all stays as it is, whatever the temperature, the permits end up on or off: none comes and goes for ever.
    pub(super) fn follow_steady(&self, variant: &Variant) {
        for act in (0..variant.acts.len()).filter(|&act| variant.acts[act].group == 0) {
            let mut met_from = std::vec![0; self.states()];
            for start in 0..u32::try_from(self.states()).unwrap() {
                let mut state = start;
                while met_from[state as usize] == 0 {
                    met_from[state as usize] = start + 1;
                    state = self.edge(state, act).to;
                }
                let (begin, charged) = (state, self.edge(state, act).charged);
                while met_from[state as usize] == start + 1 {
                    if self.edge(state, act).charged != charged {
                        let text = self.story(variant, begin, [act; 24]);
                        panic!("{}: charge comes and goes for ever\n{text}", variant.name);
                    }
                    state = self.edge(state, act).to;
                    if state == begin {
                        break;
                    }
                }
            }
        }
    }

    /// From every state, a warm bank for which all is well comes to be charged, and stays so.
    pub(super) fn follow_warm(&self, variant: &Variant) -> Followup {
        let fates =
            self.fates(variant.warm, true, |edge| edge.charged && !edge.heated, |edge| edge.charge_needs_button);
        self.follow(
            variant,
            "a warm bank is charged",
            [variant.warm, variant.warm_pressed],
            &fates,
            variant.charged_within,
        )
    }

    /// From every state, every fault that ends by itself has ended some time after all is well.
    pub(super) fn follow_faults(&self, variant: &Variant) -> Followup {
        let fates = self.fates(variant.warm, true, |edge| edge.clear, |edge| edge.charge_needs_button);
        let acts = [variant.warm, variant.warm_pressed];
        self.follow(variant, "faults that end by themselves end", acts, &fates, variant.cleared_within)
    }

    /// From every state, a cold bank for which all is well comes to be heated.
    pub(super) fn follow_cold(&self, variant: &Variant) -> Option<Followup> {
        let within = variant.heated_within?;
        let fates = self.fates(variant.cold, false, |edge| edge.heated, |edge| edge.heat_needs_button);
        Some(self.follow(variant, "a cold bank is heated", [variant.cold, variant.cold_pressed], &fates, within))
    }
}

impl Coverage {
    fn note(&mut self, outputs: &Outputs) {
        self.states.insert(outputs.state);
        self.causes.insert(outputs.cause);
        self.system.extend(outputs.faults.system.iter());
        self.channel.extend(outputs.faults.channels.iter().flatten());
    }
}
