//! What a heater does to a bank over time in air that does not change: warming up until charge is permitted, cooling
//! down, holding.
//!
//! The heater switches as under the controller, by the coldest of the cell channels and by the cut-outs, every half
//! minute. The soak is the only other rule of the controller that applies here. The rehearsal runs the controller
//! itself.

use super::measurement::self_heating_k;
use crate::plant::{Air, Heat, Plant, Run, Temperatures};
use crate::si::{self, celsius, seconds};
use crate::site::Site;
use forewarm_core::quantity::Kelvins;
use forewarm_core::settings::{Phase, Role, Settings};

/// Time between two looks at the temperatures (s).
pub(super) const STEP_S: f64 = 30.0;

/// Warmest air that the plan assumes to warm a bank in a winter (°C). Common practice, no source.
const WARMEST_C: f64 = 25.0;

/// Until then, heat that was stored beside the coldest place at the start may account for its rise (s).
const SETTLES_S: f64 = 6.0 * 3600.0;

/// The inputs of a course.
#[derive(Clone, Debug)]
pub(super) struct Setup<'s> {
    pub(super) settings: &'s Settings,
    pub(super) site: &'s Site,
    pub(super) heater_w: f64,
    /// The batteries that each channel answers for.
    pub(super) answers_for: &'s [Vec<usize>],
}

/// The result of a warm-up.
#[derive(Clone, Debug)]
pub(super) struct WarmUp {
    /// Until every cell channel reads above release (s).
    pub(super) read_s: Option<f64>,
    /// Until the coldest place is as warm (s).
    pub(super) core_s: Option<f64>,
    /// Until the soak is over (s).
    pub(super) permitted_s: Option<f64>,
    /// Electrical energy until then (J).
    pub(super) energy_j: f64,
    /// Their highest temperatures until then (°C).
    pub(super) pad_peak_c: f64,
    pub(super) plate_peak_c: f64,
    pub(super) cell_peak_c: f64,
    /// Whether a cut-out switched the heater off on the way.
    pub(super) was_cut_out: bool,
    /// Whether the heater went off because every cell channel showed its stop threshold.
    pub(super) was_stopped: bool,
    /// Rise of the warmest plate channel or of the coldest cell channel once the heater has spent the energy of the
    /// proof (K).
    pub(super) proof_rise_k: Option<f64>,
    /// Excess of the plate over the cells at the end of the plate's time to cool (K). That time starts where every cell
    /// channel reads above release with the heater on.
    pub(super) cooling_excess_k: Option<f64>,
    /// For each channel, how far the place and the air can be above the coldest place that it answers for, at the end
    /// of a soak.
    pub(super) given: Vec<Option<Above>>,
}

/// How far two things are above the coldest place that a channel answers for: the surroundings of its element, and the
/// air in the box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Above {
    pub(super) element_k: f64,
    pub(super) air_k: f64,
}

impl Above {
    /// The larger value of each.
    pub(super) fn worse(self, other: Self) -> Self {
        Self { element_k: self.element_k.max(other.element_k), air_k: self.air_k.max(other.air_k) }
    }

    /// What remains of both if the channel shows this much more than it must.
    fn less(self, spare_k: f64) -> Self {
        Self { element_k: self.element_k - spare_k, air_k: self.air_k - spare_k }
    }
}

fn note(worst: &mut Option<Above>, found: Above) {
    *worst = Some(worst.map_or(found, |before| before.worse(found)));
}

/// What the channels show, as far as it depends on places and times.
struct Readings<'s> {
    setup: &'s Setup<'s>,
    /// What the settings add; 0 if that corrects an error of the element itself.
    offset_k: Vec<f64>,
    self_heating_k: Vec<f64>,
}

