use super::super::measurement::Chain;
use super::super::testing::{settings, shapes, site};
use super::*;
use crate::finding::Severity;
use crate::portable::squared;
use crate::site::{Mounting, Room, Spot, StandsOn};
use forewarm_core::quantity::{Millis, Milliwatts};
use forewarm_core::settings::{Proof, Role};
use proptest::prelude::*;

/// The same where the site is cut into cells anew only if it has other bodies.
fn judge(settings: &Settings, site: &Site, within_h: Option<f64>) -> (Thermal, Vec<Placements>, Vec<Finding>) {
    super::judge(settings, site, Detail::Report { within_h }, &shapes(site))
}

/// Everything as written down.
const EXACT: Tolerance = Tolerance {
    pad_power: 0.0,
    insulation: 0.0,
    specific_heat: 0.0,
    conductivity: 0.0,
    contact: 0.0,
    air_changes: 0.0,
    film: 0.0,
    pad_place_m: 0.0,
    air_share: 0.0,
    weather_k: 0.0,
    hard_limit_k: 0.0,
};

#[test]
fn film_and_place_of_the_pad_are_tried_at_both_ends_like_every_other_tolerance() {
    let of = |tolerance: Tolerance| -> Vec<&str> { causes(&tolerance).iter().map(|(of, ..)| *of).collect() };
    assert_eq!(of(EXACT), <[&str; 0]>::default());
    assert_eq!(of(Tolerance { film: 0.2, ..EXACT }), ["film of air inside the box"]);
    let both = ["place of the pad, along", "place of the pad, across"];
    assert_eq!(of(Tolerance { pad_place_m: 0.01, ..EXACT }), both);
    // The ends are those of what is named, and of nothing else.
    let site = Site { tolerance: Tolerance { film: 0.2, pad_place_m: 0.01, ..EXACT }, ..site() };
    for (of, _, set) in causes(&site.tolerance) {
        for end in [-1.0, 1.0] {
            let mut variation = Variation::default();
            set(&mut variation, end);
            let real = variation.of(&site);
            let film = site.enclosure.inside_w_per_m2_k;
            let moved = [real.enclosure.inside_w_per_m2_k / film - 1.0, real.pad.shift_m[0], real.pad.shift_m[1]];
            // The pad of 320 mm has 5 mm of room on the plate along, and 14.5 mm across.
            let (index, by) = match of {
                "film of air inside the box" => (0, 0.2),
                "place of the pad, along" => (1, 0.01_f64.min(site.room_for_pad_m()[0])),
                _ => (2, 0.01_f64.min(site.room_for_pad_m()[1])),
            };
            let mut expected = [0.0; 3];
            expected[index] = end * by;
            assert!(moved.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12), "{of}: {moved:?}");
        }
    }
}

fn air(site: &Site) -> Air {
    Air { outside_c: site.place.design_min_c, slope_k_per_s: 0.0, wind_m_s: site.place.design_wind_m_s }
}

/// Where a cell's thermometer can sit.
fn spots() -> impl Strategy<Value = Spot> {
    prop::sample::select(vec![Spot::Base(0), Spot::Between(0), Spot::Top(1), Spot::Side(1), Spot::End(0)])
}

/// Another way: not by two steady states and a straight line, but by holding that power for three weeks.
#[test]
fn the_hold_power_holds_and_is_what_the_box_loses() {
    let site = site();
    let (thermal, ..) = judge(&settings(), &site, None);
    let plant = shapes(&site).plant(&site);
    let mut run = plant.at_rest(site.place.design_min_c);
    run.set_air(air(&site));
    run.set_heat(Heat { heater_w: thermal.hold_w.value, bank_w: 0.0 });
    run.advance(21.0 * 86_400.0);
    assert!((run.coldest_cell_c() - thermal.release_c).abs() < 1e-3, "{}", run.coldest_cell_c());
    let before = run.balance();
    run.advance(86_400.0);
    let after = run.balance();
    let lost_w = (after.lost_j - before.lost_j) / 86_400.0;
    // The thermometers' own current is a tenth of a milliwatt each.
    assert!((lost_w - thermal.hold_w.value).abs() < 2e-3, "{lost_w} W, not {}", thermal.hold_w.value);
}

