//! What a file leaves open, and what each of it may be.

use crate::class::Class;
use crate::edit::{Draft, Edit, Home, Names};
use crate::finding::Part;
use crate::heater::Heater;
use crate::installation::Installation;
use crate::materials::INSULATIONS;
use crate::plan::Plan;
use crate::si;
use crate::site::{BankMeasured, Presence, Site};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{BankUse, Key, Reserve, Role};

/// One thing that may be chosen.
#[derive(Clone, Debug)]
pub(super) struct Choice {
    pub(super) what: What,
    pub(super) levels: Vec<Level>,
    /// The level of the file.
    pub(super) written: usize,
    /// Whether the levels are in the order of a quantity, so that a step leads to the next of them.
    pub(super) is_ordered: bool,
}

/// What a choice is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    Power,
    Thickness,
    Material,
    Places,
    Wiring,
    Class,
    Soak,
    Thresholds,
    Stop,
    Bank,
    Sun,
}

impl What {
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Power => "heater power",
            Self::Thickness => "thickness of the insulation",
            Self::Material => "its material",
            Self::Places => "places of the thermometers",
            Self::Wiring => "their wiring",
            Self::Class => "their class",
            Self::Soak => "soak",
            Self::Thresholds => "charge thresholds",
            Self::Stop => "where the heater stops",
            Self::Bank => "whether the bank is spent on heat, and its reserve",
            Self::Sun => "from how much sun on a panel heats",
        }
    }

    /// Whether it can change what `plan` says of that part.
    const fn concerns(self, part: Part) -> bool {
        match self {
            Self::Power => !matches!(part, Part::Measurement),
            Self::Thickness | Self::Material => matches!(part, Part::Thermal),
            Self::Places | Self::Wiring | Self::Class | Self::Soak | Self::Thresholds => {
                matches!(part, Part::Measurement)
            }
            Self::Stop => matches!(part, Part::Measurement | Part::Sources),
            Self::Bank | Self::Sun => matches!(part, Part::Sources),
        }
    }

    /// The same for any of some parts.
    pub(super) fn concerns_any(self, parts: &[Part]) -> bool {
        parts.iter().any(|&part| self.concerns(part))
    }
}

/// What a choice may be.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Level {
    /// As in the file.
    AsWritten,
    /// Other values in the file.
    Edits(Vec<Edit>),
    /// The lowest charge thresholds that every error of the thermometers leaves safe.
    LeastThresholds,
    /// The heater stops so far above release (K).
    StopAbove(f64),
}

/// Powers in which pads are proposed (W). Common practice, no source.
const POWERS_W: [f64; 21] = [
    20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0, 180.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0,
    800.0, 1000.0, 1500.0, 2000.0,
];

/// Thicknesses of boards (mm). Common practice, no source.
const THICKNESSES_MM: [f64; 9] = [20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0];

/// How many thicker boards than the present one are looked at.
const MOST_THICKER: usize = 4;

const SOAKS_MIN: [f64; 6] = [15.0, 20.0, 30.0, 45.0, 60.0, 90.0];
const STOPS_ABOVE_K: [f64; 5] = [2.0, 3.0, 4.0, 6.0, 9.0];
const RESERVES_PCT: [f64; 3] = [30.0, 50.0, 70.0];
/// From a reserve to where the bank is spent again (%).
const RESUMES_ABOVE_PCT: f64 = 10.0;
const SUNS_W_M2: [f64; 7] = [50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 600.0];

/// Everything that `installation` leaves open. `plan` is its plan, and `site` its site.
pub(super) fn choices(installation: &Installation, draft: &Draft, site: &Site, plan: &Plan) -> Vec<Choice> {
    let mut all = vec![
        power(installation, site),
        thickness(draft, site),
        material(draft, site),
        places(plan),
        wiring(installation),
        class(installation, site),
        soak(installation),
        Choice::new(What::Thresholds, [Level::LeastThresholds], false),
        Choice::new(What::Stop, STOPS_ABOVE_K.map(Level::StopAbove), false),
        bank(installation, draft, site),
    ];
    all.extend(suns(site));
    let names = Names { channels: &installation.channels, sources: &installation.sources };
    let is_free = |edits: &[Edit]| edits.iter().all(|edit| installation.fixed.holds(edit, &names).is_none());
    let thresholds = [("charge", "inhibit_c"), ("charge", "release_c"), ("heater", "start_c"), ("heater", "stop_c")];
    let thresholds = thresholds.map(|(section, key)| Edit::away(Home::Section(section), key));
    for choice in &mut all {
        let written = choice.levels.remove(choice.written);
        let before = choice.levels.len().min(choice.written);
        let keep = |level: &Level| match level {
            Level::AsWritten => true,
            Level::Edits(edits) => is_free(edits),
            Level::LeastThresholds => is_free(&thresholds),
            Level::StopAbove(_) => is_free(&thresholds[3..]),
        };
        let lower = choice.levels[..before].iter().filter(|level| keep(level)).count();
        choice.levels.retain(keep);
        choice.levels.insert(lower, written);
        choice.written = lower;
    }
    all.retain(|choice| choice.levels.len() > 1);
    all
}

