//! Takes coupled equations apart into modes. Each mode decays by itself.
//!
//! With `z = Vᵀ C^½ T`, where `V` diagonalises the symmetric `C^−½ G C^−½`, the coupled equations fall apart into
//!
//! ```text
//! dz/dt = −λ z + b(t)
//! ```
//!
//! one for each mode, where `b` gathers heat and boundary temperatures. If `b` runs straight, `b₀ + b₁ t`, the solution
//! is exact, however long it lasts. It is the sum of what the mode tends to, which runs straight too, and a rest of the
//! start, which decays:
//!
//! ```text
//! z(t) = p₀ + p₁ t + (z(0) − p₀) e^(−λt)        p₁ = b₁/λ     p₀ = (b₀ − p₁)/λ
//! ```
//!
//! So a step costs a multiplication for each mode whose rest has not decayed yet. The rest of a fast mode soon has.

use crate::portable::by_rows;
use forewarm_core::settings::MAX_CHANNELS;
use nalgebra::{DMatrix, DVector, SymmetricEigen};
use std::ops::Range;

/// Equations of bodies that hold heat and pass it on: `C dT/dt = heat − G T + Σ to (boundary)`.
#[derive(Clone, Debug)]
pub(super) struct System {
    /// C (J/K).
    pub(super) capacities: DVector<f64>,
    /// G (W/K).
    pub(super) conductances: DMatrix<f64>,
    /// What a kelvin of each boundary drives in each node (W/K).
    pub(super) to: [DVector<f64>; 2],
    /// Total conductance to each boundary (W/K).
    pub(super) all: [f64; 2],
}

impl System {
    /// The steady state. `None` if a part has no way to any boundary.
    pub(super) fn steady(&self, heat_w: &DVector<f64>, boundary_c: [f64; 2]) -> Option<DVector<f64>> {
        let driven = heat_w + &self.to[0] * boundary_c[0] + &self.to[1] * boundary_c[1];
        Some(self.conductances.clone().cholesky()?.solve(&driven))
    }
}

/// Modes of one system, with what drives and reads them.
#[derive(Clone, Debug)]
pub(super) struct Modes {
    /// Decay rates (1/s), rising; 0 where a mode does not decay.
    rates: Vec<f64>,
    /// From temperatures to modes: `Vᵀ C^½`.
    into: DMatrix<f64>,
    /// From modes to temperatures: `C^−½ V`.
    out: DMatrix<f64>,
    /// What a watt into each node drives: `Vᵀ C^−½`.
    heat: DMatrix<f64>,
    /// What a kelvin of each boundary drives.
    boundaries: [Vec<f64>; 2],
    /// What flows from each state to each boundary (W/K), and the total conductance there.
    to: [DVector<f64>; 2],
    all: [f64; 2],
    step_s: f64,
    /// Part of each mode's rest that remains after one, two, four and so on steps (1).
    decays: Vec<Vec<f64>>,
    /// What each mode adds to each node that a thermometer reads.
    readout: Vec<[f64; MAX_CHANNELS]>,
    /// The most that each mode adds to any node.
    reach: Vec<f64>,
}

/// Weights of several values, mode by mode, so that a processor computes several at once.
#[derive(Clone, Debug)]
pub(super) struct Lens {
    count: usize,
    weights: Vec<f64>,
}

impl Lens {
    /// The weights of each mode.
    fn by_mode(&self) -> impl Iterator<Item = &[f64]> {
        self.weights.chunks_exact(self.count.max(1))
    }

    /// What its values tend to under the present drive of a wave.
    pub(super) fn tends(&self, wave: &Wave) -> Tends {
        let mut tends = Tends([0, 1, 2].map(|_| vec![0.0; self.count]));
        for (weights, parts) in self.by_mode().zip(&wave.course) {
            for (tends, part) in tends.0.iter_mut().zip(parts).filter(|(_, part)| **part != 0.0) {
                add(tends, *part, weights);
            }
        }
        tends
    }
}

/// What the values of a [`Lens`] tend to under one drive: a constant, a part for each second, and one for each second
/// squared.
#[derive(Clone, Debug)]
pub(super) struct Tends([Vec<f64>; 3]);