impl<'s> Readings<'s> {
    fn new(setup: &'s Setup<'s>) -> Self {
        let pairs = || setup.settings.channels.iter().zip(&setup.site.mountings);
        let converter = &setup.site.converter;
        let offset_k = pairs().map(|(channel, mounting)| match mounting.calibrated_k {
            Some(_) => 0.0,
            None => si::kelvins(channel.offset),
        });
        let heating = |(_, mounting): (_, &crate::site::Mounting)| {
            self_heating_k(mounting.r0_ohm, converter.current_a, converter.duty, mounting.self_heating_k_per_mw)
        };
        Self { offset_k: offset_k.collect(), self_heating_k: pairs().map(heating).collect(), setup }
    }

    fn of<'t>(&'t self, now: &'t Temperatures, role: Role) -> impl Iterator<Item = f64> + 't {
        let channels = self.setup.settings.channels.iter().zip(&now.sensors_c).zip(&self.offset_k);
        channels
            .filter(move |((channel, _), _)| channel.role == role)
            .map(|((_, element_c), offset)| element_c + offset)
    }

    fn hottest(&self, now: &Temperatures, role: Role) -> f64 {
        self.of(now, role).fold(f64::NEG_INFINITY, f64::max)
    }

    fn coldest_cell(&self, now: &Temperatures) -> f64 {
        self.of(now, Role::Cell).fold(f64::INFINITY, f64::min)
    }

    fn shown(&self, now: &Temperatures, channel: usize) -> f64 {
        now.sensors_c[channel] + self.offset_k[channel]
    }

    /// How much warmer the surroundings of a channel, and the air, are than the coldest place that the channel answers
    /// for.
    fn above_coldest(&self, now: &Temperatures, channel: usize) -> Above {
        let batteries = &self.setup.answers_for[channel];
        let coldest_c = batteries.iter().flat_map(|&battery| now.cells_c(battery)).fold(f64::INFINITY, f64::min);
        let element_c = now.sensors_c[channel] - self.self_heating_k[channel];
        Above { element_k: element_c - coldest_c, air_k: now.air_c - coldest_c }
    }

    /// How far below a threshold the coldest place of a channel is while the channel shows the threshold or more. The
    /// first value counts what the channel's place causes. The second counts what the air would cause if the channel
    /// saw nothing else.
    fn short(&self, now: &Temperatures, channel: usize, threshold_c: f64) -> Above {
        self.above_coldest(now, channel).less((self.shown(now, channel) - threshold_c).max(0.0))
    }

    /// How far the worst channel is above its cut-out.
    fn above_cutout(&self, now: &Temperatures) -> f64 {
        let heater = &self.setup.settings.heater;
        [Role::Cell, Role::Pad, Role::Ambient]
            .into_iter()
            .flat_map(|role| self.of(now, role).map(move |t| t - celsius(heater.cutout(role))))
            .fold(f64::NEG_INFINITY, f64::max)
    }

    fn cells(&self) -> impl Iterator<Item = usize> + '_ {
        let channels = self.setup.settings.channels.iter().enumerate();
        channels.filter(|(_, channel)| channel.role == Role::Cell).map(|(index, _)| index)
    }
}

