//! The parts of a fit by themselves. What comes of them together is tested from outside, in `sim/tests/identify_*`.

use super::fit::Model;
use super::noise::{self, Filter, Noise};
use super::parameter::{What, parameters};
use super::record::{Outside, Power, Record};
use crate::installation::Installation;
use crate::replay::{Dial, Measured, MeasuredAt, Others, Rejects};
use crate::site::Site;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use std::path::Path;

fn hut() -> Site {
    let path = format!("{}/../tests/data/sideways/hut.toml", env!("CARGO_MANIFEST_DIR"));
    Installation::load(Path::new(&path)).expect("it passes its check").site.expect("a site")
}

/// Ten hours of a log every ten minutes, with the heater on from the third to the fifth.
fn measured() -> Measured {
    let moment = |row: i64| {
        let is_on = (18..30).contains(&row);
        let nothing = f64::NAN;
        #[expect(clippy::cast_precision_loss, reason = "a few hours")]
        let hour = row as f64 / 6.0;
        let others = Others {
            outside: -5.0 + libm::sin(hour),
            heater_w: if is_on { 120.0 } else { 0.0 },
            heater_a: nothing,
            supply_v: nothing,
            bank_a: nothing,
        };
        MeasuredAt { at_ms: row * 600_000, shown_c: vec![hour; 4], others, heater: Some(is_on), is_anew: row == 0 }
    };
    Measured {
        moments: (0..=60).map(moment).collect(),
        has: Others { outside: true, heater_w: true, ..Others::default() },
        has_heater: true,
        uses: Vec::new(),
        dial: Dial::default(),
        rows_read: 61,
        rejects: Rejects::default(),
        back: None,
        usual_ms: 600_000,
        longest_ms: 1_800_000,
    }
}

#[test]
fn each_column_of_the_jacobian_is_the_slope_of_the_readings() {
    let site = hut();
    let record = Record::of(&measured(), &site, Power::Logged, Outside::Logged);
    assert_eq!(record.segments[0].switchings.len(), 2, "on and off, each between two rows");
    let shows = record.shows();
    let all = parameters(&site, &shows, Power::Logged, Outside::Logged);
    let mut values = vec![0.0; all.len()];
    for (parameter, value) in all.iter().zip(&mut values) {
        *value = match parameter.what {
            What::Loss => 0.3,
            What::Contact(1) => -0.5,
            What::Power => 0.1,
            _ => 0.02,
        };
    }
    let model = Model::about(&site, &all, &values, (&record, &shows), 3.0);
    let state = model.with_own(values, 0.7);
    for (name, column, better) in model.compared(&state) {
        let largest = better.iter().fold(0.0_f64, |largest, slope| largest.max(slope.abs()));
        let off = column.iter().zip(&better).map(|(one, other)| (one - other).abs()).fold(0.0, f64::max);
        // The error of a difference of two is half its distance times the curvature, which is of the size of the slope.
        assert!(largest > 0.0 && off < 3e-4 * largest, "{name}: {off} of {largest}");
    }
}

/// A process with this noise, read at uneven moments.
fn drawn(noise: Noise, count: usize, seed: u64) -> (Vec<f64>, Vec<f64>) {
    let mut random = Pcg64::seed_from_u64(seed);
    // The sum of twelve numbers of variance 1/12.
    let mut normal = move || (0..12).map(|_| random.random_range(-0.5..0.5)).sum::<f64>();
    let mut wander = noise.wander_k * normal();
    let mut at_s = 0.0;
    let draw = |index: usize| {
        let since_s = if index.is_multiple_of(3) { 60.0 } else { 150.0 };
        let left = libm::exp(-since_s / noise.forgets_s);
        wander = left * wander + (1.0 - left * left).sqrt() * noise.wander_k * normal();
        at_s += since_s;
        (at_s, wander + noise.white_k * normal())
    };
    (0..count).map(draw).unzip()
}

const WANDERS: Noise = Noise { white_k: 0.02, wander_k: 0.1, forgets_s: 1800.0 };

#[test]
fn innovations_of_the_noise_that_made_them_are_white_and_of_variance_1() {
    let (moments_s, mut series) = drawn(WANDERS, 8000, 1);
    Filter::new(WANDERS, &moments_s).whiten(&mut series);
    let count = 8000.0;
    let variance = series.iter().map(|value| value * value).sum::<f64>() / count;
    let next = series.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / count;
    // Five standard deviations of either.
    assert!((variance - 1.0).abs() < 5.0 * (2.0 / count).sqrt(), "{variance}");
    assert!(next.abs() < 5.0 / count.sqrt(), "{next}");
}

