//! Fits the plant to a record, by nonlinear least squares on the innovations.
//!
//! The plant of each trial has the same patterns (`Shape::for_a_fit`), so a reading is a smooth function of the parameters. Its derivatives
//! are exact where it is linear (power, offsets, outside, starts), and differences of two plants elsewhere, which a test compares with
//! better ones. Each segment has something of its own that is fitted with the rest, and eliminated segment by segment: the amounts of the
//! slow fields that it begins with, and the moments between two rows at which the heater was switched.
//!
//! The steps are those of Gauss and Newton, halved until they make it better. What is known beforehand keeps their equations regular. Source:
//! Nocedal & Wright, Numerical Optimization (2006), section 10.3, from memory. Neither levenberg-marquardt 0.15 nor argmin 0.11 takes
//! matrices of nalgebra 0.35, which the plant has, and neither eliminates segments or keeps what it seeks within bounds.

use super::noise::{self, Filter, Noise, Series};
use super::parameter::{self, Parameter, Wave, What, site_of};
use super::record::{Record, SETTLES_S, Segment};
use crate::plant::{Heat, Plant, Shape, Shown, Stretch, Traced};
use crate::portable::squared;
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
/// A fit has arrived when no parameter wants to move by more than this part of its standard deviation: at first, when only what the log
/// shows at all matters, and in the end.
pub(super) const NEARLY: f64 = 0.3;
pub(super) const ARRIVED: f64 = 0.01;
/// One that cannot come as near has settled if it is as near as this: an interval that is off by a tenth of a deviation is as good.
const SETTLED: f64 = 0.1;
/// And what each segment has of its own has arrived when a step lowers the sum of squares by no more than this: a tenth of what one
/// reading's chance adds to it.
const HARDLY: f64 = 0.1;
const MOST_ROUNDS: usize = 30;
/// From then on the noise stays as it is.
const MOST_NOISES: usize = 12;
/// The smallest part of a step that is tried.
const LEAST_PART: f64 = 1e-3;
/// How often more switchings are held at their rows within a step.
const MOST_ENDS: usize = 8;

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
    /// Of each segment, the two parts of a swing of 1 K over the day, along its stretches.
    swings: Vec<[Vec<Line>; 2]>,
}