/// Warms a bank up from the present state of `run`. Ends when charge is permitted and the coldest place is at release
/// too, or after `limit_s`. Leaves `run` there.
pub(super) fn warm_up(setup: &Setup, run: &mut Run, air: Air, limit_s: f64) -> WarmUp {
    let (charge, heater) = (&setup.settings.charge, &setup.settings.heater);
    let (release_c, stop_c) = (celsius(charge.release), celsius(heater.stop));
    // The heater starts higher while soaking than before release is reached, so this threshold serves from the
    // beginning.
    let starts_c = setup.settings.heats_from(Phase::Soaking).map_or(f64::NEG_INFINITY, celsius);
    let soak_s = seconds(charge.soak);
    let hysteresis_k = si::written_k(heater.cutout_hysteresis);
    let readings = Readings::new(setup);
    run.set_air(air);
    let first = run.temperatures();
    let (plate_before, cell_before) = (readings.hottest(&first, Role::Pad), readings.coldest_cell(&first));
    let mut found = WarmUp {
        read_s: None,
        core_s: None,
        permitted_s: None,
        energy_j: 0.0,
        pad_peak_c: first.pad_c,
        plate_peak_c: first.plate_c,
        cell_peak_c: first.warmest_cell_c(),
        was_cut_out: false,
        was_stopped: false,
        proof_rise_k: None,
        cooling_excess_k: None,
        given: vec![None; setup.settings.channels.len()],
    };
    let mut above_since = None;
    let (mut now_s, mut energy_j, mut is_cut_out, mut is_on) = (0.0, 0.0, false, true);
    loop {
        let now = run.temperatures();
        let coldest = readings.coldest_cell(&now);
        for channel in readings.cells() {
            if found.given[channel].is_none() && readings.shown(&now, channel) > release_c {
                found.given[channel] = Some(hover(&readings, run.clone(), channel, soak_s));
            }
        }
        if coldest > release_c {
            if found.read_s.is_none() {
                found.read_s = Some(now_s);
                found.cooling_excess_k = cooling_excess_k(&readings, run.clone());
            }
            let since = *above_since.get_or_insert(now_s);
            if now_s - since >= soak_s && found.permitted_s.is_none() {
                found.permitted_s = Some(now_s);
                found.energy_j = energy_j;
            }
        } else {
            above_since = None;
        }
        if now.coldest_cell_c() >= release_c {
            found.core_s.get_or_insert(now_s);
        }
        if found.permitted_s.is_none() {
            found.pad_peak_c = found.pad_peak_c.max(now.pad_c);
            found.plate_peak_c = found.plate_peak_c.max(now.plate_c);
            found.cell_peak_c = found.cell_peak_c.max(now.warmest_cell_c());
            found.energy_j = energy_j;
        }
        if let Some(proof) = heater.proof
            && found.proof_rise_k.is_none()
            && energy_j >= si::joules(proof.energy)
        {
            let plate = readings.hottest(&now, Role::Pad) - plate_before;
            found.proof_rise_k = Some((coldest - cell_before).max(if plate.is_finite() { plate } else { 0.0 }));
        }
        if (found.permitted_s.is_some() && found.core_s.is_some()) || now_s >= limit_s {
            return found;
        }
        let above = readings.above_cutout(&now);
        is_cut_out = above >= 0.0 || (is_cut_out && above > -hysteresis_k);
        found.was_cut_out |= is_cut_out && found.permitted_s.is_none();
        is_on = coldest <= starts_c || (is_on && coldest < stop_c);
        found.was_stopped |= !is_on;
        let heater_w = if is_on && !is_cut_out { setup.heater_w } else { 0.0 };
        run.set_heat(Heat { heater_w, bank_w: 0.0 });
        run.step();
        now_s += STEP_S;
        energy_j += heater_w * STEP_S;
    }
}

/// What a trial of the heater shows.
#[expect(clippy::struct_field_names, reason = "the unit")]
#[derive(Clone, Copy, Debug)]
pub(super) struct Shown {
    /// Rise of the coldest cell or of a plate thermometer (K).
    pub(super) effect_k: f64,
    /// Rise of the plate thermometer that rises least, if the bank has one (K).
    pub(super) pad_k: Option<f64>,
    /// Rise of the air in the box (K). A plate thermometer that has come off shows this.
    pub(super) air_k: f64,
}

