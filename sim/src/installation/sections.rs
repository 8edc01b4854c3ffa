//! The sections of an installation file, in the order of the settings they fill.

use super::OTHER_COLUMNS;
use super::channel;
use super::document::{Section, Span};
use super::fixed::{self, Fixed};
use super::row::wanted_beside;
use super::site;
use super::values::{Doubt, NEVER, Reader, Told, millis, signed, unsigned};
use crate::diagnostic::Severity;
use crate::site::{BankMeasured, Site};
use forewarm_core::quantity::{Joules, Kelvins, MilliampHours, Milliamps, Millis};
use forewarm_core::settings::{
    BankUse, CeilingPoint, Charge, ChargeCurrent, Cooling, Giving, Heater, Hold, Key, MAX_CEILING_POINTS, MAX_CHANNELS,
    MAX_SOURCES, Place, Proof, Reserve, Settings, Source, Trust,
};
use heapless::Vec as FixedVec;
use toml::Spanned;
use toml::de::DeTable;

/// Everything a file says, before it is checked as a whole.
pub(super) struct Draft {
    pub(super) title: String,
    pub(super) channels: Vec<String>,
    pub(super) sources: Vec<String>,
    pub(super) obeys: Vec<Option<String>>,
    pub(super) settings: Settings,
    pub(super) site: Option<Site>,
    pub(super) bank_measured: Measured,
    pub(super) fixed: Fixed,
}

/// Reads the whole document.
pub(super) fn read<'t>(reader: &mut Reader<'t>, document: &'t Spanned<DeTable<'t>>) -> Draft {
    let mut root = Section::top(document.get_ref());
    let title = reader.text(&mut root, "title").unwrap_or("Untitled installation").to_owned();
    let charge = charge(reader, &mut root);
    let heater = heater(reader, &mut root);
    let mut source_sections = root
        .list("source", MAX_SOURCES, "[[source]], once for each source of energy", &mut reader.findings)
        .unwrap_or_else(|| {
            reader.doubt(Doubt::Sources);
            Vec::new()
        });
    let (sources, source_names, obeys) = sources(reader, &mut source_sections);
    let (bank, giving, bank_measured) = bank(reader, &mut root);
    let trust = trust(reader, &mut root);
    let mut channel_sections = root
        .list("channel", MAX_CHANNELS, "[[channel]], once for each thermometer", &mut reader.findings)
        .unwrap_or_else(|| {
            reader.doubt(Doubt::Channels);
            Vec::new()
        });
    let mut channels = FixedVec::new();
    let mut channel_names = Vec::new();
    let mut taken = Vec::new();
    for (index, section) in channel_sections.iter_mut().enumerate() {
        let name = reader.name(section, &mut taken);
        let plain = name.to_lowercase().replace([' ', '-'], "_");
        if OTHER_COLUMNS.contains(&plain.as_str()) {
            let place = section.place("name");
            let message = format!("{place} is \"{name}\", which in a log is a column that belongs to no channel");
            let why = Some("a replay could not tell the two apart");
            let remedy = format!("any other name: {} belong to no channel", OTHER_COLUMNS.join(", "));
            let span = section.key_span("name");
            reader.findings.add(Severity::Error, span.as_ref(), &place, message, why, remedy);
        }
        channel_names.push(name);
        let channel = channel::read(reader, section, index);
        push(&mut channels, channel);
    }
    let mut settings = Settings { channels, charge, heater, sources, bank, giving: Some(giving), trust };
    let site = site::read(reader, &mut root, &mut channel_sections, &mut source_sections, &source_names, &settings);
    site::bound_leads(reader, &channel_sections, &mut settings, site.as_ref());
    match &site {
        Some(site) => count_batteries(reader, &mut settings.charge, site),
        None => uncounted(reader),
    }
    if site.as_ref().is_some_and(|site| site.fed_by.is_some()) {
        // The bank cannot pay for what this heater takes.
        settings.giving = None;
    }
    let fixed = fixed::read(reader, &mut root, document.get_ref(), (&channel_names, &source_names));
    for section in channel_sections.into_iter().chain(source_sections) {
        section.finish(&mut reader.findings);
    }
    root.finish(&mut reader.findings);
    Draft { title, channels: channel_names, sources: source_names, obeys, settings, site, bank_measured, fixed }
}