impl Tends {
    /// Some of the values, so many seconds after the drive was set.
    fn at(&self, t: f64, rows: &Range<usize>) -> impl Iterator<Item = f64> {
        let [at_first, slope, curve] = &self.0;
        let parts = at_first[rows.clone()].iter().zip(&slope[rows.clone()]).zip(&curve[rows.clone()]);
        parts.map(move |((at_first, slope), curve)| at_first + t * (slope + t * curve))
    }
}

fn add(to: &mut [f64], part: f64, weights: &[f64]) {
    to.iter_mut().zip(weights).for_each(|(to, weight)| *to += part * weight);
}

/// The state of every mode, with what drives it.
#[derive(Clone, Debug)]
pub(super) struct Wave {
    moment: Moment,
    /// What each mode tends to under the present drive: a constant, a part for each second, and one for each second
    /// squared.
    course: Vec<[f64; 3]>,
    /// What the thermometers' nodes tend to, in the same parts (°C).
    shown_c: [[f64; MAX_CHANNELS]; 3],
}

/// What changes from moment to moment under one drive.
#[derive(Debug)]
pub(super) struct Moment {
    /// Time since the drive was set (s).
    since_s: f64,
    /// Rest of each mode from before the drive was set.
    left: Vec<f64>,
    /// How many modes still have a rest. They are the slowest.
    alive: usize,
}

impl Clone for Moment {
    fn clone(&self) -> Self {
        Self { left: self.left.clone(), ..*self }
    }

    // Marks are set many times a simulated hour, so this does not allocate.
    fn clone_from(&mut self, source: &Self) {
        (self.since_s, self.alive) = (source.since_s, source.alive);
        self.left.clone_from(&source.left);
    }
}

/// A mode's rest that shifts every node by less than this (K) counts as decayed.
const NOTHING_K: f64 = 1e-9;

/// A mode that decays more slowly than this (1/s) counts as not decaying. Such a rate comes from rounding, in a closed
/// network.
const NO_DECAY: f64 = 1e-12;

/// What drives a network: heat into nodes, temperatures of the boundaries and how fast these change.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drive<'a> {
    /// How much of each source of heat there is, and the source as [`Modes::of_heat`] gives it.
    pub(super) heats: &'a [(f64, &'a DVector<f64>)],
    /// °C.
    pub(super) boundary_c: [f64; 2],
    /// K/s.
    pub(super) slope_k_per_s: [f64; 2],
}

/// Where the thermometers' nodes go from a moment on.
#[derive(Clone, Copy, Debug)]
pub struct Ahead {
    /// No lower (°C).
    pub low_c: [f64; MAX_CHANNELS],
    /// No higher (°C).
    pub high_c: [f64; MAX_CHANNELS],
    /// No faster (K/s).
    pub pace_k_per_s: [f64; MAX_CHANNELS],
}

/// How low some values come in a time.
#[derive(Clone, Copy, Debug)]
pub struct Depths {
    /// No value is lower.
    pub lowest: f64,
    /// In any part of the time, no value comes further below the lower of what it is at the two ends of that part.
    pub below_ends: f64,
}

/// Doublings of a step whose decays are kept: more than a leap of a day in steps of a second.
const DOUBLINGS: u32 = 17;

impl Modes {
    /// Longest leap, in steps.
    pub(super) const LONGEST: usize = (1 << DOUBLINGS) - 1;

