//! Fits the plant to a record, by nonlinear least squares on the innovations.
//!
//! The plant of each trial has the same patterns (`Shape::for_a_fit`), so a reading is a smooth function of the parameters. Its derivatives
//! are exact where it is linear (power, offsets, outside, starts), and differences of two plants elsewhere, which a test compares with
//! better ones. Each segment has something of its own that is fitted with the rest, and eliminated segment by segment: the amounts of the
//! slow fields that it begins with, and the moments between two rows at which the heater was switched.
//!
//! The steps are those of Levenberg and Marquardt: damped by a part of the diagonal. Source: Nocedal & Wright, Numerical Optimization (2006),
//! section 10.3, from memory. Neither levenberg-marquardt 0.15 nor argmin 0.11 takes matrices of nalgebra 0.35, which the plant has, and
//! neither eliminates segments. The loop is forty lines.

use super::noise::{self, Filter, Noise, Series};
use super::parameter::{self, Parameter, What, site_of};
use super::record::{Record, SETTLES_S, Segment};
use crate::plant::{Heat, Plant, Shape, Shown, Stretch, Traced};
use crate::site::Site;
use crate::threads::side_by_side;
use nalgebra::{DMatrix, DVector};

/// Fields that decay faster are gone when a segment's readings begin (1/s): e⁻³ of them is left.
const FAST: f64 = 3.0 / SETTLES_S;
/// What is known beforehand of the amount of a slow field at a start (K).
const START_K: f64 = 30.0;
/// The distance of the plants whose difference is a derivative. Rounding is a millionth of that difference.
const APART: f64 = 1e-4;
/// The longest step of a parameter.
const LONGEST: f64 = 0.7;
/// A fit has arrived when no step is longer than this part of its standard deviation: at first, when only what is told by the log matters,
/// and in the end.
pub(super) const NEARLY: f64 = 0.3;
pub(super) const ARRIVED: f64 = 0.01;
const MOST_ROUNDS: usize = 30;

/// A plant with parameters, and the record to explain.
pub(super) struct Model<'m> {
    pub(super) site: &'m Site,
    pub(super) parameters: &'m [Parameter],
    pub(super) record: &'m Record,
    /// Thermometers that are compared.
    pub(super) shows: &'m [usize],
    pub(super) wind_m_s: f64,
    shape: Shape,
    /// The slow fields that a start may have, a column for each.
    fields: DMatrix<f64>,
}

/// Where a fit stands.
#[derive(Clone, Debug)]
pub(super) struct State {
    /// One for each parameter.
    pub(super) values: Vec<f64>,
    /// Of each segment, what only it has: the amounts of the slow fields at its start, and how much later than the middle of its interval
    /// each of its switchings was (s).
    own: Vec<DVector<f64>>,
}

/// What a fit found.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) state: State,
    /// Of the parameters.
    pub(super) covariance: DMatrix<f64>,
    /// Of each thermometer that is compared.
    pub(super) noises: Vec<Noise>,
    /// Reading less model (K), segment by segment, with a row for each moment and a column for each thermometer that is compared.
    pub(super) residuals: Vec<DMatrix<f64>>,
    /// The change of the logarithm of the loss with each parameter.
    pub(super) of_loss: DVector<f64>,
    pub(super) loss_w_per_k: f64,
    pub(super) has_arrived: bool,
}

/// Derivatives of the readings: by each parameter, segment by segment, and by what a segment has of its own, for each moment with a row for
/// each thermometer.
struct Slopes {
    by_parameter: Vec<Vec<Vec<Shown>>>,
    by_own: Vec<Vec<DMatrix<f64>>>,
    /// Of the logarithm of the loss, by each parameter.
    loss: DVector<f64>,
}

/// Normal equations of the parameters, with what each segment has of its own eliminated.
struct Normal {
    a: DMatrix<f64>,
    b: DVector<f64>,
    segments: Vec<Eliminated>,
}

/// What a segment has of its own, as it follows from the parameters.
struct Eliminated {
    by_itself: DVector<f64>,
    by_parameters: DMatrix<f64>,
}