impl Choice {
    /// The file's own level, and others.
    fn new(what: What, others: impl IntoIterator<Item = Level>, is_ordered: bool) -> Self {
        let levels = [Level::AsWritten].into_iter().chain(others).collect();
        Self { what, levels, written: 0, is_ordered }
    }

    /// Numbers in rising order, with the file's own in its place among them.
    fn of_numbers(what: What, now: f64, numbers: impl IntoIterator<Item = (f64, Vec<Edit>)>) -> Self {
        let others: Vec<_> = numbers.into_iter().filter(|(number, _)| (number - now).abs() > 1e-6).collect();
        let written = others.iter().filter(|(number, _)| *number < now).count();
        let mut levels: Vec<Level> = others.into_iter().map(|(_, edits)| Level::Edits(edits)).collect();
        levels.insert(written, Level::AsWritten);
        Self { what, levels, written, is_ordered: true }
    }
}

/// Pads that the area bears at the highest supply voltage, at the strong end of their tolerance.
fn power(installation: &Installation, site: &Site) -> Choice {
    let settings = &installation.settings;
    let now_w = si::watts(settings.heater.power);
    let at_most = Heater::of(settings, 0.0).at_supply_max.power_w * (1.0 + site.tolerance.pad_power);
    let bears_w = site.pad.most_w_per_m2 * site.pad.area_m2() * now_w / at_most;
    let powers = POWERS_W.into_iter().filter(|&power_w| power_w <= bears_w && power_w >= now_w / 4.0);
    let one = |power_w| (power_w, vec![Edit::number(Home::Section("heater"), "power_w", power_w)]);
    Choice::of_numbers(What::Power, now_w, powers.map(one))
}

/// Thicker boards of the best insulation that the walls have.
fn thickness(draft: &Draft, site: &Site) -> Choice {
    let walls = &site.enclosure.walls;
    let conducts = |index: &usize| walls[*index].material.conductivity_w_per_m_k;
    let insulating = (0..walls.len()).filter(|&index| walls[index].insulates());
    let Some(best) = insulating.min_by(|a, b| conducts(a).total_cmp(&conducts(b))) else {
        return Choice::new(What::Thickness, [], true);
    };
    let now_mm = (walls[best].thickness_m * 1e6).round() / 1000.0;
    let thicker = THICKNESSES_MM.into_iter().filter(|&thick_mm| thick_mm > now_mm).take(MOST_THICKER);
    let section = Home::Section("box");
    let is_layered = draft.has(Home::Entry("box", "layers", best));
    let floor_mm = draft.value(section, "floor_thickness_mm").and_then(|floor| floor.parse::<f64>().ok());
    let one = |thick_mm: f64| {
        let home = if is_layered { Home::Entry("box", "layers", best) } else { section };
        let mut edits = vec![Edit::number(home, "thickness_mm", thick_mm)];
        let floor = floor_mm.filter(|floor_mm| *floor_mm < thick_mm);
        edits.extend(floor.map(|_| Edit::number(section, "floor_thickness_mm", thick_mm)));
        (thick_mm, edits)
    };
    Choice::of_numbers(What::Thickness, now_mm, thicker.map(one))
}

/// Materials that insulate better, for walls of one layer.
fn material(draft: &Draft, site: &Site) -> Choice {
    let section = Home::Section("box");
    let now = site.enclosure.walls.first().map_or(0.0, |wall| wall.material.conductivity_w_per_m_k);
    let is_worded = draft.value(section, "insulation").is_some();
    let better = INSULATIONS.iter().filter(|known| is_worded && known.material.conductivity_w_per_m_k < now - 1e-9);
    let mut conducts = Vec::new();
    let better = better.filter(|known| {
        // Of several that conduct alike, the first.
        let one = known.material.conductivity_w_per_m_k.to_bits();
        let is_new = !conducts.contains(&one);
        conducts.push(one);
        is_new
    });
    let levels = better.map(|known| Level::Edits(vec![Edit::word(section, "insulation", known.name)]));
    Choice::new(What::Material, levels.collect::<Vec<_>>(), false)
}

/// Each thermometer where the plan found a better place for it; and all of them there.
fn places(plan: &Plan) -> Choice {
    let each: Vec<Vec<_>> = plan
        .coldest
        .channels
        .iter()
        .filter_map(|channel| channel.better.as_ref().map(|better| better.edits.clone()))
        .collect();
    let all = (each.len() > 1).then(|| each.concat());
    Choice::new(What::Places, each.into_iter().chain(all).map(Level::Edits), false)
}