#[test]
fn the_likeliest_noise_is_near_the_one_that_was_there() {
    let (moments_s, series) = drawn(WANDERS, 8000, 2);
    let found = noise::likeliest(&[(moments_s, series)], Noise::UNKNOWN, 1e-4);
    // Some 500 wanders of half an hour: their size to a few parts in a hundred, their time to some.
    assert!((found.white_k / WANDERS.white_k - 1.0).abs() < 0.1, "{found:?}");
    assert!((found.wander_k / WANDERS.wander_k - 1.0).abs() < 0.2, "{found:?}");
    assert!(libm::log(found.forgets_s / WANDERS.forgets_s).abs() < 0.4, "{found:?}");
}

#[test]
fn a_pause_or_an_outside_that_is_not_known_begins_a_segment() {
    let mut log = measured();
    log.moments[31].is_anew = true;
    let segments = |log: &Measured| Record::of(log, &hut(), Power::Logged, Outside::Logged).segments.len();
    assert_eq!(segments(&log), 2);
    // Four hours without the outside: a line does not reach that far.
    let mut log = measured();
    log.moments[20..44].iter_mut().for_each(|moment| moment.others.outside = f64::NAN);
    assert_eq!(segments(&log), 2);
    log.moments[30].others.outside = -4.0;
    assert_eq!(segments(&log), 1, "two lines of two hours do");
}

#[test]
fn a_row_out_of_the_beat_marks_a_switching_only_where_it_splits_a_beat() {
    let switchings = |log: &Measured| {
        let record = Record::of(log, &hut(), Power::Logged, Outside::Logged);
        record.segments[0].switchings.len()
    };
    // A row of its own, half way to the first that shows the heater on.
    let mut split = measured();
    let mut extra = split.moments[18].clone();
    extra.at_ms -= 300_000;
    split.moments.insert(18, extra);
    assert_eq!(switchings(&split), 1, "only the moment off is looked for");
    // The same row, where all later ones are early too.
    let mut early = measured();
    early.moments[18..].iter_mut().for_each(|moment| moment.at_ms -= 300_000);
    assert_eq!(switchings(&early), 2, "a log that is out of its beat does not say when it switched");
}

#[test]
fn a_heater_that_is_no_longer_logged_is_carried_over_the_longest_gap_and_no_further() {
    let record = |log: &Measured| Record::of(log, &hut(), Power::Logged, Outside::Logged);
    let without = |rows: std::ops::Range<usize>| {
        let mut log = measured();
        log.moments[rows].iter_mut().for_each(|moment| moment.others.heater_w = f64::NAN);
        record(&log)
    };
    // The longest gap is three rows.
    assert_eq!(without(20..23).segments.len(), 1);
    let cut = without(20..40);
    assert_eq!(cut.segments.len(), 2);
    assert!(cut.left_out >= record(&measured()).left_out + 17, "{}", cut.left_out);
    let (_, on_s) = cut.heated();
    // From the 18th row, whose heater came on half way to it, to the 22nd.
    assert!((on_s - 4.5 * 600.0).abs() < 1.0, "{on_s}");
}

#[test]
fn what_is_not_a_number_ends_a_fit_that_has_not_settled() {
    let site = hut();
    let record = Record::of(&measured(), &site, Power::Logged, Outside::Logged);
    let shows = record.shows();
    let all = parameters(&site, &shows, Power::Logged, Outside::Logged);
    let values = vec![0.0; all.len()];
    let model = |record: &Record| {
        let model = Model::about(&site, &all, &values, (record, &shows), 3.0);
        let noises = vec![Noise::UNKNOWN; shows.len()];
        (model.fit(model.at(values.clone()), &[], 0.3).is_settled, model.would_show(&values, &noises).is_some())
    };
    assert_eq!(model(&record), (true, true));
    let mut broken = record.clone();
    broken.segments[0].stretches[20].heat.bank_w = f64::INFINITY;
    assert!(!model(&broken).0);
    broken.segments[0].stretches[20].heat.heater_w = f64::NAN;
    assert_eq!(model(&broken), (false, false));
}