/// Counts the batteries in parallel. The site says how many, unless the settings do.
fn count_batteries(reader: &mut Reader, charge: &mut Charge, site: &Site) {
    let place = Place::of(Key::Batteries);
    let count = u8::try_from(site.battery.count).unwrap_or(u8::MAX);
    let Some(span) = reader.span(place).cloned() else {
        charge.batteries = count;
        return;
    };
    if charge.batteries != count && !reader.doubts(place) && !reader.doubts_number("battery.count") {
        let message = format!("{place} is {}, and battery.count is {count}", charge.batteries);
        let why =
            Some("of batteries in parallel the charge-current ceiling counts one less, so both must be one number");
        let remedy = "the number of batteries in parallel in one of the two, and the other left out";
        reader.findings.add(Severity::Error, Some(&span), &place.to_string(), message, why, remedy);
    }
}

/// A bank that counts as one battery, because nothing says how many it has.
fn uncounted(reader: &mut Reader) {
    let place = Place::of(Key::Batteries);
    if reader.span(place).is_some() {
        return;
    }
    let span = reader.span(Place::of(Key::Capacity)).cloned();
    let message = "the bank counts as one battery: the file has neither charge.batteries nor a [battery] section";
    let why = Some(
        "of two or more in parallel one may have disconnected itself, and the others then take its current: the charge-current ceiling \
         must count one less",
    );
    let remedy = "batteries = 1, if it is one; else how many are in parallel";
    reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, why, remedy);
}

/// A whole number in thousandths, within the range of its row.
fn whole(thousandths: i64) -> u8 {
    u8::try_from(thousandths / 1000).unwrap_or(u8::MAX)
}

/// The list is already cut to the length that fits.
fn push<T, const N: usize>(list: &mut FixedVec<T, N>, item: T) {
    let _ = list.push(item);
}

fn charge<'t>(reader: &mut Reader<'t>, root: &mut Section<'t>) -> Charge {
    let mut section = root.section("charge", &mut reader.findings);
    let form = "ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ], as the battery maker allows";
    if !section.has("ceiling") {
        section.lacks("ceiling", form);
    }
    let points = section.list("ceiling", MAX_CEILING_POINTS, form, &mut reader.findings);
    if points.is_none() || !section.has("ceiling") {
        reader.doubt(Doubt::Ceiling);
    }
    let mut ceiling = FixedVec::new();
    for (index, mut point) in points.unwrap_or_default().into_iter().enumerate() {
        let read = CeilingPoint {
            at: reader.celsius(&mut point, Place::at(Key::CeilingAt, index)),
            limit: reader.c_rate(&mut point, Place::at(Key::CeilingLimit, index)),
        };
        point.finish(&mut reader.findings);
        push(&mut ceiling, read);
    }
    let charge = Charge {
        hard_limit: reader.celsius(&mut section, Key::HardLimit),
        inhibit: reader.celsius(&mut section, Key::Inhibit),
        release: reader.celsius(&mut section, Key::Release),
        high_limit: reader.celsius(&mut section, Key::HighLimit),
        high_release: reader.celsius(&mut section, Key::HighRelease),
        soak: reader.span_of_time(&mut section, Key::Soak),
        min_off: reader.span_of_time(&mut section, Key::ChargeMinOff),
        overdue_after: reader.span_of_time(&mut section, Key::OverdueAfter),
        capacity: MilliampHours::from_milliamp_hours(reader.thousandths(&mut section, Key::Capacity)),
        batteries: reader.optional(&mut section, Place::of(Key::Batteries)).map_or(1, whole),
        ceiling,
    };
    section.finish(&mut reader.findings);
    charge
}