    /// The modes of `system`, to be stepped by multiples of `step_s`. `read` are the states that thermometers read.
    pub(super) fn new(system: &System, step_s: f64, read: &[usize]) -> Self {
        let root = system.capacities.map(f64::sqrt);
        let n = root.len();
        let mut symmetric = system.conductances.clone();
        for (row, col) in (0..n).flat_map(|row| (0..n).map(move |col| (row, col))) {
            symmetric[(row, col)] /= root[row] * root[col];
        }
        let eigen = SymmetricEigen::new(symmetric);
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
        let v = eigen.eigenvectors.select_columns(&order);
        let rate = |mode: &usize| Some(eigen.eigenvalues[*mode]).filter(|rate| *rate > NO_DECAY).unwrap_or(0.0);
        let rates: Vec<f64> = order.iter().map(rate).collect();
        let mut into = v.transpose();
        let mut heat = into.clone();
        let mut out = v;
        for node in 0..n {
            into.column_mut(node).scale_mut(root[node]);
            heat.column_mut(node).scale_mut(1.0 / root[node]);
            out.row_mut(node).scale_mut(1.0 / root[node]);
        }
        let System { to, all, .. } = system.clone();
        let boundaries = [0, 1].map(|side| (&heat * &to[side]).iter().copied().collect());
        let decay = |steps: usize| rates.iter().map(|rate| libm::exp(-rate * step_s * as_f64(steps))).collect();
        let mut readout = vec![[0.0; MAX_CHANNELS]; n];
        for (channel, &node) in read.iter().enumerate().take(MAX_CHANNELS) {
            for (mode, row) in readout.iter_mut().enumerate() {
                row[channel] = out[(node, mode)];
            }
        }
        Self {
            decays: (0..DOUBLINGS).map(|doublings| decay(1 << doublings)).collect(),
            reach: out.column_iter().map(|column| column.amax()).collect(),
            rates,
            into,
            out,
            heat,
            boundaries,
            to,
            all,
            step_s,
            readout,
        }
    }

    /// The modes of these temperatures (°C), undriven.
    pub(super) fn wave(&self, temperatures: &DVector<f64>) -> Wave {
        let left: Vec<f64> = (&self.into * temperatures).iter().copied().collect();
        let moment = Moment { since_s: 0.0, alive: left.len(), left };
        Wave { course: vec![[0.0; 3]; moment.alive], moment, shown_c: [[0.0; MAX_CHANNELS]; 3] }
    }

    /// The temperatures (°C) of every node.
    pub(super) fn temperatures(&self, wave: &Wave) -> DVector<f64> {
        &self.out * wave.modes()
    }

    /// Weights that read combinations of states out of modes. `combinations` has a row for each.
    pub(super) fn lens(&self, combinations: &DMatrix<f64>) -> Lens {
        let read = by_rows(combinations, &self.out.transpose());
        Lens { count: read.nrows(), weights: read.as_slice().to_vec() }
    }

    /// What this heat into each node (W) drives.
    pub(super) fn of_heat(&self, heat_w: &DVector<f64>) -> DVector<f64> {
        &self.heat * heat_w
    }

    /// Sets what drives every mode.
    pub(super) fn drive(&self, wave: &mut Wave, drive: &Drive<'_>) {
        let now = wave.modes();
        let Wave { moment, course, shown_c } = wave;
        (moment.since_s, moment.alive, *shown_c) = (0.0, now.len(), [[0.0; MAX_CHANNELS]; 3]);
        for (mode, (course, readout)) in course.iter_mut().zip(&self.readout).enumerate() {
            let [outside, ground] = [0, 1].map(|side| self.boundaries[side][mode]);
            let heat: f64 = drive.heats.iter().map(|(part, of_heat)| part * of_heat[mode]).sum();
            let at_first = heat + outside * drive.boundary_c[0] + ground * drive.boundary_c[1];
            let slope = outside * drive.slope_k_per_s[0] + ground * drive.slope_k_per_s[1];
            let rate = self.rates[mode];
            *course = if rate > 0.0 {
                [(at_first - slope / rate) / rate, slope / rate, 0.0]
            } else {
                [0.0, at_first, slope / 2.0]
            };
            moment.left[mode] = now[mode] - course[0];
            for (shown_c, course) in shown_c.iter_mut().zip(*course) {
                shown_c.iter_mut().zip(readout).for_each(|(shown_c, weight)| *shown_c += course * weight);
            }
        }
        self.settle(moment);
    }

    /// Settles the fastest modes as far as their rests have decayed.
    #[inline]
    fn settle(&self, moment: &mut Moment) {
        while let Some(last) = moment.alive.checked_sub(1)
            && moment.left[last].abs() * self.reach[last] < NOTHING_K
        {
            (moment.left[last], moment.alive) = (0.0, last);
        }
    }