/// What the energy of the proof shows in a bank at its highest loss: from the present state of `run`, in air that does
/// not change, after the plate has had its time to cool. As in the controller, the fall of the coldest cell reduces the
/// rise that a plate must show, by up to half.
pub(super) fn prove(setup: &Setup, run: &mut Run, air: Air) -> Option<Shown> {
    let heater = &setup.settings.heater;
    let proof = heater.proof?;
    let readings = Readings::new(setup);
    run.set_air(air);
    run.set_heat(Heat::default());
    run.advance(heater.cooling.map_or(3600.0, |cooling| seconds(cooling.after)));
    let first = run.temperatures();
    let (cell_before, pads_before): (f64, Vec<f64>) =
        (readings.coldest_cell(&first), readings.of(&first, Role::Pad).collect());
    let mut shown = Shown { effect_k: 0.0, pad_k: None, air_k: 0.0 };
    let mut pads_k = vec![0.0_f64; pads_before.len()];
    run.set_heat(Heat { heater_w: setup.heater_w, bank_w: 0.0 });
    let mut energy_j = 0.0;
    while energy_j < si::joules(proof.energy) {
        run.step();
        energy_j += setup.heater_w * STEP_S;
        let now = run.temperatures();
        let coldest = readings.coldest_cell(&now);
        let fallen_k = (cell_before - coldest).max(0.0);
        let up = |rose_k: f64, rise: Kelvins| rose_k + fallen_k.min(si::written_k(rise) / 2.0);
        shown.effect_k = shown.effect_k.max(coldest - cell_before);
        for ((pad_k, now), before) in pads_k.iter_mut().zip(readings.of(&now, Role::Pad)).zip(&pads_before) {
            *pad_k = pad_k.max(up(now - before, proof.pad_rise));
            shown.effect_k = shown.effect_k.max(up(now - before, proof.rise));
        }
        shown.air_k = shown.air_k.max(up(now.air_c - first.air_c, proof.pad_rise));
    }
    shown.pad_k = pads_k.into_iter().reduce(f64::min);
    Some(shown)
}

/// How far a channel stands above the coldest place that it answers for, at the end of a soak. The heater gives just
/// enough to keep the channel above release.
///
/// Less heat at any moment leaves every place colder, and the soak begins anew if the channel falls to release. So no
/// other soak after the same warm-up ends with a colder place. Stored heat can lift the channel meanwhile. It earns no
/// credit: another warm-up may store less.
fn hover(readings: &Readings, mut run: Run, channel: usize, soak_s: f64) -> Above {
    let release_c = celsius(readings.setup.settings.charge.release);
    let mut left_s = soak_s;
    loop {
        let now = run.temperatures();
        if left_s <= 0.0 {
            return readings.above_coldest(&now, channel);
        }
        let heater_w = if readings.shown(&now, channel) <= release_c { readings.setup.heater_w } else { 0.0 };
        run.set_heat(Heat { heater_w, bank_w: 0.0 });
        run.step();
        left_s -= STEP_S;
    }
}

/// Excess of the hottest plate channel over the hottest cell channel. The heater has been on until now, and is then off
/// for the plate's time to cool in the settings. `None` if the settings do not judge this.
fn cooling_excess_k(readings: &Readings, mut run: Run) -> Option<f64> {
    let cooling = readings.setup.settings.heater.cooling?;
    run.set_heat(Heat::default());
    run.advance(seconds(cooling.after));
    let now = run.temperatures();
    let excess_k = readings.hottest(&now, Role::Pad) - readings.hottest(&now, Role::Cell);
    excess_k.is_finite().then_some(excess_k)
}

/// Cools a bank on which charge is permitted, with the heater at `heater_w`. Ends when every cell channel has shown the
/// inhibit threshold, when the bank gets no colder, or after `limit_s`. For each channel: how far below the inhibit
/// threshold the coldest place that it answers for became while the channel showed more than the threshold, as far as
/// the place of the channel causes it.
pub(super) fn cool_down(setup: &Setup, run: &mut Run, air: Air, heater_w: f64, limit_s: f64) -> Vec<Option<Above>> {
    let inhibit_c = celsius(setup.settings.charge.inhibit);
    let readings = Readings::new(setup);
    run.set_air(air);
    run.set_heat(Heat { heater_w, bank_w: 0.0 });
    let mut kept: Vec<Option<Above>> = vec![None; setup.settings.channels.len()];
    let mut permitted: Vec<usize> = readings.cells().collect();
    let (mut now_s, mut coldest_before_c) = (0.0, f64::INFINITY);
    while now_s < limit_s && !permitted.is_empty() {
        let now = run.temperatures();
        for &channel in &permitted {
            note(&mut kept[channel], readings.short(&now, channel, inhibit_c));
        }
        permitted.retain(|&channel| readings.shown(&now, channel) > inhibit_c);
        // Heat and air do not change, so what rises now goes on rising.
        let coldest_c = now.coldest_cell_c();
        if coldest_c > coldest_before_c && now_s >= SETTLES_S {
            break;
        }
        coldest_before_c = coldest_c;
        run.step();
        now_s += STEP_S;
    }
    kept
}

