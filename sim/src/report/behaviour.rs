//! What to expect: figures of the plan, and pictures of the bank's warmth, of one warm-up, and of the winter.

use crate::chart;
use crate::faults::together;
use crate::figures::plain;
use crate::offer::Offer;
use crate::plan::thermal::Shapes;
use crate::plan::{Plan, Subject, section};
use crate::rehearse::{Cast, Film, Pace, Rehearsal, Scenario, figures, play};
use crate::variation::Variation;
use crate::weather::Point;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Sources;
use serde::Serialize;
use std::sync::atomic::{AtomicBool, Ordering};

/// When the sources come on in the warm-up that is shown (s).
const FED_FROM_S: i64 = 3600;
/// Least and most length of that (s).
const SHOWN_S: (f64, f64) = (6.0 * 3600.0, 72.0 * 3600.0);
/// The tables of the season that the report shows.
const TABLES: [&str; 2] = ["Charge", "Heat"];

/// What to expect.
#[derive(Clone, Debug, Serialize)]
pub struct Behaviour {
    /// Figures, each with what it is.
    pub figures: Vec<(String, String)>,
    /// What the rehearsed winter came to; empty without one.
    pub winter: Vec<String>,
    /// Whether charge was permitted in it with a cell below its hard limit.
    pub did_harm: bool,
    /// Figures of that under their titles; with leading blanks in the name of one that is part of the one above it.
    pub winter_figures: Vec<(String, Vec<(String, String)>)>,
    /// Pictures, which the page alone has.
    #[serde(skip)]
    pub(super) pictures: Vec<Picture>,
}

/// A picture with what to see in it.
#[derive(Clone, Debug)]
pub(super) struct Picture {
    pub(super) title: &'static str,
    pub(super) caption: String,
    pub(super) svg: String,
}

/// What the plan says.
pub(super) fn planned(plan: &Plan) -> Vec<(String, String)> {
    let thermal = &plan.thermal;
    let coldest = plain(thermal.design_min_c);
    let mut rows = vec![
        (format!("power that holds the bank just above release at {coldest} °C outside"), thermal.hold_w.text("W")),
        ("power of the heater".to_owned(), thermal.heater_w.text("W")),
        (format!("energy to hold it through a night of {} h", plain(thermal.night_h)), thermal.night_wh.text("Wh")),
        ("the same as a part of the bank".to_owned(), thermal.night_pct_of_bank.text("%")),
    ];
    for warm_up in &thermal.warm_ups {
        let start = plain(warm_up.start_c);
        let value = match (warm_up.permitted_h, warm_up.energy_wh) {
            (Some(hours), Some(energy)) => format!("{}, {}", hours.text("h"), energy.text("Wh")),
            _ => "not within three days".to_owned(),
        };
        rows.push((format!("from everything at {start} °C to the charge permit"), value));
    }
    rows
}

/// Plan, warm-up and winter. `scenario` is `None` where there is no weather to play.
pub(super) fn of(
    subject: &Subject<'_>,
    plan: &Plan,
    shapes: &Shapes,
    scenario: Option<&Scenario>,
    stop: &AtomicBool,
) -> Behaviour {
    let mut behaviour = Behaviour {
        figures: planned(plan),
        winter: Vec::new(),
        did_harm: false,
        winter_figures: Vec::new(),
        pictures: Vec::new(),
    };
    behaviour.pictures.push(Picture {
        title: "Where the bank is cold",
        caption: "A cut through the box. The heater holds the coldest place just warm enough for charge, on the coldest day that \
             this is planned for. Numbers on lines are temperatures; each thermometer is shown with what it reads."
            .to_owned(),
        svg: chart::section(&section::warmth(subject, shapes)),
    });
    let Some(scenario) = scenario else { return behaviour };
    let clip = warm_up(scenario, plan);
    let mut film = Film::new(&clip, "");
    let outcome = play(&clip, &Variation::default(), Pace::Leaping, &mut film, stop);
    let mut season = film.develop(outcome.span_s);
    // No real date: a day that is as cold as planned for.
    season.clock.start = None;
    behaviour.pictures.push(Picture {
        title: "One warm-up in detail",
        caption: format!(
            "Everything begins as cold as planned for ({} °C outside). After an hour the sources come on. The heater works until \
             the cells are warm; the soak passes; charge is permitted.",
            plain(clip.site.place.design_min_c)
        ),
        svg: chart::drawing(&season),
    });
    if stop.load(Ordering::Relaxed) {
        return behaviour;
    }
    winter(scenario, &mut behaviour, stop);
    behaviour
}

/// The season of the file.
fn winter(scenario: &Scenario, behaviour: &mut Behaviour, stop: &AtomicBool) {
    let (rehearsal, season, ()) =
        Rehearsal::filmed(scenario.clone(), ("", ""), Cast::AsWritten, Pace::Leaping, (), stop);
    let did_harm = rehearsal.did_harm();
    let summary = figures(&[rehearsal], &[String::new()]);
    // Who reads this has no use for the number of steps.
    let told =
        |line: &String| line.split("; ").filter(|part| !part.contains(" steps of ")).collect::<Vec<_>>().join("; ");
    behaviour.winter = summary.lead.iter().map(told).collect();
    behaviour.did_harm = did_harm;
    let tables = summary.tables.into_iter().filter(|table| TABLES.contains(&&*table.title));
    let figure = |row: chart::TableRow| Some((row.name, row.values.into_iter().next()?));
    behaviour.winter_figures =
        tables.map(|table| (table.title, table.rows.into_iter().filter_map(figure).collect())).collect();
    behaviour.pictures.push(Picture {
        title: "A winter",
        caption: "The season of the file, rehearsed with this controller and a model of the bank: temperatures above; below, \
             when charge was permitted, when the heater was on, and which sources were there."
            .to_owned(),
        svg: chart::drawing(&season),
    });
}

/// A day as cold as planned for, on which the sources come on.
fn warm_up(scenario: &Scenario, plan: &Plan) -> Scenario {
    let mut site = scenario.site.clone();
    let place = site.place;
    site.winter.start_c = Some(site.design_air_c());
    site.winter.start_charge = 0.5;
    // Nobody is there to warm the room.
    if let Some(room) = &mut site.room {
        room.scheduled = None;
    }
    let point =
        |at_s| Point { at_s, outside_c: place.design_min_c, wind_m_s: place.design_wind_m_s, irradiance_w_m2: 0.0 };
    let (mut power_w, mut sources) = ([0.0; MAX_SOURCES], Sources::NONE);
    for index in together(&scenario.settings, None) {
        power_w[index] = site.supplies[index].power_w;
        sources = sources.with(index);
    }
    let load_w = site.load.constant_w;
    let nothing = Offer { at_s: 0, sources: Sources::NONE, power_w: [0.0; MAX_SOURCES], load_w };
    let fed = Offer { at_s: FED_FROM_S, sources, power_w, load_w };
    let permitted_h = plan.thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h);
    let wanted_s = permitted_h.map_or(SHOWN_S.1, |hours| (hours.value * 1.5 + 2.0) * 3600.0);
    #[expect(clippy::cast_possible_truncation, reason = "three days at most")]
    let span_s = wanted_s.clamp(SHOWN_S.0, SHOWN_S.1) as i64;
    let mut weather = scenario.weather.clone();
    weather.points = vec![point(0), point(span_s + 86_400)];
    Scenario {
        title: "a day as cold as planned for".to_owned(),
        site,
        weather,
        offers: vec![nothing, fed],
        span_s,
        broken: Vec::new(),
        ..scenario.clone()
    }
}
