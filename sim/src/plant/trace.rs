//! What the thermometers show over a log: every stretch of constant heat and straight weather is crossed exactly.
//!
//! A log does not show the state at its start. [`Traced::slow`] gives the slow fields that a start can differ by. They are amounts of
//! patterns, so they mean the same temperatures in every site on these patterns, and a fit can look for how much of each there was.

use super::modes::{Drive, Modes};
use super::{Heat, Plant, class_wind};
use forewarm_core::settings::MAX_CHANNELS;
use nalgebra::{DMatrix, DVector};

impl Plant {
    /// Heat that is lost for each kelvin by which the batteries are warmer than the outside, heated evenly (W/K), in this wind (m/s, before
    /// shelter).
    #[must_use]
    pub fn loss_w_per_k(&self, wind_m_s: f64) -> f64 {
        Traced::new(self, wind_m_s).loss_w_per_k()
    }
}

/// What each thermometer shows (°C).
pub(crate) type Shown = [f64; MAX_CHANNELS];

/// A time with constant heat, in which the outside runs straight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stretch {
    pub(crate) seconds: f64,
    pub(crate) heat: Heat,
    /// At its beginning (°C).
    pub(crate) outside_c: f64,
    pub(crate) slope_k_per_s: f64,
    /// Whether the thermometers are read at its end.
    pub(crate) is_read: bool,
}

/// A plant in one wind, ready to be traced.
#[derive(Debug)]
pub(crate) struct Traced<'p> {
    plant: &'p Plant,
    modes: Modes,
    /// What the thermometers' own current, a watt of the bank's own heat and a watt of the heater drive.
    heats: [DVector<f64>; 3],
}

impl<'p> Traced<'p> {
    /// `plant` in this wind (m/s, before shelter).
    pub(crate) fn new(plant: &'p Plant, wind_m_s: f64) -> Self {
        let read: Vec<usize> = (plant.reduced.states()..plant.states()).collect();
        let modes = Modes::new(&plant.in_wind(class_wind(plant.class(wind_m_s))), plant.step_s, &read);
        let heats = [&plant.self_heat_w, &plant.bank, &plant.heater].map(|heat_w| modes.of_heat(heat_w));
        Self { plant, modes, heats }
    }

    /// The states with all cells at `outside_c` and these amounts of patterns above it. A thermometer is as warm as what it is fixed to.
    fn start(&self, outside_c: f64, above: &DVector<f64>) -> DVector<f64> {
        let reduced = &self.plant.reduced;
        let cells = reduced.of_amounts(above) + &reduced.uniform * outside_c;
        let of_sensors = self.plant.sensors.iter().map(|sensor| {
            let whole: f64 = sensor.joined.iter().map(|(conductance, _)| conductance).sum();
            sensor.joined.iter().map(|(conductance, place)| conductance * place.dot(&cells)).sum::<f64>() / whole
        });
        DVector::from_iterator(self.plant.states(), cells.iter().copied().chain(of_sensors))
    }

    /// What the thermometers show at the end of each stretch at which they are read. At the start all was as cold as the outside, but for
    /// these amounts of patterns.
    pub(crate) fn shows(&self, above: &DVector<f64>, stretches: &[Stretch]) -> Vec<Shown> {
        let Some(first) = stretches.first() else { return Vec::new() };
        let modes = self.modes.modes_of(&self.start(first.outside_c, above));
        self.follow(modes, stretches, true)
    }

    /// What the outside of these stretches alone adds to each reading. At the start all is as warm as it.
    pub(crate) fn shows_of_outside(&self, stretches: &[Stretch]) -> Vec<Shown> {
        let alone: Vec<Stretch> =
            stretches.iter().map(|stretch| Stretch { heat: Heat::default(), ..*stretch }).collect();
        let first_c = alone.first().map_or(0.0, |stretch| stretch.outside_c);
        let modes = self.modes.modes_of(&self.start(first_c, &DVector::zeros(self.plant.reduced.states())));
        self.follow(modes, &alone, false)
    }

    /// What the heater's heat alone adds to each reading.
    pub(crate) fn shows_of_heater(&self, stretches: &[Stretch]) -> Vec<Shown> {
        let heater = |stretch: &Stretch| Stretch {
            heat: Heat { bank_w: 0.0, ..stretch.heat },
            outside_c: 0.0,
            slope_k_per_s: 0.0,
            ..*stretch
        };
        let alone: Vec<Stretch> = stretches.iter().map(heater).collect();
        self.follow(DVector::zeros(self.plant.states()), &alone, false)
    }