    /// Advances by a step.
    #[inline]
    pub(super) fn step(&self, wave: &mut Wave) {
        let moment = &mut wave.moment;
        let left = &mut moment.left[..moment.alive];
        left.iter_mut().zip(&self.decays[0]).for_each(|(left, decay)| *left *= decay);
        moment.since_s += self.step_s;
        self.settle(moment);
    }

    /// Advances by some steps, less than 2 to the power of [`DOUBLINGS`].
    #[inline]
    pub(super) fn leap(&self, moment: &mut Moment, steps: usize) {
        self.decay(&mut moment.left[..moment.alive], steps);
        moment.since_s += as_f64(steps) * self.step_s;
        self.settle(moment);
    }

    /// What some steps leave of each rest.
    #[inline]
    fn decay(&self, left: &mut [f64], steps: usize) {
        for decays in self.decays.iter().enumerate().filter(|(bit, _)| steps >> bit & 1 == 1).map(|(_, decays)| decays)
        {
            left.iter_mut().zip(decays).for_each(|(left, decay)| *left *= decay);
        }
    }

    /// The rests that some steps from a moment on leave.
    fn left_after(&self, moment: &Moment, steps: usize, left: &mut Vec<f64>) {
        left.clear();
        left.extend_from_slice(&moment.left[..moment.alive]);
        self.decay(left, steps);
    }

    /// Where the thermometers' nodes go in the next steps: each rest decays on its own, and what the modes tend to runs
    /// on its own.
    pub(super) fn ahead(&self, wave: &Wave, moment: &Moment, steps: usize, scratch: &mut Vec<f64>) -> Ahead {
        let Wave { shown_c: [at_first, slope, curve], .. } = wave;
        let left = &moment.left[..moment.alive];
        self.left_after(moment, steps, scratch);
        let (from_s, span_s) = (moment.since_s, as_f64(steps) * self.step_s);
        // The rest of each mode goes from what it is to what it will be: it stays as near as half of the way to the middle.
        let (mut middle_c, mut half_way_k, mut pace) = ([0.0; MAX_CHANNELS], [0.0; MAX_CHANNELS], [0.0; MAX_CHANNELS]);
        for (((now, then), rate), row) in left.iter().zip(scratch).zip(&self.rates).zip(&self.readout) {
            let (middle, half_way, at_first) = (0.5 * (now + *then), 0.5 * (now - *then).abs(), (now * rate).abs());
            for channel in 0..MAX_CHANNELS {
                let weight = row[channel];
                middle_c[channel] += middle * weight;
                half_way_k[channel] += half_way * weight.abs();
                pace[channel] += at_first * weight.abs();
            }
        }
        let (mut low_c, mut high_c) = ([0.0; MAX_CHANNELS], [0.0; MAX_CHANNELS]);
        for channel in 0..MAX_CHANNELS {
            let course = |t: f64| at_first[channel] + t * (slope[channel] + t * curve[channel]);
            let (from, to) = (course(from_s), course(from_s + span_s));
            // A parabola lies at most this far beyond its ends.
            let beyond = half_way_k[channel] + curve[channel].abs() * span_s * span_s / 4.0;
            low_c[channel] = from.min(to) + middle_c[channel] - beyond;
            high_c[channel] = from.max(to) + middle_c[channel] + beyond;
            pace[channel] +=
                (slope[channel] + 2.0 * from_s * curve[channel]).abs() + 2.0 * curve[channel].abs() * span_s;
        }
        Ahead { low_c, high_c, pace_k_per_s: pace }
    }

    /// Advances by any time (s), at the cost of an exponential for each mode.
    pub(super) fn advance(&self, wave: &mut Wave, seconds: f64) {
        let moment = &mut wave.moment;
        moment.left.iter_mut().zip(&self.rates).for_each(|(left, rate)| *left *= libm::exp(-rate * seconds));
        moment.since_s += seconds;
        self.settle(moment);
    }

