//! What is allowed but probably not intended.

use super::row::real;
use super::sections::{MEASURED, Measured, needed_by};
use super::site::{feed, table};
use super::values::{Doubt, Reader};
use crate::diagnostic::Severity;
use crate::platinum::Platinum;
use crate::site::{BankMeasured, Site};
use forewarm_core::quantity::Millivolts;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{BankUse, ChargeCurrent, Key, Place, Role, Settings, SettingsError, Thousandths};

/// Adds the warnings about the installation as a whole. `site` is what the file says apart from the settings.
pub(super) fn add(reader: &mut Reader, settings: &Settings, site: Option<&Site>, measured: &Measured) {
    let fed_by = site.and_then(|site| site.fed_by);
    let value = |key: Key| settings.value(Place::of(key)).unwrap_or(0);
    let (inhibit, release) = (value(Key::Inhibit), value(Key::Release));
    if inhibit < 5_000 {
        warn(
            reader,
            &[Key::Inhibit],
            "charge.inhibit_c",
            format!("charge.inhibit_c is {} °C, below 5 °C", Thousandths(inhibit)),
            "0 °C is a hard limit for the cell itself, and what the sensor, its wiring and the way from sensor to core can read \
             warm must fit between",
            "inhibit_c = 5, unless the battery maker and the sensor's error allow less",
        );
    }
    if release > inhibit && release < inhibit + 2_000 {
        warn(
            reader,
            &[Key::Release, Key::Inhibit],
            "charge.release_c",
            format!("charge.release_c is less than 2 K above charge.inhibit_c ({} °C)", Thousandths(inhibit)),
            "noise and the draught of an opened hatch move a reading by as much, and each time the soak starts again",
            &format!("release_c = {}", Thousandths(inhibit + 3_000)),
        );
    }
    if value(Key::HighLimit) > 55_000 {
        warn(
            reader,
            &[Key::HighLimit],
            "charge.high_limit_c",
            format!("charge.high_limit_c is {} °C, above 55 °C", Thousandths(value(Key::HighLimit))),
            "many cells may not be charged above 45 to 60 °C",
            "high_limit_c = 45, unless the battery maker allows more",
        );
    }
    let nominal = value(Key::HeaterNominal);
    let (supply_min, supply_max) = (value(Key::SupplyMin), value(Key::SupplyMax));
    if supply_min < supply_max && !(supply_min..=supply_max).contains(&nominal) {
        warn(
            reader,
            &[Key::HeaterNominal, Key::SupplyMin, Key::SupplyMax],
            "heater.nominal_v",
            format!("heater.nominal_v is {} V, outside the supply's own limits", Thousandths(nominal)),
            "the heater would never run at the voltage its power is stated for",
            "supply_min_v below and supply_max_v above nominal_v, or the pad that fits the supply",
        );
    }
    if !reader.doubts(Doubt::Channels) && !reader.doubts(Doubt::Role) {
        let count = |role: Role| settings.channels.iter().filter(|channel| channel.role == role).count();
        if count(Role::Pad) == 0 && !settings.channels.is_empty() {
            warn(
                reader,
                &[],
                "channel",
                "no channel has the role pad".to_owned(),
                "the heater plate is the hottest place, and only its independent thermal cut-out would know how hot",
                "a [[channel]] with role = \"pad\", on the plate",
            );
        }
        if count(Role::Cell) == 1 {
            warn(
                reader,
                &[],
                "channel",
                "one channel alone has the role cell".to_owned(),
                "nothing would contradict it when it has come loose and reads warm air",
                "a second [[channel]] with role = \"cell\", in the coldest corner",
            );
        }
    }
    references(reader, settings);
    checks(reader, settings);
    lone_two_wire(reader, settings, site);
    never_charging(reader, settings);
    if reader.doubts_number(feed::PLACE) {
        // It is unknown what should feed the heater.
        return;
    }
    idle_sources(reader, settings, fed_by);
    // If one source feeds the heater, fed_by is judged instead.
    if fed_by.is_none() {
        reserve(reader, settings);
        giving(reader, settings);
        unmeasured(reader, settings, measured);
        energy(reader, settings);
    }
}

/// Bank and heater of different system voltages: a reserve in volts should lie near the heater's stated voltage.
fn reserve(reader: &mut Reader, settings: &Settings) {
    let nominal = i64::from(settings.heater.nominal.as_millivolts());
    for key in [Key::ReserveFloorVoltage, Key::ReserveResumeVoltage] {
        let Some(voltage) = settings.value(Place::of(key)) else { continue };
        if (nominal * 7..=nominal * 13).contains(&(voltage * 10)) {
            continue;
        }
        let name = key.fact().name;
        warn(
            reader,
            &[key, Key::HeaterNominal],
            &Place::of(key).to_string(),
            format!(
                "bank.{name} is {} V, far from heater.nominal_v ({} V)",
                Thousandths(voltage),
                Thousandths(nominal)
            ),
            "bank and heater seem to belong to two systems, and the bank would be spent never, or down to nothing",
            &format!("{name} as the bank has it, or nominal_v; leave both if a converter feeds the heater"),
        );
    }
}