/// Four wires at every cell channel that has fewer.
fn wiring(installation: &Installation) -> Choice {
    let channels = installation.settings.channels.iter().enumerate();
    let fewer = channels.filter(|(_, channel)| channel.role == Role::Cell && channel.leads != Leads::FourWire);
    let edits: Vec<Edit> = fewer
        .flat_map(|(index, _)| {
            let home = Home::Channel(index);
            let keys = [Key::LeadLoop, Key::LeadTemperature, Key::LeadLeast, Key::LeadMost];
            let away = keys.map(|key| Edit::away(home, key.fact().name));
            [Edit::word(home, "wiring", "4-wire")].into_iter().chain(away)
        })
        .collect();
    Choice::new(What::Wiring, (!edits.is_empty()).then_some(Level::Edits(edits)), false)
}

/// Better classes for every cell channel that has not been calibrated.
fn class(installation: &Installation, site: &Site) -> Choice {
    let channels = installation.settings.channels.iter().zip(&site.mountings).enumerate();
    let open: Vec<(usize, Class)> = channels
        .filter(|(_, (channel, mounting))| channel.role == Role::Cell && mounting.calibrated_k.is_none())
        .map(|(index, (_, mounting))| (index, mounting.class))
        .collect();
    let rank = |class: Class| Class::ALL.iter().position(|&one| one == class);
    let levels = [Class::A, Class::AA].into_iter().filter_map(|class| {
        let worse = open.iter().filter(|(_, now)| rank(*now) > rank(class));
        let edits: Vec<Edit> =
            worse.map(|(index, _)| Edit::word(Home::Channel(*index), "class", class.name())).collect();
        (!edits.is_empty()).then_some(Level::Edits(edits))
    });
    Choice::new(What::Class, levels.collect::<Vec<_>>(), true)
}

fn soak(installation: &Installation) -> Choice {
    let now_min = si::seconds(installation.settings.charge.soak) / 60.0;
    let one = |soak_min| (soak_min, vec![Edit::number(Home::Section("charge"), "soak_min", soak_min)]);
    Choice::of_numbers(What::Soak, now_min, SOAKS_MIN.map(one))
}

/// Whether the bank may be spent on heat, and above which reserve.
fn bank(installation: &Installation, draft: &Draft, site: &Site) -> Choice {
    let section = Home::Section("bank");
    if site.fed_by.is_some() {
        // The bank does not feed this heater.
        return Choice::new(What::Bank, [], false);
    }
    let away = ["reserve_v", "resume_v", "sag_v"].map(|key| Edit::away(section, key));
    let spend = |word: &str| Edit::word(section, "spend", word);
    let mut levels = Vec::new();
    if installation.settings.bank != BankUse::Never {
        let no_reserve = ["reserve_pct", "resume_pct"].map(|key| Edit::away(section, key));
        // Without a word for it, what the reserve needs is measured; there will be no reserve.
        let measured = match installation.bank_measured {
            BankMeasured { voltage: true, charge: true } => "both",
            BankMeasured { voltage: true, charge: false } => "voltage",
            BankMeasured { voltage: false, charge: true } => "charge",
            BankMeasured { voltage: false, charge: false } => "neither",
        };
        let measured = draft.value(section, "measured").is_none().then(|| Edit::word(section, "measured", measured));
        let edits = [spend("never")].into_iter().chain(away.clone()).chain(no_reserve).chain(measured);
        levels.push(Level::Edits(edits.collect()));
    }
    if installation.bank_measured.charge {
        for word in ["with_source", "always"] {
            levels.extend(RESERVES_PCT.map(|reserve_pct| {
                let reserve = [
                    Edit::number(section, "reserve_pct", reserve_pct),
                    Edit::number(section, "resume_pct", reserve_pct + RESUMES_ABOVE_PCT),
                ];
                Level::Edits([spend(word)].into_iter().chain(reserve).chain(away.clone()).collect())
            }));
        }
    } else if let Some(Reserve::Voltage { .. }) = installation.settings.bank.reserve() {
        // The reserve itself stays: a voltage says too little of the charge to propose another.
        let other = match installation.settings.bank {
            BankUse::Always(_) => "with_source",
            BankUse::WithSource(_) | BankUse::Never => "always",
        };
        levels.push(Level::Edits(vec![spend(other)]));
    }
    Choice::new(What::Bank, levels, false)
}

/// From how much sun on each panel counts as a source for heat.
fn suns(site: &Site) -> impl Iterator<Item = Choice> {
    site.supplies.iter().enumerate().filter_map(|(index, supply)| {
        let Presence::Sun { at_least_w_m2 } = supply.presence else { return None };
        let one = |sun| (sun, vec![Edit::number(Home::Source(index), "sun_at_least_w_m2", sun)]);
        Some(Choice::of_numbers(What::Sun, at_least_w_m2, SUNS_W_M2.map(one)))
    })
}