    /// How low some of the values that a lens sees come in the next steps.
    pub(super) fn depths_ahead(
        &self,
        wave: &Wave,
        (lens, tends, rows): (&Lens, &Tends, &Range<usize>),
        steps: usize,
        scratch: &mut Vec<f64>,
    ) -> Depths {
        let Wave { moment, .. } = wave;
        let (from_s, span_s) = (moment.since_s, as_f64(steps) * self.step_s);
        let left = &moment.left[..moment.alive];
        self.left_after(moment, steps, scratch);
        // The least that the rests add to each value, and how far it hangs below a straight line. Each is a row of its own,
        // so that a processor computes several at once.
        let mut sums = [0, 1].map(|_| vec![0.0; rows.len()]);
        let [rests, hangs] = &mut sums;
        for (((weights, from), to), rate) in lens.by_mode().zip(left).zip(&*scratch).zip(&self.rates) {
            let bend = rate * span_s;
            let hang = (from - to).abs().min(from.abs() * bend * bend / 8.0);
            for ((rest, hangs), weight) in rests.iter_mut().zip(&mut *hangs).zip(&weights[rows.clone()]) {
                let (from, to) = (from * weight, to * weight);
                *rest += if from < to { from } else { to };
                *hangs += hang * weight.abs();
            }
        }
        // A parabola lies at most this far beyond its ends, and below a line between two of its points.
        for ((rest, hangs), curve) in rests.iter_mut().zip(&mut *hangs).zip(&tends.0[2][rows.clone()]) {
            let beyond = curve.abs() * span_s * span_s / 4.0;
            *rest -= beyond;
            *hangs += beyond;
        }
        let ends = tends.at(from_s, rows).zip(tends.at(from_s + span_s, rows));
        let lowest = ends.zip(rests).map(|((now, then), rest)| now.min(then) + *rest);
        Depths { lowest: lowest.fold(f64::INFINITY, f64::min), below_ends: hangs.iter().copied().fold(0.0, f64::max) }
    }

    /// Temperatures of the thermometers' nodes (°C), at a moment of this wave.
    #[inline]
    pub(super) fn read(&self, wave: &Wave, moment: &Moment) -> [f64; MAX_CHANNELS] {
        let Wave { shown_c: [at_first, slope, curve], .. } = wave;
        let t = moment.since_s;
        let mut read = std::array::from_fn(|channel| at_first[channel] + t * (slope[channel] + t * curve[channel]));
        for (left, row) in moment.left[..moment.alive].iter().zip(&self.readout) {
            for (read, weight) in read.iter_mut().zip(row) {
                *read += left * weight;
            }
        }
        read
    }

    /// How fast each mode decays (1/s), rising, and what it shows where thermometers read.
    pub(super) fn fading(&self) -> impl Iterator<Item = (f64, &[f64; MAX_CHANNELS])> {
        self.rates.iter().copied().zip(&self.readout)
    }

    /// The temperatures (°C) of every node with one mode at 1.
    pub(super) fn of_mode(&self, mode: usize) -> DVector<f64> {
        self.out.column(mode).into_owned()
    }

    /// The modes of these temperatures (°C).
    pub(super) fn modes_of(&self, temperatures: &DVector<f64>) -> DVector<f64> {
        &self.into * temperatures
    }

    /// The temperatures (°C) of every node in these modes.
    pub(super) fn temperatures_of(&self, modes: &DVector<f64>) -> DVector<f64> {
        &self.out * modes
    }

    /// The modes in which this heat leaves as it comes, with both boundaries at 0. A mode that does not decay is left out.
    pub(super) fn steady_of(&self, of_heat: &DVector<f64>) -> DVector<f64> {
        let rates = DVector::from_column_slice(&self.rates);
        of_heat.zip_map(&rates, |heat, rate| if rate > 0.0 { heat / rate } else { 0.0 })
    }

    /// What remains of each mode's rest after so many seconds.
    pub(super) fn remains(&self, seconds: f64) -> Vec<f64> {
        self.rates.iter().map(|rate| libm::exp(-rate * seconds)).collect()
    }