fn heater<'t>(reader: &mut Reader<'t>, root: &mut Section<'t>) -> Heater {
    let mut section = root.section("heater", &mut reader.findings);
    let hold = [("while_charging", Hold::WhileCharging), ("never", Hold::Never)];
    let heater = Heater {
        start: reader.celsius(&mut section, Key::HeaterStart),
        stop: reader.celsius(&mut section, Key::HeaterStop),
        power: reader.watts(&mut section, Key::HeaterPower),
        nominal: reader.volts(&mut section, Key::HeaterNominal),
        supply_min: reader.volts(&mut section, Key::SupplyMin),
        supply_max: reader.volts(&mut section, Key::SupplyMax),
        cutout_cell: reader.celsius(&mut section, Key::CutoutCell),
        cutout_pad: reader.celsius(&mut section, Key::CutoutPad),
        cutout_hysteresis: reader.kelvins(&mut section, Key::CutoutHysteresis),
        over_temperature: reader.kelvins(&mut section, Key::OverTemperature),
        min_on: reader.span_of_time(&mut section, Key::HeaterMinOn),
        min_off: reader.span_of_time(&mut section, Key::HeaterMinOff),
        max_run: reader.span_of_time(&mut section, Key::MaxRun),
        rest: reader.span_of_time(&mut section, Key::Rest),
        max_cycles_per_day: reader.count(&mut section, Place::of(Key::MaxCycles)),
        hold: reader.word(&mut section, "hold", &hold).ok().flatten().unwrap_or(Hold::WhileCharging),
        proof: proof(reader, &mut section),
        cooling: pair(reader, &mut section, Key::CoolingAfter, Key::CoolingExcess).map(|(after, excess)| Cooling {
            after: millis(Key::CoolingAfter, after),
            excess: Kelvins::from_millikelvins(signed(excess)),
        }),
    };
    section.finish(&mut reader.findings);
    heater
}

fn proof<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<Proof> {
    let pad_rise = reader.optional(section, Place::of(Key::ProofPadRise));
    let is_alone = [Key::ProofEnergy, Key::ProofRise].iter().all(|key| section.get(key.fact().name).is_none());
    if pad_rise.is_some() && is_alone {
        section.lacks(Key::ProofEnergy.fact().name, wanted_beside(Key::ProofEnergy, Key::ProofPadRise));
    }
    let (energy, rise) = pair(reader, section, Key::ProofEnergy, Key::ProofRise)?;
    Some(Proof {
        // Watt hours to joules, in thousandths: to the nearest joule.
        energy: Joules::from_joules(unsigned((energy * 36 + 5) / 10)),
        rise: Kelvins::from_millikelvins(signed(rise)),
        pad_rise: Kelvins::from_millikelvins(signed(pad_rise.unwrap_or(rise))),
    })
}

/// Two settings that are given together or not at all.
fn pair<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, first: Key, second: Key) -> Option<(i64, i64)> {
    let values = (reader.optional(section, Place::of(first)), reader.optional(section, Place::of(second)));
    let (given, lacking) = match values {
        (Some(first), Some(second)) => return Some((first, second)),
        (None, None) => return None,
        (Some(_), None) => (first, second),
        (None, Some(_)) => (second, first),
    };
    section.lacks(lacking.fact().name, wanted_beside(lacking, given));
    None
}

/// The sources, their names, and what makes each of them obey the ceiling.
type Sources = (FixedVec<Source, MAX_SOURCES>, Vec<String>, Vec<Option<String>>);