/// The warmest air that the plan assumes to warm a bank, if the coldest air is `coldest_c` (°C).
pub(super) fn warmest_c(site: &Site, coldest_c: f64) -> f64 {
    WARMEST_C.max(coldest_c).max(site.warmed_c().unwrap_or(WARMEST_C))
}

/// Warms a cold bank in the warmest air, from `run`, without its heater. For each channel: how far below `level_c` the
/// coldest place that it answers for can be while the channel shows `level_c` or more, as for [`cool_down`].
pub(super) fn thaw(setup: &Setup, run: &mut Run, air: Air, level_c: f64) -> Vec<Option<Above>> {
    /// Air moves within minutes, a bank within hours.
    const STEPS: u8 = 10;
    /// When a channel shows this much more than it must (K), its distance above the coldest place has been seen.
    const BEYOND_K: f64 = 3.0;
    /// A month (s): a large bank in a thick box takes long.
    const LIMIT_S: f64 = 30.0 * 86_400.0;
    let readings = Readings::new(setup);
    run.set_air(air);
    run.set_heat(Heat::default());
    let mut found: Vec<Option<Above>> = vec![None; setup.settings.channels.len()];
    let mut left: Vec<usize> = readings.cells().collect();
    let mut now_s = 0.0;
    while now_s < LIMIT_S && !left.is_empty() {
        let now = run.temperatures();
        for &channel in left.iter().filter(|&&channel| readings.shown(&now, channel) >= level_c) {
            // The channel reached the level within this step, with almost as much warmth beside it as now. So the first
            // time nothing is taken off.
            let short = match found[channel] {
                None => readings.above_coldest(&now, channel),
                Some(_) => readings.short(&now, channel, level_c),
            };
            note(&mut found[channel], short);
        }
        left.retain(|&channel| readings.shown(&now, channel) < level_c + BEYOND_K);
        run.leap(STEPS.into());
        now_s += STEP_S * f64::from(STEPS);
    }
    found
}

/// How long `run` is surely not below `level_c` at its coldest place without heat (s). `None` if it stays above for a day.
pub(super) fn falls_s(run: &mut Run, air: Air, level_c: f64) -> Option<f64> {
    const STEPS: u8 = 10;
    const LONGEST_S: f64 = 24.0 * 3600.0;
    run.set_air(air);
    run.set_heat(Heat::default());
    let mut now_s = 0.0;
    while now_s < LONGEST_S {
        run.leap(STEPS.into());
        if run.temperatures().coldest_cell_c() < level_c {
            return Some(now_s);
        }
        now_s += STEP_S * f64::from(STEPS);
    }
    None
}

/// How far the air of the box falls below the warmest cells (K) when a bank evenly at `level_c` comes into `air`,
/// before it has cooled much.
pub(super) fn chilled_k(run: &mut Run, air: Air) -> f64 {
    const STEPS: u8 = 10;
    run.set_air(air);
    run.set_heat(Heat::default());
    let (mut now_s, mut most_k) = (0.0, 0.0_f64);
    while now_s < SETTLES_S {
        let now = run.temperatures();
        most_k = most_k.max(now.warmest_cell_c() - now.air_c);
        run.leap(STEPS.into());
        now_s += STEP_S * f64::from(STEPS);
    }
    most_k
}

/// Outside air and heat of a steady state; heat as a part of what the heater can give.
#[derive(Clone, Copy, Debug)]
pub(super) struct Settled {
    pub(super) outside_c: f64,
    pub(super) part: f64,
}