    /// Moves modes over a time under one drive. `remains` is for that time.
    pub(super) fn cross(&self, modes: &mut DVector<f64>, drive: &Drive<'_>, seconds: f64, remains: &[f64]) {
        for (mode, (now, remains)) in modes.iter_mut().zip(remains).enumerate() {
            let [outside, ground] = [0, 1].map(|side| self.boundaries[side][mode]);
            let heat: f64 = drive.heats.iter().map(|(part, of_heat)| part * of_heat[mode]).sum();
            let at_first = heat + outside * drive.boundary_c[0] + ground * drive.boundary_c[1];
            let slope = outside * drive.slope_k_per_s[0] + ground * drive.slope_k_per_s[1];
            let rate = self.rates[mode];
            *now = if rate > 0.0 {
                let tends = (at_first - slope / rate) / rate;
                tends + slope / rate * seconds + (*now - tends) * remains
            } else {
                *now + seconds * (at_first + slope * seconds / 2.0)
            };
        }
    }

    /// What modes show where thermometers read.
    pub(super) fn shown(&self, modes: &DVector<f64>) -> [f64; MAX_CHANNELS] {
        let mut shown = [0.0; MAX_CHANNELS];
        for (mode, row) in modes.iter().zip(&self.readout) {
            shown.iter_mut().zip(row).for_each(|(shown, weight)| *shown += mode * weight);
        }
        shown
    }

    /// The temperatures (°C) after any time (s), from those at the start (°C). `drive` holds from the start and goes
    /// on.
    pub(super) fn after(&self, start_c: &DVector<f64>, drive: &Drive<'_>, seconds: f64) -> DVector<f64> {
        let mut wave = self.wave(start_c);
        self.drive(&mut wave, drive);
        self.advance(&mut wave, seconds);
        self.temperatures(&wave)
    }

    /// Heat that left over each boundary (J) while the modes went from `before` to `after`. What drove them is given as
    /// integrals over that time: heat by node (J) and boundary temperatures (K s).
    pub(super) fn lost(
        &self,
        before: &DVector<f64>,
        after: &DVector<f64>,
        heat_j: &DVector<f64>,
        boundary_ks: [f64; 2],
    ) -> [f64; 2] {
        let driven = &self.heat * heat_j;
        // ∫z dt follows from z(end) − z(start) = −λ ∫z dt + ∫b dt.
        let integrals = DVector::from_iterator(
            self.rates.len(),
            self.rates.iter().enumerate().map(|(mode, rate)| {
                let drive = driven[mode]
                    + self.boundaries[0][mode] * boundary_ks[0]
                    + self.boundaries[1][mode] * boundary_ks[1];
                // A mode that does not decay reaches no boundary.
                if *rate > 0.0 { (drive - (after[mode] - before[mode])) / rate } else { 0.0 }
            }),
        );
        let node_ks = &self.out * integrals;
        [0, 1].map(|side| self.to[side].dot(&node_ks) - self.all[side] * boundary_ks[side])
    }
}

impl Wave {
    /// The present value of each mode.
    pub(super) fn modes(&self) -> DVector<f64> {
        DVector::from_iterator(self.course.len(), self.now())
    }

    fn now(&self) -> impl Iterator<Item = f64> {
        let Moment { since_s: t, left, .. } = &self.moment;
        self.course
            .iter()
            .zip(left)
            .map(move |([at_first, slope, curve], left)| left + at_first + t * (slope + t * curve))
    }

    pub(super) const fn moment(&self) -> &Moment {
        &self.moment
    }

    pub(super) const fn moment_mut(&mut self) -> &mut Moment {
        &mut self.moment
    }

    /// Moves to another moment of the same drive.
    pub(super) fn go_to(&mut self, moment: &Moment) {
        self.moment.clone_from(moment);
    }

    /// Some of the values that a [`Lens`] reads.
    pub(super) fn seen(&self, lens: &Lens, tends: &Tends, rows: &Range<usize>) -> Vec<f64> {
        let Moment { since_s, left, alive } = &self.moment;
        let mut seen: Vec<f64> = tends.at(*since_s, rows).collect();
        for (left, weights) in left[..*alive].iter().zip(lens.by_mode()) {
            add(&mut seen, *left, &weights[rows.clone()]);
        }
        seen
    }
}

#[expect(clippy::cast_precision_loss, reason = "a small count")]
pub(super) const fn as_f64(count: usize) -> f64 {
    count as f64
}