/// The network is linear: what a room is warmer by is not lost. Its schedule counts for nothing, for nobody may be there.
#[test]
fn a_room_spares_the_loss_of_a_kelvin_for_each_that_it_is_warmer() {
    let mut site = site();
    site.place.exposure = 0.0;
    // The thermometers' own heat helps to hold as much in either.
    site.converter.current_a = 0.0;
    let (outside, ..) = judge(&settings(), &site, None);
    let (warmer_k, daily) = (6.0, "daily 00:00-24:00".parse().expect("a schedule"));
    site.room = Some(Room { warmer_k, scheduled: Some((18.0, daily)) });
    let (room, ..) = judge(&settings(), &site, None);
    let loss_w_per_k = outside.loss_w_per_k.expect("it stands in air").value;
    let spared_w = outside.hold_w.value - room.hold_w.value;
    assert!((spared_w - warmer_k * loss_w_per_k).abs() < 1e-9, "{spared_w} W, not {warmer_k} of {loss_w_per_k}");
    assert!((room.loss_w_per_k.expect("it stands in air").value - loss_w_per_k).abs() < 1e-9);
    assert!((room.warm_ups[0].start_c - (outside.design_min_c + warmer_k)).abs() < 1e-9);
}

/// The power for a time, given to the course that the warm-ups are run with, takes that time.
#[test]
fn the_power_for_a_warm_up_time_warms_up_in_that_time() {
    let (site, settings) = (site(), settings());
    let (thermal, ..) = judge(&settings, &site, Some(3.0));
    assert_eq!(thermal.powers.iter().map(|row| row.within_h).collect::<Vec<_>>(), [2.0, 3.0, 4.0, 8.0]);
    let answers_for: Vec<_> = site.mountings.iter().map(|mounting| answers_for(mounting.at, 2)).collect();
    for row in &thermal.powers {
        let setup = Setup { settings: &settings, site: &site, heater_w: row.power_w.value, answers_for: &answers_for };
        let plant = shapes(&site).plant(&site);
        let found = course::warm_up(&setup, &mut plant.at_rest(site.place.design_min_c), air(&site), LONGEST_S);
        let core_s = found.core_s.expect("it gets there");
        assert!((core_s - row.within_h * 3600.0).abs() <= STEP_S, "{} h: {core_s} s", row.within_h);
    }
}

#[test]
fn a_heater_that_cannot_hold_is_the_headline_with_what_would() {
    let (mut settings, mut site) = (settings(), site());
    settings.heater.power = Milliwatts::from_milliwatts(12_000);
    site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = 0.025);
    let (thermal, _, findings) = judge(&settings, &site, None);
    assert!(thermal.hold_w.value > 12.0 && thermal.reaches_c.value < thermal.release_c);
    assert!(findings[0].headline && findings[0].text.contains("cannot hold"), "{findings:?}");
    assert_eq!(thermal.warm_ups[0].permitted_h, None);
    // Doing what is proposed helps.
    let change = findings[0].change.clone().unwrap();
    let (power, thickness) = change.split_once(", or ").expect("two ways");
    let watts: u32 = power.trim_matches(|c: char| !c.is_ascii_digit()).parse().unwrap();
    let mut stronger = settings.clone();
    stronger.heater.power = Milliwatts::from_milliwatts(watts * 1000);
    assert!(judge(&stronger, &site, None).2[0].text.contains("the heater holds"), "{change}");
    let millimetres: f64 = thickness.split(' ').next().unwrap().parse().unwrap();
    site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = millimetres / 1000.0);
    assert!(judge(&settings, &site, None).2[0].text.contains("the heater holds"), "{change}");
}

#[test]
fn a_cut_out_on_the_way_is_told_with_a_power_that_needs_none() {
    let (mut settings, site) = (settings(), site());
    settings.heater.power = Milliwatts::from_milliwatts(900_000);
    let (thermal, _, findings) = judge(&settings, &site, None);
    assert!(thermal.warm_ups[0].is_cut_out);
    let told = findings.iter().find(|finding| finding.text.contains("a cut-out switches")).expect("told");
    assert_eq!(told.severity, Severity::Change);
    assert!(told.change.as_ref().unwrap().contains("warms up in"), "{told:?}");
}