    fn follow(&self, mut modes: DVector<f64>, stretches: &[Stretch], is_whole: bool) -> Vec<Shown> {
        let [of_current, of_bank, of_heater] = &self.heats;
        let (own, ground_c) = if is_whole { (1.0, self.plant.ground_c) } else { (0.0, 0.0) };
        let mut shown = Vec::with_capacity(stretches.len());
        let (mut remains_of, mut remains) = (f64::NAN, Vec::new());
        for stretch in stretches {
            if stretch.seconds.to_bits() != remains_of.to_bits() {
                (remains_of, remains) = (stretch.seconds, self.modes.remains(stretch.seconds));
            }
            let heats = [(own, of_current), (stretch.heat.bank_w, of_bank), (stretch.heat.heater_w, of_heater)];
            let drive = Drive {
                heats: &heats,
                boundary_c: [stretch.outside_c, ground_c],
                slope_k_per_s: [stretch.slope_k_per_s, 0.0],
            };
            self.modes.cross(&mut modes, &drive, stretch.seconds, &remains);
            if stretch.is_read {
                shown.push(self.modes.shown(&modes));
            }
        }
        shown
    }

    /// The fields that decay more slowly than `rate` (1/s), as amounts of patterns: a column for each, scaled so that the thermometer that
    /// shows most of it shows 1 K. What no thermometer shows is left out.
    pub(crate) fn slow(&self, rate: f64) -> DMatrix<f64> {
        /// Part of the largest reach of a field below which no thermometer shows it.
        const HARDLY: f64 = 1e-3;
        let mut columns = Vec::new();
        for (mode, (decays, shows)) in self.modes.fading().enumerate() {
            let field = self.modes.of_mode(mode);
            let most = shows[..self.plant.sensors.len()].iter().fold(0.0_f64, |most, shown| most.max(shown.abs()));
            let cells_c = self.plant.reduced.cells_c(&field);
            if decays < rate && most > HARDLY * cells_c.amax() {
                columns.push(self.plant.reduced.amounts(&field) / most);
            }
        }
        if columns.is_empty() {
            DMatrix::zeros(self.plant.reduced.states(), 0)
        } else {
            DMatrix::from_columns(&columns)
        }
    }

    /// What each of these fields, at 1 at the start, adds to each reading: for each moment (s) a row for each thermometer.
    pub(crate) fn fades(&self, fields: &DMatrix<f64>, moments_s: &[f64]) -> Vec<DMatrix<f64>> {
        let sensors = self.plant.sensors.len();
        let starts: Vec<DVector<f64>> =
            fields.column_iter().map(|field| self.modes.modes_of(&self.start(0.0, &field.into_owned()))).collect();
        // Of each mode: what each thermometer shows of it, times how much of it each field has.
        let modes: Vec<(f64, &Shown)> = self.modes.fading().collect();
        let parts: DMatrix<f64> = DMatrix::from_fn(sensors * starts.len(), modes.len(), |row, mode| {
            modes[mode].1[row % sensors] * starts[row / sensors][mode]
        });
        let at = |moment_s: &f64| {
            let left = DVector::from_iterator(modes.len(), modes.iter().map(|(rate, _)| libm::exp(-rate * moment_s)));
            DMatrix::from_column_slice(sensors, starts.len(), (&parts * left).as_slice())
        };
        moments_s.iter().map(at).collect()
    }

    /// What a joule of the heater's at each of these times (s) adds to each reading: for each moment (s) a row for each thermometer.
    pub(crate) fn bursts(&self, times_s: &[f64], moments_s: &[f64]) -> Vec<DMatrix<f64>> {
        let sensors = self.plant.sensors.len();
        let modes: Vec<(f64, &Shown)> = self.modes.fading().collect();
        let parts = DMatrix::from_fn(sensors, modes.len(), |sensor, mode| modes[mode].1[sensor] * self.heats[2][mode]);
        let at = |moment_s: &f64| {
            let mut shown = DMatrix::zeros(sensors, times_s.len());
            for (mut column, time_s) in shown.column_iter_mut().zip(times_s).filter(|(_, time_s)| **time_s < *moment_s)
            {
                let since_s = moment_s - time_s;
                let left =
                    DVector::from_iterator(modes.len(), modes.iter().map(|(rate, _)| libm::exp(-rate * since_s)));
                column.copy_from(&(&parts * left));
            }
            shown
        };
        moments_s.iter().map(at).collect()
    }

    /// Mean temperature of each battery (°C) after heating from a rest at 0 °C, with the outside at 0 °C.
    pub(crate) fn batteries_after(&self, heater_w: f64, seconds: f64) -> Vec<f64> {
        let heats = [(heater_w, &self.heats[2])];
        let drive = Drive { heats: &heats, boundary_c: [0.0; 2], slope_k_per_s: [0.0; 2] };
        let mut modes = DVector::zeros(self.plant.states());
        self.modes.cross(&mut modes, &drive, seconds, &self.modes.remains(seconds));
        let states = self.modes.temperatures_of(&modes);
        let means = self.plant.reduced.solid.in_each_battery().into_iter();
        means.map(|parts| self.plant.reduced.read(parts).dot(&states.rows(0, self.plant.reduced.states()))).collect()
    }

    /// Heat that is lost for each kelvin by which the batteries are warmer than the outside, heated evenly (W/K).
    pub(crate) fn loss_w_per_k(&self) -> f64 {
        let states = self.plant.reduced.states();
        let steady = self.modes.temperatures_of(&self.modes.steady_of(&self.heats[1]));
        1.0 / self.plant.bank.rows(0, states).dot(&steady.rows(0, states))
    }
}