impl<'m> Model<'m> {
    /// The model about `values`: its patterns and slow fields are those of the site that they make.
    pub(super) fn about(
        site: &'m Site,
        parameters: &'m [Parameter],
        values: &[f64],
        (record, shows): (&'m Record, &'m [usize]),
        wind_m_s: f64,
    ) -> Self {
        let here = site_of(site, parameters, values);
        let shape = Shape::for_a_fit(&here);
        let plant = Plant::in_shape(&shape, &here, 1.0);
        let fields = Traced::new(&plant, wind_m_s).slow(FAST);
        Self { site, parameters, record, shows, wind_m_s, shape, fields }
    }

    /// The same for another record.
    pub(super) fn with(&self, record: &'m Record, parameters: &'m [Parameter]) -> Self {
        Self { record, parameters, shape: self.shape.clone(), fields: self.fields.clone(), ..*self }
    }

    pub(super) fn at(&self, values: Vec<f64>) -> State {
        let own = |segment: &Segment| DVector::zeros(self.fields.ncols() + segment.switchings.len());
        State { values, own: self.record.segments.iter().map(own).collect() }
    }

    fn site_of(&self, values: &[f64]) -> Site {
        site_of(self.site, self.parameters, values)
    }

    pub(super) fn plant(&self, values: &[f64]) -> Plant {
        Plant::in_shape(&self.shape, &self.site_of(values), 1.0)
    }

    /// What the thermometers should show, segment by segment.
    fn predicted(&self, traced: &Traced, state: &State) -> Vec<Vec<Shown>> {
        let segments = self.record.segments.iter().zip(&state.own);
        let of = |(segment, own): (&Segment, &DVector<f64>)| {
            let above = &self.fields * own.rows(0, self.fields.ncols());
            let mut shown = traced.shows(&above, &self.driven(segment, own, &state.values));
            for (parameter, value) in self.parameters.iter().zip(&state.values) {
                if let What::Offset(channel) = parameter.what {
                    for shown in &mut shown {
                        shown[channel] += value;
                    }
                }
            }
            shown
        };
        segments.map(of).collect()
    }

    /// The stretches of a segment with the power and the outside of these values, and with its own switchings.
    fn driven(&self, segment: &Segment, own: &DVector<f64>, values: &[f64]) -> Vec<Stretch> {
        let of = |what: What| {
            let found = self.parameters.iter().zip(values).find(|(parameter, _)| parameter.what == what);
            found.map_or(0.0, |(_, value)| *value)
        };
        let (factor, warmer_k) = (of(What::Power).exp(), of(What::Around));
        let driven = |stretch: &Stretch| Stretch {
            heat: Heat { heater_w: stretch.heat.heater_w * factor, ..stretch.heat },
            outside_c: stretch.outside_c + warmer_k,
            ..*stretch
        };
        let mut stretches: Vec<Stretch> = segment.stretches.iter().map(driven).collect();
        for (&index, later_s) in segment.switchings.iter().zip(own.iter().skip(self.fields.ncols())) {
            stretches[index].seconds += later_s;
            let next = &mut stretches[index + 1];
            next.seconds -= later_s;
            next.outside_c += next.slope_k_per_s * later_s;
        }
        stretches
    }

    /// What is known beforehand of what a segment has of its own, as standard deviations.
    fn known_of_own(&self, segment: &Segment) -> Vec<f64> {
        // A moment anywhere between two rows.
        let moment = |&index: &usize| {
            (segment.stretches[index].seconds + segment.stretches[index + 1].seconds) / 12.0_f64.sqrt()
        };
        let moments = segment.switchings.iter().map(moment);
        std::iter::repeat_n(START_K, self.fields.ncols()).chain(moments).collect()
    }

    /// What a segment's own adds to the readings, by one of each.
    fn slopes_of_own(
        &self,
        traced: &Traced,
        segment: &Segment,
        own: &DVector<f64>,
        values: &[f64],
    ) -> Vec<DMatrix<f64>> {
        let fields = traced.fades(&self.fields, &segment.moments_s);
        if segment.switchings.is_empty() {
            return fields;
        }
        let stretches = self.driven(segment, own, values);
        let mut ends_s = Vec::with_capacity(stretches.len());
        let mut at_s = 0.0;
        for stretch in &stretches {
            at_s += stretch.seconds;
            ends_s.push(at_s);
        }
        let times_s: Vec<f64> = segment.switchings.iter().map(|&index| ends_s[index]).collect();
        let bursts = traced.bursts(&times_s, &segment.moments_s);
        // A second later is a second more of what was before, and less of what is after.
        let more_w =
            segment.switchings.iter().map(|&index| stretches[index].heat.heater_w - stretches[index + 1].heat.heater_w);
        let more_w = DVector::from_iterator(times_s.len(), more_w);
        let joined = |(fields, mut bursts): (DMatrix<f64>, DMatrix<f64>)| {
            bursts.column_iter_mut().zip(&more_w).for_each(|(mut column, more_w)| column *= *more_w);
            let mut all = fields.resize_horizontally(self.fields.ncols() + bursts.ncols(), 0.0);
            all.columns_mut(self.fields.ncols(), bursts.ncols()).copy_from(&bursts);
            all
        };
        fields.into_iter().zip(bursts).map(joined).collect()
    }