#[test]
fn checks_of_the_heater_that_a_sound_one_fails_are_told() {
    let (mut settings, site) = (settings(), site());
    let (_, _, findings) = judge(&settings, &site, None);
    assert!(findings.iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
    settings.heater.proof = Some(Proof {
        energy: forewarm_core::quantity::Joules::from_joules(3600),
        rise: forewarm_core::quantity::Kelvins::from_millikelvins(5_000),
        pad_rise: forewarm_core::quantity::Kelvins::from_millikelvins(5_000),
    });
    settings.heater.cooling = Some(forewarm_core::settings::Cooling {
        after: Millis::from_secs(60),
        excess: forewarm_core::quantity::Kelvins::from_millikelvins(1_000),
    });
    let (_, _, findings) = judge(&settings, &site, None);
    assert!(findings.iter().any(|finding| finding.text.contains("taken for a broken one")), "{findings:?}");
    assert!(findings.iter().any(|finding| finding.text.contains("stuck on")), "{findings:?}");
}

#[test]
fn a_trial_that_cannot_tell_plate_from_air_or_fails_in_a_bank_that_cools_is_told() {
    let (mut settings, mut site) = (settings(), site());
    let kelvins = forewarm_core::quantity::Kelvins::from_millikelvins;
    let told = |settings: &Settings, site: &Site, text: &str| {
        let (_, _, findings) = judge(settings, site, None);
        findings.iter().any(|finding| finding.severity == Severity::Change && finding.text.contains(text))
    };
    let pads: Vec<usize> = (0..settings.channels.len()).filter(|&n| settings.channels[n].role == Role::Pad).collect();
    assert!(!pads.is_empty());
    let energy = forewarm_core::quantity::Joules::from_joules(216_000);
    settings.heater.proof = Some(Proof { energy, rise: kelvins(1_000), pad_rise: kelvins(500) });
    assert!(told(&settings, &site, "is not noticed"));
    settings.heater.proof = Some(Proof { energy, rise: kelvins(1_000), pad_rise: kelvins(20_000) });
    assert!(told(&settings, &site, "one that has come off"));
    // So weak that the bank goes on cooling.
    site.place.design_min_c = -32.0;
    settings.heater.power = Milliwatts::from_milliwatts(3_000);
    settings.heater.proof = Some(Proof { energy, rise: kelvins(5_000), pad_rise: kelvins(5_000) });
    assert!(told(&settings, &site, "taken for a broken one"));
}

#[test]
fn thermometers_that_stick_alike_are_to_be_found_before_cells_that_they_let_charge_are_too_cold() {
    let (mut settings, mut site) = (settings(), site());
    let proposed_h = |settings: &Settings, site: &Site| {
        let (_, _, findings) = judge(settings, site, None);
        let told = findings.into_iter().find(|finding| finding.text.contains("stick alike"))?;
        let change = told.change.expect("a change");
        Some(change.strip_prefix("stuck_after_h = ").expect("a time").parse::<f64>().expect("hours"))
    };
    settings.trust.stuck_after = None;
    let never_h = proposed_h(&settings, &site).expect("never is too late");
    settings.trust.stuck_after = Some(Millis::from_secs(12 * 3600));
    assert_eq!(proposed_h(&settings, &site), Some(never_h));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hours")]
    let seconds = (never_h * 3600.0).round() as u32;
    settings.trust.stuck_after = Some(Millis::from_secs(seconds));
    assert_eq!(proposed_h(&settings, &site), None, "soon enough");

    // Step by step, with nothing wrong in the model, the cells are not colder than that by then.
    let plant = shapes(&site).plant(&site);
    let mut run = plant.at_rest(celsius(settings.charge.inhibit));
    run.set_air(air(&site));
    (0..seconds / 30).for_each(|_| run.step());
    assert!(run.temperatures().coldest_cell_c() >= site.battery.hard_limit_c);
    // They take longer where the box is better.
    settings.trust.stuck_after = None;
    for layer in &mut site.enclosure.walls {
        layer.thickness_m *= 2.0;
    }
    assert!(proposed_h(&settings, &site).expect("still never") > never_h);
}

#[test]
fn a_place_that_needs_no_heat_has_nothing_to_warm_up() {
    let (settings, mut site) = (settings(), site());
    site.place.design_min_c = 15.0;
    let (thermal, _, findings) = judge(&settings, &site, None);
    assert_eq!((thermal.hold_w.value, thermal.warm_ups.len()), (0.0, 0));
    assert!(findings.iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
    assert!(thermal.powers.iter().all(|row| row.power_w.value == 0.0));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    /// What the placement at release promises: however the heater comes and goes below its cut-outs, when a channel has been above release for the soak
    /// time without a break, no layer that it answers for is colder than release less the placement, everything being as written
    /// down.
    #[test]
    fn no_history_of_the_heater_ends_a_soak_with_a_colder_layer(
        spot in spots(),
        lying in any::<bool>(),
        start_c in -20.0..0.0_f64,
        // How long it is on and off in turns, in half minutes; longer on than off, so that it gets somewhere.
        turns in prop::collection::vec((1..40_u32, 1..12_u32), 1..40),
        soak_min in 5..60_u32,
    ) {
        let (mut settings, mut site) = (settings(), site());
        settings.charge.soak = Millis::from_secs(soak_min * 60);
        site.mountings[0] = Mounting { at: spot, ..site.mountings[0] };
        site.tolerance = EXACT;
        // At the base of lying cells a thermometer reads the plate, which half a minute of heat warms by kelvins.
        prop_assume!(!(lying && spot == Spot::Base(0)));
        if lying {
            site.battery.conductivity_up_w_per_m_k = 0.6;
            site.battery.conductivity_across_w_per_m_k = 15.0;
        }
        let (thermal, placements, _) = judge(&settings, &site, None);
        let heater_w = thermal.heater_w.value;
        let plant = shapes(&site).plant(&site);
        let mut run = plant.at_rest(start_c);
        run.set_air(Air { outside_c: start_c, ..air(&site) });
        let (mut above_s, mut is_cut_out) = (0.0, false);
        'course: for (on, off) in turns.iter().cycle().take(400) {
            for step in 0..on + off {
                let now = run.temperatures();
                above_s = if now.sensors_c[0] > thermal.release_c { above_s + STEP_S } else { 0.0 };
                if above_s > f64::from(soak_min) * 60.0 {
                    let layers = answers_for(spot, 2);
                    let coldest = layers.iter().flat_map(|&b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                    let promised = thermal.release_c - placements[0].given.warm_bias_k;
                    // What the heater adds within one step of the half minute that hovering is done in, and the self-heating.
                    prop_assert!(coldest >= promised - 0.15, "{coldest} °C, promised {promised} °C");
                    break 'course;
                }
                // The default cut-outs: 30 °C in the cells and the air, 50 °C on the plate, again 5 K below.
                let below = |by: f64| {
                    let cutouts = [30.0, 30.0, 50.0, 30.0];
                    now.sensors_c.iter().zip(cutouts).all(|(t, cutout)| *t < cutout - by)
                };
                is_cut_out = !below(if is_cut_out { 5.0 } else { 0.0 });
                let is_on = step < *on && !is_cut_out;
                run.set_heat(Heat { heater_w: if is_on { heater_w } else { 0.0 }, bank_w: 0.0 });
                run.step();
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    /// What the placement at inhibit promises: as long as a channel shows more than the inhibit threshold, however the heater comes and
    /// goes at the design minimum, no layer that it answers for is colder than inhibit less the placement.
    #[test]
    fn no_history_of_the_heater_leaves_a_colder_layer_while_permission_is_kept(
        spot in spots(),
        lying in any::<bool>(),
        holds in any::<bool>(),
        turns in prop::collection::vec((1..20_u32, 1..200_u32), 1..20),
    ) {
        let (mut settings, mut site) = (settings(), site());
        site.mountings[0] = Mounting { at: spot, ..site.mountings[0] };
        site.tolerance = EXACT;
        settings.heater.hold = if holds { Hold::WhileCharging } else { Hold::Never };
        if lying {
            site.battery.conductivity_up_w_per_m_k = 0.6;
            site.battery.conductivity_across_w_per_m_k = 15.0;
        }
        let (thermal, placements, _) = judge(&settings, &site, None);
        let inhibit_c = celsius(settings.charge.inhibit);
        let plant = shapes(&site).plant(&site);
        let mut run = plant.at_rest(thermal.release_c);
        run.set_air(air(&site));
        'course: for (on, off) in turns.iter().cycle().take(400) {
            for step in 0..on + off {
                let now = run.temperatures();
                if now.sensors_c[0] <= inhibit_c || now.sensors_c[0] > 30.0 {
                    break 'course;
                }
                let layers = answers_for(spot, 2);
                let coldest = layers.iter().flat_map(|&b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                let promised = inhibit_c - placements[0].kept.warm_bias_k;
                prop_assert!(coldest >= promised - 0.1, "{coldest} °C, promised {promised} °C");
                let is_on = step < *on && holds;
                run.set_heat(Heat { heater_w: if is_on { thermal.heater_w.value } else { 0.0 }, bank_w: 0.0 });
                run.step();
            }
        }
    }
}

#[test]
fn what_is_said_of_a_heater_that_cannot_hold_agrees_with_its_warm_ups() {
    let (mut settings, site) = weak(Hold::WhileCharging, Spot::Between(0));
    let (thermal, _, findings) = judge(&settings, &site, None);
    assert!(thermal.warm_ups[0].permitted_h.is_none() && thermal.warm_ups[0].energy_wh.is_none());
    assert!(findings[0].text.ends_with("charge is never permitted while it is as cold as that"), "{findings:?}");
    // Strong enough for the channels, at the base, not for the top.
    let mut site = site;
    site.mountings[0].at = Spot::Base(0);
    site.mountings[1].at = Spot::Base(1);
    let enough_w = (50..400).step_by(10).find(|watts| {
        settings.heater.power = Milliwatts::from_milliwatts(watts * 1000);
        let (thermal, ..) = judge(&settings, &site, None);
        thermal.warm_ups[0].permitted_h.is_some() && thermal.hold_w.value > thermal.heater_w.value
    });
    assert!(enough_w.is_some(), "no such heater");
    let (_, _, findings) = judge(&settings, &site, None);
    assert!(findings[0].headline && !findings[0].text.contains("never permitted"), "{findings:?}");
    assert!(!findings.iter().any(|finding| finding.severity == Severity::Fine), "{findings:?}");
}

#[test]
fn a_coldest_place_that_the_stop_threshold_keeps_cold_is_told_as_such() {
    let (mut settings, mut site) = weak(Hold::WhileCharging, Spot::Base(0));
    site.mountings[1].at = Spot::Base(1);
    settings.heater.power = Milliwatts::from_milliwatts(300_000);
    let (thermal, _, findings) = judge(&settings, &site, None);
    let report = &thermal.warm_ups[0];
    assert!(report.permitted_h.is_some() && report.coldest_place_h.is_none() && report.stops_first, "{report:?}");
    assert!(findings.iter().any(|finding| finding.text.contains("for the heater goes off at")), "{findings:?}");
}

#[test]
fn a_power_that_no_pad_may_give_is_marked_and_not_proposed() {
    let (mut settings, mut site) = (settings(), site());
    settings.heater.power = Milliwatts::from_milliwatts(900_000);
    (site.pad.length_m, site.pad.width_m) = (0.2, 0.1);
    let (thermal, ..) = judge(&settings, &site, None);
    for row in &thermal.powers {
        // 0.3 W/cm² on 200 cm², at 15 V where the power is stated for 12.8 V.
        let most_w = 60.0 * squared(12.8 / 15.0);
        assert_eq!(row.is_beyond_pad, row.power_w.value > most_w, "{row:?}");
    }
    // So small that none of the powers is for it.
    (site.pad.length_m, site.pad.width_m) = (0.05, 0.04);
    let (_, _, findings) = judge(&settings, &site, None);
    let told = findings.iter().find(|finding| finding.text.contains("a cut-out switches")).expect("told");
    assert!(!told.change.as_ref().unwrap().contains("warms up in"), "{told:?}");
}

/// What the budget of a channel comes to, where it shows release and where it shows inhibit (K).
fn known_k(settings: &Settings, site: &Site, placements: &[Placements], channel: usize) -> [f64; 2] {
    let chain = Chain {
        channel: &settings.channels[channel],
        mounting: &site.mountings[channel],
        converter: &site.converter,
        leads_c: (-20.0, 40.0),
        air_share_spread: 0.0,
    };
    let Placements { given, kept, .. } = &placements[channel];
    [chain.budget(8.0, given), chain.budget(5.0, kept)].map(|budget| budget.bias_k)
}

/// Air that is colder than the cells takes something off a reading, and whoever covers the element takes that away again.
#[test]
fn a_larger_share_of_air_never_makes_the_guard_band_smaller() {
    for spot in [Spot::Base(0), Spot::Between(0), Spot::Top(0), Spot::Side(0), Spot::End(0)] {
        let mut before = [0.0; 2];
        for air_share in [0.0, 0.05, 0.2, 0.5] {
            let (settings, mut site) = (settings(), site());
            site.tolerance = EXACT;
            site.mountings[0] = Mounting { at: spot, air_share, ..site.mountings[0] };
            let (_, placements, _) = judge(&settings, &site, None);
            let now = known_k(&settings, &site, &placements, 0);
            assert!(now[0] >= before[0] && now[1] >= before[1], "{spot:?}, {air_share}: {now:?} after {before:?}");
            before = now;
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    /// What placement and air promise together: however cold a bank is when a warm spell comes or its room is lit, and whatever the
    /// heater does to it, once a channel shows more than release, no place that it answers for is colder than the budget allows.
    #[test]
    fn no_warm_spell_shows_release_with_a_colder_cell_than_the_budget_allows(
        spot in spots(),
        air_share in 0.0..0.5_f64,
        start_c in -20.0..0.0_f64,
        room_c in prop::option::of(18.0..40.0_f64),
        thickness_m in 0.005..0.08_f64,
        air_changes_per_h in 0.0..20.0_f64,
        part in 0.0..1.0_f64,
    ) {
        let (settings, mut site) = (settings(), site());
        site.mountings[0] = Mounting { at: spot, air_share, ..site.mountings[0] };
        site.tolerance = EXACT;
        site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = thickness_m);
        site.enclosure.air_changes_per_h = air_changes_per_h;
        site.place.exposure = 0.0;
        let daily = || "daily 00:00-24:00".parse().expect("a schedule");
        site.room = room_c.map(|room_c| Room { warmer_k: 0.0, scheduled: Some((room_c, daily())) });
        let (_, placements, _) = judge(&settings, &site, None);
        let [promised_k, _] = known_k(&settings, &site, &placements, 0);
        let plant = shapes(&site).plant(&site);
        let mut run = plant.at_rest(start_c);
        run.set_air(Air { outside_c: room_c.map_or(25.0, |room_c| room_c.max(25.0)), ..air(&site) });
        // Little heat: whoever heats much is the concern of the soak, and of the property above.
        run.set_heat(Heat { heater_w: 5.0 * part, bank_w: 0.0 });
        for _ in 0..4 * 2880 {
            let now = run.temperatures();
            if now.sensors_c[0] > 8.0 {
                let coldest = answers_for(spot, 2).into_iter().flat_map(|b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                // A thermometer that lags, and what little the heat adds.
                prop_assert!(coldest >= 8.0 - promised_k - 0.1, "{coldest} °C, promised {promised_k} K");
                break;
            }
            run.step();
        }
    }
}

/// A bank that a mild day has warmed, with a heater that never warms it up from the design minimum and cannot hold it there.
fn weak(hold: Hold, at: Spot) -> (Settings, Site) {
    let (mut settings, mut site) = (settings(), site());
    settings.heater.power = Milliwatts::from_milliwatts(40_000);
    settings.heater.hold = hold;
    site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = 0.005);
    site.battery.conductivity_up_w_per_m_k = 0.8;
    site.battery.conductivity_across_w_per_m_k = 15.0;
    site.mountings[0] = Mounting { at, lag_s: 300.0, ..site.mountings[0] };
    site.mountings[1] = Mounting { at, lag_s: 300.0, ..site.mountings[1] };
    site.tolerance = EXACT;
    (settings, site)
}

#[test]
fn the_placement_covers_a_permitted_bank_that_the_heater_cannot_warm_up() {
    for hold in [Hold::Never, Hold::WhileCharging] {
        let (settings, site) = weak(hold, Spot::Between(0));
        let (thermal, placements, _) = judge(&settings, &site, None);
        assert_eq!(thermal.warm_ups[0].permitted_h, None);
        let inhibit_c = celsius(settings.charge.inhibit);
        let plant = shapes(&site).plant(&site);
        let powers = if hold == Hold::Never { vec![0.0] } else { vec![0.0, thermal.heater_w.value] };
        for heater_w in powers {
            let mut run = plant.at_rest(thermal.release_c);
            run.set_air(air(&site));
            run.set_heat(Heat { heater_w, bank_w: 0.0 });
            while run.temperatures().sensors_c[0] > inhibit_c {
                run.step();
            }
            let promised = inhibit_c - placements[0].kept.warm_bias_k;
            let coldest = run.coldest_cell_c();
            assert!(coldest >= promised - 0.1, "{hold:?}, {heater_w} W: {coldest} °C, promised {promised} °C");
            assert!(coldest < inhibit_c - 0.5, "nothing to promise: {coldest} °C");
        }
    }
}

#[test]
fn the_placement_covers_every_steady_state_in_which_permission_is_kept() {
    for (hold, ground_c) in [(Hold::Never, 15.0), (Hold::WhileCharging, 15.0), (Hold::WhileCharging, -2.0)] {
        let (settings, mut site) = weak(hold, Spot::Base(0));
        site.place.stands_on = StandsOn::Ground(ground_c);
        let (thermal, placements, _) = judge(&settings, &site, None);
        let inhibit_c = celsius(settings.charge.inhibit);
        let plant = shapes(&site).plant(&site);
        let powers: &[f64] = if hold == Hold::Never { &[0.0] } else { &[0.0, 0.3, 1.0] };
        let mut deepest_k: f64 = 0.0;
        for tenths in -200..=200_i32 {
            for part in powers {
                let heat = Heat { heater_w: part * thermal.heater_w.value, bank_w: 0.0 };
                let now = plant.steady(f64::from(tenths) / 10.0, site.place.design_wind_m_s, heat);
                if now.sensors_c[0] > inhibit_c {
                    let coldest = now.cells_c(0).fold(f64::INFINITY, f64::min);
                    deepest_k = deepest_k.max(inhibit_c - coldest);
                }
            }
        }
        let promised_k = placements[0].kept.warm_bias_k;
        assert!(deepest_k <= promised_k + 0.05, "{hold:?}: {deepest_k} K, promised {promised_k} K");
        assert!(deepest_k > 0.5, "nothing to promise: {deepest_k} K");
    }
}

#[test]
fn uncertainties_add_by_their_squares_and_each_is_that_of_a_rectangular_half_width() {
    let (settings, mut site) = (settings(), site());
    let hold = |site: &Site| judge(&settings, site, None).0.hold_w;
    let with = |tolerance: Tolerance| Site { tolerance, ..site.clone() };
    let insulation = hold(&with(Tolerance { insulation: 0.15, ..EXACT })).expanded_uncertainty;
    let air = hold(&with(Tolerance { air_changes: 1.0, ..EXACT })).expanded_uncertainty;
    let both = hold(&with(Tolerance { insulation: 0.15, air_changes: 1.0, ..EXACT }));
    assert!((both.expanded_uncertainty - libm::hypot(insulation, air)).abs() < 1e-9);
    assert!(hold(&with(EXACT)).expanded_uncertainty.abs() < 1e-12);
    let conductivity = site.enclosure.walls[0].material.conductivity_w_per_m_k;
    let moved = [0.85, 1.15].map(|part| {
        let moved = conductivity * part;
        site.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k = moved);
        (hold(&site).value - both.value).abs()
    });
    let expected = 2.0 * moved[0].max(moved[1]) / 3_f64.sqrt();
    assert!((insulation - expected).abs() < 1e-9, "{insulation}, not {expected}");
}

#[test]
fn a_warmer_place_and_a_shorter_soak_ask_for_more_guard_band() {
    let given = |at: Spot, soak_min: u32| {
        let (mut settings, mut site) = (settings(), site());
        assert_eq!(settings.channels[0].role, Role::Cell);
        settings.charge.soak = Millis::from_secs(soak_min * 60);
        site.mountings[0] = Mounting { at, ..site.mountings[0] };
        judge(&settings, &site, None).1[0].given.warm_bias_k
    };
    let (base, between, top) = (given(Spot::Base(0), 5), given(Spot::Between(0), 5), given(Spot::Top(0), 5));
    assert!(base > between + 0.2 && between > top + 0.2, "{base}, {between}, {top}");
    assert!(given(Spot::Base(0), 30) < base - 0.2);
}

/// A search asks for no more, and must not find anything else.
#[test]
fn a_study_for_findings_alone_finds_what_the_whole_one_does() {
    let texts = |findings: Vec<Finding>| findings.into_iter().map(|finding| finding.text).collect::<Vec<_>>();
    for power_w in [8, 15, 60, 700] {
        let (mut settings, site) = (settings(), site());
        settings.heater.power = Milliwatts::from_milliwatts(power_w * 1000);
        let (whole, placements, findings) = judge(&settings, &site, None);
        let (lean, same, few) = super::judge(&settings, &site, Detail::Findings, &shapes(&site));
        assert_eq!(texts(few), texts(findings), "{power_w} W");
        assert_eq!(format!("{same:?}"), format!("{placements:?}"), "{power_w} W");
        assert_eq!(format!("{:?}", lean.warm_ups), format!("{:?}", whole.warm_ups), "{power_w} W");
    }
}