fn sources<'t>(reader: &mut Reader<'t>, sections: &mut [Section<'t>]) -> Sources {
    let (mut sources, mut names, mut all_obey, mut taken) = (FixedVec::new(), Vec::new(), Vec::new(), Vec::new());
    for (index, section) in sections.iter_mut().enumerate() {
        let name = reader.name(section, &mut taken);
        if name.eq_ignore_ascii_case("bank") {
            let place = section.place("name");
            let message = format!("{place} is \"{name}\", which no source can be called");
            let why = Some("in results the bank's own energy goes by that name");
            let span = section.key_span("name");
            let remedy = "name = \"engine\", \"mains\", \"solar\": whatever gives the energy";
            reader.findings.add(Severity::Error, span.as_ref(), &place, message, why, remedy);
        }
        names.push(name);
        let (charge, obeys) = charge_current(reader, section, index);
        all_obey.push(obeys);
        let source = Source {
            budget: reader.watts(section, Place::at(Key::Budget, index)),
            priority: reader.count(section, Place::at(Key::Priority, index)),
            settle: reader.span_of_time(section, Place::at(Key::Settle, index)),
            charge,
        };
        push(&mut sources, source);
    }
    (sources, names, all_obey)
}

/// What a source gives to the bank, and what makes it obey the ceiling, if anything. The file must have one of the two:
/// nobody may assume that a charger obeys.
fn charge_current<'t>(
    reader: &mut Reader<'t>,
    section: &mut Section<'t>,
    index: usize,
) -> (ChargeCurrent, Option<String>) {
    const EITHER: &str = "most_current_a, the most that the source gives to the bank, whatever the ceiling is (0 where it charges \
                          nothing); or, where something holds its current at or below the ceiling, obeys = \"…\", which says what does";
    let place = Place::at(Key::MostCurrent, index);
    let most = reader.optional(section, place);
    let reduced = reader.optional(section, Place::at(Key::ReducedCurrent, index));
    let has_text = section.has("obeys");
    let obeys = reader.text(section, "obeys").map(str::trim);
    if has_text && reduced.is_some() {
        let name = Key::ReducedCurrent.fact().name;
        let at = section.place(name);
        let message = format!("{at} does not go with obeys");
        let why = Some(
            "a source that obeys the ceiling follows it down to 0 A, and has no step for the full charge permit to switch",
        );
        let remedy = "leave out reduced_current_a; or, where nothing but two fixed steps holds the current, most_current_a in place of obeys";
        reader.findings.add(Severity::Error, section.key_span(name).as_ref(), &at, message, why, remedy);
    }
    if has_text && most.is_some() {
        let at = section.place("obeys");
        let message = format!("{at} does not go with most_current_a");
        let why = Some(
            "a source that obeys the ceiling needs no such number, and one that does not is refused where it gives too much",
        );
        reader.findings.add(Severity::Error, section.key_span("obeys").as_ref(), &at, message, why, EITHER);
    } else if !has_text && most.is_none() {
        section.lacks("most_current_a", EITHER);
        reader.doubt(place);
    }
    if let Some(text) = obeys
        && !names_something(text)
    {
        let at = section.place("obeys");
        let message =
            format!("{at} is \"{}\", which does not say what makes the source obey", crate::diagnostic::excerpt(text));
        let why = Some("a charger that nothing holds back charges cold cells with all it has");
        let remedy =
            "obeys = \"its current limit is set over the data line by …\"; or, where nothing does, most_current_a";
        reader.findings.add(Severity::Error, section.key_span("obeys").as_ref(), &at, message, why, remedy);
    }
    match (most, obeys) {
        (None, Some(text)) => (ChargeCurrent::Obeys, Some(text.to_owned())),
        (most, _) => {
            let amps = |milliamps: i64| Milliamps::from_milliamps(unsigned(milliamps));
            let most = amps(most.unwrap_or_else(|| Key::MostCurrent.fact().maximum));
            let charge = reduced
                .map_or(ChargeCurrent::UpTo(most), |reduced| ChargeCurrent::InSteps { reduced: amps(reduced), most });
            (charge, None)
        }
    }
}