/// A voltage fall that a charger's regulation and cable cause as well.
fn giving(reader: &mut Reader, settings: &Settings) {
    let nominal = i64::from(settings.heater.nominal.as_millivolts());
    let Some(fall) = settings.value(Place::of(Key::FallVoltage)).filter(|fall| fall * 100 < nominal) else { return };
    warn(
        reader,
        &[Key::FallVoltage, Key::HeaterNominal],
        "bank.fall_v",
        format!(
            "bank.fall_v is {} V, less than 1 % of heater.nominal_v ({} V)",
            Thousandths(fall),
            Thousandths(nominal)
        ),
        "the bus falls by as much when a charger that gives takes on the heater, and a source that is there all the time would be \
         doubted again and again",
        &format!(
            "fall_v = {}, or what was measured with no source on, if a charger's fall is well below it",
            Thousandths(nominal * 25 / 1000 / 50 * 50)
        ),
    );
}

/// A bank whose measurements the controller does not get. It then cannot see whether the bank pays for heat, or cannot
/// judge its reserve.
fn unmeasured(reader: &mut Reader, settings: &Settings, measured: &Measured) {
    let Measured { what, span } = measured;
    if [Doubt::Bank, Doubt::Sources].into_iter().any(|doubt| reader.doubts(doubt)) || reader.doubts_number(MEASURED) {
        return;
    }
    if *what == BankMeasured::default() && !settings.sources.is_empty() {
        let message = match span {
            None => {
                "nothing says that the bank's voltage or its state of charge is measured: the file has no bank.measured"
            }
            Some(_) => {
                "bank.measured is \"neither\": the controller sees neither the bank's voltage nor its state of charge"
            }
        };
        reader.findings.add(
            Severity::Warning,
            span.as_ref(),
            MEASURED,
            message,
            Some(
                "a source that is present and gives nothing is found only by what the bank loses under the heater; with neither \
                 measured the heater runs for a minute at a time, and the pauses grow to 12 h",
            ),
            "the bank's voltage on the board's input for it, and measured = \"voltage\"; better, its state of charge as well, and \
             measured = \"both\"",
        );
    }
    let needed = needed_by(settings.bank);
    let (lacks, word) = match (needed.voltage && !what.voltage, needed.charge && !what.charge) {
        (true, _) => ("the voltage, and the bank's reserve goes by it (reserve_v)", "voltage"),
        (_, true) => ("the state of charge, and the bank's reserve goes by it (reserve_pct)", "charge"),
        (false, false) => return,
    };
    let why = "what is not measured is never known to be above the reserve, so the bank is never spent on heat";
    let remedy = format!(
        "measured = \"{word}\" or \"both\", where it is; or a reserve by what is measured, or spend = \"never\""
    );
    let message = format!("bank.measured leaves out {lacks}");
    reader.findings.add(Severity::Warning, span.as_ref(), MEASURED, message, Some(why), remedy);
}

/// Reference resistors that hardly suit the element.
fn references(reader: &mut Reader, settings: &Settings) {
    let mut refused = Vec::new();
    settings.check(|error| {
        if let SettingsError::ReferenceTooSmall { channel, .. } = error {
            refused.push(usize::from(channel));
        }
    });
    for (index, channel) in settings.channels.iter().enumerate() {
        let place = Place::at(Key::Reference, index);
        let r0 = match channel.role {
            Role::Check(check) => check.nominal,
            Role::Cell | Role::Pad | Role::Ambient => channel.element.r0(),
        };
        let (reference, r0) = (channel.reference.as_micro_ohms(), r0.as_micro_ohms());
        if (r0 * 2..=r0 * 10).contains(&reference)
            || refused.contains(&index)
            || [place.into(), Doubt::Element(index)].into_iter().any(|doubt: Doubt| reader.doubts(doubt))
        {
            continue;
        }
        let span = reader.span(place).cloned();
        let ohms = |micro: u64| Thousandths(i64::try_from(micro / 1000).unwrap_or(i64::MAX)).to_string();
        let message = format!("{place} is {} Ω for an element of {} Ω at 0 °C", ohms(reference), ohms(r0));
        let why = if reference < r0 {
            "common references are 2 to 10 times that; a converter reads beyond its reference only with some gain"
        } else {
            "common references are 2 to 10 times that; a reference of another element shows false temperatures"
        };
        let remedy =
            "reference_ohm as printed on the converter's reference resistor, and the element that goes with it";
        reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, Some(why), remedy);
    }
}