/// A temperature that runs straight: at the beginning of a stretch, and its slope (K/s).
#[derive(Clone, Copy, Debug, PartialEq)]
struct Line {
    outside_c: f64,
    slope_k_per_s: f64,
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
    /// Whether the search came to its end.
    pub(super) is_settled: bool,
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
    b: DVector<f64>,
    /// The inverse of their matrix, with some switchings held at their rows, and with none.
    covariance_here: DMatrix<f64>,
    covariance: DMatrix<f64>,
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
        let swings = swings(record);
        Self { site, parameters, record, shows, wind_m_s, shape, fields, swings }
    }

    /// The same for another record.
    pub(super) fn with(&self, record: &'m Record, parameters: &'m [Parameter]) -> Self {
        let swings = swings(record);
        Self { record, parameters, shape: self.shape.clone(), fields: self.fields.clone(), swings, ..*self }
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
        let of = |(index, own): (usize, &DVector<f64>)| {
            let above = &self.fields * own.rows(0, self.fields.ncols());
            let mut shown = traced.shows(&above, &self.driven(index, own, &state.values));
            for (parameter, value) in self.parameters.iter().zip(&state.values) {
                if let What::Offset(channel) = parameter.what {
                    for shown in &mut shown {
                        shown[channel] += value;
                    }
                }
            }
            shown
        };
        state.own.iter().enumerate().map(of).collect()
    }

    /// The stretches of a segment with the power and the outside of these values, and with its own switchings.
    fn driven(&self, index: usize, own: &DVector<f64>, values: &[f64]) -> Vec<Stretch> {
        let of = |what: What| {
            let found = self.parameters.iter().zip(values).find(|(parameter, _)| parameter.what == what);
            found.map_or(0.0, |(_, value)| *value)
        };
        let (factor, warmer_k) = (libm::exp(of(What::Power)), of(What::Around));
        let [cosine_k, sine_k] = [Wave::Cosine, Wave::Sine].map(|wave| of(What::Swing(wave)));
        let [cosine, sine] = &self.swings[index];
        let driven = |((stretch, cosine), sine): ((&Stretch, &Line), &Line)| Stretch {
            heat: Heat { heater_w: stretch.heat.heater_w * factor, ..stretch.heat },
            outside_c: stretch.outside_c + warmer_k + cosine_k * cosine.outside_c + sine_k * sine.outside_c,
            slope_k_per_s: stretch.slope_k_per_s + cosine_k * cosine.slope_k_per_s + sine_k * sine.slope_k_per_s,
            ..*stretch
        };
        let stretches = self.record.segments[index].stretches.iter().zip(cosine).zip(sine).map(driven);
        self.switched(index, stretches.collect(), own)
    }

    /// What `lines` add to the outside of a segment with its own switchings.
    fn outside_by(&self, index: usize, own: &DVector<f64>, lines: impl Iterator<Item = Line>) -> Vec<Stretch> {
        let stretches = self.record.segments[index].stretches.iter().zip(lines);
        let added = stretches.map(|(stretch, Line { outside_c, slope_k_per_s })| Stretch {
            outside_c,
            slope_k_per_s,
            ..*stretch
        });
        self.switched(index, added.collect(), own)
    }

    /// These stretches of a segment, with its switchings where they were.
    fn switched(&self, index: usize, mut stretches: Vec<Stretch>, own: &DVector<f64>) -> Vec<Stretch> {
        let segment = &self.record.segments[index];
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
    fn slopes_of_own(&self, traced: &Traced, index: usize, own: &DVector<f64>, values: &[f64]) -> Vec<DMatrix<f64>> {
        let segment = &self.record.segments[index];
        let fields = traced.fades(&self.fields, &segment.moments_s);
        if segment.switchings.is_empty() {
            return fields;
        }
        let stretches = self.driven(index, own, values);
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
        let owns = || state.own.iter().enumerate();
        let (predicted, loss) = (self.predicted(&traced, state), libm::log(traced.loss_w_per_k()));
        let job = |&job: &usize| -> (Vec<Vec<Shown>>, f64) {
            let Some(parameter) = self.parameters.get(job) else { return (Vec::new(), 0.0) };
            match parameter.what {
                What::Power => {
                    let of = |(index, own): (usize, &DVector<f64>)| {
                        traced.shows_of_heater(&self.driven(index, own, &state.values))
                    };
                    (owns().map(of).collect(), 0.0)
                }
                What::Around => {
                    let always = std::iter::repeat(Line { outside_c: 1.0, slope_k_per_s: 0.0 });
                    let of = |(index, own): (usize, &DVector<f64>)| {
                        traced.shows_of_outside(&self.outside_by(index, own, always.clone()))
                    };
                    (owns().map(of).collect(), 0.0)
                }
                What::Swing(wave) => {
                    let of = |(index, own): (usize, &DVector<f64>)| {
                        let lines = self.swings[index][wave as usize].iter().copied();
                        traced.shows_of_outside(&self.outside_by(index, own, lines))
                    };
                    (owns().map(of).collect(), 0.0)
                }
                What::Offset(channel) => {
                    let mut one = Shown::default();
                    one[channel] = 1.0;
                    (self.record.segments.iter().map(|segment| vec![one; segment.moments_s.len()]).collect(), 0.0)
                }
                _ => self.difference(state, job, (&here, &predicted, loss)),
            }
        };
        let mut found = side_by_side(&jobs, job);
        found.pop();
        let (by_parameter, of_loss): (Vec<_>, Vec<f64>) = found.into_iter().unzip();
        let by_own = owns().map(|(index, own)| self.slopes_of_own(&traced, index, own, &state.values)).collect();
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
        (there, (libm::log(traced.loss_w_per_k()) - loss) / APART)
    }

    /// The moments at which a thermometer showed something, and the places of these rows.
    fn rows_of(&self, segment: usize, channel: usize) -> (Vec<usize>, Vec<f64>) {
        let segment = &self.record.segments[segment];
        let rows = (0..segment.shown.len()).filter(|&row| !segment.shown[row][channel].is_nan());
        rows.map(|row| (row, segment.moments_s[row])).unzip()
    }

    /// `None` if something in them is not a number.
    fn normal(&self, slopes: &Slopes, residuals: &[DMatrix<f64>], state: &State, noises: &[Noise]) -> Option<Normal> {
        let p = self.parameters.len();
        let mut grams = Vec::with_capacity(self.record.segments.len());
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
            for (place, known) in known.iter().enumerate() {
                gram[(p + place, p + place)] += 1.0 / squared(*known);
                gram[(p + place, p + k)] -= state.own[index][place] / squared(*known);
            }
            grams.push(gram);
        }
        let mut ends: Vec<Vec<Option<f64>>> = state.own.iter().map(|own| vec![None; own.len()]).collect();
        let mut normal = self.eliminated(&grams, state, &ends)?;
        // A switching that wants to go beyond a row goes as far as the row, and the others make the best of it.
        for _ in 0..MOST_ENDS {
            let (next, _) = normal.step(state);
            if !self.end_at_rows(state, &next, &mut ends) {
                break;
            }
            // What is known of the parameters is not more for it.
            normal = Normal { covariance: normal.covariance, ..self.eliminated(&grams, state, &ends)? };
        }
        Some(normal)
    }

    /// Notes how far each switching goes that would go beyond its rows. Whether there is a new one.
    fn end_at_rows(&self, state: &State, next: &State, ends: &mut [Vec<Option<f64>>]) -> bool {
        let mut is_new = false;
        let owns = state.own.iter().zip(&next.own).zip(ends).zip(&self.record.segments);
        for (((own, next), ends), segment) in owns {
            for (switching, place) in (self.fields.ncols()..own.len()).enumerate() {
                let (low_s, high_s) = bounds_s(segment, switching);
                if ends[place].is_none() && !(low_s..=high_s).contains(&next[place]) {
                    ends[place] = Some(next[place].clamp(low_s, high_s) - own[place]);
                    is_new = true;
                }
            }
        }
        is_new
    }

    /// Normal equations of the parameters from those of all, with what goes no further than an end that is known.
    fn eliminated(&self, grams: &[DMatrix<f64>], state: &State, ends: &[Vec<Option<f64>>]) -> Option<Normal> {
        let p = self.parameters.len();
        let (mut a, mut b, mut segments) = (DMatrix::zeros(p, p), DVector::zeros(p), Vec::new());
        for (gram, ends) in grams.iter().zip(ends) {
            let k = ends.len();
            let mut own = gram.view((p, p), (k, k)).into_owned();
            let mut cross = gram.view((p, 0), (k, p)).into_owned();
            let fixed = DVector::from_iterator(k, ends.iter().map(|end| end.unwrap_or(0.0)));
            let mut right = gram.view((p, p + k), (k, 1)).column(0) - &own * &fixed;
            a += gram.view((0, 0), (p, p));
            b += gram.view((0, p + k), (p, 1)).column(0) - cross.tr_mul(&fixed);
            for (place, end) in ends.iter().enumerate().filter_map(|(place, end)| Some((place, (*end)?))) {
                own.row_mut(place).fill(0.0);
                own.column_mut(place).fill(0.0);
                own[(place, place)] = 1.0;
                right[place] = end;
                cross.row_mut(place).fill(0.0);
            }
            // It is a sum of squares and something above 0.
            let own = own.cholesky()?;
            let eliminated = Eliminated { by_itself: own.solve(&right), by_parameters: own.solve(&cross) };
            a -= cross.tr_mul(&eliminated.by_parameters);
            b -= cross.tr_mul(&eliminated.by_itself);
            segments.push(eliminated);
        }
        for (index, (parameter, value)) in self.parameters.iter().zip(&state.values).enumerate() {
            let weight = 1.0 / squared(parameter.known);
            a[(index, index)] += weight;
            b[index] -= value * weight;
        }
        let covariance = a.cholesky()?.inverse();
        Some(Normal { b, covariance_here: covariance.clone(), covariance, segments })
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
            self.parameters.iter().zip(&state.values).map(|(parameter, value)| squared(value / parameter.known));
        let of_own = self.record.segments.iter().zip(&state.own).map(|(segment, own)| {
            own.iter().zip(self.known_of_own(segment)).map(|(value, known)| squared(value / known)).sum::<f64>()
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

    /// Fits from a state on, until no step is longer than `arrived` standard deviations.
    pub(super) fn fit(&self, mut state: State, from: &[Noise], arrived: f64) -> Fit {
        let mut noises = from.to_vec();
        noises.resize(self.shows.len(), Noise::UNKNOWN);
        let least_k: Vec<f64> = self.shows.iter().map(|&channel| self.record.grain_k(channel).max(1e-4)).collect();
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
            let cost = self.cost(&residuals, &state, &noises);
            let full = normal.as_ref().map(|normal| normal.step(&state));
            let mut moved = None;
            let mut part = 1.0;
            while let Some((next, step)) = full.as_ref().filter(|_| part >= LEAST_PART) {
                let next = state.towards(next, part);
                let plant = self.plant(&next.values);
                let found = self.residuals(&self.predicted(&Traced::new(&plant, self.wind_m_s), &next));
                let falls = cost - self.cost(&found, &next, &noises);
                if falls >= -1e-9 {
                    moved = Some((next, step.times(part), falls));
                    break;
                }
                if !are_fresh {
                    break;
                }
                part /= 2.0;
            }
            round += 1;
            let away = full.as_ref().map(|(_, step)| step.in_deviations);
            let has_arrived = match &moved {
                Some((.., falls)) => away.is_some_and(|away| away < arrived) && *falls < HARDLY,
                // No step makes it better, with the derivatives of this very place; or there is none.
                None => are_fresh || normal.is_none(),
            };
            if has_arrived || round == MOST_ROUNDS {
                let p = self.parameters.len();
                let covariance =
                    normal.map_or_else(|| DMatrix::from_element(p, p, f64::NAN), |normal| normal.covariance);
                return Fit {
                    state,
                    covariance: parameter::with_held(self.parameters, covariance),
                    noises,
                    residuals,
                    of_loss: slopes.loss,
                    loss_w_per_k: traced.loss_w_per_k(),
                    is_settled: away.is_some_and(|away| away < arrived.max(SETTLED)),
                };
            }
            if let Some((next, step, falls)) = moved {
                state = next;
                kept = (step.is_short() && falls < 1.0 && part >= 1.0).then_some(slopes);
                // A step that changes nothing of the residuals changes nothing of their noise.
                // And where it changes with them for ever, it is known well enough.
                is_far = round < MOST_NOISES && (step.in_deviations > NEARLY || falls > 1.0);
            }
        }
    }

    /// How surely a record would show each parameter, whatever was in it: the covariance at these values under such noise. `None` if
    /// something in it is not a number.
    pub(super) fn would_show(&self, values: &[f64], noises: &[Noise]) -> Option<DMatrix<f64>> {
        let state = self.at(values.to_vec());
        let residuals: Vec<DMatrix<f64>> = self
            .record
            .segments
            .iter()
            .map(|segment| DMatrix::zeros(segment.moments_s.len(), self.shows.len()))
            .collect();
        let normal = self.normal(&self.slopes(&state), &residuals, &state, noises)?;
        Some(parameter::with_held(self.parameters, normal.covariance))
    }
}

/// How much later than the middle of its interval a switching may have been (s): anywhere between the two rows that show it.
fn bounds_s(segment: &Segment, switching: usize) -> (f64, f64) {
    let index = segment.switchings[switching];
    (-0.999 * segment.stretches[index].seconds, 0.999 * segment.stretches[index + 1].seconds)
}

/// The two parts of a swing of 1 K over the day, of each segment along its stretches.
fn swings(record: &Record) -> Vec<[Vec<Line>; 2]> {
    let of = |segment: &Segment| {
        [Wave::Cosine, Wave::Sine].map(|wave| {
            let mut at_s = segment.begins_s();
            let line = |stretch: &Stretch| {
                let [from, to] = [at_s, at_s + stretch.seconds].map(|at_s| wave.at(at_s));
                at_s += stretch.seconds;
                Line { outside_c: from, slope_k_per_s: (to - from) / stretch.seconds }
            };
            segment.stretches.iter().map(line).collect()
        })
    };
    record.segments.iter().map(of).collect()
}

impl Normal {
    /// The state after a step, and how long the step is.
    fn step(&self, state: &State) -> (State, Step) {
        let mut step = &self.covariance_here * &self.b;
        let longest = step.amax();
        if longest > LONGEST {
            step *= LONGEST / longest;
        }
        let mut next = state.clone();
        next.values.iter_mut().zip(&step).for_each(|(value, step)| *value += step);
        for (own, eliminated) in next.own.iter_mut().zip(&self.segments) {
            *own += &eliminated.by_itself - &eliminated.by_parameters * &step;
        }
        let parts = step.iter().enumerate().map(|(index, step)| step.abs() / self.covariance[(index, index)].sqrt());
        // `max` passes over what is not a number.
        let in_deviations =
            if step.iter().all(|step| step.is_finite()) { parts.fold(0.0, f64::max) } else { f64::INFINITY };
        (next, Step { in_deviations, farthest: step.amax() })
    }
}

impl State {
    /// This part of the way to another.
    fn towards(&self, other: &Self, part: f64) -> Self {
        let values = self.values.iter().zip(&other.values).map(|(one, other)| one + part * (other - one));
        let own = self.own.iter().zip(&other.own).map(|(one, other)| one + (other - one) * part);
        Self { values: values.collect(), own: own.collect() }
    }
}

/// How long a step is: its longest part in standard deviations of the parameter, and as it is.
#[derive(Clone, Copy, Debug)]
struct Step {
    in_deviations: f64,
    farthest: f64,
}

impl Step {
    fn times(self, part: f64) -> Self {
        Self { in_deviations: self.in_deviations * part, farthest: self.farthest * part }
    }

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