/// Whether a text names something that holds a charger back, and is not just a word of answer.
fn names_something(text: &str) -> bool {
    const ANSWERS: [&str; 5] = ["nothing", "nobody", "always", "unknown", "of course"];
    text.chars().filter(|letter| letter.is_alphabetic()).count() >= 6
        && !ANSWERS.contains(&text.to_lowercase().trim_end_matches(['.', '!', '?']))
}

/// The use of the bank that the word `spend` names. The reserve is read separately.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Spend {
    Never,
    WithSource,
    Always,
}

fn bank<'t>(reader: &mut Reader<'t>, root: &mut Section<'t>) -> (BankUse, Giving, Measured) {
    let mut section = root.section("bank", &mut reader.findings);
    let words = [("never", Spend::Never), ("with_source", Spend::WithSource), ("always", Spend::Always)];
    let spend = reader.word(&mut section, "spend", &words);
    let reserve = reserve(reader, &mut section);
    let told = spend.is_err() || reserve.is_err();
    let bank = match (spend.unwrap_or(None), reserve.unwrap_or(None)) {
        _ if told => None,
        (None, None) => Some(BankUse::Never),
        (Some(Spend::Never), reserve) => {
            if reserve.is_some() {
                idle_reserve(reader, &section);
            }
            Some(BankUse::Never)
        }
        (Some(Spend::WithSource), Some(reserve)) => Some(BankUse::WithSource(reserve)),
        (Some(Spend::Always), Some(reserve)) => Some(BankUse::Always(reserve)),
        (None, Some(_)) => {
            section
                .lacks("spend", "spend = \"never\", \"with_source\" or \"always\": without it the reserve has no use");
            None
        }
        (Some(Spend::WithSource | Spend::Always), None) => {
            let message = "bank.spend lets the bank be spent on heat, and no reserve says how far";
            let remedy = "reserve_pct and resume_pct, or reserve_v and resume_v (and sag_v); or spend = \"never\"";
            reader.findings.error(section.key_span("spend").as_ref(), "bank.spend", message, remedy);
            None
        }
    };
    let giving = Giving {
        fall: reader.volts(&mut section, Key::FallVoltage),
        fall_charge: reader.percent(&mut section, Key::FallCharge),
    };
    let measured = measured(reader, &mut section, bank.unwrap_or(BankUse::Never));
    section.finish(&mut reader.findings);
    let bank = bank.unwrap_or_else(|| {
        reader.doubt(Doubt::Bank);
        BankUse::Never
    });
    (bank, giving, measured)
}

/// Which measurements of the bank the controller gets, and where the file says so. If it does not, what the reserve
/// needs.
#[derive(Clone, Debug)]
pub(super) struct Measured {
    pub(super) what: BankMeasured,
    pub(super) span: Option<Span>,
}

/// What a reserve is judged by. It must then be measured.
pub(super) fn needed_by(bank: BankUse) -> BankMeasured {
    match bank.reserve() {
        None => BankMeasured::default(),
        Some(Reserve::Voltage { .. }) => BankMeasured { voltage: true, charge: false },
        Some(Reserve::StateOfCharge { .. }) => BankMeasured { voltage: false, charge: true },
    }
}

fn measured<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, bank: BankUse) -> Measured {
    let of = |voltage: bool, charge: bool| BankMeasured { voltage, charge };
    let words = [
        ("voltage", of(true, false)),
        ("charge", of(false, true)),
        ("both", of(true, true)),
        ("neither", of(false, false)),
    ];
    let said = reader.word(section, "measured", &words);
    if said.is_err() {
        reader.doubt_number(MEASURED.to_owned());
    }
    let what = said.ok().flatten().unwrap_or_else(|| needed_by(bank));
    Measured { what, span: section.key_span("measured") }
}

/// The key that says which quantities of the bank are measured.
pub(super) const MEASURED: &str = "bank.measured";