    /// Reading less model (K).
    fn residuals(&self, predicted: &[Vec<Shown>]) -> Vec<DMatrix<f64>> {
        let segments = self.record.segments.iter().zip(predicted);
        let of = |(segment, predicted): (&Segment, &Vec<Shown>)| {
            DMatrix::from_fn(predicted.len(), self.shows.len(), |row, column| {
                segment.shown[row][self.shows[column]] - predicted[row][self.shows[column]]
            })
        };
        segments.map(of).collect()
    }

    /// What the thermometers should show, in one series.
    pub(super) fn predict(&self, traced: &Traced, values: &[f64]) -> Vec<Shown> {
        self.predicted(traced, &self.at(values.to_vec())).concat()
    }

    /// How much of the temperature rise that it would have with its planned joint each battery has, an hour after the heater came on.
    pub(super) fn warms(&self, values: &[f64]) -> Vec<f64> {
        const AFTER_S: f64 = 3600.0;
        let found = self.site_of(values);
        let mut planned = found.clone();
        planned.plate.contact_parts.clone_from(&self.site.plate.contact_parts);
        let after = |site: &Site| {
            let plant = Plant::in_shape(&self.shape, site, 1.0);
            Traced::new(&plant, self.wind_m_s).batteries_after(1.0, AFTER_S)
        };
        after(&found).into_iter().zip(after(&planned)).map(|(found, planned)| found / planned).collect()
    }

    /// What the box would lose as planned (W/K).
    pub(super) fn loss_as_planned(&self) -> f64 {
        let plant = self.plant(&vec![0.0; self.parameters.len()]);
        Traced::new(&plant, self.wind_m_s).loss_w_per_k()
    }

    fn slopes(&self, state: &State) -> Slopes {
        let jobs: Vec<usize> = (0..=self.parameters.len()).collect();
        let here = self.plant(&state.values);
        let traced = Traced::new(&here, self.wind_m_s);
        let segments = || self.record.segments.iter();
        let (predicted, loss) = (self.predicted(&traced, state), traced.loss_w_per_k().ln());
        let job = |&job: &usize| -> (Vec<Vec<Shown>>, f64) {
            let Some(parameter) = self.parameters.get(job) else { return (Vec::new(), 0.0) };
            match parameter.what {
                What::Power => {
                    let of = |(segment, own): (&Segment, &DVector<f64>)| {
                        traced.shows_of_heater(&self.driven(segment, own, &state.values))
                    };
                    (segments().zip(&state.own).map(of).collect(), 0.0)
                }
                What::Around => (segments().map(|segment| traced.shows_of_outside(&segment.stretches)).collect(), 0.0),
                What::Offset(channel) => {
                    let mut one = Shown::default();
                    one[channel] = 1.0;
                    (segments().map(|segment| vec![one; segment.moments_s.len()]).collect(), 0.0)
                }
                _ => self.difference(state, job, (&here, &predicted, loss)),
            }
        };
        let mut found = side_by_side(&jobs, job);
        found.pop();
        let (by_parameter, of_loss): (Vec<_>, Vec<f64>) = found.into_iter().unzip();
        let by_own = segments().zip(&state.own);
        let by_own = by_own.map(|(segment, own)| self.slopes_of_own(&traced, segment, own, &state.values)).collect();
        Slopes { by_parameter, by_own, loss: DVector::from_vec(of_loss) }
    }

