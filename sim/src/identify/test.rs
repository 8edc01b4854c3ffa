//! Which test would show what a log does not: simulated, and the shortest that is enough is taken.

use super::fit::Model;
use super::found::{has_thermometer, is_sure, variance};
use super::parameter::{Parameter, What, parameters};
use super::record::{Power, Record};
use super::{Fitted, Question, found};
use crate::installation::Installation;
use crate::plant::{Plant, Traced};
use crate::si;
use forewarm_core::settings::Role;
use serde::Serialize;

/// A test to run, and what it would show.
#[derive(Clone, Debug, Serialize)]
pub struct Test {
    /// The parameters that it would show.
    pub parameters: Vec<String>,
    /// How long the heater is on (h); `null` if no test of up to [`Self::LONGEST_H`] shows them.
    pub heat_h: Option<f64>,
    /// How long it is off after that (h).
    pub off_h: Option<f64>,
    /// How often to log (s).
    pub log_every_s: f64,
    /// What must be logged besides, if anything.
    pub log_also: Option<&'static str>,
}

impl Test {
    /// The longest test that is looked at (h).
    pub const LONGEST_H: f64 = 84.0;
}

/// Tests to try: hours on and off, and whether each is logged every ten seconds. Each shows more than the one before of its kind.
const TRIED: [(f64, f64, bool); 9] = [
    (0.5, 1.0, true),
    (2.0, 2.0, true),
    (1.0, 2.0, false),
    (2.0, 4.0, false),
    (3.0, 9.0, false),
    (4.0, 20.0, false),
    (6.0, 30.0, false),
    (8.0, 48.0, false),
    (12.0, 72.0, false),
];
const OFTEN_S: f64 = 10.0;

/// A test for each parameter that this log does not show, those with one test together.
pub(super) fn tests(question: &Question<'_>, fitted: &Fitted) -> Vec<Test> {
    let Question { installation, site, record, power, outside, .. } = question;
    let shows = &fitted.shows;
    let mut open: Vec<What> = Vec::new();
    // Of what is not shown, the test is simulated with what is planned.
    let mut values = Vec::with_capacity(fitted.parameters.len());
    for ((parameter, is_shown), value) in fitted.parameters.iter().zip(&fitted.shown).zip(&fitted.fit.state.values) {
        let is_planned = parameter.what.is_sought() && !is_shown;
        let value = if is_planned { 0.0 } else { *value };
        values.push(value);
        // What the plant blurs, no log shows.
        if is_planned && (parameter.is_held || is_sure(parameter, variance(site, parameter, value, 0.0))) {
            open.push(parameter.what);
        }
    }
    if open.is_empty() {
        return Vec::new();
    }
    let heater = &installation.settings.heater;
    let planned_w = si::watts(heater.power);
    let tested = match power {
        Power::Off => Power::Switched { planned_w, nominal_v: si::volts(heater.nominal) },
        power => *power,
    };
    // The same parameters in the same order, whatever is known of them.
    let as_tested = parameters(site, shows, tested, *outside);
    let outside_c = {
        let stretches = || record.stretches();
        let seconds: f64 = stretches().map(|stretch| stretch.seconds).sum();
        stretches().map(|stretch| stretch.outside_c * stretch.seconds).sum::<f64>() / seconds
    };
    let names: Vec<(What, String)> = {
        let all = found::of(site, &installation.channels, fitted, found::HeaterFigures::planned(planned_w));
        all.into_iter().map(|found| (found.what, found.name)).collect()
    };
    let name = |what: What| names.iter().find(|(other, _)| *other == what).map(|(_, name)| name.clone());
    let mut tests: Vec<Test> = Vec::new();
    let is_held =
        |what: &What| as_tested.iter().any(|parameter: &Parameter| parameter.what == *what && parameter.is_held);
    let (held, mut rest): (Vec<What>, Vec<What>) = open.into_iter().partition(is_held);
    let base = Model::about(site, &as_tested, &values, (record, shows), site.place.design_wind_m_s);
    let usual_s = record.usual_s.max(OFTEN_S);
    for (on_h, off_h, is_often) in TRIED {
        let wants_often = |what: &What| matches!(what, What::Lag(_));
        if !rest.iter().any(|what| wants_often(what) == is_often) {
            continue;
        }
        let every_s = if is_often { OFTEN_S } else { usual_s };
        let test = Record::of_test(outside_c, planned_w, on_h * 3600.0, off_h * 3600.0, every_s);
        let model = base.with(&test, &as_tested);
        if model.is_too_hot(installation, &values) {
            break;
        }
        // A closer beat does not make what wanders slowly any surer, and what is white is averaged.
        let Some(covariance) = model.would_show(&values, &fitted.fit.noises) else { break };
        let (shown, still): (Vec<What>, Vec<What>) = rest.into_iter().partition(|what| {
            let found = as_tested.iter().position(|parameter| parameter.what == *what);
            let would_be_sure = |index: usize| {
                let parameter = &as_tested[index];
                is_sure(parameter, variance(site, parameter, values[index], covariance[(index, index)]))
            };
            wants_often(what) == is_often && has_thermometer(site, shows, *what) && found.is_some_and(would_be_sure)
        });
        rest = still;
        if !shown.is_empty() {
            tests.push(Test {
                parameters: shown.into_iter().filter_map(name).collect(),
                heat_h: Some(on_h),
                off_h: Some(off_h),
                log_every_s: every_s,
                log_also: None,
            });
        }
    }
    if !held.is_empty() {
        tests.push(Test {
            parameters: held.into_iter().filter_map(name).collect(),
            heat_h: Some(3.0),
            off_h: Some(9.0),
            log_every_s: usual_s,
            log_also: Some("the heater's power (heater_w), or its current and supply (heater_a, supply_v)"),
        });
    }
    if !rest.is_empty() {
        tests.push(Test {
            parameters: rest.into_iter().filter_map(name).collect(),
            heat_h: None,
            off_h: None,
            log_every_s: usual_s,
            log_also: None,
        });
    }
    tests
}

impl Model<'_> {
    /// Whether the record would bring a thermometer to a cut-out of the heater.
    fn is_too_hot(&self, installation: &Installation, values: &[f64]) -> bool {
        let heater = &installation.settings.heater;
        let plant: Plant = self.plant(values);
        let shown = self.predict(&Traced::new(&plant, self.wind_m_s), values);
        let channels = installation.settings.channels.iter().enumerate();
        let cutouts: Vec<(usize, f64)> = channels
            .filter(|(_, channel)| !matches!(channel.role, Role::Check(_)))
            .map(|(index, channel)| (index, si::celsius(heater.cutout(channel.role))))
            .collect();
        shown.iter().any(|shown| cutouts.iter().any(|&(index, cutout_c)| shown[index] >= cutout_c))
    }
}
