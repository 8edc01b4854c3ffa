//! The installation in words.

use crate::cell;
use crate::figures::plain;
use crate::installation::Installation;
use crate::si::{self, written_c};
use crate::site::{Layer, Site, StandsOn};
use forewarm_core::settings::{BankUse, Role};

/// Sentences about bank, box and place; about the heater and its energy; about what watches.
pub(super) fn sentences(installation: &Installation, site: &Site) -> Vec<String> {
    vec![bank(installation, site), heat(installation, site), watch(installation, site)]
}

fn bank(installation: &Installation, site: &Site) -> String {
    let battery = &site.battery;
    let bank_v = f64::from(battery.cells_in_series) * cell::NOMINAL_V;
    let capacity_ah = si::amp_hours(installation.settings.charge.capacity);
    let count = match battery.count {
        1 => "one lithium iron phosphate battery".to_owned(),
        count => format!("{count} lithium iron phosphate batteries in parallel"),
    };
    let place = match (&site.room, site.place.stands_on) {
        (Some(room), _) => room.to_string(),
        (None, StandsOn::Air) => "outside air is around the box and under it".to_owned(),
        (None, StandsOn::Ground(_)) => "outside air is around the box".to_owned(),
    };
    let ground = match site.place.stands_on {
        StandsOn::Air => String::new(),
        StandsOn::Ground(ground_c) => format!(", and it stands on ground of {} °C", plain(ground_c)),
    };
    format!(
        "The bank is {count}, {} V and {} Ah in all, in a box insulated with {}; {place}{ground}. It is planned for {} °C outside.",
        plain(bank_v),
        plain(capacity_ah),
        insulation(&site.enclosure.walls),
        plain(site.place.design_min_c)
    )
}

fn insulation(walls: &[Layer]) -> String {
    let insulating: Vec<&Layer> = walls.iter().filter(|layer| layer.insulates()).collect();
    if insulating.is_empty() {
        return "nothing that insulates".to_owned();
    }
    let told = |layer: &&Layer| format!("{} mm of {}", plain(layer.thickness_m * 1000.0), layer.name.replace('_', " "));
    insulating.iter().map(told).collect::<Vec<_>>().join(" and ")
}

fn heat(installation: &Installation, site: &Site) -> String {
    let settings = &installation.settings;
    let fed = site.fed_by.and_then(|source| installation.sources.get(source));
    let feed = fed.map_or_else(|| "the bank's own wires".to_owned(), |name| format!("“{name}” alone"));
    let sources = match &installation.sources[..] {
        [] => "No source of energy is named".to_owned(),
        names => format!("Energy comes from {}", joined(names)),
    };
    let bank = match settings.bank {
        BankUse::Never => "the bank's own charge is never spent on heat",
        BankUse::WithSource(_) => "the bank makes up what a source lacks, down to its reserve",
        BankUse::Always(_) => "the bank may be spent on heat at any time, down to its reserve",
    };
    format!(
        "A heater pad of {} W at {} V lies under a plate of {} mm below the batteries, and is fed from {feed}. {sources}; {bank}.",
        plain(si::watts(settings.heater.power)),
        plain(si::volts(settings.heater.nominal)),
        plain(site.plate.thickness_m * 1000.0)
    )
}

fn watch(installation: &Installation, site: &Site) -> String {
    let settings = &installation.settings;
    let count = |wanted: fn(&Role) -> bool| settings.channels.iter().filter(|channel| wanted(&channel.role)).count();
    let counted = |count: usize, what: &str| match count {
        0 => None,
        1 => Some(format!("1 {what}")),
        count => Some(format!("{count} {what}")),
    };
    let watched = [
        counted(count(|role| *role == Role::Cell), "at the cells"),
        counted(count(|role| *role == Role::Pad), "on the plate"),
        counted(count(|role| *role == Role::Ambient), "in the air of the box"),
    ];
    let watched = joined(&watched.into_iter().flatten().collect::<Vec<_>>());
    let cutouts = match site.thermal_cutouts.len() {
        0 => "The file names no thermal cut-out that works without the controller".to_owned(),
        1 => "A thermal cut-out opens the heater's circuit without the controller".to_owned(),
        2 => "Two thermal cut-outs in series open the heater's circuit without the controller".to_owned(),
        count => format!("{count} thermal cut-outs in series open the heater's circuit without the controller"),
    };
    format!(
        "A controller reads platinum thermometers ({watched}). At or below {} °C it refuses charge. It first warms the cells \
         above {} °C, waits {} min for the heat to reach their middle, and then permits charge. {cutouts}.",
        plain(written_c(settings.charge.inhibit)),
        plain(written_c(settings.charge.release)),
        plain(si::seconds(settings.charge.soak) / 60.0)
    )
}

/// `a`, `a and b`, `a, b and c`
fn joined(words: &[String]) -> String {
    match words.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}