fn idle_reserve(reader: &mut Reader, section: &Section) {
    let message = "bank keeps a reserve that has no effect while bank.spend is \"never\"";
    let why = Some("the bank is not spent on heat, so there is nothing to hold back");
    let remedy = "leave the reserve out, or spend = \"with_source\"";
    reader.findings.add(Severity::Warning, section.key_span("spend").as_ref(), "bank.spend", message, why, remedy);
}

/// The reserve, if the file has one. `Err` if a fault has been reported.
fn reserve<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Result<Option<Reserve>, Told> {
    const CHARGE: [Key; 2] = [Key::ReserveFloor, Key::ReserveResume];
    const VOLTAGE: [Key; 3] = [Key::ReserveFloorVoltage, Key::ReserveResumeVoltage, Key::ReserveSag];
    let given = |section: &Section, keys: &[Key]| keys.iter().any(|key| section.has(key.fact().name));
    let (by_charge, by_voltage) = (given(section, &CHARGE), given(section, &VOLTAGE));
    if by_charge && by_voltage {
        for key in CHARGE.into_iter().chain(VOLTAGE) {
            let _ = reader.optional(section, Place::of(key));
        }
        let span = section
            .key_span("reserve_v")
            .or_else(|| section.key_span("resume_v"))
            .or_else(|| section.key_span("sag_v"));
        let message = "bank keeps a reserve by state of charge and by voltage";
        let remedy = "one of the two: by state of charge (reserve_pct, resume_pct) where something tells it";
        reader.findings.error(span.as_ref(), "bank", message, remedy);
        return Err(Told);
    }
    let reserve = if by_charge {
        Some(Reserve::StateOfCharge {
            floor: reader.percent(section, Key::ReserveFloor),
            resume: reader.percent(section, Key::ReserveResume),
        })
    } else if by_voltage {
        Some(Reserve::Voltage {
            floor: reader.volts(section, Key::ReserveFloorVoltage),
            resume: reader.volts(section, Key::ReserveResumeVoltage),
            sag: reader.volts(section, Key::ReserveSag),
        })
    } else {
        None
    };
    // All of them are known keys, even those that are not used.
    for key in CHARGE.into_iter().chain(VOLTAGE) {
        let _ = section.get(key.fact().name);
    }
    Ok(reserve)
}

fn trust<'t>(reader: &mut Reader<'t>, root: &mut Section<'t>) -> Trust {
    let mut section = root.section("trust", &mut reader.findings);
    let trust = Trust {
        good_run: reader.count(&mut section, Key::GoodRun),
        max_step: reader.span_of_time(&mut section, Key::MaxStep),
        max_age: reader.span_of_time(&mut section, Key::MaxAge),
        plausible_low: reader.celsius(&mut section, Key::PlausibleLow),
        plausible_high: reader.celsius(&mut section, Key::PlausibleHigh),
        noise: reader.kelvins(&mut section, Key::Noise),
        fastest_cell: reader.rate(&mut section, Key::FastestCell),
        fastest_pad: reader.rate(&mut section, Key::FastestPad),
        fastest_ambient: reader.rate(&mut section, Key::FastestAmbient),
        disagreement: reader.kelvins(&mut section, Key::Disagreement),
        stuck_after: unless_never(reader, &mut section, Key::StuckAfter),
        stuck_moved: reader.kelvins(&mut section, Key::StuckMoved),
        still_after: unless_never(reader, &mut section, Key::StillAfter),
        restart_limit: reader.count(&mut section, Key::RestartLimit),
        restart_window: reader.span_of_time(&mut section, Key::RestartWindow),
        feedback: reader.span_of_time(&mut section, Key::Feedback),
        button: reader.span_of_time(&mut section, Key::Button),
    };
    section.finish(&mut reader.findings);
    trust
}

/// A time, or the one word for a time that is not judged.
fn unless_never<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, key: Key) -> Option<Millis> {
    let said = section.get(key.fact().name).and_then(|value| value.get_ref().as_str());
    (said != Some(NEVER)).then(|| reader.span_of_time(section, key))
}