    /// The derivative by one parameter, from a plant beside this one, and that of the logarithm of the loss.
    fn difference(
        &self,
        state: &State,
        parameter: usize,
        (plant, predicted, loss): (&Plant, &[Vec<Shown>], f64),
    ) -> (Vec<Vec<Shown>>, f64) {
        let mut state = state.clone();
        state.values[parameter] += APART;
        let plant = match self.parameters[parameter].what {
            // The bank itself is the same.
            What::Lag(_) | What::Share => plant.with_thermometers_of(&self.site_of(&state.values)),
            _ => self.plant(&state.values),
        };
        let traced = Traced::new(&plant, self.wind_m_s);
        let mut there = self.predicted(&traced, &state);
        for (there, here) in there.iter_mut().flatten().flatten().zip(predicted.iter().flatten().flatten()) {
            *there = (*there - here) / APART;
        }
        (there, (traced.loss_w_per_k().ln() - loss) / APART)
    }

    /// The moments at which a thermometer showed something, and the places of these rows.
    fn rows_of(&self, segment: usize, channel: usize) -> (Vec<usize>, Vec<f64>) {
        let segment = &self.record.segments[segment];
        let rows = (0..segment.shown.len()).filter(|&row| !segment.shown[row][channel].is_nan());
        rows.map(|row| (row, segment.moments_s[row])).unzip()
    }

    fn normal(&self, slopes: &Slopes, residuals: &[DMatrix<f64>], state: &State, noises: &[Noise]) -> Normal {
        let p = self.parameters.len();
        let mut normal = Normal { a: DMatrix::zeros(p, p), b: DVector::zeros(p), segments: Vec::new() };
        for (index, segment) in self.record.segments.iter().enumerate() {
            let known = self.known_of_own(segment);
            let k = known.len();
            let mut gram = DMatrix::zeros(p + k + 1, p + k + 1);
            for (place, (&channel, noise)) in self.shows.iter().zip(noises).enumerate() {
                let (rows, moments_s) = self.rows_of(index, channel);
                let filter = Filter::new(*noise, &moments_s);
                let mut columns = DMatrix::from_fn(rows.len(), p + k + 1, |row, column| {
                    let row = rows[row];
                    if column < p {
                        slopes.by_parameter[column][index][row][channel]
                    } else if column < p + k {
                        slopes.by_own[index][row][(channel, column - p)]
                    } else {
                        residuals[index][(row, place)]
                    }
                });
                columns.column_iter_mut().for_each(|mut column| filter.whiten(column.as_mut_slice()));
                gram += columns.tr_mul(&columns);
            }
            debug_assert_eq!(segment.shown.len(), residuals[index].nrows());
            let mut own = gram.view((p, p), (k, k)).into_owned();
            let mut right = gram.view((p, p + k), (k, 1)).column(0).into_owned();
            for (place, known) in known.iter().enumerate() {
                own[(place, place)] += known.powi(-2);
                right[place] -= state.own[index][place] * known.powi(-2);
            }
            let cross = gram.view((p, 0), (k, p)).into_owned();
            // It is a sum of squares and something above 0.
            let Some(own) = own.cholesky() else { continue };
            let eliminated = Eliminated { by_itself: own.solve(&right), by_parameters: own.solve(&cross) };
            normal.a += gram.view((0, 0), (p, p)) - cross.tr_mul(&eliminated.by_parameters);
            normal.b += gram.view((0, p + k), (p, 1)).column(0) - cross.tr_mul(&eliminated.by_itself);
            normal.segments.push(eliminated);
        }
        for (index, (parameter, value)) in self.parameters.iter().zip(&state.values).enumerate() {
            let weight = parameter.known.powi(-2);
            normal.a[(index, index)] += weight;
            normal.b[index] -= value * weight;
        }
        normal
    }

    fn cost(&self, residuals: &[DMatrix<f64>], state: &State, noises: &[Noise]) -> f64 {
        let mut cost = 0.0;
        for (index, residuals) in residuals.iter().enumerate() {
            for (place, (&channel, noise)) in self.shows.iter().zip(noises).enumerate() {
                let (rows, moments_s) = self.rows_of(index, channel);
                let mut series: Vec<f64> = rows.into_iter().map(|row| residuals[(row, place)]).collect();
                Filter::new(*noise, &moments_s).whiten(&mut series);
                cost += series.iter().map(|innovation| innovation * innovation).sum::<f64>();
            }
        }
        let known =
            self.parameters.iter().zip(&state.values).map(|(parameter, value)| (value / parameter.known).powi(2));
        let of_own = self.record.segments.iter().zip(&state.own).map(|(segment, own)| {
            own.iter().zip(self.known_of_own(segment)).map(|(value, known)| (value / known).powi(2)).sum::<f64>()
        });
        cost + known.sum::<f64>() + of_own.sum::<f64>()
    }