/// How steady air and heat act on a channel: its reading is linear in both.
struct Response {
    at_least_c: f64,
    by_heater_k: f64,
    by_outside: f64,
}

/// The ends of all steady states in which the channels show `level_c`: with air between the coldest and [`WARMEST_C`],
/// and with each of `parts` of the heater. `shows` returns the reading in a state.
fn ends(
    plant: &Plant,
    setup: &Setup,
    air: Air,
    level_c: f64,
    parts: &[f64],
    shows: impl Fn(&Temperatures) -> f64,
) -> Vec<Settled> {
    const PROBE_K: f64 = 10.0;
    let at =
        |outside_c: f64, heater_w: f64| shows(&plant.steady(outside_c, air.wind_m_s, Heat { heater_w, bank_w: 0.0 }));
    let at_least_c = at(air.outside_c, 0.0);
    let response = Response {
        at_least_c,
        by_heater_k: at(air.outside_c, setup.heater_w) - at_least_c,
        by_outside: (at(air.outside_c + PROBE_K, 0.0) - at_least_c) / PROBE_K,
    };
    let coldest = air.outside_c;
    let warmest = warmest_c(setup.site, coldest);
    if response.at_least_c > level_c {
        // The channel never gets as cold as that.
        return vec![Settled { outside_c: coldest, part: 0.0 }];
    }
    let most = parts.iter().copied().fold(0.0, f64::max);
    let by_air = parts.iter().map(|&part| {
        let outside_c = coldest + (level_c - response.at_least_c - part * response.by_heater_k) / response.by_outside;
        Settled { outside_c, part }
    });
    let by_heat = [coldest, warmest].into_iter().map(|outside_c| {
        let lacks_k = level_c - response.at_least_c - (outside_c - coldest) * response.by_outside;
        Settled { outside_c, part: lacks_k / response.by_heater_k }
    });
    let possible =
        |found: &Settled| (0.0..=most).contains(&found.part) && (coldest..=warmest).contains(&found.outside_c);
    by_air.chain(by_heat).filter(possible).collect()
}

/// The ends of all steady states in which the coldest of the cell channels shows `level_c`.
pub(super) fn settled(setup: &Setup, plant: &Plant, air: Air, level_c: f64) -> Vec<Settled> {
    let readings = Readings::new(setup);
    // Each channel by itself is linear. All of them show `level_c` or more in the state that the last of them allows.
    let all = readings
        .cells()
        .flat_map(|channel| ends(plant, setup, air, level_c, &[0.0, 1.0], |state| readings.shown(state, channel)));
    let suffices = |found: &Settled| {
        let heat = Heat { heater_w: found.part * setup.heater_w, bank_w: 0.0 };
        let state = plant.steady(found.outside_c, air.wind_m_s, heat);
        readings.coldest_cell(&state) >= level_c - 1e-6
    };
    all.filter(suffices).collect()
}

/// How far below `level_c` the coldest place of each channel can be in a steady state in which the channel shows
/// `level_c` or more, as far as the place of the channel causes it. The air is as cold as `air` or milder. The heater
/// is off; if `heats`, it may also be on all or part of the time.
///
/// The reading is linear in air and heat, and the difference to the coldest of several places is convex: the worst is
/// at an end.
pub(super) fn steadily_short(setup: &Setup, plant: &Plant, air: Air, level_c: f64, heats: bool) -> Vec<Option<Above>> {
    let readings = Readings::new(setup);
    let parts: &[f64] = if heats { &[0.0, 1.0] } else { &[0.0] };
    let mut found = vec![None; setup.settings.channels.len()];
    for channel in readings.cells() {
        let ends = ends(plant, setup, air, level_c, parts, |state| readings.shown(state, channel));
        let short = |end: Settled| {
            let heat = Heat { heater_w: end.part * setup.heater_w, bank_w: 0.0 };
            readings.short(&plant.steady(end.outside_c, air.wind_m_s, heat), channel, level_c)
        };
        found[channel] = ends.into_iter().map(short).reduce(Above::worse);
    }
    found
}