/// A cell channel on two wires with no other beside it. Added resistance at a terminal reads warm, and nothing
/// contradicts it.
fn lone_two_wire(reader: &mut Reader, settings: &Settings, site: Option<&Site>) {
    let is_doubtful = [Doubt::Channels, Doubt::Role].into_iter().any(|doubt| reader.doubts(doubt));
    if is_doubtful || reader.doubts_number("converter.contact_growth_mohm") {
        return;
    }
    // A file without a site has no [converter] either.
    let growth_ohm = site.map_or_else(
        || {
            let key = table::Key::ContactGrowth;
            real(key.fact().default.unwrap_or(key.fact().maximum)) / key.per()
        },
        |site| site.converter.contact_growth_ohm,
    );
    let mut cells = settings.channels.iter().enumerate().filter(|(_, channel)| channel.role == Role::Cell);
    let (Some((index, channel)), None) = (cells.next(), cells.next()) else { return };
    if !matches!(channel.leads, Leads::TwoWire { .. }) || reader.doubts(Doubt::Element(index)) {
        return;
    }
    let warm_k = Platinum::of(&channel.element).reads_above_k(0.0, 0.0, growth_ohm);
    if warm_k <= 0.0 {
        return;
    }
    let place = format!("channel[{index}].wiring");
    warn(
        reader,
        &[],
        &place,
        format!(
            "{place} is \"2-wire\" on the only cell channel: contacts that gain {growth_ohm} Ω in service make it read {warm_k:.1} K warm"
        ),
        "growth this slow is no jump, and no second channel contradicts it; plan adds it to the guard band \
         (converter.contact_growth_mohm)",
        "four wires; or a second [[channel]] with role = \"cell\"; or a Pt1000, a tenth as sensitive to it",
    );
}

/// Whether a fault that makes all thermometers read wrong alike would be found.
fn checks(reader: &mut Reader, settings: &Settings) {
    if reader.doubts(Doubt::Channels) || reader.doubts(Doubt::Role) || settings.channels.is_empty() {
        return;
    }
    let has_check = settings.channels.iter().any(|channel| matches!(channel.role, Role::Check(_)));
    if !has_check {
        warn(
            reader,
            &[],
            "channel",
            "no channel has the role check: nothing would find a reference resistor or a common return that has changed".to_owned(),
            "all thermometers then read warm alike and none contradicts another: 2 % of the reference are 5 K, and cold cells are charged",
            "a [[channel]] with role = \"check\": a fixed resistor at the converter's terminals, with check_ohm and check_within_ohm",
        );
    }
    // A check resistor on another reference shows nothing about the thermometers' reference.
    let references: Vec<_> = settings.channels.iter().map(|channel| channel.reference).collect();
    for (index, channel) in settings.channels.iter().enumerate() {
        let thermometers = settings.channels.iter().zip(&references);
        let mut others = thermometers.filter(|(other, _)| !matches!(other.role, Role::Check(_))).map(|(_, r)| *r);
        let place = Place::at(Key::Reference, index);
        if matches!(channel.role, Role::Check(_)) && others.all(|r| r != channel.reference) && !reader.doubts(place) {
            let span = reader.span(place).cloned();
            let message = format!("{place} is not the reference of any thermometer");
            let why = "a check resistor says something only of the reference that it is measured against";
            let remedy = "the reference_ohm of the thermometers, on the same converter";
            reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, Some(why), remedy);
        }
    }
}

/// Sources that never let the heater bring the cells to where they may be charged.
fn never_charging(reader: &mut Reader, settings: &Settings) {
    let keys = [Key::HeaterStop, Key::Capacity, Key::Batteries];
    let points = settings.charge.ceiling.len();
    let of_points = (0..points).flat_map(|index| [Key::CeilingAt, Key::CeilingLimit].map(|key| Place::at(key, index)));
    if reader.doubts(Doubt::Ceiling) || of_points.chain(keys.map(Place::of)).any(|place| reader.doubts(place)) {
        return;
    }
    let stop = settings.heater.stop;
    let charges_from = |current| settings.charge.charges_from(current);
    for (index, source) in settings.sources.iter().enumerate() {
        const REFUSED: &str =
            "while this source is there charge is refused, unless something else warms the cells so far";
        const REDUCED: &str =
            "while this source is there the full charge permit stays off, unless something else warms the cells so far";
        let (most, why) = match source.charge {
            ChargeCurrent::Obeys => continue,
            ChargeCurrent::UpTo(most) => ((Key::MostCurrent, most), REFUSED),
            ChargeCurrent::InSteps { reduced, .. } if charges_from(reduced).is_none_or(|from| from >= stop) => {
                ((Key::ReducedCurrent, reduced), REFUSED)
            }
            ChargeCurrent::InSteps { most, .. } => ((Key::MostCurrent, most), REDUCED),
        };
        let (key, most) = most;
        let place = Place::at(key, index);
        let from = charges_from(most);
        if reader.doubts(place) || from.is_some_and(|from| from < stop) {
            continue;
        }
        let span = reader.span(place).cloned();
        let allows = from.map_or("at no temperature".to_owned(), |from| {
            format!("from {} °C on", Thousandths((i64::from(from.as_millidegrees()) + 5).div_euclid(10) * 10))
        });
        let message = format!(
            "{place} is {} A, which the ceiling allows {allows}, and the heater stops at {} °C",
            Thousandths(most.as_milliamps().into()),
            Thousandths(stop.as_millidegrees().into())
        );
        let remedy =
            "a charger that gives less, one whose current is held at the ceiling (obeys = \"…\"), or a higher stop_c";
        reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, Some(why), remedy);
    }
}