    /// The differences of one thermometer, segment by segment.
    pub(super) fn series(&self, residuals: &[DMatrix<f64>], place: usize) -> Vec<Series> {
        let of = |index: usize| {
            let (rows, moments_s) = self.rows_of(index, self.shows[place]);
            (moments_s, rows.into_iter().map(|row| residuals[index][(row, place)]).collect())
        };
        (0..residuals.len()).map(of).collect()
    }

    /// The least noise that a thermometer can have: that of its steps, if it shows whole steps.
    fn least_k(&self, channel: usize) -> f64 {
        let shown = self.record.segments.iter().flat_map(|segment| &segment.shown).map(|shown| shown[channel]);
        let mut values: Vec<f64> = shown.filter(|shown_c| !shown_c.is_nan()).collect();
        values.sort_by(f64::total_cmp);
        let steps = values.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 2e-4);
        let step = steps.fold(f64::INFINITY, f64::min);
        // Uniform over a step.
        if step.is_finite() { (step / 12.0_f64.sqrt()).max(1e-4) } else { 1e-4 }
    }

    /// Fits from a state on, until no step is longer than `arrived` standard deviations.
    pub(super) fn fit(&self, mut state: State, from: &[Noise], arrived: f64) -> Fit {
        let mut noises = from.to_vec();
        noises.resize(self.shows.len(), Noise::UNKNOWN);
        let least_k: Vec<f64> = self.shows.iter().map(|&channel| self.least_k(channel)).collect();
        let mut damping = 1e-3;
        let mut round = 0;
        let (mut kept, mut is_far) = (None, true);
        loop {
            let plant = self.plant(&state.values);
            let traced = Traced::new(&plant, self.wind_m_s);
            let residuals = self.residuals(&self.predicted(&traced, &state));
            if is_far {
                let places: Vec<usize> = (0..self.shows.len()).collect();
                noises = side_by_side(&places, |&place| {
                    noise::likeliest(&self.series(&residuals, place), noises[place], least_k[place])
                });
            }
            // After short steps the derivatives are as they were.
            let (slopes, are_fresh) = match kept.take() {
                Some(slopes) => (slopes, false),
                None => (self.slopes(&state), true),
            };
            let normal = self.normal(&slopes, &residuals, &state, &noises);
            let covariance = normal.a.clone().try_inverse().unwrap_or_else(|| normal.a.clone() * f64::NAN);
            let cost = self.cost(&residuals, &state, &noises);
            let mut moved = None;
            while damping < 1e8 {
                let Some((mut next, step)) = normal.step(&state, &covariance, damping) else { break };
                self.keep_between_rows(&mut next);
                let plant = self.plant(&next.values);
                let found = self.residuals(&self.predicted(&Traced::new(&plant, self.wind_m_s), &next));
                if self.cost(&found, &next, &noises) <= cost + 1e-9 {
                    damping = (damping / 10.0).max(1e-9);
                    moved = Some((next, step));
                    break;
                }
                damping *= 10.0;
            }
            round += 1;
            let has_arrived = match &moved {
                Some((_, step)) => step.in_deviations < arrived,
                // No step makes it better, with the derivatives of this very place.
                None => are_fresh,
            };
            if has_arrived || round == MOST_ROUNDS {
                let loss_w_per_k = traced.loss_w_per_k();
                let of_loss = slopes.loss;
                let covariance = parameter::with_held(self.parameters, covariance);
                return Fit { state, covariance, noises, residuals, of_loss, loss_w_per_k, has_arrived };
            }
            if let Some((next, step)) = moved {
                state = next;
                kept = step.is_short().then_some(slopes);
                // A step that changes nothing of the residuals changes nothing of their noise.
                is_far = step.in_deviations > NEARLY;
            }
        }
    }

    /// Keeps each switching between the two rows that show it.
    fn keep_between_rows(&self, state: &mut State) {
        for (segment, own) in self.record.segments.iter().zip(&mut state.own) {
            for (&index, later_s) in segment.switchings.iter().zip(own.iter_mut().skip(self.fields.ncols())) {
                let before_s = segment.stretches[index].seconds;
                let after_s = segment.stretches[index + 1].seconds;
                *later_s = later_s.clamp(-0.999 * before_s, 0.999 * after_s);
            }
        }
    }

    /// How surely a record would tell each parameter, whatever it showed: the covariance at these values under such noise.
    pub(super) fn would_tell(&self, values: &[f64], noises: &[Noise]) -> DMatrix<f64> {
        let state = self.at(values.to_vec());
        let residuals: Vec<DMatrix<f64>> = self
            .record
            .segments
            .iter()
            .map(|segment| DMatrix::zeros(segment.moments_s.len(), self.shows.len()))
            .collect();
        let normal = self.normal(&self.slopes(&state), &residuals, &state, noises);
        let covariance = normal.a.clone().try_inverse().unwrap_or(normal.a);
        parameter::with_held(self.parameters, covariance)
    }
}