/// Adds one warning, where the first of `keys` stands. Adds none if one of the keys is a stand-in.
fn warn(reader: &mut Reader, keys: &[Key], place: &str, message: String, why: &str, remedy: &str) {
    if keys.iter().any(|&key| reader.doubts(Place::of(key))) {
        return;
    }
    let span = keys.iter().find_map(|&key| reader.span(Place::of(key))).cloned();
    reader.findings.add(Severity::Warning, span.as_ref(), place, message, Some(why), remedy);
}

/// Sources that give nothing.
fn idle_sources(reader: &mut Reader, settings: &Settings, fed_by: Option<usize>) {
    for (index, source) in settings.sources.iter().enumerate() {
        let place = Place::at(Key::Budget, index);
        // If the heater hangs on another source, 0 W is right.
        let feeds_nothing = fed_by.is_some_and(|fed_by| fed_by != index);
        if source.budget.as_milliwatts() > 0 || feeds_nothing || reader.doubts(place) {
            continue;
        }
        let span = reader.span(place).cloned();
        let message = format!("{place} is 0 W: this source gives the heater nothing");
        let why = match settings.bank {
            BankUse::WithSource(_) => "all it does is to let the bank be spent",
            BankUse::Never | BankUse::Always(_) => {
                "nothing is heated with it, and while it is there alone the permitted charge current is zero"
            }
        };
        let remedy = "the watts that heater and charge together may take from it, or no such [[source]]";
        reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, Some(why), remedy);
    }
}

/// Whether there is energy for the heater. Its power grows with the square of the supply voltage.
fn energy(reader: &mut Reader, settings: &Settings) {
    let keys = [Key::HeaterPower, Key::HeaterNominal, Key::SupplyMin, Key::SupplyMax];
    let doubtful = keys.iter().any(|&key| reader.doubts(Place::of(key)))
        || (0..settings.sources.len()).any(|index| reader.doubts(Place::at(Key::Budget, index)))
        || [Doubt::Sources, Doubt::Bank].into_iter().any(|doubt| reader.doubts(doubt));
    if doubtful || settings.bank != BankUse::Never {
        return;
    }
    let heater = &settings.heater;
    let power_at = |supply: Millivolts| {
        let square = |voltage: Millivolts| u64::from(voltage.as_millivolts()).pow(2);
        // 24 + 34 bits. A nominal voltage in range is above zero.
        u64::from(heater.power.as_milliwatts()) * square(supply) / square(heater.nominal)
    };
    let offered: u64 = settings.sources.iter().map(|source| u64::from(source.budget.as_milliwatts())).sum();
    let (least, most) = (power_at(heater.supply_min), power_at(heater.supply_max));
    let watts = |milliwatts: u64| milliwatts.div_ceil(1000);
    let supply_max = Thousandths(heater.supply_max.as_millivolts().into());
    let (message, why) = if settings.sources.is_empty() {
        ("there is no source, and the bank is never spent on heat".to_owned(), "the heater would never run")
    } else if offered < least {
        let message =
            format!("all sources together give {} W, and the heater takes at least {} W", offered / 1000, watts(least));
        (message, "the heater would never run")
    } else if offered < most {
        let message = format!(
            "all sources together give {} W, and the heater takes {} W at supply_max_v, {supply_max} V",
            offered / 1000,
            watts(most)
        );
        (message, "power goes with the square of the voltage: the heater would go off when a charger raises it")
    } else {
        return;
    };
    let remedy = "more budget_w, a smaller heater, or a [bank] that may make up the rest";
    warn(reader, &[Key::HeaterPower], "source", message, why, remedy);
}