impl Normal {
    /// The state after a damped step, and how long the step is.
    fn step(&self, state: &State, covariance: &DMatrix<f64>, damping: f64) -> Option<(State, Step)> {
        let mut damped = self.a.clone();
        for index in 0..damped.nrows() {
            damped[(index, index)] *= 1.0 + damping;
        }
        let mut step = damped.cholesky()?.solve(&self.b);
        let longest = step.amax();
        if longest > LONGEST {
            step *= LONGEST / longest;
        }
        let mut next = state.clone();
        next.values.iter_mut().zip(&step).for_each(|(value, step)| *value += step);
        for (own, eliminated) in next.own.iter_mut().zip(&self.segments) {
            *own += &eliminated.by_itself - &eliminated.by_parameters * &step;
        }
        let parts = step.iter().enumerate().map(|(index, step)| step.abs() / covariance[(index, index)].sqrt());
        Some((next, Step { in_deviations: parts.fold(0.0, f64::max), farthest: step.amax() }))
    }
}

/// How long a step is: its longest part in standard deviations of the parameter, and as it is.
#[derive(Clone, Copy, Debug)]
struct Step {
    in_deviations: f64,
    farthest: f64,
}

impl Step {
    /// Whether it leaves the derivatives as they are, to a few parts in a hundred.
    fn is_short(self) -> bool {
        self.in_deviations < 0.5 && self.farthest < 0.03
    }
}

#[cfg(test)]
impl Model<'_> {
    /// A state in which all that segments have of their own is at this.
    pub(super) fn with_own(&self, values: Vec<f64>, own: f64) -> State {
        let mut state = self.at(values);
        state.own.iter_mut().for_each(|all| all.fill(own));
        state
    }

    /// Each column of the Jacobian by its name, with the same from a difference of four.
    pub(super) fn compared(&self, state: &State) -> Vec<(String, Vec<f64>, Vec<f64>)> {
        let readings = |state: &State| -> Vec<f64> {
            let plant = self.plant(&state.values);
            self.predicted(&Traced::new(&plant, self.wind_m_s), state).concat().concat()
        };
        let better = |change: &dyn Fn(&mut State, f64), apart: f64| -> Vec<f64> {
            let at = |by: f64| {
                let mut state = state.clone();
                change(&mut state, by * apart);
                readings(&state)
            };
            let [a, b, c, d] = [-2.0, -1.0, 1.0, 2.0].map(at);
            (0..a.len()).map(|row| (a[row] - 8.0 * b[row] + 8.0 * c[row] - d[row]) / (12.0 * apart)).collect()
        };
        let slopes = self.slopes(state);
        let mut all = Vec::new();
        for (index, parameter) in self.parameters.iter().enumerate() {
            let column = slopes.by_parameter[index].concat().concat();
            all.push((format!("{:?}", parameter.what), column, better(&|state, by| state.values[index] += by, 1e-2)));
        }
        for own in 0..state.own[0].len() {
            let of_row = |row: &DMatrix<f64>| {
                let mut shown = Shown::default();
                shown.iter_mut().zip(row.column(own).iter()).for_each(|(shown, slope)| *shown = *slope);
                shown
            };
            let column: Vec<Shown> = slopes.by_own[0].iter().map(of_row).collect();
            all.push((format!("own {own}"), column.concat(), better(&|state, by| state.own[0][own] += by, 1.0)));
        }
        all
    }
}
